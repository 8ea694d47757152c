//! Whether two measurements of the same quantity differ.

use serde::{Deserialize, Serialize};

/// A difference of two measurements, in their unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// The one minus the other.
    pub difference: f64,
    /// Its expanded uncertainty (k = 2); absent where one of both has none.
    pub expanded_u: Option<f64>,
    /// Whether it is larger than that; absent likewise.
    pub is_significant: Option<bool>,
}

/// The one minus the other, with the root sum of squares of both uncertainties (JCGM 100:2008, 5.1.2, uncorrelated). What
/// one bench measures twice shares the errors of its inputs, so that the true uncertainty is smaller: a difference that is
/// called significant is so all the more. Absent where a value is no number.
#[must_use]
pub fn difference(one: (f64, Option<f64>), other: (f64, Option<f64>)) -> Option<Difference> {
    let apart = one.0 - other.0;
    let u = |u: Option<f64>| u.filter(|u| u.is_finite() && *u >= 0.0);
    let expanded_u = u(one.1).zip(u(other.1)).map(|(one, other)| one.hypot(other));
    let is_significant = expanded_u.map(|expanded_u| apart.abs() > expanded_u);
    apart.is_finite().then_some(Difference { difference: apart, expanded_u, is_significant })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, 5.1.2: variances add; 0.3 and 0.4 make 0.5.
    #[test]
    fn uncertainties_add_as_squares() {
        let told = |a, b| difference((10.0 + a, Some(0.3)), (10.0 + b, Some(0.4))).unwrap();
        let near = told(0.4, 0.0);
        assert!((near.difference - 0.4).abs() < 1e-12 && (near.expanded_u.unwrap() - 0.5).abs() < 1e-12);
        assert_eq!(near.is_significant, Some(false));
        assert_eq!(told(0.0, 0.6).is_significant, Some(true));
        let untold = difference((1.0, None), (2.0, Some(0.1))).unwrap();
        assert_eq!((untold.difference, untold.is_significant), (-1.0, None));
        assert_eq!(difference((f64::NAN, Some(0.1)), (1.0, Some(0.1))), None);
    }
}
