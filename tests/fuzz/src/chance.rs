//! Numbers that look random and are the same for the same seed.

/// A generator (SplitMix64, from memory: an increment by the golden ratio, then two multiply-xor-shifts).
#[derive(Debug, Clone)]
pub struct Chance(u64);

impl Chance {
    /// Begins at a seed.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// A whole number below `end`; 0 if `end` is 0.
    pub fn below(&mut self, end: usize) -> usize {
        (self.bits() % (end.max(1) as u64)) as usize
    }

    /// One of several; `None` if there are none.
    pub fn one<'a, T>(&mut self, of: &'a [T]) -> Option<&'a T> {
        of.get(self.below(of.len()))
    }
}
