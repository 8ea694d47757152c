//! Where a script does not apply, it says so in one sentence, and nothing was switched on.

use super::ran;

#[test]
fn a_script_that_does_not_apply_says_why() {
    for (amplifier, bench, script, words) in [
        ("line", &[][..], "output_resistance", "no current input"),
        ("line", &[], "load_sweep", "a line stage has one load"),
        ("line", &[], "efficiency_and_idle", "no current input"),
        ("line", &[], "mobile_rating", "this is a line stage"),
        ("line", &[], "home_rating", "this is a line stage"),
        ("line", &[], "speaker_load", "this is a line stage"),
        ("honest", &[], "speaker_load", "loudspeaker = true"),
        ("honest", &["--fixed-load", "4"], "load_sweep", "resistors of 4"),
        ("honest", &["--fixed-load", "4"], "output_resistance", "two loads"),
        ("quartet", &["--bridged"], "crosstalk", "wired for bridged ones"),
        ("quartet", &["--bridged"], "mobile_rating", "wired for bridged ones"),
        ("quartet", &["--bridged"], "home_rating", "wired for bridged ones"),
    ] {
        let ran = ran(amplifier, bench, script, &[]);
        assert_eq!(ran.code, Some(1), "{script} on {amplifier}: {}", ran.said);
        assert!(ran.said.contains(words), "{script} on {amplifier}: {}", ran.said);
        let journal = std::fs::read_to_string(ran.folder.join("journal.jsonl")).unwrap();
        assert!(!journal.contains("\"act\":\"supply_on\""), "{script} on {amplifier} switched on");
    }
}

/// A loudspeaker would be driven to its end, and heard.
#[test]
fn no_ceiling_is_searched_into_a_loudspeaker() {
    let ran = ran("honest", &["--speaker"], "chain_headroom", &[]);
    assert_eq!(ran.code, Some(1));
    assert!(ran.said.contains("loudspeaker") || ran.said.contains("fixed at 3.4 ohm"), "{}", ran.said);
}
