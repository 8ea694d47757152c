//! What is heard: clips of distortion, two tones, a loudspeaker.

use std::f64::consts::TAU;

use super::{found, nearly, number, within};

/// Samples of a mono WAV of 16 bit with the plain header of 44 bytes (RIFF; from memory).
fn samples(path: &std::path::Path) -> Vec<f64> {
    let bytes = std::fs::read(path).unwrap();
    assert_eq!((&bytes[0..4], &bytes[8..12], &bytes[36..40]), (&b"RIFF"[..], &b"WAVE"[..], &b"data"[..]));
    assert_eq!(u32::from_le_bytes(bytes[24..28].try_into().unwrap()), 48_000);
    bytes[44..]
        .chunks_exact(2)
        .map(|pair| f64::from(i16::from_le_bytes([pair[0], pair[1]])) / 32_767.0)
        .collect()
}

/// Amplitude of a frequency over whole cycles: the plain Fourier sum.
fn amplitude(samples: &[f64], hz: f64) -> f64 {
    let sum = samples.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, sample)| {
        let turn = TAU * hz * n as f64 / 48_000.0;
        (re + sample * turn.cos(), im + sample * turn.sin())
    });
    2.0 * f64::hypot(sum.0, sum.1) / samples.len() as f64
}

/// `soft.toml` reaches every distortion. THD by a plain Fourier sum of the file: THD+N over everything is THD_F/√(1 + THD_F²)
/// (definitions). Equal loudness: A-weighting of the harmonics, near +1 dB at 2 to 5 kHz (IEC 61672-1, table), moves the
/// fundamental by less than 2 % between the clips.
#[test]
fn clips_hold_the_distortion_that_they_are_named_by() {
    let ran = found("soft", &[], "ear_training", &["targets_pct=0.3,3,10", "clip_s=0.5"]);
    for (target, name) in [(0.3, "0.3"), (3.0, "3.0"), (10.0, "10.0")] {
        let row = ran.at("THD+N of a clip", &format!("clip-thdn-{name}-pct.wav"));
        assert!((number(row, "value") / target - 1.0).abs() < 0.03, "{row:?}");
        let clip = samples(&ran.folder.join(format!("clip-thdn-{name}-pct.wav")));
        assert!((clip.len() as f64 / 48_000.0 - 0.5).abs() < 0.01);
        // A tenth of a second, a hundred cycles, away from both ends.
        let middle = &clip[9_600..14_400];
        let first = amplitude(middle, 1000.0);
        let rest =
            (2..20).map(|order| amplitude(middle, 1000.0 * f64::from(order)).powi(2)).sum::<f64>().sqrt();
        let thd = rest / first;
        assert!((100.0 * thd / (1.0 + thd * thd).sqrt() / target - 1.0).abs() < 0.05, "{name}: {thd}");
        assert!((first / 0.1 - 1.0).abs() < 0.02, "20 dB below full scale: {first}");
    }
}

/// `limiting.toml` never distorts: there is no clip, and that is said.
#[test]
fn what_an_amplifier_cant_give_is_no_clip() {
    let ran = found("limiting", &[], "ear_training", &["targets_pct=3", "clip_s=0.5"]);
    assert!(ran.rows.is_empty() && ran.said.contains("stops by limiting"), "{}", ran.said);
}

/// `soft.toml` bends long before its rails and makes products of two tones; `honest.toml` is straight up to them: what is told
/// of it is a bound, by noise.
#[test]
fn two_tones_tell_a_bent_amplifier_from_a_straight_one() {
    let straight = found("honest", &[], "intermodulation", &["shares_pct=50"]);
    for row in straight.all("intermodulation at most") {
        assert!(number(row, "value") < 0.02 && row["expanded_u"].is_empty(), "{row:?}");
    }
    assert!(straight.all("intermodulation at most").len() >= 2, "noise is all there is");
    let bent = found("soft", &[], "intermodulation", &["shares_pct=50"]);
    assert_eq!(bent.all("intermodulation").len(), 4, "two kinds, two channels");
    for row in bent.all("intermodulation") {
        assert!(number(row, "value") > 0.1, "{row:?}");
    }
}

/// The loudspeaker of `--speaker` by the equivalent circuit of Thiele and Small:
/// Z = Re + jωLe + (1/Res + 1/(jωLces) + jωCmes)⁻¹, with Res = Re·Qms/Qes, Cmes = Qes/(ωs·Re), Lces = Re/(ωs·Qes).
fn impedance(hz: f64) -> (f64, f64) {
    let (re, le, qes, qms, fs) = (3.4, 0.0005, 0.5, 4.0, 45.0);
    let (w, ws) = (TAU * hz, TAU * fs);
    let (g, b) = (qes / (re * qms), w * qes / (ws * re) - ws * qes / (w * re));
    let squared = g * g + b * b;
    (re + g / squared, w * le - b / squared)
}

#[test]
fn a_loudspeaker_takes_less_than_volts_times_amps() {
    let ran = found("honest", &["--speaker"], "speaker_load", &["sweep_hz=30,45,200,1000"]);
    for hz in [30.0, 45.0, 200.0, 1000.0] {
        let (r, x) = impedance(hz);
        let at = format!("{hz:.1} Hz,");
        nearly(ran.at("impedance", &at), r.hypot(x));
        within(ran.at("phase", &at), x.atan2(r).to_degrees());
        let (active, apparent) = (ran.at("active power", &at), ran.at("volts times amps", &at));
        // Power factor of an impedance: R/|Z| (definition).
        let factor = number(active, "value") / number(apparent, "value");
        let u = number(active, "expanded_u") / number(active, "value");
        assert!((factor / (r / r.hypot(x)) - 1.0).abs() <= u.max(0.003), "{hz}: {factor} {u}");
    }
    // The highest is at resonance: Re·(1 + Qms/Qes).
    nearly(ran.at("highest impedance", "45.0 Hz"), 3.4 * 9.0);
}
