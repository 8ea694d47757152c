//! The distribution of a sum of independent contributions, each with its own shape: what JCGM 101:2008 draws at
//! random, here by the product of their characteristic functions, which is exact, repeatable and fast. Student's t-factor comes the same way.
//!
//! P(|X| ≤ U) = (2/π) ∫₀^∞ φ(s) sin(U·s)/s ds for a symmetric sum (Gil-Pelaez 1951). The trapezoidal rule with step
//! h wraps the distribution at 2π/h; h is chosen so that nothing of weight lies there.

use std::f64::consts::{FRAC_2_PI, PI};

use crate::budget::{Contribution, Shape};

/// Share of u_c that is at least normal, so that a lone rectangle's characteristic function, which never ends,
/// ends: U grows by less than 0.02 %.
const SMOOTHING: f64 = 0.02;
/// Below this the characteristic function no longer counts.
const NEGLIGIBLE: f64 = 1e-11;
/// Furthest that counts, in u_c: the tails of Student's t with one degree never end, 8e-5 of it lies beyond.
const REACH_MAX: f64 = 4000.0;

/// Distribution of a sum of contributions about its estimate; symmetric.
#[derive(Debug, Clone)]
pub(crate) struct Spread {
    /// Combined standard uncertainty, W.
    u_w: f64,
    /// Step of the grid, in 1/u_c.
    step: f64,
    /// The characteristic function at step, 2·step, ….
    phi: Vec<f64>,
}

/// One shape that isn't normal, in units of u_c.
enum Part {
    Rectangle(f64),
    Triangle(f64),
    Arcsine(f64),
    /// Standard deviations and weights of the normals that make up Student's t.
    Student(Vec<(f64, f64)>),
}

impl Spread {
    /// Of contributions, type A taken as normal; `None` if their sum has no spread or isn't finite.
    pub fn of(contributions: &[Contribution]) -> Option<Self> {
        let u_w = contributions.iter().map(|c| c.u_w.powi(2)).sum::<f64>().sqrt();
        if !(u_w.is_finite() && u_w > 0.0) {
            return None;
        }
        let mut normal_ms = 0.0;
        let mut parts = Vec::new();
        for c in contributions.iter().filter(|c| c.u_w > 0.0) {
            let u = c.u_w / u_w;
            match c.distribution {
                Shape::Normal | Shape::NormalK2 => normal_ms += u * u,
                Shape::Rectangular | Shape::Resolution => parts.push(Part::Rectangle(u * 3f64.sqrt())),
                Shape::Triangular => parts.push(Part::Triangle(u * 6f64.sqrt())),
                Shape::Arcsine => parts.push(Part::Arcsine(u * 2f64.sqrt())),
            }
        }
        let normal_ms = f64::max(normal_ms, SMOOTHING * SMOOTHING);
        Some(Self::from_parts(u_w, normal_ms, &parts))
    }

    /// Student's t with `degrees`, for a standard uncertainty of 1.
    pub fn student(degrees: f64) -> Self {
        Self::from_parts(1.0, 0.0, &[Part::Student(student(degrees))])
    }

    fn from_parts(u_w: f64, normal_ms: f64, parts: &[Part]) -> Self {
        let step = PI / (9.0 * normal_ms.sqrt() + parts.iter().map(Part::reach).sum::<f64>());
        let mut phi = Vec::new();
        // Always ends: a normal of SMOOTHING is negligible from s = 360 on, a Student's t from s = 26.
        loop {
            let s = step * (phi.len() + 1) as f64;
            let normal = (-normal_ms * s * s / 2.0).exp();
            let (value, envelope) = parts.iter().fold((normal, normal), |(value, envelope), part| {
                let (of_part, bound) = part.characteristic(s);
                (value * of_part, envelope * bound)
            });
            if envelope < NEGLIGIBLE {
                return Self { u_w, step, phi };
            }
            phi.push(value);
        }
    }

    /// Probability that the sum lies within ± `half_width_w`.
    pub fn within(&self, half_width_w: f64) -> f64 {
        let reach = PI / self.step;
        self.sums((half_width_w / self.u_w).min(reach)).0.clamp(0.0, 1.0)
    }

    /// The half-width in W that holds `probability`.
    pub fn half_width(&self, probability: f64) -> f64 {
        let (mut low, mut high) = (0.0, PI / self.step);
        let mut at = 2f64.min(high / 2.0);
        for _ in 0..60 {
            let (within, density) = self.sums(at);
            if within < probability {
                low = at
            } else {
                high = at
            }
            let newton = at + (probability - within) / density;
            let next = if newton > low && newton < high { newton } else { f64::midpoint(low, high) };
            if (next - at).abs() < 1e-10 {
                return next * self.u_w;
            }
            at = next;
        }
        at * self.u_w
    }

    /// Probability within ± `half_width` (in units of u_c), and its slope.
    fn sums(&self, half_width: f64) -> (f64, f64) {
        let (mut within, mut slope) = (half_width / 2.0, 0.5);
        // sin and cos of the multiples by rotation: a thousand of them a budget is what a budget costs.
        let (sin, cos) = (half_width * self.step).sin_cos();
        let (mut at_sin, mut at_cos) = (0.0, 1.0);
        for (n, phi) in self.phi.iter().enumerate() {
            (at_sin, at_cos) = (at_sin * cos + at_cos * sin, at_cos * cos - at_sin * sin);
            within += phi * at_sin / (self.step * (n + 1) as f64);
            slope += phi * at_cos;
        }
        let scale = FRAC_2_PI * self.step;
        (within * scale, slope * scale)
    }
}

impl Part {
    /// How far it goes: exactly where it ends, to a tail of about 1e-5 for Student's t.
    fn reach(&self) -> f64 {
        match self {
            Self::Rectangle(half) | Self::Triangle(half) | Self::Arcsine(half) => *half,
            Self::Student(normals) => {
                let mut tail = 0.0;
                let widest = normals.iter().find(|(_, weight)| {
                    tail += weight;
                    tail > 1e-5
                });
                widest.map_or(0.0, |(sd, _)| (6.0 * sd).min(REACH_MAX))
            }
        }
    }

    /// Characteristic function at `s`, and a bound on it from there on.
    fn characteristic(&self, s: f64) -> (f64, f64) {
        let bounded = |value: f64, bound: f64| (value, bound.min(1.0));
        match self {
            Self::Rectangle(half) => bounded((half * s).sin() / (half * s), 1.0 / (half * s)),
            Self::Triangle(half) => {
                let x = half * s / 2.0;
                bounded((x.sin() / x).powi(2), 1.0 / (x * x))
            }
            Self::Arcsine(half) => bounded(bessel_j0(half * s), (FRAC_2_PI / (half * s)).sqrt()),
            Self::Student(normals) => {
                let value = normals.iter().map(|(sd, weight)| weight * (-(sd * s).powi(2) / 2.0).exp()).sum();
                (value, value)
            }
        }
    }
}

/// t-factor of JCGM 100, G.3: half-width of Student's t that holds `probability`; degrees below 1 count as 1, more
/// than a million are not for here (the grid grows finer with them).
pub(crate) fn t_factor(degrees: f64, probability: f64) -> f64 {
    Spread::student(degrees.max(1.0)).half_width(probability)
}

/// Student's t with `nu` degrees as a mixture of normals: t = z/√(χ²/ν) by definition. Widest first. The trapezoidal
/// rule over ln χ² converges geometrically.
fn student(nu: f64) -> Vec<(f64, f64)> {
    // ln of the density of y = ln χ², up to a constant; highest at y = ln ν.
    let log_density = |y: f64| (nu * (y - nu.ln()) - (y.exp() - nu)) / 2.0;
    let step = f64::min(0.25, 0.4 * (2.0 / nu).sqrt());
    let node = |n: i32| {
        let y = nu.ln() + step * f64::from(n);
        ((nu / y.exp()).sqrt(), log_density(y).exp())
    };
    let above = (1..).map(node).take_while(|(_, weight)| *weight > 1e-12);
    let below = (0..).map(|n: i32| node(-n)).take_while(|(_, weight)| *weight > 1e-12);
    let mut normals: Vec<(f64, f64)> = below.chain(above).collect();
    normals.sort_by(|a, b| b.0.total_cmp(&a.0));
    let sum: f64 = normals.iter().map(|(_, weight)| weight).sum();
    normals.iter_mut().for_each(|(_, weight)| *weight /= sum);
    normals
}

/// J₀ by its integral (1/π)∫₀^π cos(x sin θ) dθ (Bessel); the midpoint rule of a periodic function converges
/// geometrically once it resolves x.
fn bessel_j0(x: f64) -> f64 {
    let points = 24 + (x.abs() / 2.0).ceil() as usize;
    let term = |n: usize| (x * (PI * (n as f64 + 0.5) / points as f64).sin()).cos();
    (0..points).map(term).sum::<f64>() / points as f64
}
