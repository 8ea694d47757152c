//! Random numbers that the same seed repeats on every machine.

/// SplitMix64 (Steele, Lea, Flood 2014): small, fast, and any seed will do.
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// Independent numbers for each `lane` of a seed.
    pub fn new(seed: u64, lane: u64) -> Random {
        let mut random = Random(seed ^ lane.wrapping_mul(0xD6E8_FEB8_6659_FD93));
        random.bits();
        random
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut x = self.0;
        x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        x ^ (x >> 31)
    }

    /// From 0 up to, not including, `end` (0 for an `end` of 0).
    pub fn below(&mut self, end: usize) -> usize {
        (self.bits() % (end.max(1) as u64)) as usize
    }

    /// True once in `of` times.
    pub fn once_in(&mut self, of: usize) -> bool {
        self.below(of) == 0
    }

    /// Between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * ((self.bits() >> 11) as f64 / (1u64 << 53) as f64)
    }

    /// One of several.
    pub fn pick<'a, T>(&mut self, from: &'a [T]) -> Option<&'a T> {
        let index = self.below(from.len());
        from.get(index)
    }
}
