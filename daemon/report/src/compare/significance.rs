//! Whether a difference is more than its uncertainty.

use serde::Serialize;

/// How the number of a column differs from that of the first column that has one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Difference {
    /// The column it is compared with, from 0.
    pub with: usize,
    /// This number less that one, in the row's unit.
    pub by: f64,
    /// Expanded uncertainty of the difference; absent where one of both has none.
    pub expanded_u: Option<f64>,
    /// Whether the difference is larger than its uncertainty; absent likewise.
    pub significant: Option<bool>,
}

impl Difference {
    /// What is to be said of it.
    #[must_use]
    pub fn words(&self) -> &'static str {
        match self.significant {
            Some(true) => "significant",
            Some(false) => "no difference shown",
            None => "U not told",
        }
    }
}

/// The difference of each from the first that has a value. The two uncertainties are taken as independent, so that theirs is
/// the root of the sum of squares (JCGM 100:2008, 5.1.2 and 5.1.3); what two runs of one bench share would cancel, so that a
/// real difference may go unseen, and none is invented.
pub fn differences(cells: &[Option<(f64, Option<f64>)>]) -> Vec<Option<Difference>> {
    let first = cells.iter().enumerate().find_map(|(index, cell)| Some((index, (*cell)?)));
    let Some((with, (of, of_u))) = first else { return vec![None; cells.len()] };
    let difference = |(index, cell): (usize, &Option<(f64, Option<f64>)>)| {
        let (value, u) = (*cell).filter(|_| index != with)?;
        let by = value - of;
        let expanded_u = u.zip(of_u).map(|(a, b)| a.hypot(b));
        Some(Difference { with, by, expanded_u, significant: expanded_u.map(|u| by.abs() > u) })
    };
    cells.iter().enumerate().map(difference).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, 5.1.2: u² of a difference of two independent quantities is the sum of both u²; 3, 4 and 5 (arithmetic).
    #[test]
    fn a_difference_larger_than_the_combined_u_is_significant() {
        let told =
            differences(&[Some((100.0, Some(3.0))), None, Some((104.9, Some(4.0))), Some((94.9, Some(4.0)))]);
        assert_eq!((told[0], told[1]), (None, None));
        let (less, more) = (told[2].unwrap(), told[3].unwrap());
        assert_eq!((less.with, less.expanded_u, less.significant), (0, Some(5.0), Some(false)));
        assert!((less.by - 4.9).abs() < 1e-12 && (more.by + 5.1).abs() < 1e-12);
        assert_eq!(
            (more.significant, more.words(), less.words()),
            (Some(true), "significant", "no difference shown")
        );
        // At exactly U nothing is shown: the interval still holds no difference.
        let just = differences(&[Some((0.0, Some(3.0))), Some((5.0, Some(4.0)))]);
        assert_eq!(just[1].unwrap().significant, Some(false));
    }

    #[test]
    fn without_an_uncertainty_nothing_is_judged() {
        // Project definition.
        let told = differences(&[None, Some((1.0, Some(0.1))), Some((9.0, None))]);
        assert_eq!((told[1], told[2].unwrap().with), (None, 1));
        assert_eq!((told[2].unwrap().significant, told[2].unwrap().words()), (None, "U not told"));
        assert_eq!(differences(&[None, None]), [None, None]);
    }
}
