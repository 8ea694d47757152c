use std::f64::consts::TAU;

use realfft::num_complex::Complex64;

use crate::load::ThieleSmall;

/// A loudspeaker behind an output resistance, stepped at the internal rate by the trapezoidal rule.
///
/// States: voice-coil current, motional voltage, motional inductor current.
#[derive(Debug, Clone)]
pub(crate) struct SpeakerFilter {
    phi: [[f64; 3]; 3],
    gamma: [f64; 3],
    state: [f64; 3],
    last_emf_v: f64,
    output_ohm: f64,
    parameters: ThieleSmall,
}

impl SpeakerFilter {
    pub fn new(p: ThieleSmall, output_ohm: f64, dt_s: f64) -> Self {
        let (le, c, l) = (p.le_h, p.cmes_f(), p.lces_h());
        let a = [
            [-(p.re_ohm + output_ohm) / le, -1.0 / le, 0.0],
            [1.0 / c, -1.0 / (p.res_ohm() * c), -1.0 / c],
            [0.0, 1.0 / l, 0.0],
        ];
        let h = dt_s / 2.0;
        let minus = identity_plus(&a, -h);
        let plus = identity_plus(&a, h);
        let columns: [[f64; 3]; 3] =
            std::array::from_fn(|j| solve3(minus, [plus[0][j], plus[1][j], plus[2][j]]));
        let phi = std::array::from_fn(|i| std::array::from_fn(|j| columns[j][i]));
        let gamma = solve3(minus, [h / le, 0.0, 0.0]);
        Self { phi, gamma, state: [0.0; 3], last_emf_v: 0.0, output_ohm, parameters: p }
    }

    /// Puts the filter into the steady state of the tones given (EMF phasors at this moment, sine is real
    /// part of −j…: the phasor's real part is the present value).
    pub fn prime(&mut self, tones: &[(Complex64, f64)], emf_v: f64) {
        let mut state = [0.0; 3];
        for &(emf, hz) in tones {
            let motional = self.parameters.motional(hz);
            let series =
                Complex64::new(self.parameters.re_ohm + self.output_ohm, TAU * hz * self.parameters.le_h);
            let current = emf / (series + motional);
            let voltage = current * motional;
            state[0] += current.re;
            state[1] += voltage.re;
            state[2] += (voltage / Complex64::new(0.0, TAU * hz * self.parameters.lces_h())).re;
        }
        self.state = state;
        self.last_emf_v = emf_v;
    }

    /// Turns EMF into terminal voltage in place, and writes the current.
    pub fn run(&mut self, emf: &mut [f64], amps: &mut [f64]) {
        let [a, b, c] = self.phi;
        let g = self.gamma;
        let [mut x, mut y, mut z] = self.state;
        for (e, i) in emf.iter_mut().zip(amps) {
            let u = *e + self.last_emf_v;
            self.last_emf_v = *e;
            (x, y, z) = (
                a[0] * x + a[1] * y + a[2] * z + g[0] * u,
                b[0] * x + b[1] * y + b[2] * z + g[1] * u,
                c[0] * x + c[1] * y + c[2] * z + g[2] * u,
            );
            *i = x;
            *e -= self.output_ohm * x;
        }
        self.state = [x, y, z];
    }
}

fn identity_plus(a: &[[f64; 3]; 3], h: f64) -> [[f64; 3]; 3] {
    std::array::from_fn(|i| std::array::from_fn(|j| h * a[i][j] + if i == j { 1.0 } else { 0.0 }))
}

/// Cramer's rule; the matrix is the identity plus a small step, so it is never singular.
fn solve3(m: [[f64; 3]; 3], b: [f64; 3]) -> [f64; 3] {
    let d = determinant(&m);
    std::array::from_fn(|k| {
        let mut n = m;
        for i in 0..3 {
            n[i][k] = b[i];
        }
        determinant(&n) / d
    })
}

fn determinant(m: &[[f64; 3]; 3]) -> f64 {
    m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
        + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
}
