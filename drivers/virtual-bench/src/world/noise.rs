/// Gaussian noise from a seed: xoshiro256++ (Blackman and Vigna) and the Box–Muller transform.
#[derive(Debug, Clone)]
pub(crate) struct Gaussian {
    state: [u64; 4],
    spare: Option<f64>,
}

impl Gaussian {
    pub fn new(seed: u64) -> Self {
        // SplitMix64 spreads a small seed over the whole state, which is never all zero.
        let mut z = seed;
        let state = std::array::from_fn(|_| {
            z = z.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut x = z;
            x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            x ^ (x >> 31)
        });
        Self { state, spare: None }
    }

    fn next(&mut self) -> u64 {
        let s = &mut self.state;
        let out = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        out
    }

    /// Uniform in (0, 1].
    fn uniform(&mut self) -> f64 {
        ((self.next() >> 11) + 1) as f64 / (1_u64 << 53) as f64
    }

    /// One sample of zero mean and unit variance.
    pub fn draw(&mut self) -> f64 {
        if let Some(v) = self.spare.take() {
            return v;
        }
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.uniform()).sin_cos();
        self.spare = Some(radius * sin);
        radius * cos
    }
}
