//! Rated against measured, with a guard band of one expanded uncertainty.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Whether a rating is met.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Measured minus its expanded uncertainty still reaches the rating.
    Meets,
    /// Even measured plus its expanded uncertainty stays below the rating.
    Short,
    /// The uncertainty straddles the rating, or a figure is unusable.
    Undecided,
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Meets => "meets",
            Self::Short => "short",
            Self::Undecided => "undecided",
        })
    }
}

/// Decides with the guard band w = U on both sides (JCGM 106:2012, clause 8: guarded acceptance and rejection).
///
/// Figures in watts, or all in volts; `expanded_w` is U, within which the true value lies with 95.45 %. A figure that isn't finite, or a negative uncertainty, never
/// decides anything.
#[must_use]
pub fn verdict(measured_w: f64, expanded_w: f64, rated_w: f64) -> Verdict {
    let usable = measured_w.is_finite() && rated_w.is_finite() && expanded_w.is_finite() && expanded_w >= 0.0;
    if !usable {
        Verdict::Undecided
    } else if measured_w - expanded_w >= rated_w {
        Verdict::Meets
    } else if measured_w + expanded_w < rated_w {
        Verdict::Short
    } else {
        Verdict::Undecided
    }
}

/// Decides whether a value lies within limits, of which either may be open, with the same guard band on both sides.
///
/// `value`, `expanded` (U, 0 or more) and the limits in one unit. Outside one limit for certain is `short`, whatever the
/// other says.
#[must_use]
pub fn verdict_within(value: f64, expanded: f64, low: Option<f64>, high: Option<f64>) -> Verdict {
    let above = low.map(|low| verdict(value, expanded, low));
    // Mirrored: at most `high` is at least `-high` of the negative.
    let below = high.map(|high| verdict(-value, expanded, -high));
    let sides = [above, below];
    if sides.contains(&Some(Verdict::Short)) {
        Verdict::Short
    } else if sides.contains(&Some(Verdict::Undecided)) || sides == [None, None] {
        Verdict::Undecided
    } else {
        Verdict::Meets
    }
}

/// What a rating is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// Power, W.
    Watts,
    /// Output voltage, V rms.
    Volts,
}

impl Quantity {
    /// Its unit.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::Watts => "W",
            Self::Volts => "V",
        }
    }

    /// What it is called where it could not be told.
    fn word(self) -> &'static str {
        match self {
            Self::Watts => "power",
            Self::Volts => "voltage",
        }
    }

    /// dB per decade: of a power, and of a voltage.
    fn per_decade_db(self) -> f64 {
        match self {
            Self::Watts => 10.0,
            Self::Volts => 20.0,
        }
    }
}

/// A rating beside its measurement.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Judged {
    /// What the three figures are in.
    pub quantity: Quantity,
    /// Rated power, W, or voltage, V rms.
    pub rated: f64,
    /// Measured power or voltage.
    pub measured: f64,
    /// Expanded uncertainty of what was measured.
    pub expanded: f64,
    /// Measured over rated.
    pub ratio: f64,
    /// The same in dB (10·log10 of powers, 20·log10 of voltages); absent where the ratio isn't positive.
    pub ratio_db: Option<f64>,
    /// The verdict.
    pub verdict: Verdict,
}

impl Judged {
    /// Judges `measured_w` ± `expanded_w` against `rated_w`, all in watts.
    #[must_use]
    pub fn new(rated_w: f64, measured_w: f64, expanded_w: f64) -> Self {
        Self::of(Quantity::Watts, rated_w, measured_w, expanded_w)
    }

    /// Judges `measured` ± `expanded` against `rated`, all in the unit of `quantity`.
    #[must_use]
    pub fn of(quantity: Quantity, rated: f64, measured: f64, expanded: f64) -> Self {
        let ratio = measured / rated;
        let usable = ratio.is_finite() && ratio > 0.0;
        Self {
            quantity,
            rated,
            measured,
            expanded,
            ratio,
            ratio_db: usable.then(|| quantity.per_decade_db() * ratio.log10()),
            verdict: verdict(measured, expanded, rated),
        }
    }

    /// The verdict spelled out with its numbers, in as many digits as it takes to see it.
    #[must_use]
    pub fn words(&self) -> String {
        let (rated, measured, expanded) = (self.rated, self.measured, self.expanded);
        if !(rated.is_finite() && measured.is_finite() && expanded.is_finite() && expanded >= 0.0) {
            let word = self.quantity.word();
            return format!("undecided: measured {word} or its uncertainty is no usable figure");
        }
        let (low, high) = (measured - expanded, measured + expanded);
        let margin = f64::min((low - rated).abs(), (high - rated).abs()).max(rated.abs() * 1e-9);
        let digits = f64::min(margin, expanded.max(rated.abs() * 1e-6));
        let digits = (1.0 - digits.log10().floor()).clamp(0.0, 9.0) as usize;
        let unit = self.quantity.unit();
        let shown = |value: f64| format!("{value:.digits$} {unit}");
        let (u, low, high) = (shown(expanded), shown(low), shown(high));
        let (measured, rated) = (shown(measured), shown(rated));
        match self.verdict {
            Verdict::Meets => {
                format!("meets: measured {measured} - U {u} = {low}, which reaches the rated {rated}")
            }
            Verdict::Short => {
                format!("short: measured {measured} + U {u} = {high}, which stays below the rated {rated}")
            }
            Verdict::Undecided => format!(
                "undecided: the rated {rated} lies within measured {measured} -/+ U {u} = {low} to {high}"
            ),
        }
    }
}

/// Probability that the true value reaches a lower limit, given a normal measurement with standard
/// uncertainty `u_w`: Φ((measured − limit)/u) (JCGM 106:2012, 7.3). `None` where a figure is unusable.
#[must_use]
pub fn probability_reached(measured_w: f64, u_w: f64, rated_w: f64) -> Option<f64> {
    let z = (measured_w - rated_w) / u_w;
    (u_w > 0.0 && z.is_finite()).then(|| normal_cdf(z))
}

/// Φ(z) by the complementary error function: Taylor series inside, Laplace's continued fraction outside.
fn normal_cdf(z: f64) -> f64 {
    let x = z.abs() / std::f64::consts::SQRT_2;
    let tail = if x < 2.5 { 1.0 - erf_series(x) } else { erfc_fraction(x) };
    if z >= 0.0 { 1.0 - tail / 2.0 } else { tail / 2.0 }
}

fn erf_series(x: f64) -> f64 {
    let (mut term, mut sum) = (x, x);
    for n in 1..80 {
        term *= -x * x / f64::from(n);
        sum += term / f64::from(2 * n + 1);
    }
    sum * std::f64::consts::FRAC_2_SQRT_PI
}

fn erfc_fraction(x: f64) -> f64 {
    let mut rest = x;
    for n in (1..80).rev() {
        rest = x + f64::from(n) / 2.0 / rest;
    }
    (-x * x).exp() / rest * (std::f64::consts::FRAC_2_SQRT_PI / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 106:2012, clause 8, on both sides: accepted only if the whole of ± U lies within, rejected only if all of it lies
    /// outside of one limit.
    #[test]
    fn limits_on_both_sides_have_the_same_guard_band() {
        use Verdict::{Meets, Short, Undecided};
        for (value, u, low, high, expected) in [
            (1.0, 0.1, Some(0.9), Some(1.1), Meets),
            (1.0, 0.11, Some(0.9), Some(1.1), Undecided),
            (0.7, 0.1, Some(0.9), Some(1.1), Short),
            (1.3, 0.1, Some(0.9), Some(1.1), Short),
            (1.15, 0.1, Some(0.9), Some(1.1), Undecided),
            (0.7, 0.1, None, Some(1.1), Meets),
            (-60.0, 1.0, None, Some(-50.0), Meets),
            (-50.5, 1.0, None, Some(-50.0), Undecided),
            (1.0, 0.0, Some(1.0), Some(1.0), Meets),
            (f64::NAN, 0.1, Some(0.0), None, Undecided),
            (1.0, -0.1, Some(0.0), None, Undecided),
            (1.0, 0.1, None, None, Undecided),
        ] {
            assert_eq!(verdict_within(value, u, low, high), expected, "{value} ± {u} in {low:?} to {high:?}");
        }
    }
}
