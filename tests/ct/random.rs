//! A generator of our own, so that a seed gives the same site on every machine and in every year.

/// SplitMix64 (public domain algorithm).
#[derive(Clone)]
pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5DEE_CE66_D123_4567)
    }

    pub(crate) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly in 0..1.
    pub(crate) fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Evenly in a range.
    pub(crate) fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Standard normal (Box and Muller).
    pub(crate) fn normal(&mut self) -> f64 {
        let (a, b) = (self.unit().max(1e-300), self.unit());
        (-2.0 * libm::log(a)).sqrt() * libm::cos(std::f64::consts::TAU * b)
    }

    /// True with this probability.
    pub(crate) fn happens(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    pub(crate) fn below(&mut self, count: usize) -> usize {
        (self.bits() % count.max(1) as u64) as usize
    }

    pub(crate) fn pick<T: Copy>(&mut self, list: &[T]) -> T {
        list[self.below(list.len())]
    }

    /// Exponential with this mean.
    pub(crate) fn exponential(&mut self, mean: f64) -> f64 {
        -mean * libm::log(self.unit().max(1e-300))
    }
}
