use super::check::plain;
use super::driven::GAIN_DB;
use super::{Allowed, Check, Seen, Tone};

/// How far the sides of a bridge may be from opposite phase, degrees, and how unlike, dB (common practice, no source).
const PHASE_DEG: f64 = 30.0;
const ALIKE_DB: f64 = 1.0;
const NAME: &str = "bridge";
const IN_PHASE: &str = "everything off, then switch the amplifier to its bridged mode, drive the input that its manual names for it, and see that the second channel is turned over: both sides of a bridge must swing against each other";
const ONE_SIDE: &str = "everything off, then see that each side's divider goes from its own live output to ground, and both `gain`s in the bench file";

/// Whether both sides of a bridge swing against each other, and alike, when `level_vrms` is played.
#[must_use]
pub fn judge_bridge(channel: u32, level_vrms: f64, seen: &Seen) -> Check {
    match seen.sides {
        Some(sides) => judge_sides(channel, sides),
        None => judge_difference(channel, level_vrms, seen),
    }
}

fn judge_sides(channel: u32, sides: [Option<Tone>; 2]) -> Check {
    let allowed = Allowed::between(
        180.0 - PHASE_DEG,
        180.0 + PHASE_DEG,
        "one side of a bridge rises while the other falls, by as much within 1 dB",
    );
    let bare = || Check {
        unit: "°".into(),
        allowed: allowed.clone(),
        ..Check::not_told(NAME, Some(channel), "", "")
    };
    let (positive, negative) = match sides {
        [Some(positive), Some(negative)] => (positive, negative),
        [None, None] => {
            return Check::not_told(NAME, Some(channel), "neither side shows a tone", "see the gain");
        }
        [positive, negative] => {
            let (silent, rms) =
                if positive.is_some() { ("negative", positive) } else { ("positive", negative) };
            let rms = rms.map_or(0.0, |tone| tone.rms);
            let found = format!("the {silent} side shows nothing, the other {} V rms", plain(rms));
            return bare().wrong(found).refusing().or_else(ONE_SIDE);
        }
    };
    let apart_deg = (positive.phase_deg - negative.phase_deg).rem_euclid(360.0);
    let found = format!(
        "{} V rms on the positive side, {} V rms on the negative, {apart_deg:.1}° apart",
        plain(positive.rms),
        plain(negative.rms)
    );
    let mut check = Check::number(NAME, Some(channel), apart_deg, "°", allowed.clone()).refusing();
    check.found.clone_from(&found);
    if !allowed.holds(apart_deg) {
        let between = "the load between them gets next to nothing";
        return check.wrong(format!("{found}: both swing together, {between}")).or_else(IN_PHASE);
    }
    let unlike_db = 20.0 * (positive.rms / negative.rms).log10().abs();
    if unlike_db <= ALIKE_DB {
        return check;
    }
    check.wrong(format!("{found}: {unlike_db:.1} dB unlike")).or_else(ONE_SIDE)
}

/// With a differential input alone, sides that swing together show as a gain far too low.
fn judge_difference(channel: u32, level_vrms: f64, seen: &Seen) -> Check {
    let (low_db, high_db) = GAIN_DB;
    let allowed = Allowed::between(
        low_db,
        high_db,
        "sides that swing against each other give twice one side's voltage",
    );
    let Some(volts) = seen.volts else {
        return Check { unit: "dB".into(), allowed, ..Check::not_told(NAME, Some(channel), "", "") }
            .wrong("nothing between its sides: nothing is played, or both swing together")
            .refusing()
            .or_else(IN_PHASE);
    };
    let gain_db = 20.0 * (volts.rms / level_vrms).log10();
    let mut check = Check::number(NAME, Some(channel), gain_db, "dB", allowed).refusing();
    check.found = format!("{} V rms between its sides, {gain_db:.2} dB", plain(volts.rms));
    check.or_else(IN_PHASE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::selfcheck::Told;

    fn tone(rms: f64, phase_deg: f64) -> Option<Tone> {
        Some(Tone { rms, u: rms * 1e-4, phase_deg })
    }

    fn sides(positive: Option<Tone>, negative: Option<Tone>) -> Check {
        judge_bridge(1, 0.02, &Seen { sides: Some([positive, negative]), ..Seen::default() })
    }

    /// By definition of a bridge: opposite phase, whatever the phase of both against the source.
    #[test]
    fn sides_must_swing_against_each_other_and_alike() {
        for phase_deg in [-170.0, 0.0, 95.0, 179.0] {
            let good = sides(tone(1.0, phase_deg), tone(1.02, phase_deg + 180.0));
            assert_eq!((good.result, good.next.as_str()), (Told::Ok, ""), "{good:?}");
            let together = sides(tone(1.0, phase_deg), tone(1.0, phase_deg + 2.0));
            assert!(together.result == Told::Wrong && together.refuses, "{together:?}");
            assert!(together.found.contains("swing together") && together.next.contains("bridged mode"));
        }
        let unlike = sides(tone(1.0, 0.0), tone(0.5, 180.0));
        assert!(unlike.result == Told::Wrong && unlike.found.contains("6.0 dB unlike"), "{unlike:?}");
        let lost = sides(tone(1.0, 0.0), None);
        assert!(lost.result == Told::Wrong && lost.found.contains("negative side shows nothing"), "{lost:?}");
        assert_eq!(sides(None, None).result, Told::NotTold);
    }

    #[test]
    fn a_differential_input_tells_by_the_gain() {
        let told = |volts| judge_bridge(1, 0.02, &Seen { volts, ..Seen::default() }).result;
        // 36 dB: 30 dB of either side, and twice the voltage between them.
        assert_eq!(told(tone(1.26, 0.0)), Told::Ok);
        assert_eq!(told(tone(0.005, 0.0)), Told::Wrong);
        assert_eq!(told(None), Told::Wrong);
    }
}
