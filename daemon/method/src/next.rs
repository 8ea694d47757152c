//! What a search asks for.

use crate::ceiling::Ceiling;
use crate::failure::Failure;

/// Cycles and seconds that a brief record holds at least: whole cycles enough to part harmonics from noise, time enough to
/// part the mains from the tone. Common practice, no source.
const BRIEF_CYCLES: f64 = 60.0;
const BRIEF_S: f64 = 0.05;

/// How long a record a capture needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Record {
    /// The bench's usual one.
    Whole,
    /// A short one, that tells distortion, gain and drift where the ceiling is still to come: less heat on the way up.
    Brief,
}

impl Record {
    /// Its length, s, for a tone of `hz` on a bench that usually records `usual_s`; never longer than that.
    #[must_use]
    pub fn length_s(self, hz: f64, usual_s: f64) -> f64 {
        match self {
            Self::Whole => usual_s,
            Self::Brief => (BRIEF_CYCLES / hz).max(BRIEF_S).min(usual_s),
        }
    }
}

/// What to do next.
#[derive(Debug, Clone, PartialEq)]
pub enum Next {
    /// Set the source to this level, hold it, capture, and call again with the observation.
    Set {
        /// Source level, V rms.
        level_vrms: f64,
        /// Time to hold the level before the capture, beyond settling, s.
        hold_s: f64,
        /// How long a record it needs.
        record: Record,
        /// What the capture is for.
        why: &'static str,
    },
    /// As [`Next::Set`], with a burst within the record; the observation's look tells of the burst.
    Probe {
        /// Source level of the record, V rms.
        level_vrms: f64,
        /// Source level during the burst, V rms.
        burst_vrms: f64,
        /// Cycles of the burst.
        cycles: u32,
        /// Time to hold the level before the capture, beyond settling, s.
        hold_s: f64,
        /// How long a record it needs.
        record: Record,
        /// What the capture is for.
        why: &'static str,
    },
    /// Raise the level steadily in dB while recording, then go back to the lower level; the observation's looks are
    /// blocks of about 20 ms. Where the digitizer streams, each look is shown to [`RampWatch`](crate::RampWatch).
    Ramp {
        /// Source level at the start, V rms.
        from_vrms: f64,
        /// Source level at the end, V rms.
        to_vrms: f64,
        /// Rate, dB per second.
        db_per_s: f64,
        /// What the ramp is for.
        why: &'static str,
    },
    /// Source off until the amplifier has recovered; then call again with `None`.
    CoolDown {
        /// Why it has to recover.
        why: &'static str,
    },
    /// The ceiling is known.
    Done(Box<Ceiling>),
    /// There is no answer, and why.
    Failed(Failure),
}
