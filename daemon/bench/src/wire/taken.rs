//! One record with what was read meanwhile, and whether all of it is of one moment.

use crate::ChannelCaptured;
use crate::clock::Clock;

/// How far a reading may lie from the record it is told with, and how long the record may take beyond its own length,
/// s: a handful of exchanges at 9600 baud, and less than a heatsink or a hand needs to change anything.
const CLOSE_S: f64 = 1.0;

/// A value, and the span of the bench's clock in which it was taken.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Timed<T> {
    pub value: T,
    pub from_s: f64,
    pub to_s: f64,
}

impl<T> Timed<T> {
    /// Does `work` and notes when.
    pub fn by<E>(clock: &dyn Clock, work: impl FnOnce() -> Result<T, E>) -> Result<Self, E> {
        let from_s = clock.now_s();
        let value = work()?;
        Ok(Timed { value, from_s, to_s: clock.now_s() })
    }
}

/// One record with what was read meanwhile.
pub(crate) struct Taken {
    /// When the first of it was asked for, s.
    pub asked_s: f64,
    /// From the order to record until the record was told complete.
    pub record: Timed<()>,
    /// Length of the record itself, s.
    pub record_s: f64,
    pub channels: Vec<ChannelCaptured>,
    pub supply_v: Timed<f64>,
    pub supply_a: Timed<f64>,
    pub heatsink_c: Timed<f64>,
}

impl Taken {
    /// Whether every reading is of the record's moment.
    pub fn is_of_one_moment(&self) -> bool {
        [self.supply_v, self.supply_a, self.heatsink_c].iter().all(|reading| self.is_close(reading))
    }

    /// A reading as it goes into the step: None when it is not of the record's moment.
    pub fn recorded(&self, reading: Timed<f64>) -> Option<f64> {
        self.is_close(&reading).then_some(reading.value)
    }

    /// When everything had been taken, s.
    pub fn at_s(&self) -> f64 {
        self.record.to_s.max(self.supply_v.to_s).max(self.supply_a.to_s).max(self.heatsink_c.to_s)
    }

    /// Written so that times that are no numbers are far away.
    fn is_close(&self, reading: &Timed<f64>) -> bool {
        let dated = self.record.to_s - self.record.from_s <= self.record_s + CLOSE_S;
        dated && reading.from_s >= self.record.from_s - CLOSE_S && reading.to_s <= self.record.to_s + CLOSE_S
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn taken(record: (f64, f64), supply: (f64, f64)) -> Taken {
        let timed = |(from_s, to_s): (f64, f64)| Timed { value: 1.5, from_s, to_s };
        let (from_s, to_s) = record;
        Taken {
            asked_s: 10.0,
            record: Timed { value: (), from_s, to_s },
            record_s: 0.5,
            channels: Vec::new(),
            supply_v: timed(record),
            supply_a: timed(supply),
            heatsink_c: timed(record),
        }
    }

    /// The project's own rule, no outside source: what a step tells together was so together.
    #[test]
    fn a_reading_belongs_to_a_record_only_when_both_are_of_one_moment() {
        let cases = [
            ((10.0, 10.5), (10.0, 10.1), true),
            ((10.0, 10.5), (10.6, 11.4), true),
            // The supply dribbled its answer.
            ((10.0, 10.5), (10.0, 11.6), false),
            // The record was told complete so late that its own time is not known.
            ((10.0, 11.6), (10.0, 10.1), false),
            ((10.0, 11.4), (10.0, 10.1), true),
            ((10.0, 10.5), (8.9, 9.0), false),
            ((f64::NAN, 10.5), (10.0, 10.1), false),
            ((10.0, 10.5), (10.0, f64::NAN), false),
        ];
        for (record, supply, belongs) in cases {
            let taken = taken(record, supply);
            assert_eq!(taken.recorded(taken.supply_a), belongs.then_some(1.5), "{record:?} {supply:?}");
            assert_eq!(taken.is_of_one_moment(), belongs, "{record:?} {supply:?}");
        }
    }
}
