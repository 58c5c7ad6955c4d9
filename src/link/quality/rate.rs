//! A share found by counting, with the bounds that counting gives it.

/// So many of so many.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rate {
    /// How many were so.
    pub count: u64,
    /// Of how many.
    pub of: u64,
}

impl Rate {
    /// `count` is at most `of`.
    pub fn new(count: u64, of: u64) -> Self {
        Self { count: count.min(of), of }
    }

    /// The share seen, 0 to 1; 0 of nothing.
    pub fn share(self) -> f64 {
        if self.of == 0 { 0.0 } else { self.count as f64 / self.of as f64 }
    }

    /// The true share lies below this with 95 % confidence (one-sided exact bound of the binomial distribution, Clopper and
    /// Pearson 1934), also when nothing was counted: 1 − 0.05^(1/n), near 3/n. 1 where nothing was tried.
    pub fn upper_95(self) -> f64 {
        if self.count == self.of {
            return 1.0;
        }
        bisect(|share| at_most(self.count, self.of, share) > 0.05)
    }

    /// The true share lies above this with 95 % confidence.
    pub fn lower_95(self) -> f64 {
        if self.count == 0 {
            return 0.0;
        }
        bisect(|share| 1.0 - at_most(self.count - 1, self.of, share) < 0.05)
    }
}

/// Where a test that holds at 0 and not at 1 ends to hold.
fn bisect(holds: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if holds(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

/// Chance of at most `count` successes in `of` trials with this chance each: the terms of the binomial distribution, by
/// their logarithms.
fn at_most(count: u64, of: u64, share: f64) -> f64 {
    if share <= 0.0 {
        return 1.0;
    }
    if share >= 1.0 {
        return if count >= of { 1.0 } else { 0.0 };
    }
    let (yes, no) = (libm::log(share), libm::log1p(-share));
    let mut term = of as f64 * no;
    let mut sum = libm::exp(term);
    for index in 1..=count {
        term += libm::log((of - index + 1) as f64) - libm::log(index as f64) + yes - no;
        sum += libm::exp(term);
    }
    sum.min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_are_those_of_the_beta_distribution() {
        // scipy 1.x: beta.ppf(0.05, k, n - k + 1) and beta.ppf(0.95, k + 1, n - k).
        for (count, of, lower, upper) in [
            (0, 100, 0.0, 0.029_513_049_607_039_925),
            (0, 1000, 0.0, 0.002_991_249_545_095_295),
            (1, 20, 0.002_561_378_776_530_28, 0.216_106_164_206_847_3),
            (3, 100, 0.008_225_829_107_652_688, 0.075_710_793_749_830_04),
            (50, 1000, 0.039_163_535_925_589_354, 0.062_863_403_512_373_8),
            (1200, 20000, 0.057_260_253_266_505_315, 0.062_834_845_542_443_3),
            (10, 10, 0.741_134_449_106_947_7, 1.0),
        ] {
            let rate = Rate::new(count, of);
            assert!((rate.lower_95() - lower).abs() < 1e-9, "{count} of {of}: {}", rate.lower_95());
            assert!((rate.upper_95() - upper).abs() < 1e-9, "{count} of {of}: {}", rate.upper_95());
        }
    }

    #[test]
    fn nothing_tried_proves_nothing() {
        assert_eq!((Rate::new(0, 0).share(), Rate::new(0, 0).upper_95()), (0.0, 1.0));
    }
}
