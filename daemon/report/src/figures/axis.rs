//! The ends of an axis: round where the library rounds, never empty, never beyond what can be drawn.

use kuva::render::render_utils::{auto_nice_range, generate_ticks_log};

/// Beyond this, or nearer to zero than its inverse, nothing is drawn: no bench measures it, and sums of it overflow.
const LARGEST: f64 = 1e100;
/// What a logarithmic axis may show: the library takes less than 1e-10 for 1e-10, and a number at every decade needs room.
const LOG_ENDS: (f64, f64) = (1e-9, 1e9);
/// Room beside the outermost values of a logarithmic axis, as a factor.
const LOG_ROOM: f64 = 1.25;
/// A logarithmic axis is at least this long, as a factor: three numbers stand along it then.
const LOG_LEAST: f64 = 10.0;

/// An axis from `low` to `high`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Axis {
    pub low: f64,
    pub high: f64,
    pub log: bool,
}

impl Axis {
    /// A linear axis with round ends around values, about `numbers` long.
    pub fn linear(values: impl Iterator<Item = f64>, least_span: f64, numbers: usize) -> Self {
        let (mut low, mut high) = ends(values.filter(|value| value.abs() <= LARGEST)).unwrap_or((0.0, 1.0));
        // Nearer together than a double can tell apart, values would leave no room between the ends.
        let least_span = least_span.max(1e-9 * low.abs().max(high.abs())).max(LARGEST.recip());
        if high - low < least_span {
            let middle = 0.5 * (low + high);
            (low, high) = (middle - 0.5 * least_span, middle + 0.5 * least_span);
        }
        let (low, high) = auto_nice_range(low, high, numbers);
        Axis { low, high, log: false }
    }

    /// A logarithmic axis around values.
    pub fn log(values: impl Iterator<Item = f64>) -> Self {
        let values = values.filter(|value| (LOG_ENDS.0..=LOG_ENDS.1).contains(value));
        let (low, high) = ends(values).unwrap_or((0.1, 10.0));
        let (low, high) = (low / LOG_ROOM, high * LOG_ROOM);
        let wider = (LOG_LEAST * low / high).max(1.0).sqrt();
        Axis { low: low / wider, high: high * wider, log: true }
    }

    /// A value held between the ends; what is no number lies at the low one.
    pub fn held(self, value: f64) -> f64 {
        if value.is_nan() { self.low } else { value.clamp(self.low, self.high) }
    }

    /// 0 at the low end, 1 at the high one; beyond them outside that.
    pub fn share(self, value: f64) -> f64 {
        if self.log {
            (value / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        }
    }

    /// The value at a share.
    pub fn at(self, share: f64) -> f64 {
        if self.log {
            self.low * (self.high / self.low).powf(share)
        } else {
            self.low + share * (self.high - self.low)
        }
    }

    /// Where the finer lines of a logarithmic axis stand, between those that have numbers.
    pub fn finer(self) -> Vec<f64> {
        if !self.log {
            return Vec::new();
        }
        let decades = self.low.log10().floor() as i32..=self.high.log10().floor() as i32;
        let lines = decades.flat_map(|power| (2u8..=9).map(move |n| f64::from(n) * 10f64.powi(power)));
        let numbered = generate_ticks_log(self.low, self.high);
        let apart = |value: &f64| numbered.iter().all(|other| (value / other - 1.0).abs() > 1e-6);
        lines.filter(|value| *value > self.low && *value < self.high).filter(apart).collect()
    }
}

fn ends(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.fold(None, |ends, value| match ends {
        None => Some((value, value)),
        Some((low, high)) => Some((f64::min(low, value), f64::max(high, value))),
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn an_axis_holds_what_it_must() {
        // Project definition.
        let watts = Axis::log([0.0972, 222.0].into_iter());
        assert!(watts.low < 0.0972 && watts.high > 222.0 && watts.high / watts.low < 4000.0, "{watts:?}");
        let volts = Axis::linear([14.31, 14.4].into_iter(), 0.5, 5);
        assert!(volts.low <= 14.11 && volts.high >= 14.6 && volts.high - volts.low < 1.5, "{volts:?}");
        assert!((Axis { low: 1.0, high: 100.0, log: true }.share(10.0) - 0.5).abs() < 1e-12);
    }

    proptest! {
        /// Whatever stands in a table: ends in order, few lines, every share of what is held within 0 and 1.
        #[test]
        fn no_value_breaks_an_axis(a in any::<f64>(), b in any::<f64>(), span in 0.0..10.0f64) {
            let both = || [a, b].into_iter();
            for axis in [Axis::linear(both(), span, 5), Axis::log(both())] {
                prop_assert!(axis.low.is_finite() && axis.high.is_finite() && axis.low < axis.high, "{:?}", axis);
                prop_assert!(axis.finer().len() < 200, "{:?}", axis);
                for value in [a, b, f64::NAN, f64::INFINITY] {
                    let share = axis.share(axis.held(value));
                    prop_assert!((-1e-9..=1.0 + 1e-9).contains(&share), "{:?} {}", axis, value);
                }
            }
        }
    }
}
