use super::{AmplifierSpec, Output, Transfer};

/// Table points per unit of u; with cubic interpolation the error stays near 1e-12.
const TABLE_PER_UNIT: usize = 2048;
/// Range of the table; beyond it the closed form is evaluated.
const TABLE_RANGE: usize = 4;

/// Voltage limits of the output EMF at one moment, V, both positive numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Limits {
    pub pos_v: f64,
    pub neg_v: f64,
}

impl Limits {
    /// Limits from the rail, the stage's drop, its asymmetry and its current protection.
    ///
    /// `loop_ohm` is load plus output resistance as this channel sees them, or `None` with no load.
    pub fn new(rail_v: f64, output: &Output, channel: usize, loop_ohm: Option<f64>) -> Self {
        let trim_v = output.drop_trim_v.get(channel).copied().unwrap_or(0.0);
        let swing = (rail_v - output.drop_v - trim_v).max(0.0);
        let (mut pos_v, mut neg_v) = (swing * (1.0 + output.asymmetry), swing * (1.0 - output.asymmetry));
        if let (Some(a), Some(ohm)) = (output.current_limit_apk, loop_ohm) {
            pos_v = pos_v.min(a * ohm);
            neg_v = neg_v.min(a * ohm);
        }
        Self { pos_v, neg_v }
    }

    pub const MUTE: Self = Self { pos_v: 0.0, neg_v: 0.0 };
}

/// The memoryless part: crossover dead zone, then the limit.
#[derive(Debug, Clone)]
pub(crate) struct Stage {
    transfer: Transfer,
    dead_zone_v: f64,
    dead_zone_depth: f64,
    /// φ at u = k/TABLE_PER_UNIT, one point before 0 and two beyond the range; soft only.
    table: Vec<f64>,
}

impl Stage {
    pub fn new(spec: &AmplifierSpec) -> Self {
        let o = &spec.physics.output;
        let transfer = spec.physics.transfer;
        let table = match transfer {
            Transfer::Soft { sharpness } => (0..TABLE_RANGE * TABLE_PER_UNIT + 3)
                .map(|k| {
                    let u = (k as f64 - 1.0) / TABLE_PER_UNIT as f64;
                    u.signum() * soft(u.abs(), sharpness)
                })
                .collect(),
            Transfer::Hard | Transfer::Cubic => Vec::new(),
        };
        Self { transfer, dead_zone_v: o.dead_zone_v, dead_zone_depth: o.dead_zone_depth, table }
    }

    /// Output EMF for the linear EMF `x_v`, V.
    #[inline]
    pub fn emf_v(&self, x_v: f64, limits: Limits) -> f64 {
        let x = x_v - self.dead_zone_depth * x_v.clamp(-self.dead_zone_v, self.dead_zone_v);
        match self.transfer {
            Transfer::Hard => x.clamp(-limits.neg_v, limits.pos_v),
            Transfer::Soft { sharpness } => limited(x, limits, |u| self.soft_from_table(u, sharpness)),
            Transfer::Cubic => limited(x, limits, |u| if u < 1.5 { u - 4.0 / 27.0 * u * u * u } else { 1.0 }),
        }
    }

    #[inline]
    fn soft_from_table(&self, u: f64, sharpness: f64) -> f64 {
        let at = u * TABLE_PER_UNIT as f64;
        let k = at as usize;
        let Some([a, b, c, d]) = self.table.get(k..k + 4) else { return soft(u, sharpness) };
        let f = at - k as f64;
        // Four-point Lagrange interpolation between b and c.
        let (fp, fm, f2) = (f + 1.0, f - 1.0, f - 2.0);
        -a * f * fm * f2 / 6.0 + b * fp * fm * f2 / 2.0 - c * fp * f * f2 / 2.0 + d * fp * f * fm / 6.0
    }
}

#[inline]
fn limited(x: f64, limits: Limits, phi: impl Fn(f64) -> f64) -> f64 {
    let limit = if x < 0.0 { limits.neg_v } else { limits.pos_v };
    if limit <= 0.0 { 0.0 } else { limit.copysign(x) * phi(x.abs() / limit) }
}

fn soft(u: f64, p: f64) -> f64 {
    // Written so that neither branch overflows for a large argument.
    if u <= 1.0 { u / (1.0 + u.powf(p)).powf(1.0 / p) } else { 1.0 / (1.0 + u.powf(-p)).powf(1.0 / p) }
}
