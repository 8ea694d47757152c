//! Repeatable random numbers (the 64-bit mixer of Steele, Lea and Flood, OOPSLA 2014, from memory).

pub struct Rng(u64);

impl Rng {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0xD1B5_4A32_D192_ED03)
    }

    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn between(&mut self, a: f64, b: f64) -> f64 {
        a + (b - a) * self.uniform()
    }

    /// Normal, by Box and Muller.
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().max(1e-300).ln()).sqrt();
        radius * (2.0 * std::f64::consts::PI * self.uniform()).cos()
    }
}
