//! `wattproof-faults`: plays schedules of faults and tells what broke.
fn main() {
    let seed: u64 = std::env::args().nth(1).and_then(|s| s.parse().ok()).unwrap_or(1);
    match wattproof_faults::schedule::play(seed) {
        Ok(report) => {
            for event in &report.events {
                println!("{event}");
            }
            println!("{report:?}", report = (&report.seed, report.script, &report.faults, &report.violations, &report.hash, report.length_s, report.switches, &report.ended));
        }
        Err(error) => println!("{error}"),
    }
}
