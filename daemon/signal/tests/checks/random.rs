//! Any tone, any sample rate, any record length: the accuracy holds, and nothing panics.

use crate::support::*;
use proptest::prelude::*;
use wattproof_signal::{Capture, Settings, read};

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn any_tone_with_harmonics_is_read_within_the_table(
        cycles in 10.0..900.0_f64,
        len in 4_000_usize..12_000,
        fs in prop::sample::select(vec![44_100.0, 48_000.0, 96_000.0, 192_000.0, 1e6]),
        phase in -3.0..3.0_f64,
        peak in 1e-3..100.0_f64,
        second in 1e-7..0.3_f64,
        third in 1e-7..0.3_f64,
    ) {
        // Expected values are the synthesis' own; limits: measurement design, section 3.
        let hz = cycles * fs / len as f64;
        prop_assume!(3.6 * hz < fs / 2.0 && hz > 20.0 && hz < 20_000.0);
        let parts = [(hz, peak, phase), (2.0 * hz, second * peak, 0.3), (3.0 * hz, third * peak, 1.3)];
        let settings = Settings { expected_hz: Some(hz * 1.003), ..wide(fs) };
        let reading = read(&voltage(fs, tones(fs, len, &parts)), &settings);
        prop_assert!(reading.flags.is_empty(), "{:?}", reading.flags);
        assert_rel(reading.fundamental_vrms, peak / 2_f64.sqrt(), 1e-5, "amplitude");
        assert_rel(reading.fundamental_hz, hz, 1e-7, "frequency");
        assert_rel(reading.thd_pct, 100.0 * second.hypot(third), 1e-3, "THD");
        for (found, expected) in reading.harmonics_pct.iter().zip([second, third]) {
            let db = 20.0 * (found / 100.0 / expected).log10();
            prop_assert!(db.abs() < 0.01, "harmonic off by {db} dB");
        }
    }

    #[test]
    fn no_capture_makes_it_panic(
        fs in prop::num::f64::ANY,
        volts in prop::collection::vec(prop_oneof![9 => -100.0..100.0_f64, 1 => prop::num::f64::ANY], 0..400),
        amps in prop::option::of(prop::collection::vec(-10.0..10.0_f64, 0..400)),
        expected in prop::option::of(prop::num::f64::ANY),
        low in prop::num::f64::ANY,
    ) {
        let capture = Capture { fs_hz: fs, volts, amps, volts_full_scale: Some(fs), ..Capture::default() };
        let settings = Settings { expected_hz: expected, band_hz: (low, 20_000.0), ..Settings::default() };
        let reading = read(&capture, &settings);
        prop_assert!(!reading.is_refused() || reading.out_vrms.is_none());
    }

    #[test]
    fn no_short_or_odd_tone_makes_it_panic(
        cycles_per_sample in 1e-4..0.5_f64,
        len in 0_usize..600,
        offset in -1e3..1e3_f64,
        scale in prop::sample::select(vec![1e-300, 1e-30, 1.0, 1e30, 9e99]),
    ) {
        let volts: Vec<f64> =
            tones(1.0, len, &[(cycles_per_sample, 1.0, 0.1)]).iter().map(|v| scale * (v + offset)).collect();
        let amps = Some(volts.clone());
        for fs_hz in [1e-3, 1.0, 48_000.0, 1e12] {
            let capture = Capture { fs_hz, volts: volts.clone(), amps: amps.clone(), ..Capture::default() };
            let reading = read(&capture, &Settings { band_hz: (0.0, fs_hz), ..Settings::default() });
            prop_assert!(reading.thdn_pct.is_none_or(|pct| (0.0..=100.000_1).contains(&pct)), "{reading:?}");
        }
    }
}
