//! Uncertainty of a measured power: a table of contributions, propagated by JCGM 100:2008 (the GUM).

use serde::{Deserialize, Serialize};
use std::fmt;

use crate::coverage::{Spread, t_factor};
use crate::propagate::effective_degrees;

/// How a contribution was evaluated (JCGM 100, clauses 4.2 and 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Kind {
    /// By statistics of repeated observations.
    A,
    /// By other means: certificate, tolerance, resolution.
    B,
}

/// How a stated figure is distributed, which sets the divisor to a standard uncertainty (JCGM 100, 4.3 and F.2).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// Normal, and the figure is a standard uncertainty; Student's t where degrees of freedom are given.
    Normal,
    /// Normal, and the figure is expanded with k = 2.
    NormalK2,
    /// Anywhere within ± the figure: √3.
    Rectangular,
    /// Sum of two equal rectangles, within ± the figure: √6.
    Triangular,
    /// Sinusoidal wandering within ± the figure: √2.
    Arcsine,
    /// The figure is a whole digital step: √12.
    Resolution,
}

impl Shape {
    /// Divisor from the stated figure to a standard uncertainty.
    #[must_use]
    pub fn divisor(self) -> f64 {
        match self {
            Self::Normal => 1.0,
            Self::NormalK2 => 2.0,
            Self::Rectangular => 3f64.sqrt(),
            Self::Triangular => 6f64.sqrt(),
            Self::Arcsine => 2f64.sqrt(),
            Self::Resolution => 12f64.sqrt(),
        }
    }
}

impl fmt::Display for Shape {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Normal => "normal",
            Self::NormalK2 => "normal, k = 2",
            Self::Rectangular => "rectangular",
            Self::Triangular => "triangular",
            Self::Arcsine => "arcsine",
            Self::Resolution => "resolution",
        })
    }
}

/// One independent input of a measured power and what its uncertainty does to that power.
///
/// An input that acts twice, as a reference voltage behind both channels, is one contribution whose sensitivity is
/// the sum of both ways (JCGM 100, F.1.2.3): so the contributions stay uncorrelated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// What it is, as "voltage gain".
    pub name: String,
    /// Statistical or other evaluation.
    pub kind: Kind,
    /// How the stated figure is distributed.
    pub distribution: Shape,
    /// The stated figure, in `unit`: a half-width or a standard uncertainty, as `distribution` says.
    pub stated: f64,
    /// Unit of the stated figure.
    pub unit: String,
    /// From the stated figure to a standard uncertainty.
    pub divisor: f64,
    /// Change of the power with the input, W per `unit`.
    pub sensitivity: f64,
    /// Standard uncertainty that it causes in the power, W.
    pub u_w: f64,
    /// Its share in the variance of the power, %; 0 until a [`Budget`] holds it.
    pub share_pct: f64,
    /// Degrees of freedom; absent counts as infinitely many.
    pub degrees: Option<f64>,
    /// Where the figure comes from, as "bench file, calibrated 2026-05-02".
    pub source: String,
}

impl Contribution {
    /// A type B contribution; `sensitivity` in W per `unit`.
    #[must_use]
    pub fn new(name: &str, distribution: Shape, stated: f64, unit: &str, sensitivity: f64) -> Self {
        Self {
            name: name.to_owned(),
            kind: Kind::B,
            distribution,
            stated,
            unit: unit.to_owned(),
            divisor: distribution.divisor(),
            sensitivity,
            u_w: (stated / distribution.divisor() * sensitivity).abs(),
            share_pct: 0.0,
            degrees: None,
            source: String::new(),
        }
    }

    /// The same, with where the figure comes from.
    #[must_use]
    pub fn from(mut self, source: impl Into<String>) -> Self {
        self.source = source.into();
        self
    }

    /// The same by statistics: type A with its degrees of freedom.
    #[must_use]
    pub fn by_statistics(mut self, degrees: f64) -> Self {
        self.kind = Kind::A;
        self.degrees = Some(degrees);
        self
    }

    /// Scatter of repeated powers: standard deviation of their mean (JCGM 100, 4.2.3). Type A, W.
    /// `None` for fewer than two values or a figure that isn't finite.
    #[must_use]
    pub fn repeated(name: &str, powers_w: &[f64]) -> Option<Self> {
        let n = powers_w.len();
        if n < 2 {
            return None;
        }
        let count = n as f64;
        let mean = powers_w.iter().sum::<f64>() / count;
        let squares: f64 = powers_w.iter().map(|p| (p - mean).powi(2)).sum();
        let u_w = (squares / (count * (count - 1.0))).sqrt();
        let made = Self::new(name, Shape::Normal, u_w, "W", 1.0).by_statistics(count - 1.0);
        u_w.is_finite().then(|| made.from(format!("{n} repeated captures")))
    }
}

/// Probability with which the true value lies within ±U: that of a normal distribution within two standard
/// deviations, so that k is 2 where the sum is normal (JCGM 100, G.1.3).
pub const COVERAGE: f64 = 0.954_499_736_103_641_6;

/// From so many effective degrees on, Student's t is normal to six digits of its quantile.
const DEGREES_UNBOUNDED: f64 = 1e6;

/// Probability with which ± U must hold each of `rivals` equal, independent, symmetric channels so that it holds
/// their lowest with [`COVERAGE`]. With q beyond U on one side, the lowest is below −U with 1 − (1−q)ⁿ and above U
/// with qⁿ: for one and two channels together 2q; from three on the second is negligible (own algebra).
fn coverage_of_each(rivals: usize) -> f64 {
    if rivals <= 2 { COVERAGE } else { 2.0 * COVERAGE.powf(1.0 / rivals as f64) - 1.0 }
}

/// All contributions to one measured power.
///
/// U = k·u_c, with k such that ±U holds [`COVERAGE`]: k = k_shape · t(ν_eff)/2.
///
/// * k_shape is the half-width in u_c that holds [`COVERAGE`] of the *distribution* of the summed contributions, each
///   with its own shape: JCGM 101:2008, propagated exactly for a linear model. It is 2 for a normal sum and 1.65 for
///   a rectangle alone, where a flat k = 2 would claim more than it knows (JCGM 100, G.6.5).
/// * t(ν_eff)/2 is the t-factor of JCGM 100, G.4, over that of a normal distribution: 1 unless statistics of few
///   observations dominate. Below five degrees ν_eff is known to be jumpy: a smaller type B contribution can then
///   give a larger U (own algebra); more captures are the remedy.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// The measured power they belong to, W.
    pub power_w: f64,
    /// The contributions, independent of each other, each with its share.
    pub contributions: Vec<Contribution>,
    /// Combined standard uncertainty, W (JCGM 100, equation 12).
    pub standard_u_w: f64,
    /// Expanded uncertainty, W: the true value lies within ± this with probability [`COVERAGE`].
    pub expanded_u_w: f64,
    /// Expanded over standard uncertainty.
    pub coverage_factor: f64,
    /// Effective degrees of freedom (Welch-Satterthwaite, JCGM 100, G.2b); absent from a million on, which no table
    /// tells from unbounded.
    pub effective_degrees: Option<f64>,
    /// Student's factor for them at [`COVERAGE`] (JCGM 100, G.3); 2 when unbounded.
    pub t_factor: f64,
}

impl Budget {
    /// A budget for `power_w` watts. Contributions are taken as uncorrelated: an input that acts twice is one
    /// contribution with the sum of its sensitivities. Figures that aren't finite make U infinite, never small.
    #[must_use]
    pub fn new(power_w: f64, contributions: Vec<Contribution>) -> Self {
        Self::of_weakest(power_w, contributions, 1)
    }

    /// The same for the weakest of `rivals` channels that can't be told apart. The lowest of many reads low: for it
    /// to be within ± U as often as one channel alone, each channel has to be within a wider U.
    #[must_use]
    pub fn of_weakest(power_w: f64, mut contributions: Vec<Contribution>, rivals: usize) -> Self {
        let variance: f64 = contributions.iter().map(|c| c.u_w.powi(2)).sum();
        let standard_u_w = variance.sqrt();
        for c in &mut contributions {
            c.share_pct = if variance > 0.0 { 100.0 * c.u_w.powi(2) / variance } else { 0.0 };
        }
        let parts: Vec<(f64, f64)> =
            contributions.iter().filter_map(|c| c.degrees.map(|nu| (c.u_w, nu))).collect();
        let effective_degrees = effective_degrees(standard_u_w, &parts).filter(|nu| *nu < DEGREES_UNBOUNDED);
        let t_factor = effective_degrees.map_or(2.0, |nu| t_factor(nu, COVERAGE));
        let expanded_u_w = match Spread::of(&contributions) {
            Some(spread) => spread.half_width(coverage_of_each(rivals)) * t_factor / 2.0,
            None if standard_u_w == 0.0 => 0.0,
            None => f64::INFINITY,
        };
        let coverage_factor = Some(expanded_u_w / standard_u_w).filter(|k| k.is_finite()).unwrap_or(2.0);
        Self {
            power_w,
            standard_u_w,
            expanded_u_w,
            coverage_factor,
            effective_degrees,
            t_factor,
            contributions,
        }
    }

    /// Probability that the true power reaches `rated_w` (JCGM 106:2012, 7.2), by the distribution of the summed
    /// contributions; `None` without uncertainty or where a figure is unusable.
    #[must_use]
    pub fn probability_reached(&self, rated_w: f64) -> Option<f64> {
        let over = self.power_w - rated_w;
        let spread = Spread::of(&self.contributions).filter(|_| over.is_finite())?;
        let within = spread.within(over.abs() * 2.0 / self.t_factor);
        Some((1.0 + within.copysign(over)) / 2.0)
    }
}
