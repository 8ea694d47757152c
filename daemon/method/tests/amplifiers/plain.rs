//! Two plain ways to find a ceiling, to hold the search against: steps of half a dB, and halving a bracket.

use super::play::{Player, RATED_W, Scatter};
use super::{Amplifier, Family, Rng};
use wattproof_method::Record;

/// How one plain search went.
pub struct Plain {
    pub captures: usize,
    pub power_error_db: f64,
    pub energy_s: f64,
    pub worst_thdn_pct: f64,
}

struct Reader {
    player: Player,
    gain: f64,
    limit_pct: f64,
    captures: usize,
}

impl Reader {
    /// Whether a level keeps the limit by its readings, ln(distortion/limit), and its power, W.
    fn read(&mut self, level: f64) -> (bool, f64, f64) {
        self.captures += 1;
        let seen = self.player.hold(level, 0.05, Record::Whole, None);
        let c = &seen.channels[0];
        let fundamental = c.fundamental_vrms.unwrap_or(0.0);
        self.gain = self.gain.max(fundamental / level);
        let lost_db = 20.0 * (self.gain * level / fundamental).log10();
        let excess = (c.thdn_pct.unwrap_or(100.0) / self.limit_pct).ln();
        (excess <= 0.0 && lost_db <= 3.0 && !seen.tripped, excess, c.active_w.unwrap_or(0.0))
    }
}

/// Searches by half-dB steps from 8 dB below the rating, or by halving a bracket of the first 3 dB step that fails.
pub fn plain(family: Family, seed: u64, limit_pct: f64, halving: bool, scatter: Scatter) -> Option<Plain> {
    let mut rng = Rng::new(seed * 31 + family as u64);
    let amplifier = Amplifier::new(family, &mut rng, RATED_W);
    let level_max =
        if family == Family::DriveExhausted { 0.5 * amplifier.rail / amplifier.gain } else { 10.0 };
    let truth = amplifier.truth(limit_pct, level_max, RATED_W)?;
    let truth_w = amplifier.sustained(truth, RATED_W).power;
    let load = amplifier.load;
    let mut reader =
        Reader { player: Player::new(amplifier, scatter, truth, rng), gain: 0.0, limit_pct, captures: 0 };
    reader.read(0.01);
    let rated_vrms = (RATED_W * load).sqrt() / reader.gain;
    let ratio = |db: f64| 10f64.powf(db / 20.0);
    let (mut good, mut bad) = (rated_vrms * ratio(-8.0), None);
    let (first, mut excess, mut power) = reader.read(good);
    if !first {
        return None;
    }
    let mut beyond = (0.0, 0.0);
    while bad.is_none() && good < level_max * 0.999 && reader.captures < 100 {
        let next = (good * ratio(if halving { 3.0 } else { 0.5 })).min(level_max);
        let (keeps, e, p) = reader.read(next);
        if keeps {
            (good, excess, power) = (next, e, p);
        } else {
            bad = Some(next);
            beyond = (e, p);
        }
    }
    if halving && let Some(mut high) = bad {
        while 20.0 * (high / good).log10() > 0.05 {
            let middle = (good * high).sqrt();
            let (keeps, e, p) = reader.read(middle);
            if keeps {
                (good, excess, power) = (middle, e, p);
            } else {
                high = middle;
                beyond = (e, p);
            }
        }
        bad = Some(high);
    }
    // Between the last two by ln(distortion), as someone at the bench would.
    let share =
        if bad.is_some() && beyond.0 > 0.0 { (-excess / (beyond.0 - excess)).clamp(0.0, 1.0) } else { 0.0 };
    let found_w = power.powf(1.0 - share) * beyond.1.max(1e-9).powf(share);
    Some(Plain {
        captures: reader.captures,
        power_error_db: 10.0 * (found_w / truth_w).log10(),
        energy_s: reader.player.energy_s,
        worst_thdn_pct: reader.player.worst_thdn_pct,
    })
}
