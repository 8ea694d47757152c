//! Amplifiers of the virtual bench.
//!
//! Holds: an amplifier that is taken can be switched on, driven and captured, and gives finite numbers.

use wattproof_virtual_bench::{AmplifierSpec, Drive, World};

use super::text;
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "amplifier",
    check,
    words: &[
        "[physics.limiter]",
        "[physics.noise]",
        "[physics.thermal]",
        "[[physics.residue]]",
        "[[nameplate.ratings]]",
        "invented = true",
        "kind = \"class_d\"",
        "kind = \"class_ab\"",
        "efficiency = 0.2",
        "sharpness = 60.0",
        "hz = 2000000.0",
        "threshold_vpk = 0.01",
        "ratio = 1.0",
        "attack_s = 0.001",
        "foldback_c = 300.0",
        "trip_c = 300.0",
        "= nan",
        "= inf",
        "= 0.0",
        "channels = \"one\"",
        "{",
        "}",
        "\"\"\"",
        "#",
    ],
    shipped: &[("drivers/virtual-bench/amplifiers", "toml")],
};

/// Tries one input.
pub fn check(bytes: &[u8]) {
    match AmplifierSpec::from_toml(&text(bytes)) {
        Ok(spec) => {
            let mut world = World::new(spec, 1);
            world.supply_set(14.4, 100.0, true);
            world.advance(0.05);
            world.source_set(0, Drive::Sine { vrms: 1.0, hz: 1000.0 }, true);
            world.advance(0.06);
            let raw = world.capture(0.06, 96_000.0, 256);
            let all = raw.volts.iter().chain(&raw.amps).flatten();
            assert!(all.clone().count() >= 256, "nothing was captured");
            assert!(all.into_iter().all(|sample| sample.is_finite()), "a sample is no number");
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}
