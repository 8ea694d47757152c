//! Invariants 5, 6 and 7 at a person's reset: which number was shown, what stands, what the reset itself does.

use wattproof_virtual_bench::Role;

use super::{Checker, Excuse, Shown, Standing, Truth};

/// How long a cause must have stood to be seen by a reset's own measurement, s.
const SEEN_S: f64 = 1.0;

/// What is known of a person's resets.
#[derive(Debug, Clone, Default)]
pub struct Resets {
    /// The numbers shown, and when.
    shown: Vec<(f64, u64)>,
    /// Resets under way: since when, and the number quoted.
    under_way: Vec<(f64, u64)>,
    /// When the latch was left by one of them.
    granted_s: Option<f64>,
    hot_since_s: Option<f64>,
}

impl Resets {
    /// Whether a reset is under way.
    pub fn is_under_way(&self) -> bool {
        !self.under_way.is_empty()
    }

    /// The machine was suspended for so long: what came before stays as long before what comes.
    pub fn suspended(&mut self, length_s: f64) {
        let marks = self.shown.iter_mut().chain(&mut self.under_way).map(|(at_s, _)| at_s);
        marks.chain(&mut self.hot_since_s).for_each(|mark| *mark += length_s);
    }

    /// Whether the heatsink is truly beyond its limit now.
    pub fn note(&mut self, at_s: f64, hot: bool) {
        self.hot_since_s = hot.then(|| self.hot_since_s.unwrap_or(at_s));
    }
}

impl Checker {
    /// The daemon shows a person a number to quote: each one once.
    pub fn shows_number(&mut self, at_s: f64, nonce: u64) {
        if self.resets.shown.iter().any(|(_, shown)| *shown == nonce) {
            self.broken(5, at_s, "number", format!("the number {nonce} was shown twice"));
        }
        self.resets.shown.push((at_s, nonce));
    }

    /// A person's reset begins.
    pub fn reset_begins(&mut self, at_s: f64, nonce: u64) {
        self.resets.granted_s = None;
        self.resets.under_way.push((at_s, nonce));
    }

    /// It has ended, granted or not.
    pub fn reset_ends(&mut self, at_s: f64, nonce: u64, granted: bool) {
        self.resets.under_way.retain(|(_, quoted)| *quoted != nonce);
        if granted && self.resets.granted_s.take().is_none() {
            let what = "a reset is told granted, but the latch was not left by it".to_string();
            self.broken(5, at_s, "granted", what);
        }
    }

    /// Whether the latch is left by a person's reset, which must then have been allowed.
    pub(super) fn is_granted(
        &mut self,
        at_s: f64,
        from: Standing,
        to: Standing,
        truth: &Truth,
        excuses: &dyn Fn(Role) -> Excuse,
    ) -> bool {
        let tripped_s = self.tripped_s.unwrap_or(f64::INFINITY);
        let last = self.resets.shown.last().copied();
        let valid = last.filter(|(shown_s, _)| *shown_s >= tripped_s);
        let quoted = |nonce: u64| self.resets.under_way.iter().find(|(_, quoted)| *quoted == nonce).copied();
        let Some((began_s, _)) = valid.and_then(|(_, nonce)| quoted(nonce)) else { return false };
        // Between a reset's last measurement and the end of the latch no time passes: what that measurement shows to be
        // dead goes from ALARM by TRIPPED to SAFE within one look.
        if !matches!((from, to), (Standing::Open(Shown::Tripped | Shown::Alarm), Standing::Open(Shown::Safe)))
        {
            return false;
        }
        let nothing_wrong = Role::ALL.into_iter().all(|role| excuses(role) == Excuse::default());
        let hot = self.resets.hot_since_s.is_some_and(|since_s| at_s - since_s > SEEN_S);
        if nothing_wrong && (hot || truth.any_on() || truth.amplifier_live()) {
            self.broken(5, at_s, "cause", format!("reset although the cause stands: {truth}"));
        }
        if self.stopped_s.is_some_and(|stopped_s| stopped_s > began_s) {
            self.broken(7, at_s, "reset", "a stop after the reset began was forgotten by it".into());
        }
        self.tripped_s = None;
        self.stopped_s = None;
        self.resets.granted_s = Some(at_s);
        true
    }
}
