//! Times one capture and one second of world time for every built-in amplifier.

use std::time::Instant;

use wattproof_virtual_bench::{Drive, TruthError, TruthQuery, World, catalogue, truth};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    for name in catalogue::names() {
        let spec = catalogue::amplifier(name)?;
        let clock = Instant::now();
        let answer = match truth(&spec, &TruthQuery::default()) {
            // Of a dead channel no level is clean.
            Err(TruthError::NoCeiling { .. }) => continue,
            told => told?,
        };
        let truth_ms = clock.elapsed().as_secs_f64() * 1e3;
        let mut world = World::new(spec, 1);
        world.supply_set(14.4, 100.0, true);
        world.advance(0.5);
        for ch in 0..2 {
            world.source_set(ch, Drive::Sine { vrms: answer.source_vrms, hz: 1_000.0 }, true);
        }
        let clock = Instant::now();
        world.advance(1.5);
        let advance_ms = clock.elapsed().as_secs_f64() * 1e3;
        let clock = Instant::now();
        let raw = world.capture(1.5, 192_000.0, 19_200);
        let capture_ms = clock.elapsed().as_secs_f64() * 1e3;
        println!(
            "{name:11} truth {truth_ms:6.1} ms, 1 s of world {advance_ms:5.2} ms, {} x 4 samples {capture_ms:5.1} ms",
            raw.volts[0].len()
        );
    }
    Ok(())
}
