use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::SeedableRng;

/// Gaussian noise that the same seed repeats.
#[derive(Debug, Clone)]
pub(crate) struct Gaussian(Xoshiro256PlusPlus);

impl Gaussian {
    pub fn new(seed: u64) -> Self {
        Self(Xoshiro256PlusPlus::seed_from_u64(seed))
    }

    /// One sample of zero mean and unit variance.
    pub fn draw(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}
