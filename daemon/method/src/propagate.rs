//! The law of propagation of uncertainty (JCGM 100:2008, clause 5), for any function of any inputs.

/// Welch-Satterthwaite: `combined`⁴ / Σ uᵢ⁴/νᵢ over the `(uᵢ, νᵢ)` with finite degrees (JCGM 100, G.2b).
/// `None` when unbounded.
#[must_use]
pub fn effective_degrees(combined: f64, parts: &[(f64, f64)]) -> Option<f64> {
    let sum: f64 = parts.iter().map(|(u, nu)| u.powi(4) / nu).sum();
    (sum > 0.0 && sum.is_finite()).then(|| combined.powi(4) / sum)
}

/// Sensitivities of `function` at `inputs` by central differences over ± each standard uncertainty (JCGM 100,
/// 5.1.3 note 2 and 5.1.4); 0 for an input without uncertainty.
#[must_use]
pub fn sensitivities(function: impl Fn(&[f64]) -> f64, inputs: &[f64], u: &[f64]) -> Vec<f64> {
    let mut moved = inputs.to_vec();
    let slope = |(i, (centre, u)): (usize, (&f64, &f64))| {
        if u.abs() == 0.0 {
            return 0.0;
        }
        moved[i] = centre + u;
        let above = function(&moved);
        moved[i] = centre - u;
        let below = function(&moved);
        moved[i] = *centre;
        (above - below) / (2.0 * u)
    };
    inputs.iter().zip(u).enumerate().map(slope).collect()
}

/// Standard uncertainty of f(inputs) to first order with correlation (JCGM 100, equation 16): `sensitivities`
/// are ∂f/∂xᵢ, `u` the standard uncertainties, `correlation` the full matrix row by row.
///
/// `None` where lengths disagree or the sum is negative, which no valid correlation matrix gives.
#[must_use]
pub fn propagate(sensitivities: &[f64], u: &[f64], correlation: &[Vec<f64>]) -> Option<f64> {
    let variance = covariance(sensitivities, sensitivities, u, correlation)?;
    (variance >= 0.0).then(|| variance.sqrt())
}

/// Covariance of two results of the same inputs, with sensitivities `a` and `b` (JCGM 100, H.2.3, equation H.9);
/// `None` where lengths disagree.
#[must_use]
pub fn covariance(a: &[f64], b: &[f64], u: &[f64], correlation: &[Vec<f64>]) -> Option<f64> {
    let n = u.len();
    if a.len() != n || b.len() != n || correlation.len() != n || correlation.iter().any(|row| row.len() != n)
    {
        return None;
    }
    let scaled =
        |sensitivities: &[f64]| -> Vec<f64> { sensitivities.iter().zip(u).map(|(c, u)| c * u).collect() };
    let (a, b) = (scaled(a), scaled(b));
    let of_row = |(row, a): (&Vec<f64>, &f64)| row.iter().zip(&b).map(|(r, b)| a * b * r).sum::<f64>();
    Some(correlation.iter().zip(&a).map(of_row).sum())
}
