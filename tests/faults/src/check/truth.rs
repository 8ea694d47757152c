//! What is really so on the simulated bench.

use wattproof_virtual_bench::{Drive, World};

/// The true state of outputs and amplifier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// The supply's output is on.
    pub supply_on: bool,
    /// Voltage at the amplifier's supply terminals, V.
    pub supply_v: f64,
    /// Current into them, A.
    pub supply_a: f64,
    /// A source output is on and plays.
    pub source_plays: bool,
    /// Loudest output of the amplifier, V rms.
    pub out_vrms: f64,
    /// Heatsink, °C.
    pub heatsink_c: f64,
}

/// An amplifier output above this is live, V rms: what the design asks the daemon to see as well.
const LIVE_VRMS: f64 = 1.0;

impl Truth {
    /// Looks at the world as it is.
    pub fn of(world: &World) -> Truth {
        let plays = |channel: usize| {
            world.source(channel).is_some_and(|(drive, on)| {
                let loudest = match drive {
                    Drive::Sine { vrms, .. } => vrms,
                    Drive::Burst { vrms, rest_vrms, .. } => vrms.max(rest_vrms),
                    Drive::TwoTone { vrms_1, vrms_2, .. } => vrms_1 + vrms_2,
                    Drive::Noise { vrms, crest, .. } => vrms * crest / std::f64::consts::SQRT_2,
                };
                on && loudest > 0.0
            })
        };
        let out_vrms = |channel: usize| world.output(channel).map_or(0.0, |output| output.out_vrms);
        Truth {
            supply_on: world.supply_on(),
            supply_v: world.supply_v(),
            supply_a: world.supply_a(),
            source_plays: plays(0) || plays(1),
            out_vrms: out_vrms(0).max(out_vrms(1)),
            heatsink_c: world.heatsink_c(),
        }
    }

    /// Whether an instrument's output is on, with power behind it or not.
    pub fn any_on(&self) -> bool {
        self.supply_on && self.supply_v > 1.0 || self.source_plays
    }

    /// Whether the amplifier itself is live: what no lying instrument can hide from the others.
    pub fn amplifier_live(&self) -> bool {
        self.out_vrms > LIVE_VRMS
    }
}

impl std::fmt::Display for Truth {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "supply {} at {:.2} V and {:.2} A, source {}, amplifier output {:.2} V rms, heatsink {:.1} °C",
            if self.supply_on { "on" } else { "off" },
            self.supply_v,
            self.supply_a,
            if self.source_plays { "playing" } else { "silent" },
            self.out_vrms,
            self.heatsink_c
        )
    }
}
