//! Chance that can be repeated: PCG32 (O'Neill 2014, XSH-RR 64/32). One seed and a name give one stream, so that adding a
//! meter to a scenario does not change the weather.

/// A stream of numbers that depends on nothing but what it was made from.
#[derive(Clone, Debug, PartialEq)]
pub struct Seed {
    state: u64,
    increment: u64,
    spare: Option<f64>,
}

impl Seed {
    /// A stream from a start value and a stream number.
    pub const fn new(start: u64, stream: u64) -> Self {
        const MULTIPLIER: u64 = 6_364_136_223_846_793_005;
        let increment = (stream << 1) | 1;
        // the reference seeding: one step from 0, add the start, one step
        let state = increment.wrapping_add(start).wrapping_mul(MULTIPLIER).wrapping_add(increment);
        Self { state, increment, spare: None }
    }

    /// The stream that belongs to a name (FNV-1a of its bytes chooses the stream).
    pub fn named(start: u64, name: &str) -> Self {
        let hash = name.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x100_0000_01b3)
        });
        Self::new(start, hash)
    }

    /// The next 32 bits.
    pub fn bits(&mut self) -> u32 {
        let old = self.state;
        self.state = old.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(self.increment);
        let shifted = (((old >> 18) ^ old) >> 27) as u32;
        shifted.rotate_right((old >> 59) as u32)
    }

    /// Uniform from 0 up to, not including, 1; 53 bits.
    pub fn unit(&mut self) -> f64 {
        let high = u64::from(self.bits() >> 5);
        let low = u64::from(self.bits() >> 6);
        (high * 67_108_864 + low) as f64 / 9_007_199_254_740_992.0
    }

    /// Uniform between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Whether something of this probability happens.
    pub fn happens(&mut self, probability: f64) -> bool {
        probability > 0.0 && self.unit() < probability
    }

    /// Normal with mean 0 and deviation 1 (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * libm::log(1.0 - self.unit())).sqrt();
        let angle = 2.0 * std::f64::consts::PI * self.unit();
        self.spare = Some(radius * libm::sin(angle));
        radius * libm::cos(angle)
    }
}

/// A value that wanders around 0 with a given deviation and correlation time (Ornstein and Uhlenbeck).
#[derive(Clone, Debug, PartialEq)]
pub struct Wander {
    seed: Seed,
    deviation: f64,
    correlation_s: f64,
    value: f64,
}

impl Wander {
    /// Starts somewhere in its range. A deviation of 0 stays at 0.
    pub fn new(mut seed: Seed, deviation: f64, correlation_s: f64) -> Self {
        let value = deviation * seed.normal();
        Self { seed, deviation, correlation_s: correlation_s.max(1e-3), value }
    }

    /// Goes on by a step and gives the value there.
    pub fn step(&mut self, step_s: f64) -> f64 {
        if self.deviation > 0.0 {
            let keep = libm::exp(-step_s / self.correlation_s);
            self.value = keep * self.value + self.deviation * (1.0 - keep * keep).sqrt() * self.seed.normal();
        }
        self.value
    }

    /// The value without going on.
    pub const fn value(&self) -> f64 {
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The demonstration program of the generator's authors prints these for start 42, stream 54 (from memory).
    #[test]
    fn the_stream_is_the_published_one() {
        let mut seed = Seed::new(42, 54);
        let got: Vec<u32> = (0..6).map(|_| seed.bits()).collect();
        assert_eq!(got, [0xa15c_02b7, 0x7b47_f409, 0xba1d_3330, 0x83d2_f293, 0xbfa4_784b, 0xcbed_606e]);
    }

    #[test]
    fn names_give_streams_of_their_own() {
        assert_eq!(Seed::named(7, "base L1").bits(), Seed::named(7, "base L1").bits());
        assert_ne!(Seed::named(7, "base L1").bits(), Seed::named(7, "base L2").bits());
        assert_ne!(Seed::named(7, "base L1").bits(), Seed::named(8, "base L1").bits());
    }

    /// Moments of the standard normal distribution: mean 0, variance 1, 2.275 % above 2 (facts 7.2).
    #[test]
    fn normal_numbers_have_the_moments_of_the_normal_distribution() {
        let mut seed = Seed::new(1, 1);
        let n = 200_000;
        let values: Vec<f64> = (0..n).map(|_| seed.normal()).collect();
        let mean = values.iter().sum::<f64>() / f64::from(n);
        let variance = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / f64::from(n);
        let above = values.iter().filter(|v| **v > 2.0).count() as f64 / f64::from(n);
        // four standard errors each
        assert!(mean.abs() < 4.0 / f64::from(n).sqrt(), "{mean}");
        assert!((variance - 1.0).abs() < 4.0 * (2.0 / f64::from(n)).sqrt(), "{variance}");
        assert!((above - 0.02275).abs() < 4.0 * (0.02275 / f64::from(n)).sqrt(), "{above}");
    }

    #[test]
    fn a_wander_keeps_its_deviation_whatever_the_step() {
        for step_s in [0.01, 1.0] {
            let mut wander = Wander::new(Seed::new(3, 3), 50.0, 2.0);
            let n = 400_000;
            let sum: f64 = (0..n).map(|_| wander.step(step_s)).map(|v| v * v).sum();
            let deviation = (sum / f64::from(n)).sqrt();
            // 4000 s at least are 1000 independent spans of 4 s: 10 % is four standard errors
            assert!((deviation / 50.0 - 1.0).abs() < 0.1, "{step_s}: {deviation}");
        }
    }
}
