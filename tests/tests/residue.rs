//! Class-D switching residue must not move the distortion figure. AES17 (from memory): a low-pass to 20 kHz goes
//! before a distortion reading, so that what lies far above the audio band doesn't count.

#![allow(clippy::unwrap_used, reason = "a test helper fails by panicking")]

use wattproof_signal::{Capture, Reading, Settings, read};
use wattproof_virtual_bench::{AmplifierSpec, Drive, Load, World, catalogue};

/// A capture of the first channel at `level_vrms`, after everything has settled.
fn reading_of(spec: &AmplifierSpec, level_vrms: f64) -> Reading {
    let mut world = World::new(spec.clone(), 5);
    world.supply_set(14.4, 150.0, true);
    for channel in 0..2 {
        world.load_set(channel, Load::resistive(4.0).unwrap(), true);
        world.source_set(channel, Drive::Sine { vrms: level_vrms, hz: 1000.0 }, true);
    }
    world.advance(2.0);
    let raw = world.capture(2.0, 192_000.0, 19_200);
    let (volts, amps) = (raw.volts[0].clone(), raw.amps[0].clone());
    let capture = Capture { fs_hz: raw.fs_hz, volts, amps: Some(amps), ..Capture::default() };
    read(&capture, &Settings { expected_hz: Some(1000.0), ..Settings::default() })
}

#[test]
fn strong_residue_moves_thd_by_less_than_a_hundredth_of_its_value() {
    let with = catalogue::amplifier("switching").unwrap();
    let mut without = with.clone();
    without.physics.residue.clear();
    let source_vrms = wattproof_virtual_bench::truth(&with, &wattproof_virtual_bench::TruthQuery::default())
        .unwrap()
        .source_vrms;
    for share in [1.0, 1.02, 1.1] {
        let level_vrms = share * source_vrms;
        let (noisy, clean) = (reading_of(&with, level_vrms), reading_of(&without, level_vrms));
        let (thd_pct, clean_pct) = (noisy.thd_pct.unwrap(), clean.thd_pct.unwrap());
        let residue_db = 20.0 * (noisy.residue_vrms.unwrap() / noisy.fundamental_vrms.unwrap()).log10();
        println!("THD {thd_pct:.5} % with residue at {residue_db:.1} dB, {clean_pct:.5} % without");
        assert!((-21.0..-19.0).contains(&residue_db), "the residue is really there");
        assert!(clean_pct > 0.5, "there is distortion to be moved");
        assert!((thd_pct / clean_pct - 1.0).abs() < 0.01, "THD moved from {clean_pct} to {thd_pct} %");
    }
}
