//! Schedules that once broke an invariant, each by the fault of the daemon or of the checker that was found by it, and the
//! operator's reset. The invariants are those of the project's safety design.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use std::time::Duration;

use wattproof_faults::fault::{Fault, Kind};
use wattproof_faults::schedule::{Report, play_with};
use wattproof_faults::setup;
use wattproof_virtual_bench::Role;

fn fault(kind: Kind, role: Role, from_s: f64, until_s: f64, times: u32) -> Fault {
    let length = Duration::from_secs_f64(until_s - from_s);
    Fault { kind, role, from: Duration::from_secs_f64(from_s), length, times }
}

fn play(seed: u64, faults: Vec<Fault>) -> Report {
    // Without a check of the bench, which would move the script against the times of the faults.
    let script = setup::Played { checked: false, ..setup::early_script(seed) };
    play_with(seed, script, faults, None).unwrap()
}

#[test]
fn what_was_mended_stays_mended() {
    use Kind::{
        BlockLong, BlockShort, Death, DoubleStart, Dribble, Echo, LateReply, OffLies, OpcLate, Oscillates,
        PowerLoss, ResetHasty, ResetProper, SetterIgnored, SurplusReply, Suspend, UnplugMidReply,
    };
    let any = Role::Source;
    let schedules = [
        // 8: a load's setting went on after the trip.
        (
            3552,
            vec![fault(PowerLoss, any, 1.163469, 7.951916, 1), fault(Suspend, any, 1.170833, 8.414973, 1)],
        ),
        // 3: the checker moved the trip over a suspension, but not the OFF that had followed it.
        (
            5365,
            vec![
                fault(SetterIgnored, Role::Source, 0.636647, 16.491713, 1),
                fault(Suspend, any, 1.188631, 2.279592, 2),
            ],
        ),
        // 19: a run reported the state that another start had brought about after its end.
        (8614, vec![fault(DoubleStart, any, 1.370143, 11.345059, 3)]),
        // 9: the checker took the end of a dribbled answer for later than it was.
        (
            195,
            vec![
                fault(OpcLate, Role::Digitizer, 1.081687, 1.345514, 1),
                fault(Dribble, Role::Source, 3.263041, 4.331931, 2),
            ],
        ),
        // 10: a record and its supply reading lay seconds apart.
        (7998, vec![fault(LateReply, Role::Digitizer, 1.158669, 5.268150, 1)]),
        (9329, vec![fault(Dribble, Role::Digitizer, 0.900991, 2.311637, 2)]),
        // 10: a step was dated by the end of its transfer instead of by its record.
        (14474, vec![fault(LateReply, Role::Digitizer, 1.305761, 1.801752, 2)]),
        // 2: a supply that delivered though it said off was an alarm only after the deadline for stored charge.
        (
            20515,
            vec![
                fault(OffLies, Role::Supply, 1.588485, 21.862950, 2),
                fault(Oscillates, any, 1.285684, 2.197849, u32::MAX),
                fault(BlockLong, Role::Digitizer, 1.519523, 1.809802, 2),
            ],
        ),
        // 2: a digitizer that kept its samples back held up the look at the current of a supply that lied.
        (
            5_187_850,
            vec![
                fault(BlockShort, Role::Digitizer, 0.758962, 12.845431, 1),
                fault(OffLies, Role::Supply, 1.383673, 2.542216, u32::MAX),
                fault(Oscillates, any, 1.608531, 2.379673, u32::MAX),
            ],
        ),
        // 3: the checker's own times were rounded where two suspensions met.
        (
            3133,
            vec![
                fault(Suspend, any, 1.126725, 2.384507, u32::MAX),
                fault(SurplusReply, Role::Thermometer, 1.240132, 15.833325, 2),
                fault(Suspend, any, 2.369006, 2.575408, 2),
            ],
        ),
        // 20: an alarm that rose and fell while a run ended was told without a warning.
        (
            601_929,
            vec![
                fault(Echo, Role::Source, 1.613713, 1.964673, 3),
                fault(OffLies, Role::Supply, 0.031976, 28.466278, u32::MAX),
            ],
        ),
        // 19: the checker called late answers over while an instrument still worked through them.
        (
            608_933,
            vec![
                fault(LateReply, Role::Source, 2.374931, 30.023070, u32::MAX),
                fault(ResetProper, any, 0.999789, 1.928668, u32::MAX),
                fault(UnplugMidReply, Role::Thermometer, 1.231396, 1.998888, 1),
            ],
        ),
        // 5: the checker believed the word of a daemon that had died in the midst of a reset.
        (
            655_967,
            vec![
                fault(ResetHasty, any, 1.217612, 16.329138, 3),
                fault(Death, any, 1.347921, 23.611984, u32::MAX),
            ],
        ),
    ];
    for (seed, faults) in schedules {
        let report = play(seed, faults);
        assert!(report.violations.is_empty(), "seed {seed}: {:?}", report.violations);
    }
}

/// As above, of seeds that are played as they are.
#[test]
fn seeds_that_were_mended_stay_mended() {
    // 5: a supply whose reading was frozen came right within a person's reset, which led from ALARM by TRIPPED to SAFE
    // between two looks of the checker.
    // 10: a supply's own watchdog, whose messages were swallowed, cut it between a look of the checker and a question.
    // 10: a slow disk kept a step for longer than the checker remembered what had been true.
    // 3: a source whose port was blocked was told OFF again only after a supply that did not answer had been given up.
    for seed in [10_539_094, 10_198_539, 10_759_308, 10_109_255] {
        let report = wattproof_faults::schedule::play(seed).unwrap();
        assert!(report.violations.is_empty(), "seed {seed}: {:?}", report.violations);
    }
}

/// Catalogue 56: stopped, looked at, reset, armed again, stopped again; nothing else is wrong.
#[test]
fn after_a_persons_reset_the_bench_arms_again_and_the_next_trip_has_its_own_cause() {
    let mut armed = 0;
    for seed in 1..25 {
        let reset = fault(Kind::ResetProper, Role::Source, 1.0, 9.0, 1);
        let report = play(seed, vec![fault(Kind::OperatorStop, Role::Source, 1.2, 1.5, 1), reset]);
        assert!(report.violations.is_empty(), "seed {seed}: {:?}", report.violations);
        armed += usize::from(report.events.iter().any(|event| event.ends_with("armed again")));
    }
    assert!(armed >= 20, "armed again in {armed} of 24 schedules");
}

/// Catalogue 56: a number of before is never granted, and a reset is not while the heatsink is too hot.
#[test]
fn a_replayed_number_and_a_standing_cause_are_refused() {
    let mut refused = [0; 2];
    for (seed, kind, while_hot) in
        (1..25).flat_map(|seed| [(seed, Kind::ResetReplayed, false), (seed, Kind::ResetProper, true)])
    {
        // Some 100 K/s from 25 °C on: beyond 90 °C well before the reset.
        let (cause, cause_s) = if while_hot { (Kind::Runaway, 0.3) } else { (Kind::OperatorStop, 1.25) };
        let faults =
            vec![fault(kind, Role::Source, 1.2, 4.0, 4), fault(cause, Role::Source, cause_s, 30.0, 1)];
        let report = play(seed, faults);
        assert!(report.violations.is_empty(), "seed {seed} {kind:?}: {:?}", report.violations);
        let quoted: Vec<_> = report.events.iter().filter(|event| event.contains("a person quotes")).collect();
        assert!(quoted.iter().all(|event| !event.ends_with("granted")), "seed {seed} {kind:?}: {quoted:?}");
        refused[usize::from(while_hot)] += quoted.len();
    }
    assert!(refused.iter().all(|count| *count >= 8), "refused: {refused:?}");
}
