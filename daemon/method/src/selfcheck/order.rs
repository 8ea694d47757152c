use super::{Allowed, Check, Seen, Told};

/// A channel that is not driven shows less than this share of one that is: −20 dB, worse than any crosstalk (common
/// practice, no source).
const CROSSTALK: f64 = 0.1;

/// Whether the output driven last is the one at which voltage and current appear. `driven` outputs are on, from the
/// first; what the earlier ones show is known.
#[must_use]
pub fn judge_order(driven: usize, seen: &[Seen]) -> Vec<Check> {
    let volts: Vec<f64> = seen.iter().map(|seen| seen.volts.map_or(0.0, |tone| tone.rms)).collect();
    let amps: Vec<f64> = seen.iter().map(|seen| seen.amps.map_or(0.0, |tone| tone.rms)).collect();
    vec![one("voltage", driven, &volts), one("current", driven, &amps)]
}

fn one(word: &str, driven: usize, rms: &[f64]) -> Check {
    let name = format!("{word} channel");
    let number = u32::try_from(driven).unwrap_or(u32::MAX);
    let index = driven.saturating_sub(1);
    let rest = rms.iter().enumerate().skip(index);
    let loudest = rest.max_by(|a, b| a.1.total_cmp(b.1)).filter(|(_, rms)| **rms > 0.0);
    let Some((loudest, most)) = loudest else {
        return Check::not_told(&name, Some(number), format!("no {word} anywhere"), "see gain and load");
    };
    let others = rms.iter().enumerate().skip(driven).filter(|(_, rms)| **rms > CROSSTALK * most);
    let others: Vec<String> = others.map(|(index, _)| (index + 1).to_string()).collect();
    let (result, found) = if loudest != index {
        (Told::Wrong, format!("output {driven} is driven and the {word} comes at channel {}", loudest + 1))
    } else if others.is_empty() {
        (Told::Ok, format!("output {driven} is driven and the {word} comes there alone"))
    } else {
        (
            Told::Wrong,
            format!("output {driven} is driven and the {word} comes at channel {} too", others.join(", ")),
        )
    };
    Check {
        result,
        allowed: Allowed {
            reason: "less than -20 dB at outputs that are not driven".into(),
            ..Allowed::default()
        },
        ..Check::not_told(&name, Some(number), found, "")
    }
    .refusing()
    .or_else("follow the lead of each output, or exchange `amplifier_channel` or `outputs` in the bench file")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::selfcheck::Tone;

    fn seen(volts: f64, amps: f64) -> Seen {
        let tone = |rms: f64| (rms > 0.0).then_some(Tone { rms, u: 0.0, phase_deg: 0.0 });
        Seen { volts: tone(volts), amps: tone(amps), ..Seen::default() }
    }

    fn told(driven: usize, seen: &[Seen]) -> [Told; 2] {
        let checks = judge_order(driven, seen);
        [checks[0].result, checks[1].result]
    }

    /// Project definition.
    #[test]
    fn the_output_driven_must_be_the_one_that_sounds() {
        let (on, off, hum) = (seen(1.0, 0.25), seen(0.0, 0.0), seen(0.05, 0.01));
        assert_eq!(told(1, &[on, off]), [Told::Ok; 2]);
        assert_eq!(told(1, &[on, hum]), [Told::Ok; 2]);
        assert_eq!(told(2, &[on, on]), [Told::Ok; 2]);
        assert_eq!(told(1, &[off, on]), [Told::Wrong; 2]);
        assert_eq!(told(1, &[on, on]), [Told::Wrong; 2]);
        assert_eq!(told(1, &[off, off]), [Told::NotTold; 2]);
        // The voltage inputs alone are exchanged.
        assert_eq!(told(1, &[seen(0.0, 0.25), seen(1.0, 0.0)]), [Told::Wrong, Told::Ok]);
        // With three: the second and third are exchanged, which only the second turn can show.
        assert_eq!(told(1, &[on, off, off]), [Told::Ok; 2]);
        assert_eq!(told(2, &[on, off, on]), [Told::Wrong; 2]);
    }
}
