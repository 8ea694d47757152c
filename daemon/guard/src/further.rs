//! Temperatures beside the heatsink's, each with its own limit: of the load, the supply, another heatsink.

use crate::plausible::COLDEST_C;
use crate::{SafetyReading, TripCause};

/// Most temperatures that one bench watches beside the heatsink's.
pub const FURTHER_MAX: usize = 8;

/// A temperature that is watched.
#[derive(Debug, Clone, PartialEq)]
pub struct FurtherTemperature {
    /// What it is called in messages.
    pub name: String,
    /// Its limit, °C; none where it is only recorded.
    pub limit_c: Option<f64>,
}

/// The temperatures of a bench, in the order in which readings carry them.
#[derive(Debug, Clone, Default)]
pub(crate) struct Further {
    watched: Vec<(FurtherTemperature, f64)>,
}

impl Further {
    /// Watches these; none of them has been read yet.
    pub fn watch(&mut self, temperatures: impl IntoIterator<Item = FurtherTemperature>) {
        self.watched.extend(temperatures.into_iter().map(|one| (one, f64::NEG_INFINITY)));
    }

    /// The first that is beyond its limit, or that no thing in a room can have.
    pub fn judge(&self, reading: &SafetyReading) -> Option<TripCause> {
        let each = self.watched.iter().zip(reading.further_c);
        each.filter_map(|((one, _), c)| Some((one, one.limit_c?, c?))).find_map(|(one, allowed, value)| {
            if value < COLDEST_C {
                let what = format!(
                    "the temperature {} reads {value:.1} °C, colder than {COLDEST_C} °C: its sensor is detached or broken",
                    one.name
                );
                return Some(TripCause::Contradiction { what });
            }
            let limit = format!("limit_c of the temperature {}", one.name);
            (!(value <= allowed)).then_some(TripCause::Limit { limit, value, allowed })
        })
    }

    /// What was read is young from when it was asked for.
    pub fn note(&mut self, asked_s: f64, reading: &SafetyReading) {
        for ((_, fresh_s), c) in self.watched.iter_mut().zip(reading.further_c) {
            if c.is_some() {
                *fresh_s = fresh_s.max(asked_s);
            }
        }
    }

    /// The first with a limit that is older than allowed.
    pub fn stale(&self, now_s: f64, age_s_max: f64) -> Option<TripCause> {
        let old = |(one, fresh_s): &&(FurtherTemperature, f64)| {
            one.limit_c.is_some() && !(now_s - fresh_s <= age_s_max)
        };
        self.watched.iter().find(old).map(|(one, fresh_s)| TripCause::Stale {
            reading: format!("temperature {}", one.name),
            age_s: now_s - fresh_s,
        })
    }

    /// After a clock ran back nothing counts as fresh.
    pub fn rebase(&mut self) {
        self.watched.iter_mut().for_each(|(_, fresh_s)| *fresh_s = f64::NEG_INFINITY);
    }

    /// Takes over when each was seen within its limit; a worse reading takes it away again.
    pub fn note_seen(&self, seen_s: &mut [Option<f64>; FURTHER_MAX], asked_s: f64, reading: &SafetyReading) {
        for (((one, _), c), seen_s) in self.watched.iter().zip(reading.further_c).zip(seen_s) {
            if let (Some(limit_c), Some(c)) = (one.limit_c, c) {
                *seen_s = (c <= limit_c && c >= COLDEST_C).then_some(asked_s);
            }
        }
    }

    /// Whether one with a limit was not seen within it since `from_s`.
    pub fn is_missing(&self, seen_s: &[Option<f64>; FURTHER_MAX], from_s: f64) -> bool {
        let mut limited = self.watched.iter().zip(seen_s).filter(|((one, _), _)| one.limit_c.is_some());
        limited.any(|(_, seen_s)| !seen_s.is_some_and(|seen_s| seen_s >= from_s))
    }
}
