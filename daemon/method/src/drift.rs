//! Outputs that fall while a level is held: how far they still have to go, and how long to wait.
//!
//! Heat, a slow limiter and a weak supply settle exponentially. Two records tell the time constant, and that tells what
//! the last one left over.

use crate::points::Point;

/// Longest time a level is held, s.
const HOLD_MAX_S: f64 = 10.0;
/// Time constants that a level is held for once they are known, and the most that this may be, s.
const TAUS: f64 = 6.0;
const HOLD_USUAL_S: f64 = 1.5;
/// Factor by which the hold grows while the time constant isn't known.
const HOLD_FACTOR: f64 = 4.0;
/// Least hold once an output was seen to fall, s: heat and supplies take as long, common practice.
const AGAIN_S: f64 = 0.6;
/// Move of the limit that may be left open, dB, and the least share of a rail's fall that a fundamental is believed to
/// show.
const HIDDEN_DB: f64 = 0.04;
const SHARE_LEAST: f64 = 0.02;
/// Fall that is worth a second look, dB per second of the record.
const FALL_DB_PER_S: f64 = 0.003;
/// Time constant that heat and supplies have as long as it isn't known, s: common practice, no source.
const TAU_USUAL_S: f64 = 1.0;
/// What may be left over, dB.
const LEFT_DB: f64 = 0.01;
/// From the middle of the first quarter to the middle of the last, as a share of the record.
const SPAN: f64 = 0.75;

/// The drift of the loud captures so far.
#[derive(Debug, Clone, Default)]
pub(crate) struct Drift {
    last: Option<Seen>,
    /// What the last capture left over, dB; 0 where nothing falls.
    pub left_db: f64,
    /// Time constant, s, once two records told it.
    pub tau_s: Option<f64>,
    /// Hold after which an output that fell before was steady, s.
    enough_s: f64,
    /// How fast the last loud capture fell, and how well its noise lets that be told, dB/s.
    rate_db_per_s: Option<(f64, f64)>,
}

#[derive(Debug, Clone, Copy)]
struct Seen {
    x_db: f64,
    fall_db: f64,
    record_s: f64,
}

impl Drift {
    /// Hold that lets a level settle, as far as the time constant is known, s.
    pub(crate) fn hold_s(&self) -> f64 {
        self.tau_s.map_or(self.enough_s, |tau| TAUS * tau).min(HOLD_USUAL_S)
    }

    /// Whether a loud output was ever seen to fall.
    pub(crate) fn is_seen(&self) -> bool {
        self.tau_s.is_some() || self.left_db > 0.0 || self.enough_s > 0.0
    }

    /// What the output may still have to fall, dB: the rate of the last loud capture for one time constant, and how well
    /// that is known.
    pub(crate) fn unsettled_db(&self) -> Option<(f64, f64)> {
        let (fall, noise) = self.rate_db_per_s?;
        let tau_s = self.tau_s.map_or(TAU_USUAL_S, |tau| tau.min(HOLD_MAX_S));
        Some((fall * tau_s, noise * tau_s))
    }

    /// The hold that shows whether a rail fell by so much that the limit moves, where the last capture's fall and its
    /// noise leave that open: at a low limit the fundamental hardly tells of its rail. `share` is what it tells.
    pub(crate) fn hidden(&mut self, held_s: f64, share: f64) -> Option<f64> {
        let (fall_db, noise_db) = self.unsettled_db()?;
        let open = fall_db.hypot(noise_db) > HIDDEN_DB * share.max(SHARE_LEAST);
        (open && held_s < AGAIN_S).then(|| {
            self.enough_s = self.enough_s.max(AGAIN_S);
            AGAIN_S
        })
    }

    /// Takes a capture in; gives the hold for a repetition where what is left over matters, in s.
    pub(crate) fn take(&mut self, point: &Point, noise_db: f64) -> Option<f64> {
        let falls = point.seen.channels.iter().filter_map(|c| c.envelope_droop_db.filter(|d| d.is_finite()));
        // An output that still recovers from a louder level drifts as well.
        let seen_db = falls.max_by(|a, b| a.abs().total_cmp(&b.abs()));
        let fall_db = seen_db.unwrap_or(0.0);
        let usable = |s: f64| if s.is_finite() { s.clamp(0.0, HOLD_MAX_S) } else { 0.0 };
        let (held_s, record_s) = (usable(point.seen.held_s), usable(point.seen.record_s));
        self.rate_db_per_s = seen_db
            .filter(|_| record_s > 0.0)
            .map(|db| (db.abs() / (SPAN * record_s), noise_db / (SPAN * record_s)));
        let before = self.last.replace(Seen { x_db: point.x_db, fall_db, record_s });
        if !(fall_db.abs() > FALL_DB_PER_S * record_s + 3.0 * noise_db && record_s > 0.0) {
            self.left_db = 0.0;
            if before.is_some_and(|b| {
                (b.x_db - point.x_db).abs() < 0.1 && b.fall_db.abs() > FALL_DB_PER_S * b.record_s
            }) {
                self.enough_s = self.enough_s.max(held_s);
            }
            return None;
        }
        // By rates: the records may differ in length.
        let slower = |b: &Seen| b.fall_db / b.record_s / (fall_db / record_s);
        let same = before.filter(|b| (b.x_db - point.x_db).abs() < 0.3 && slower(b) > 1.0);
        let told = same.map(|b| (held_s + 0.5 * (record_s + b.record_s)) / slower(&b).ln());
        match told.filter(|tau| tau.is_finite() && *tau > 0.0) {
            Some(tau_s) => {
                self.tau_s = Some(tau_s);
                self.left_db = fall_db.abs() / ((SPAN * record_s / tau_s).exp() - 1.0);
                let wait_s = tau_s * (self.left_db / (0.5 * LEFT_DB)).ln();
                (self.left_db > LEFT_DB && wait_s.is_finite()).then_some(wait_s.max(record_s).min(HOLD_MAX_S))
            }
            None => {
                self.left_db = fall_db.abs();
                Some((HOLD_FACTOR * held_s.max(record_s)).clamp(AGAIN_S, HOLD_MAX_S))
                    .filter(|_| held_s < HOLD_MAX_S)
            }
        }
    }
}
