//! Where one unit stands among others.

use serde::{Deserialize, Serialize};

use super::spread::{MAD_SCALE, Spread, spread};

/// A modified z-score beyond this names a potential outlier (Iglewicz and Hoaglin, 1993, after NIST/SEMATECH e-Handbook,
/// 1.3.5.17).
pub const OUTLIER_SCORE: f64 = 3.5;
/// The factor of the modified z-score, from the same place.
const SCORE_FACTOR: f64 = 0.6745;
/// With fewer other units nobody can tell what is usual (common practice, no source).
pub const UNITS_MIN: usize = 5;

/// Whether a unit stands apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// It lies among the others.
    Usual,
    /// It lies apart from the others.
    Outlier,
    /// There are too few others to tell.
    TooFew,
    /// More than half of the others read exactly alike, so nothing tells how far apart is far.
    NoSpread,
}

/// Where a unit stands among others, in one quantity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// The others.
    pub others: Spread,
    /// How many of them lie below, and one: 1 is the lowest.
    pub rank: usize,
    /// Out of how many: the others and this one.
    pub of: usize,
    /// Modified z-score, 0.6745·(x − median)/MAD; absent where [`Standing`] says why.
    pub score: Option<f64>,
    /// Whether it stands apart.
    pub standing: Standing,
}

/// Where a value stands among those of other units; absent where there is no other, or the value is no number.
#[must_use]
pub fn place(value: f64, others: &[f64]) -> Option<Place> {
    let all = spread(others).filter(|_| value.is_finite())?;
    let below = others.iter().filter(|other| **other < value).count();
    let (score, standing) = if all.count < UNITS_MIN {
        (None, Standing::TooFew)
    } else if all.mad > 0.0 {
        // `mad` is scaled already; the score is by the bare one.
        let score = SCORE_FACTOR * (value - all.median) / (all.mad / MAD_SCALE);
        let apart = score.abs() > OUTLIER_SCORE;
        (Some(score), if apart { Standing::Outlier } else { Standing::Usual })
    } else {
        (None, Standing::NoSpread)
    };
    Some(Place { others: all, rank: below + 1, of: all.count + 1, score, standing })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook, 1.3.5.17: of these readings 245.57 is the one outlier, and modified z-scores above 3.5 in
    /// absolute value name it.
    #[test]
    fn the_reading_that_the_handbook_calls_an_outlier_is_one() {
        let usual = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18];
        let odd = place(245.57, &usual).unwrap();
        assert_eq!((odd.standing, odd.rank, odd.of), (Standing::Outlier, 8, 8));
        // 0.6745·(245.57 − 200.82)/1.13, by hand: 1.13 is the median of the distances from 200.82.
        assert!((odd.score.unwrap() - 0.6745 * 44.75 / 1.13).abs() < 1e-9);
        for (index, value) in usual.iter().enumerate() {
            let mut others = usual.to_vec();
            others.remove(index);
            others.push(245.57);
            assert_eq!(place(*value, &others).unwrap().standing, Standing::Usual, "{value}");
        }
    }

    /// Project definition: with few units, or units that read alike, no outlier is named however far away a value lies.
    #[test]
    fn too_few_and_alike_name_no_outlier() {
        let few = place(1e6, &[1.0, 1.1, 0.9, 1.05]).unwrap();
        assert_eq!((few.standing, few.score, few.of), (Standing::TooFew, None, 5));
        let alike = place(1e6, &[1.0; 6]).unwrap();
        assert_eq!((alike.standing, alike.score), (Standing::NoSpread, None));
        assert_eq!(place(1.0, &[]), None);
        assert_eq!(place(f64::NAN, &[1.0; 6]), None);
    }

    /// The lowest is 1; those that read alike share the better place (common practice, no source).
    #[test]
    fn the_rank_counts_those_below() {
        let others = [1.0, 2.0, 2.0, 3.0, 4.0];
        let rank = |value| place(value, &others).unwrap().rank;
        assert_eq!([rank(0.5), rank(2.0), rank(2.5), rank(9.0)], [1, 2, 4, 6]);
    }
}
