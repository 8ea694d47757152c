//! A static transfer curve: output against instantaneous drive, as one steady record of a sine shows it, and what
//! that curve makes of a sine of any other level.
//!
//! A memoryless stage driven by A·sin θ gives f(A·sin θ): folding the record by the phase θ shows f itself from −A to
//! A, so one capture above the ceiling already tells the distortion at every level below it, and a little beyond.

use serde::{Deserialize, Serialize};
use std::f64::consts::{FRAC_PI_2, PI};

/// How far beyond the drive it was seen at a curve is continued, dB.
const REACH_ABOVE_DB: f64 = 2.2;
/// Share of the drive from which the slope of the ends is taken.
const END_FROM: f64 = 0.9;
/// Shares of the drive over which an end is fitted, widest first; points of the fit; and the root mean square of what it
/// may miss, as a share of the output.
const END_REACHES: [f64; 5] = [0.1, 0.05, 0.025, 0.0125, 0.006];
const END_SAMPLES: usize = 12;
const END_MISSED: f64 = 4e-4;
/// Above this many harmonics, everything beside the fundamental is summed by energy instead.
const HARMONICS_SUMMED: usize = 48;

/// Output of one channel against the phase of its drive, both branches (rising and falling) averaged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TransferCurve {
    /// Output in V at phases −π/2 + π(m + ½)/M of the drive, m = 0 … M−1; the drive there is its peak times the
    /// sine of the phase.
    out_v: Vec<f64>,
}

/// What a curve makes of a sine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Predicted {
    /// Fundamental of the output, V rms.
    pub fundamental_vrms: f64,
    /// Total harmonic distortion, percent of the fundamental.
    pub thd_pct: f64,
    /// Share of the even harmonics in the distortion's power, 0 to 1.
    pub even_share: f64,
}

impl TransferCurve {
    /// A curve from outputs in V at M equidistant phases of half a cycle, −π/2 + π(m + ½)/M, at least 16 of them, all
    /// finite; `None` otherwise.
    #[must_use]
    pub fn from_phases(out_v: Vec<f64>) -> Option<Self> {
        (out_v.len() >= 16 && out_v.iter().all(|v| v.is_finite())).then_some(Self { out_v })
    }

    /// A curve from the harmonics of a record: `harmonics[k]` holds the in-phase and the quadrature part of the k-th
    /// harmonic, V peak, as in Σ p·sin kθ + q·cos kθ, where θ is the phase of the fundamental itself (so its own
    /// quadrature part is zero); `harmonics[0].1` is dc. Averaging both branches leaves odd sines and even cosines.
    ///
    /// `None` without a fundamental, or where a figure isn't finite.
    #[must_use]
    pub fn from_harmonics(harmonics: &[(f64, f64)]) -> Option<Self> {
        let phases = 256;
        if harmonics.len() < 2 || harmonics[1].0 == 0.0 {
            return None;
        }
        let out_v =
            (0..phases)
                .map(|m| {
                    let theta = -FRAC_PI_2 + PI * (m as f64 + 0.5) / phases as f64;
                    let terms = harmonics.iter().enumerate();
                    terms
                        .map(|(k, (p, q))| {
                            if k % 2 == 1 {
                                p * (k as f64 * theta).sin()
                            } else {
                                q * (k as f64 * theta).cos()
                            }
                        })
                        .sum()
                })
                .collect();
        Self::from_phases(out_v)
    }

    /// Output in V for a drive of `u` times the peak it was seen at; continued by slope and curvature beyond ±1.
    #[must_use]
    pub fn at(&self, u: f64) -> f64 {
        if u > 1.0 {
            self.beyond(u, true)
        } else if u < -1.0 {
            self.beyond(u, false)
        } else {
            self.inside(u.asin())
        }
    }

    fn inside(&self, theta: f64) -> f64 {
        let n = self.out_v.len();
        let place = (theta + FRAC_PI_2) / PI * n as f64 - 0.5;
        let k = place.floor();
        let t = place - k;
        // The wave is even about its extremes, so beyond the first and last phase its neighbours repeat.
        let value = |offset: i64| {
            let i = k as i64 + offset;
            let last = n as i64 - 1;
            let i = if i < 0 {
                -1 - i
            } else if i > last {
                2 * last + 1 - i
            } else {
                i
            };
            self.out_v[i.clamp(0, last) as usize]
        };
        let (a, b, c, d) = (value(-1), value(0), value(1), value(2));
        // Catmull-Rom cubic.
        b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
    }

    /// Value, slope and curvature of the upper or lower end: a parabola through the outermost point, fitted over the
    /// widest of a few ranges that it explains, so that a corner near the end doesn't blur what lies beyond it.
    fn end(&self, upper: bool) -> (f64, f64, f64) {
        let sign = if upper { 1.0 } else { -1.0 };
        let value = sign * self.inside(sign * FRAC_PI_2);
        let mut found = (value, 0.0, 0.0);
        for reach in END_REACHES {
            let at = |i: usize| -reach * i as f64 / END_SAMPLES as f64;
            let seen: Vec<(f64, f64)> = (1..=END_SAMPLES)
                .map(|i| (at(i), sign * self.inside((sign * (1.0 + at(i))).asin()) - value))
                .collect();
            let sum = |f: &dyn Fn(f64, f64) -> f64| seen.iter().map(|(x, y)| f(*x, *y)).sum::<f64>();
            let (s2, s3, s4) = (sum(&|x, _| x * x), sum(&|x, _| x * x * x), sum(&|x, _| x * x * x * x));
            let (y1, y2) = (sum(&|x, y| x * y), sum(&|x, y| x * x * y));
            let determinant = s2 * s4 - s3 * s3;
            let slope = (y1 * s4 - y2 * s3) / determinant;
            let half_curvature = (s2 * y2 - s3 * y1) / determinant;
            if !(slope.is_finite() && half_curvature.is_finite()) {
                break;
            }
            found = (value, slope, half_curvature);
            let missed = sum(&|x, y| (y - x * (slope + x * half_curvature)).powi(2)) / END_SAMPLES as f64;
            if missed.sqrt() < END_MISSED * value.abs() {
                break;
            }
        }
        found
    }

    fn beyond(&self, u: f64, upper: bool) -> f64 {
        let sign = if upper { 1.0 } else { -1.0 };
        let (value, slope, half_curvature) = self.end(upper);
        Self::continued(value, slope, half_curvature, u.abs() - 1.0) * sign
    }

    /// A parabola up to where it would turn, flat from there.
    fn continued(value: f64, slope: f64, half_curvature: f64, x: f64) -> f64 {
        let slope = slope.max(0.0);
        // A bend upwards is not carried on: no stage gains by being overdriven.
        let half_curvature = half_curvature.min(0.0);
        let turn = if half_curvature < 0.0 { -slope / (2.0 * half_curvature) } else { f64::INFINITY };
        let x = x.min(turn);
        value + x * (slope + x * half_curvature)
    }

    /// What a sine of `ratio` times the drive the curve was seen at would give, counting harmonics up to
    /// `harmonics_max` (all where `None`). `None` where the curve is continued too far, or no output is left.
    #[must_use]
    pub fn predict(&self, ratio: f64, harmonics_max: Option<usize>) -> Option<Predicted> {
        if !(ratio.is_finite() && ratio > 0.0) || 20.0 * ratio.log10() > REACH_ABOVE_DB {
            return None;
        }
        let n = self.out_v.len();
        let (lower, upper) =
            if ratio > 1.0 { (self.end(false), self.end(true)) } else { ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)) };
        let wave: Vec<(f64, f64)> = (0..n)
            .map(|m| {
                let (sin, cos) = (-FRAC_PI_2 + PI * (m as f64 + 0.5) / n as f64).sin_cos();
                let u = ratio * sin;
                let y = if u > 1.0 {
                    Self::continued(upper.0, upper.1, upper.2, u - 1.0)
                } else if u < -1.0 {
                    -Self::continued(lower.0, lower.1, lower.2, -u - 1.0)
                } else {
                    self.inside(u.asin())
                };
                (y, if cos == 0.0 { 0.0 } else { sin })
            })
            .collect();
        Self::sums(&wave, harmonics_max)
    }

    fn sums(wave: &[(f64, f64)], harmonics_max: Option<usize>) -> Option<Predicted> {
        let n = wave.len() as f64;
        let fundamental = 2.0 / n * wave.iter().map(|(y, sin)| y * sin).sum::<f64>();
        if !(fundamental.is_finite() && fundamental.abs() > 0.0) {
            return None;
        }
        let (odd, even) = match harmonics_max.filter(|k| *k <= HARMONICS_SUMMED) {
            Some(highest) => Self::by_harmonics(wave, highest),
            None => Self::by_energy(wave, fundamental),
        };
        let power = odd + even;
        Some(Predicted {
            fundamental_vrms: fundamental.abs() / 2f64.sqrt(),
            thd_pct: 100.0 * (power / (0.5 * fundamental * fundamental)).sqrt(),
            even_share: if power > 0.0 { even / power } else { 0.0 },
        })
    }

    /// Mean squares of the odd and even harmonics from the second to `highest`.
    fn by_harmonics(wave: &[(f64, f64)], highest: usize) -> (f64, f64) {
        let n = wave.len() as f64;
        let mut sums = vec![0.0; highest + 1];
        for (y, sin) in wave {
            let cos = (1.0 - sin * sin).max(0.0).sqrt();
            let (mut re, mut im) = (1.0, 0.0);
            for (k, sum) in sums.iter_mut().enumerate() {
                *sum += y * if k % 2 == 1 { im } else { re };
                (re, im) = (re * cos - im * sin, re * sin + im * cos);
            }
        }
        let mut parts = (0.0, 0.0);
        for (k, sum) in sums.iter().enumerate().skip(2) {
            let half_square = 0.5 * (2.0 / n * sum).powi(2);
            if k % 2 == 1 { parts.0 += half_square } else { parts.1 += half_square }
        }
        parts
    }

    /// The same of all harmonics there are: f(−u) = −f(u) splits odd from even.
    fn by_energy(wave: &[(f64, f64)], fundamental: f64) -> (f64, f64) {
        let n = wave.len();
        let dc = wave.iter().map(|(y, _)| y).sum::<f64>() / n as f64;
        let (mut odd, mut even) = (0.0, 0.0);
        for (m, (y, sin)) in wave.iter().enumerate() {
            let mirrored = wave[n - 1 - m].0;
            odd += (0.5 * (y - mirrored) - fundamental * sin).powi(2);
            even += (0.5 * (y + mirrored) - dc).powi(2);
        }
        (odd / n as f64, even / n as f64)
    }

    /// Steepest slope of the curve over a fifth of its drive, in V per unit of its peak drive. A stage that clips,
    /// bends or has a dead zone keeps it; one whose gain is taken back loses it.
    #[must_use]
    pub fn steepest(&self) -> f64 {
        let chord = |from: f64| ((self.at(from + 0.2) - self.at(from)) / 0.2).abs();
        (0..9).map(|k| chord(-1.0 + 0.2 * f64::from(k) + 0.1)).fold(0.0, f64::max)
    }

    /// Slope of the flatter end (outermost tenth of the drive) over the steepest: 1 for a straight curve, 0 for one cut
    /// flat. `None` for a flat curve.
    #[must_use]
    pub fn end_slope(&self) -> Option<f64> {
        let steepest = self.steepest();
        let chord = |sign: f64| (self.at(sign) - self.at(sign * END_FROM)) / (sign * (1.0 - END_FROM));
        let flatter = chord(1.0).abs().min(chord(-1.0).abs()) / steepest;
        flatter.is_finite().then_some(flatter)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(f: impl Fn(f64) -> f64) -> TransferCurve {
        let n = 256;
        let wave = (0..n).map(|m| f((-FRAC_PI_2 + PI * (f64::from(m) + 0.5) / f64::from(n)).sin())).collect();
        TransferCurve::from_phases(wave).expect("finite")
    }

    #[test]
    fn a_clip_seen_loud_tells_its_distortion_at_every_lower_level() {
        // Closed form of symmetric hard clipping (own derivation, FFT-checked): r = rail/peak of 0.9714869 gives 1 %,
        // 0.7786512 gives 10 %.
        let curve = seen(|u| u.clamp(-0.7, 0.7));
        for (r, thd_pct) in [(0.971_486_9, 1.0), (0.778_651_2, 10.0)] {
            let found = curve.predict(0.7 / r, None).expect("inside");
            assert!((found.thd_pct / thd_pct - 1.0).abs() < 0.01, "{} % for {thd_pct} %", found.thd_pct);
        }
        assert!(curve.predict(0.69, None).expect("inside").thd_pct < 0.02);
    }

    #[test]
    fn a_polynomial_is_read_as_its_algebra_says() {
        // y = x − a·x³: THD_F = aA²/(4 − 3aA²) (algebra of the triple angle).
        let a = 0.05;
        let curve = seen(|u| u - a * u * u * u);
        for ratio in [0.3, 0.7, 1.0, 1.15] {
            let algebra = 100.0 * a * ratio * ratio / (4.0 - 3.0 * a * ratio * ratio);
            let found = curve.predict(ratio, Some(20)).expect("near").thd_pct;
            assert!((found / algebra - 1.0).abs() < 0.02, "{ratio}: {found} for {algebra}");
        }
        let even = seen(|u| u + 0.02 * u * u).predict(1.0, None).expect("inside");
        assert!((even.thd_pct - 1.0).abs() < 0.01 && even.even_share > 0.999);
    }

    #[test]
    fn harmonics_give_the_curve_back() {
        // y = x − a·x³ of sin θ is (1 − 3a/4) sin θ + a/4 sin 3θ.
        let a = 0.2;
        let curve =
            TransferCurve::from_harmonics(&[(0.0, 0.0), (1.0 - 0.75 * a, 0.0), (0.0, 0.0), (0.25 * a, 0.0)])
                .expect("fundamental");
        for u in [-1.0, -0.4, 0.0, 0.8] {
            assert!((curve.at(u) - (u - a * u * u * u)).abs() < 1e-5);
        }
        assert!((curve.steepest() - 1.0).abs() < 0.01 && curve.end_slope().expect("slope") < 0.6);
    }

    #[test]
    fn too_far_beyond_is_not_told() {
        let curve = seen(|u| u);
        assert!(curve.predict(1.2, None).is_some() && curve.predict(1.3, None).is_none());
        assert!(TransferCurve::from_phases(vec![f64::NAN; 32]).is_none());
    }
}
