use super::check::plain;
use super::{Allowed, Check, Told};

/// Gain of a power amplifier at any setting of its level control, dB (common practice, no source).
pub(super) const GAIN_DB: (f64, f64) = (10.0, 50.0);
/// Gain of a line stage, from a fader that is turned down to a microphone input, dB (common practice, no source).
const LINE_GAIN_DB: (f64, f64) = (-20.0, 70.0);
/// Channels of one amplifier differ by no more, dB (common practice, no source).
const GAINS_ALIKE_DB: f64 = 1.0;
/// What leads, contacts and heat add to the resistance that a load was set to, relative (common practice, no source).
const LEADS: f64 = 0.05;
/// From this ratio on a load is open rather than wrong, and shorted below its inverse.
const FAR: f64 = 10.0;
/// Reversed beyond 90°; within this of it a load is so reactive that the sign tells nothing, degrees.
const REACTIVE_DEG: f64 = 60.0;

/// A tone found in one digitizer channel at the frequency played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// Its rms, V or A.
    pub rms: f64,
    /// Standard uncertainty of that by noise, V or A.
    pub u: f64,
    /// Its phase, degrees.
    pub phase_deg: f64,
}

/// Both tones of one amplifier channel; `None` where there is nothing but noise.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Seen {
    /// In the voltage.
    pub volts: Option<Tone>,
    /// In the current.
    pub amps: Option<Tone>,
    /// Of a bridge measured by two dividers: in the voltages of its positive and its negative side to ground.
    pub sides: Option<[Option<Tone>; 2]>,
}

/// What was commanded when one channel was driven, and what its inputs allow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Driven {
    /// Amplifier channel, from 1.
    pub channel: u32,
    /// Source level, V rms.
    pub level_vrms: f64,
    /// Load set, ohm.
    pub load_ohm: f64,
    /// Tolerance of that load, relative.
    pub load: f64,
    /// Tolerances of voltage and current gain together, relative.
    pub gains: f64,
    /// Volts over amperes for the same voltage at the converter, ohm: what exchanged inputs turn a load by.
    pub exchange_ohm: f64,
    /// Whether it is a line stage instead of a power amplifier.
    pub is_line: bool,
}

impl Driven {
    /// How far a load may be off, relative, beside noise.
    fn within(&self) -> f64 {
        self.load + self.gains + LEADS
    }
}

/// Gain, load resistance and polarity of the current at a small level.
#[must_use]
pub fn judge_driven(driven: &Driven, seen: &Seen) -> Vec<Check> {
    vec![gain(driven, seen), load(driven, seen), polarity(driven, seen)]
}

fn gain(driven: &Driven, seen: &Seen) -> Check {
    let ((low_db, high_db), reason) = if driven.is_line {
        (LINE_GAIN_DB, "any line stage's gain (common practice)")
    } else {
        (GAIN_DB, "any power amplifier's gain (common practice)")
    };
    let allowed = Allowed::between(low_db, high_db, reason);
    let channel = Some(driven.channel);
    let Some(volts) = seen.volts else {
        let found = match seen.amps {
            None => format!("nothing comes at {:.4} V rms of the source", driven.level_vrms),
            Some(amps) => format!("no voltage, but {} A rms", plain(amps.rms)),
        };
        return Check { unit: "dB".into(), allowed, ..Check::not_told("gain", channel, "", "") }
            .wrong(found)
            .refusing()
            .or_else("follow the signal: source lead, amplifier's input and level control, remote turn-on, divider lead");
    };
    let gain_db = 20.0 * (volts.rms / driven.level_vrms).log10();
    let mut check = Check::number("gain", channel, gain_db, "dB", allowed).refusing();
    check.found = format!(
        "{} V rms at {} V rms of the source, {gain_db:.2} dB",
        plain(volts.rms),
        plain(driven.level_vrms)
    );
    check.or_else(
        "see the divider's `gain` in the bench file, the source's units, the amplifier's level control",
    )
}

/// The load that both tones make, ohm, with its standard uncertainty by noise, relative.
fn ohm(seen: &Seen) -> Option<(f64, f64)> {
    let (volts, amps) = seen.volts.zip(seen.amps)?;
    Some((volts.rms / amps.rms, (volts.u / volts.rms).hypot(amps.u / amps.rms)))
}

fn load(driven: &Driven, seen: &Seen) -> Check {
    let set = driven.load_ohm;
    let name = format!("load of {} ohm", plain(set));
    let noise = ohm(seen).map_or(0.0, |(_, noise)| 4.0 * noise);
    let within = driven.within() + noise;
    let reason = format!(
        "{} ohm as set, by load {} %, inputs {} %, leads and heat 5 %",
        plain(set),
        plain(100.0 * driven.load),
        plain(100.0 * driven.gains)
    );
    let allowed = Allowed::between(set * (1.0 - within), set * (1.0 + within), reason);
    let bare = || Check {
        unit: "ohm".into(),
        allowed: allowed.clone(),
        ..Check::not_told(
            &name,
            Some(driven.channel),
            "neither voltage nor current to tell it by",
            "see the gain",
        )
    };
    let check = match (ohm(seen), seen.volts, seen.amps) {
        (Some((measured, _)), ..) => {
            let check = Check::number(&name, Some(driven.channel), measured, "ohm", allowed.clone());
            if check.result == Told::Ok {
                check
            } else {
                check.wrong(format!("{} ohm: {}", plain(measured), kind(driven, measured, within)))
            }
        }
        (None, Some(volts), _) => bare().wrong(format!("{} V rms and no current: open", plain(volts.rms))),
        (None, None, Some(amps)) => bare().wrong(format!("{} A rms and no voltage: short", plain(amps.rms))),
        (None, None, None) => bare(),
    };
    let next = if check.found.contains("short") {
        "everything off, then look for a short across the output, and for a divider lead that has come off"
    } else if check.found.contains("open") {
        "everything off, then see the load's leads and fuse, and the current sensor: on, zeroed, around one lead"
    } else {
        "everything off, then see the load's setting and leads, and the `gain` of both inputs in the bench file"
    };
    check.refusing().or_else(next)
}

/// What a load that is not as set looks like.
fn kind(driven: &Driven, measured: f64, within: f64) -> &'static str {
    let exchanged = measured * driven.load_ohm / driven.exchange_ohm.powi(2);
    if (exchanged - 1.0).abs() <= within {
        "wrong, and the reciprocal that exchanged voltage and current inputs make"
    } else if measured > FAR * driven.load_ohm {
        "open"
    } else if measured < driven.load_ohm / FAR {
        "short"
    } else {
        "wrong"
    }
}

fn polarity(driven: &Driven, seen: &Seen) -> Check {
    let name = "current polarity";
    let Some((volts, amps)) = seen.volts.zip(seen.amps) else {
        return Check::not_told(name, Some(driven.channel), "voltage or current is missing", "see the load");
    };
    let phase_deg = (volts.phase_deg - amps.phase_deg + 180.0).rem_euclid(360.0) - 180.0;
    let watts = volts.rms * amps.rms * phase_deg.to_radians().cos();
    let reason = "power flows into the load: 0° at a resistor";
    let allowed = Allowed::between(-90.0, 90.0, reason);
    let mut check = Check::number(name, Some(driven.channel), phase_deg, "°", allowed).refusing();
    check.found = format!("{phase_deg:.1}° between voltage and current, {} W", plain(watts));
    if (phase_deg.abs() - 90.0).abs() < 90.0 - REACTIVE_DEG {
        check.result = Told::NotTold;
        check.next = "the load is so reactive that the sign tells nothing: check with a resistor".into();
        return check;
    }
    check.or_else("turn the current sensor round on its lead, or exchange the shunt's sense leads")
}

/// Whether the gains of all channels are alike.
#[must_use]
pub fn judge_gains(gains_db: &[f64]) -> Option<Check> {
    let (low, high) = gains_db
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), db| (low.min(*db), high.max(*db)));
    (gains_db.len() > 1).then(|| {
        let allowed = Allowed::at_most(GAINS_ALIKE_DB, "channels of one amplifier (common practice)");
        Check::number("gains apart", None, high - low, "dB", allowed)
            .or_else("set the level controls alike, and see the dividers' `gain` in the bench file")
    })
}

/// What one channel showed at several loads: the load set, ohm, and what was seen.
pub type EachLoad = [(f64, Seen)];

/// Whether voltage and current inputs of a channel are exchanged: then the load reads as its reciprocal. Only loads
/// away from the one at which both readings are the same can tell.
#[must_use]
pub fn judge_kinds(driven: &Driven, each: &EachLoad) -> Check {
    let name = "voltage and current inputs";
    let channel = Some(driven.channel);
    let telling = each.iter().filter_map(|(set, seen)| {
        let (measured, noise) = ohm(seen)?;
        let within = driven.within() + 4.0 * noise;
        let apart = (set / driven.exchange_ohm).powi(2);
        let tells = apart > (1.0 + within).powi(2) || apart < (1.0 - within).powi(2);
        let off = |expected: f64| (measured / expected - 1.0).abs() <= within;
        tells.then(|| (*set, measured, off(*set), off(driven.exchange_ohm.powi(2) / set)))
    });
    let telling: Vec<_> = telling.collect();
    let as_words = |all: &[(f64, f64, bool, bool)]| {
        let each: Vec<String> =
            all.iter().map(|(set, measured, ..)| format!("{} ohm at {set} ohm", plain(*measured))).collect();
        each.join(", ")
    };
    let exchanged = !telling.is_empty() && telling.iter().all(|(.., exchanged)| *exchanged);
    let as_set = !telling.is_empty() && telling.iter().all(|(_, _, as_set, _)| *as_set);
    if exchanged || as_set {
        let result = if as_set { Told::Ok } else { Told::Wrong };
        return Check {
            result,
            allowed: Allowed { reason: "the load as set, not its reciprocal".into(), ..Allowed::default() },
            ..Check::not_told(name, channel, as_words(&telling), "")
        }
        .refusing()
        .or_else("exchange both inputs at the digitizer, or `adc` of both in the bench file");
    }
    let why = if telling.is_empty() {
        format!("at {} ohm both ways read alike", plain(driven.exchange_ohm))
    } else {
        format!("the load is neither as set nor its reciprocal: {}", as_words(&telling))
    };
    Check::not_told(
        name,
        channel,
        why,
        "a rating into another load would tell; or pull the current lead and look",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(rms: f64, phase_deg: f64) -> Option<Tone> {
        Some(Tone { rms, u: rms * 1e-4, phase_deg })
    }

    const DRIVEN: Driven = Driven {
        channel: 1,
        level_vrms: 0.02,
        load_ohm: 4.0,
        load: 0.0005,
        gains: 0.002,
        exchange_ohm: 2.0,
        is_line: false,
    };

    fn judged(volts: Option<Tone>, amps: Option<Tone>) -> Vec<(Told, String)> {
        judge_driven(&DRIVEN, &Seen { volts, amps, ..Seen::default() })
            .into_iter()
            .map(|c| (c.result, c.found))
            .collect()
    }

    /// Ohm's law and 20·lg: 0.64 V and 0.16 A are 4 ohm; 0.64 V at 0.02 V are 30.1 dB.
    #[test]
    fn a_sound_channel_is_ok() {
        let checks = judge_driven(
            &DRIVEN,
            &Seen { volts: tone(0.64, 10.0), amps: tone(0.16, 10.0), ..Seen::default() },
        );
        assert!(checks.iter().all(|check| check.result == Told::Ok), "{checks:?}");
        assert!((checks[0].value.unwrap() - 30.103).abs() < 1e-3);
        assert!((checks[1].value.unwrap() - 4.0).abs() < 1e-12);
    }

    #[test]
    fn open_short_wrong_and_reversed_are_told_apart() {
        let load = |volts, amps| judged(volts, amps)[1].clone();
        assert!(load(tone(0.64, 0.0), None).1.contains("open"));
        assert!(load(None, tone(0.3, 0.0)).1.contains("short"));
        assert!(load(tone(0.64, 0.0), tone(0.01, 0.0)).1.contains("open"));
        assert!(load(tone(0.05, 0.0), tone(0.5, 0.0)).1.contains("short"));
        // 8 ohm where 4 are set.
        let (told, found) = load(tone(0.64, 0.0), tone(0.08, 0.0));
        assert!(told == Told::Wrong && found.ends_with("wrong"), "{found}");
        assert_eq!(load(None, None).0, Told::NotTold);
        // 4.2 ohm are within the 5.25 % of leads, load and inputs, 4.3 are not.
        assert_eq!(load(tone(0.64, 0.0), tone(0.64 / 4.2, 0.0)).0, Told::Ok);
        assert_eq!(load(tone(0.64, 0.0), tone(0.64 / 4.3, 0.0)).0, Told::Wrong);
        let polarity = |phase_deg| judged(tone(0.64, 0.0), tone(0.16, phase_deg))[2].0;
        assert_eq!([polarity(0.0), polarity(179.0), polarity(-175.0)], [Told::Ok, Told::Wrong, Told::Wrong]);
        assert_eq!(
            [polarity(50.0), polarity(80.0), polarity(100.0)],
            [Told::Ok, Told::NotTold, Told::NotTold]
        );
    }

    #[test]
    fn nothing_and_too_much_are_no_gain() {
        assert_eq!(judged(None, None)[0].0, Told::Wrong);
        assert_eq!(judged(tone(0.03, 0.0), tone(0.0075, 0.0))[0].0, Told::Wrong);
        assert_eq!(judged(tone(9.0, 0.0), tone(2.25, 0.0))[0].0, Told::Wrong);
        // 0 dB is no power amplifier's, but many a line stage's; -26 dB is a lead that has come off.
        let line = |volts| {
            judge_driven(&Driven { is_line: true, ..DRIVEN }, &Seen { volts, amps: None, sides: None })[0]
                .result
        };
        assert_eq!(judged(tone(0.02, 0.0), None)[0].0, Told::Wrong);
        assert_eq!([line(tone(0.02, 0.0)), line(tone(0.001, 0.0))], [Told::Ok, Told::Wrong]);
        assert_eq!(judge_gains(&[30.0, 30.9]).unwrap().result, Told::Ok);
        assert_eq!(judge_gains(&[30.0, 28.9]).unwrap().result, Told::Wrong);
        assert!(judge_gains(&[30.0]).is_none());
    }

    /// Own algebra: with 20 V and 10 A per volt exchanged, V' = 2 I and I' = V/2, so R' = 4/R.
    #[test]
    fn exchanged_inputs_read_the_reciprocal() {
        let through =
            |ohm: f64| (ohm, Seen { volts: tone(0.64, 0.0), amps: tone(0.64 / ohm, 0.0), ..Seen::default() });
        let exchanged = |ohm: f64| {
            (ohm, Seen { volts: tone(2.0 * 0.64 / ohm, 0.0), amps: tone(0.32, 0.0), ..Seen::default() })
        };
        let told = |each: &EachLoad| judge_kinds(&DRIVEN, each).result;
        assert_eq!(told(&[through(4.0)]), Told::Ok);
        assert_eq!(told(&[exchanged(4.0)]), Told::Wrong);
        // At 2 ohm both read the same.
        assert_eq!(told(&[exchanged(2.0)]), Told::NotTold);
        assert_eq!(told(&[through(2.0), through(4.0)]), Told::Ok);
        assert_eq!(told(&[exchanged(2.0), exchanged(8.0)]), Told::Wrong);
        assert_eq!(
            told(&[(4.0, Seen { volts: tone(0.64, 0.0), amps: None, ..Seen::default() })]),
            Told::NotTold
        );
        let load = judge_driven(&DRIVEN, &exchanged(4.0).1);
        assert!(load[1].found.contains("reciprocal"), "{}", load[1].found);
    }
}
