//! Uncertainty of a measured power: a list of contributions, propagated by JCGM 100:2008 (the GUM).

use serde::{Deserialize, Serialize};

/// How a contribution was evaluated (JCGM 100, clauses 4.2 and 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Kind {
    /// By statistics of repeated observations.
    A,
    /// By other means: certificate, tolerance, resolution.
    B,
}

/// Shape of a stated half-width, which sets the divisor to a standard uncertainty (JCGM 100, 4.3 and F.2).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// Already a standard uncertainty.
    Standard,
    /// Expanded with k = 2.
    Expanded2,
    /// Anywhere within ± half-width: √3.
    Rectangular,
    /// Sum of two equal rectangles: √6.
    Triangular,
    /// Sinusoidal wandering within ± half-width: √2.
    Arcsine,
    /// The figure is a whole digital step: √12.
    Resolution,
}

impl Shape {
    /// Divisor from the stated figure to a standard uncertainty.
    #[must_use]
    pub fn divisor(self) -> f64 {
        match self {
            Self::Standard => 1.0,
            Self::Expanded2 => 2.0,
            Self::Rectangular => 3f64.sqrt(),
            Self::Triangular => 6f64.sqrt(),
            Self::Arcsine => 2f64.sqrt(),
            Self::Resolution => 12f64.sqrt(),
        }
    }
}

/// One source of uncertainty of a power, already with its sensitivity applied.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// What it is, as "divider ratio".
    pub name: String,
    /// Standard uncertainty it causes in the power, relative to the power (0.001 = 0.1 %).
    pub relative_u: f64,
    /// Statistical or other evaluation.
    pub kind: Kind,
    /// Where the figure comes from, as "calibration of the bench file, 2 of May".
    pub source: String,
    /// Degrees of freedom; `None` counts as infinitely many.
    pub degrees: Option<f64>,
}

impl Contribution {
    /// A tolerance of an input: `tolerance` relative with `shape`, and `sensitivity` the power to which the
    /// input enters the result (V in V²/R: 2; R: −1; a linear gain: 1). Type B.
    #[must_use]
    pub fn tolerance(name: &str, tolerance: f64, shape: Shape, sensitivity: f64, source: &str) -> Self {
        Self {
            name: name.to_owned(),
            relative_u: (tolerance / shape.divisor() * sensitivity).abs(),
            kind: Kind::B,
            source: source.to_owned(),
            degrees: None,
        }
    }

    /// Scatter of repeated powers: standard deviation of their mean (JCGM 100, 4.2.3). Type A.
    /// `None` for fewer than two values or a mean that isn't positive.
    #[must_use]
    pub fn repeated(name: &str, powers_w: &[f64], source: &str) -> Option<Self> {
        let n = powers_w.len();
        if n < 2 {
            return None;
        }
        let count = n as f64;
        let mean = powers_w.iter().sum::<f64>() / count;
        let squares: f64 = powers_w.iter().map(|p| (p - mean).powi(2)).sum();
        let relative_u = (squares / (count * (count - 1.0))).sqrt() / mean;
        (mean > 0.0 && relative_u.is_finite()).then(|| Self {
            name: name.to_owned(),
            relative_u,
            kind: Kind::A,
            source: source.to_owned(),
            degrees: Some(count - 1.0),
        })
    }

    /// An uncertainty already known in watts beside the power it belongs to, as a ceiling's interpolation.
    /// `None` where the power isn't positive or the uncertainty isn't finite.
    #[must_use]
    pub fn absolute(name: &str, u_w: f64, power_w: f64, kind: Kind, source: &str) -> Option<Self> {
        let relative_u = (u_w / power_w).abs();
        (power_w > 0.0 && relative_u.is_finite()).then(|| Self {
            name: name.to_owned(),
            relative_u,
            kind,
            source: source.to_owned(),
            degrees: None,
        })
    }
}

/// All contributions to one measured power.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// The measured power they belong to, W.
    pub power_w: f64,
    /// The contributions, independent of each other.
    pub contributions: Vec<Contribution>,
}

impl Budget {
    /// A budget for `power_w` watts. Contributions are taken as uncorrelated; correlated inputs are to be
    /// merged into one contribution first (see [`propagate`]).
    #[must_use]
    pub fn new(power_w: f64, contributions: Vec<Contribution>) -> Self {
        Self { power_w, contributions }
    }

    /// Combined relative standard uncertainty (JCGM 100, equation 12).
    #[must_use]
    pub fn combined_relative(&self) -> f64 {
        self.contributions.iter().map(|c| c.relative_u.powi(2)).sum::<f64>().sqrt()
    }

    /// Combined standard uncertainty, W.
    #[must_use]
    pub fn combined_w(&self) -> f64 {
        self.combined_relative() * self.power_w.abs()
    }

    /// Expanded uncertainty, k = 2, W.
    #[must_use]
    pub fn expanded_w(&self) -> f64 {
        2.0 * self.combined_w()
    }

    /// Effective degrees of freedom (Welch-Satterthwaite, JCGM 100, G.2b); `None` when unbounded.
    #[must_use]
    pub fn effective_degrees(&self) -> Option<f64> {
        let parts: Vec<(f64, f64)> =
            self.contributions.iter().filter_map(|c| c.degrees.map(|nu| (c.relative_u, nu))).collect();
        effective_degrees(self.combined_relative(), &parts)
    }
}

/// Welch-Satterthwaite: `combined`⁴ / Σ uᵢ⁴/νᵢ over the `(uᵢ, νᵢ)` with finite degrees (JCGM 100, G.2b).
#[must_use]
pub fn effective_degrees(combined: f64, parts: &[(f64, f64)]) -> Option<f64> {
    let sum: f64 = parts.iter().map(|(u, nu)| u.powi(4) / nu).sum();
    (sum > 0.0 && sum.is_finite()).then(|| combined.powi(4) / sum)
}

/// Standard uncertainty of f(inputs) to first order with correlation (JCGM 100, equation 16): `sensitivities`
/// are ∂f/∂xᵢ, `u` the standard uncertainties, `correlation` the full matrix row by row.
///
/// `None` where lengths disagree or the sum is negative, which no valid correlation matrix gives.
#[must_use]
pub fn propagate(sensitivities: &[f64], u: &[f64], correlation: &[Vec<f64>]) -> Option<f64> {
    let n = sensitivities.len();
    if u.len() != n || correlation.len() != n || correlation.iter().any(|row| row.len() != n) {
        return None;
    }
    let parts: Vec<f64> = sensitivities.iter().zip(u).map(|(c, u)| c * u).collect();
    let variance: f64 = correlation
        .iter()
        .zip(&parts)
        .map(|(row, a)| row.iter().zip(&parts).map(|(r, b)| a * b * r).sum::<f64>())
        .sum();
    (variance >= 0.0).then(|| variance.sqrt())
}
