//! When a rising level has to be broken off.

use crate::curve::TransferCurve;
use crate::observe::Look;
use crate::points::COVERAGE;
use crate::sought::Sought;

/// Loss of gain at which a ramp ends, beyond what the rating allows, dB.
const LOSS_MARGIN_DB: f64 = 0.5;

/// Watches the blocks of a ramp while it goes on.
#[derive(Debug, Clone)]
pub struct RampWatch {
    limit_pct: f64,
    loss_db_max: f64,
    /// Highest output, dB re 1 V rms, less the uncertainty of a gain's reading, and the level of the block before, V rms.
    out_db_max: f64,
    before_vrms: Option<f64>,
    /// Highest gain seen, per channel, and that of the block before.
    gains: Vec<(f64, f64)>,
}

impl RampWatch {
    /// A watch for one ramp.
    #[must_use]
    pub fn new(sought: &Sought) -> Self {
        let loss_db_max = sought.compression_db_max + LOSS_MARGIN_DB;
        let out_db_max =
            10.0 * (sought.out_w_max * sought.load_ohm).log10() - COVERAGE * sought.level_scatter_db;
        Self { limit_pct: sought.limit_pct, loss_db_max, out_db_max, before_vrms: None, gains: Vec::new() }
    }

    /// True where the ramp has shown enough: distortion above twice the limit while gain falls, gain lost by half a
    /// dB more than allowed, an output that can't be read, or a next block that could pass the declared maximum at the
    /// highest gain seen.
    pub fn enough(&mut self, look: &Look) -> bool {
        let mut enough = look.channels.is_empty();
        let level_db = 20.0 * look.level_vrms.log10();
        let rise_db = self.before_vrms.replace(look.level_vrms).map_or(0.0, |b| level_db - 20.0 * b.log10());
        // From the middle of this block to the end of the next.
        let next_db = level_db + 1.5 * rise_db;
        for (i, channel) in look.channels.iter().enumerate() {
            let Some(fundamental) = channel.fundamental_vrms.filter(|v| v.is_finite() && *v > 0.0) else {
                return true;
            };
            let gain_db = 20.0 * (fundamental / look.level_vrms).log10();
            if self.gains.len() <= i {
                self.gains.push((gain_db, gain_db));
            }
            let (best_db, before_db) = self.gains[i];
            let falling = gain_db < before_db - 0.005;
            let bad = channel.thd_pct.is_some_and(|thd| thd > 2.0 * self.limit_pct);
            enough |= bad && falling && gain_db < best_db - 0.03 || best_db - gain_db > self.loss_db_max;
            let best_db = best_db.max(gain_db);
            // A dead zone and a bend both take from the fundamental: the curve's steepest part tells the gain without.
            let steepest = channel.curve.as_ref().map_or(0.0, TransferCurve::steepest);
            let steepest_db = 20.0 * (steepest / (look.level_vrms * 2f64.sqrt())).log10();
            enough |= best_db.max(steepest_db) + next_db > self.out_db_max;
            self.gains[i] = (best_db, gain_db);
        }
        enough
    }
}
