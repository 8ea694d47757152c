//! Faults at random instants: whatever strikes whenever, the run ends in time, off or with an ALARM, with a true record.

use crate::{fault, run};

/// Ports and kinds whose effect can be told from outside. Bits of samples and digits of readings that turn into other
/// digits are left out: SCPI has no checksum, so nobody could tell.
const KINDS: &[(&str, &str)] = &[
    ("supply", " = \"silent\""),
    ("source", " = \"silent\""),
    ("digitizer", " = \"silent\""),
    ("supply", ".late.by_ms = 1700.0"),
    ("load", ".late.by_ms = 2500.0"),
    ("source", ".half_answer.bytes = 2"),
    ("digitizer", ".half_answer.bytes = 1000"),
    ("supply", ".garbage = { before = [255], after = [] }"),
    ("thermometer", " = \"twice\""),
    ("source", " = \"echo\""),
    ("supply", " = \"no_terminator\""),
    ("thermometer", " = \"nul\""),
    ("supply", ".dribble.gap_ms = 300.0"),
    ("supply", " = \"sentinel\""),
    ("thermometer", " = \"nan\""),
    ("supply", " = \"decimal_comma\""),
    ("digitizer", ".short_block.bytes = 7"),
    ("digitizer", ".long_block.bytes = 7"),
    ("source", " = \"setter_ignored\""),
    ("supply", " = \"reboot\""),
    ("source", " = \"reboot\""),
    ("digitizer", " = \"reboot\""),
    ("supply", ".hang_up = {}"),
    ("thermometer", ".hang_up = {}"),
    ("digitizer", ".hang_up = {}"),
    ("source", " = \"blocked\""),
    ("supply", " = \"off_lies\""),
    ("source", " = \"off_ignored\""),
];

/// xorshift64 (Marsaglia 2003, from memory).
fn next(state: &mut u64) -> u64 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    *state
}

/// Ten rounds; WATTPROOF_FAULT_ROUNDS asks for more, WATTPROOF_FAULT_SEED for others.
#[test]
fn faults_at_random_times_end_off_or_loudly_and_record_nothing_wrong() {
    let from = |name: &str| std::env::var(name).ok().and_then(|text| text.parse::<u64>().ok());
    let rounds = from("WATTPROOF_FAULT_ROUNDS").unwrap_or(10);
    let mut state = from("WATTPROOF_FAULT_SEED").unwrap_or(20_251_125).max(1);
    for round in 0..rounds {
        let (port, what) = KINDS[usize::try_from(next(&mut state)).unwrap() % KINDS.len()];
        // The bench is opened in the first half second; a healthy run is over three seconds later.
        let at_ms = 200 + next(&mut state) % 3000;
        let lasts = [" = \"blocked\"", " = \"off_lies\""].contains(&what);
        let end = if lasts { "for_s = 120.0" } else { "times = 1" };
        let order = fault(port, what, &format!("at_s = {:.3}\n{end}", at_ms as f64 / 1000.0));
        println!("round {round}: {port}{what} at {at_ms} ms");
        let ended = run(&order);
        match ended.code {
            0 | 1 if ended.said.contains("hung up") || what.contains("hang_up") => {}
            // Refused before anything was switched on, by an instrument that still takes nothing.
            1 if what.contains("blocked") => ended.names(&["source"]),
            0 | 1 if what.contains("blocked") => {}
            0 | 1 => ended.is_off(),
            3 => ended.names(&["ALARM", "mains"]),
            other => panic!("exit code {other}: {order}{}", ended.said),
        }
    }
}
