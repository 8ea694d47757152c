//! What a rehearsal foretells of the real run.

use serde::Serialize;
use wattproof_virtual_bench::World;

/// Least virtual time between two looks at the simulated amplifier, s.
const LOOK_S: f64 = 0.002;

/// What the real run will come to, as far as a simulated one can tell.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Forecast {
    /// How long it takes, s.
    pub duration_s: f64,
    /// Steps it records.
    pub steps: u64,
    /// The most power of any one output, W.
    pub loudest_w: f64,
    /// The voltage there, V rms.
    pub loudest_vrms: f64,
    /// When that is, s from the start.
    pub loudest_at_s: f64,
    /// Energy that all loads take, J.
    pub delivered_j: f64,
    /// Highest supply current, A.
    pub supply_a_max: f64,
    /// Highest heatsink temperature, °C.
    pub heatsink_c_max: f64,
    /// Highest source level of a step, V rms.
    pub source_vrms_max: f64,
}

/// Takes the forecast from the simulated amplifier as time passes.
#[derive(Debug, Default)]
pub struct Looking {
    forecast: Forecast,
    last: Option<(f64, f64)>,
}

impl Looking {
    /// Whether it is time to look again.
    pub fn is_due(&self, now_s: f64) -> bool {
        self.last.is_none_or(|(last_s, _)| now_s - last_s >= LOOK_S)
    }

    /// Looks at the amplifier as it is now.
    pub fn look(&mut self, now_s: f64, world: &World, outputs: usize) {
        let mut total_w = 0.0;
        for output in 0..outputs {
            let Some(reading) = world.output(output) else { continue };
            total_w += reading.out_w;
            if reading.out_w > self.forecast.loudest_w {
                self.forecast.loudest_w = reading.out_w;
                (self.forecast.loudest_vrms, self.forecast.loudest_at_s) = (reading.out_vrms, now_s);
            }
        }
        if let Some((last_s, last_w)) = self.last {
            self.forecast.delivered_j += 0.5 * (last_w + total_w) * (now_s - last_s);
        }
        self.forecast.supply_a_max = self.forecast.supply_a_max.max(world.supply_a());
        self.forecast.heatsink_c_max = self.forecast.heatsink_c_max.max(world.heatsink_c());
        self.last = Some((now_s, total_w));
    }

    /// The script begins: what was loud before it was the self-check.
    pub fn begin_script(&mut self) {
        let Forecast { loudest_w, loudest_vrms, loudest_at_s, delivered_j, .. } = &mut self.forecast;
        [loudest_w, loudest_vrms, loudest_at_s, delivered_j].into_iter().for_each(|value| *value = 0.0);
    }

    /// A step was recorded at this source level.
    pub fn stepped(&mut self, level_vrms: f64) {
        self.forecast.source_vrms_max = self.forecast.source_vrms_max.max(level_vrms);
    }

    /// What was found, at the end.
    pub fn end(mut self, duration_s: f64, steps: u64) -> Forecast {
        (self.forecast.duration_s, self.forecast.steps) = (duration_s, steps);
        self.forecast
    }
}
