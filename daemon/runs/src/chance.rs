//! Random numbers for scripts, the same whenever a run is answered from its journal.

/// A sequence that depends on the run's name alone.
#[derive(Debug, Clone, Copy)]
pub struct Chance(u64);

impl Chance {
    /// The sequence of a run.
    pub fn named(run: &str) -> Self {
        // FNV-1a, 64 bits (its published constants).
        Chance(run.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
        }))
    }

    /// The next number, at least 0 and below 1.
    pub fn draw(&mut self) -> f64 {
        // SplitMix64 (Steele, Lea and Flood, 2014).
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_run_draws_the_same_numbers_spread_evenly() {
        let (mut a, mut b, mut other) = (Chance::named("one"), Chance::named("one"), Chance::named("two"));
        let drawn: Vec<f64> = (0..10_000).map(|_| a.draw()).collect();
        assert!(drawn.iter().all(|x| (0.0..1.0).contains(x) && *x == b.draw()));
        assert!(drawn.iter().any(|x| *x != other.draw()));
        // Mean 1/2 with a standard deviation of 1/sqrt(12 n) = 0.0029.
        let mean = drawn.iter().sum::<f64>() / drawn.len() as f64;
        assert!((mean - 0.5).abs() < 0.015, "{mean}");
    }
}
