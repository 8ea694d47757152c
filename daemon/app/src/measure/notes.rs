//! What a person should know of a reading that no flag says: notes, each with what to do next.

use wattproof_signal::{Reading, Settings};

use super::wording::significant;

/// Share of the highest level below which a block counts as quiet. Common practice, no source.
const QUIET: f64 = 0.8;
/// Share of quiet blocks from which on the level does not hold still.
const QUIET_SHARE: f64 = 0.05;
/// Power factor of the fundamentals below which no load explains it: one of 95.7°, past what a probe's delay may add to
/// a load that is all reactance. Common practice, no source.
const BACKWARDS: f64 = -0.1;

/// The notes on a reading, none if it was refused. `volt` is the unit of its voltages.
pub fn notes(reading: &Reading, sample_rate_hz: f64, settings: &Settings, volt: &str) -> Vec<String> {
    if reading.is_refused() {
        return Vec::new();
    }
    let all = [reach(sample_rate_hz, settings), level(reading, volt), direction(reading)];
    all.into_iter().flatten().collect()
}

fn reach(sample_rate_hz: f64, settings: &Settings) -> Option<String> {
    let (reach_hz, high_hz) = (sample_rate_hz / 2.0, settings.band_hz.1);
    (reach_hz < high_hz).then(|| {
        format!(
            "the band goes to {} Hz, the record to {} Hz alone: what lies between them is in no number; record at a \
             higher sample rate, or choose a band with --band",
            significant(high_hz, 5),
            significant(reach_hz, 5)
        )
    })
}

/// Distortion, noise and level are those of the whole record, whose rests spread the tone into all of them.
fn level(reading: &Reading, volt: &str) -> Option<String> {
    let levels = &reading.envelope.as_ref()?.fundamental_vrms;
    let (least, most) = levels.iter().fold((f64::INFINITY, 0.0_f64), |(a, b), x| (a.min(*x), b.max(*x)));
    let quiet = levels.iter().filter(|level| **level < QUIET * most).count();
    (quiet as f64 > QUIET_SHARE * levels.len() as f64).then(|| {
        format!(
            "the tone's level moves between {} and {} {volt} rms within the record: level, THD+N and noise are those of \
             all of it together; take a steady part with --skip and --seconds",
            significant(least, 3),
            significant(most, 3)
        )
    })
}

fn direction(reading: &Reading) -> Option<String> {
    let backwards = reading.active_w? < 0.0 && reading.displacement_power_factor? < BACKWARDS;
    backwards.then(|| {
        "power flows out of the load: the current's polarity is swapped, or voltage and current are not of the same \
         load; turn the current sensor round, or check --volts-channel and --amps-channel"
            .into()
    })
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use wattproof_signal::{Capture, read};

    use super::*;

    fn of(fs_hz: f64, level: impl Fn(f64) -> f64, amps: f64) -> Vec<String> {
        let volts: Vec<f64> = (0..24_000)
            .map(|n| f64::from(n) / 24_000.0)
            .map(|share| level(share) * (TAU * 500.3 * share * 24_000.0 / fs_hz).cos())
            .collect();
        let amps = Some(volts.iter().map(|volts| amps * volts).collect());
        let settings = Settings::default();
        notes(&read(&Capture { fs_hz, volts, amps, ..Capture::default() }, &settings), fs_hz, &settings, "V")
    }

    #[test]
    fn a_plain_reading_needs_no_notes_and_each_fault_its_own() {
        // Definitions: sampling theorem; passive loads take power (P = V²/R); a tone that is there half the time.
        assert!(of(48_000.0, |_| 1.0, 0.25).is_empty());
        assert!(of(48_000.0, |share| 1.0 - 0.1 * share, 0.25).is_empty());
        for (notes, told) in [
            (of(8_000.0, |_| 1.0, 0.25), "the record to 4000 Hz alone"),
            (
                of(48_000.0, |share| if share < 0.6 { 1.0 } else { 0.0 }, 0.25),
                "0.707 V rms within the record",
            ),
            (of(48_000.0, |_| 1.0, -0.25), "polarity is swapped"),
        ] {
            assert!(notes.len() == 1 && notes[0].contains(told), "{notes:?}");
        }
        assert!(of(8_000.0, |_| 0.0, 0.25).is_empty(), "refused");
    }
}
