//! The latch: the first cause, what came after it, and what must outlast a restart.

use serde::{Deserialize, Serialize};

use crate::{State, TripCause};

/// Most later causes kept beside the first.
pub const EVIDENCE_MAX: usize = 16;

/// A cause that came after the first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// When, on the guard's clock, s.
    pub at_s: f64,
    /// What.
    pub cause: TripCause,
}

/// A latched trip: the first cause wins, later ones are evidence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trip {
    /// When, on the guard's clock, s.
    pub at_s: f64,
    /// The first cause.
    pub cause: TripCause,
    /// Number that a reset must quote; a new one with every new piece of evidence.
    pub nonce: u64,
    /// Later causes, the first of each kind, at most [`EVIDENCE_MAX`].
    pub evidence: Vec<Evidence>,
    /// How many more there were.
    pub evidence_more: u64,
}

impl Trip {
    /// Keeps a later cause; says whether it told anything new.
    pub(crate) fn add(&mut self, at_s: f64, cause: TripCause) -> bool {
        let known = self.cause.is_like(&cause) || self.evidence.iter().any(|e| e.cause.is_like(&cause));
        if known {
            return false;
        }
        if self.evidence.len() < EVIDENCE_MAX {
            self.evidence.push(Evidence { at_s, cause });
        } else {
            self.evidence_more = self.evidence_more.saturating_add(1);
        }
        true
    }
}

/// A latched trip as it is kept on disk, so that a restart does not forget it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LatchRecord {
    /// Whether an output was not confirmed off, or was measured live after it.
    pub alarm: bool,
    /// When it tripped, on the clock of the guard that tripped, s.
    pub at_s: f64,
    /// The first cause.
    pub cause: TripCause,
    /// Later causes.
    pub evidence: Vec<Evidence>,
    /// How many more there were.
    pub evidence_more: u64,
}

impl LatchRecord {
    pub(crate) fn of(state: State, trip: &Trip) -> Option<LatchRecord> {
        let alarm = state == State::Alarm;
        let causes = std::iter::once(&trip.cause).chain(trip.evidence.iter().map(|e| &e.cause));
        let outlasts = alarm || causes.into_iter().any(TripCause::outlasts_restart);
        outlasts.then(|| LatchRecord {
            alarm,
            at_s: trip.at_s,
            cause: trip.cause.clone(),
            evidence: trip.evidence.clone(),
            evidence_more: trip.evidence_more,
        })
    }
}

/// Numbers that never repeat (SplitMix64: its finaliser is a bijection of a counter) and that differ from boot to
/// boot, because the seed does.
#[derive(Debug, Clone)]
pub(crate) struct Nonces {
    state: u64,
}

impl Nonces {
    pub fn new(seed: u64) -> Self {
        Nonces { state: seed }
    }

    pub fn fresh(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut x = self.state;
        x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        x ^ (x >> 31)
    }
}
