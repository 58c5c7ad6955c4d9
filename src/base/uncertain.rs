//! Values with uncertainty and the rules that combine them (JCGM 100, the GUM): type A from scatter with its
//! autocorrelation, type B from limits, root sum of squares, Student's t, k = 2. Transcendental functions come from
//! `libm`, so that results do not depend on the machine.

/// Coverage factor of every expanded uncertainty in a document; 95.45 % for many degrees of freedom (JCGM 100, 6.2).
pub const COVERAGE: f64 = 2.0;

/// Degrees of freedom that count as known for certain (a limit out of a standard).
pub const CERTAIN: f64 = f64::INFINITY;

/// Standard uncertainty of a value known to lie within ±`half_width`, anywhere in it (JCGM 100, 4.3.7).
pub fn rectangular(half_width: f64) -> f64 {
    half_width.abs() / 3.0_f64.sqrt()
}

/// Standard uncertainty of a value shown in steps of `step` (half a step either way).
pub fn resolution(step: f64) -> f64 {
    rectangular(step / 2.0)
}

/// Root sum of squares of uncorrelated contributions, added in the order given (JCGM 100, 5.1.2).
pub fn combine(parts: &[f64]) -> f64 {
    parts.iter().fold(0.0, |sum, part| sum + part * part).sqrt()
}

/// Expanded uncertainty with k = 2.
pub fn expanded(standard: f64) -> f64 {
    COVERAGE * standard
}

/// Effective degrees of freedom of a combination of (standard uncertainty, degrees of freedom), by Welch and
/// Satterthwaite (JCGM 100, G.4.1). Infinite when no part is uncertain in its own uncertainty.
pub fn effective_freedom(parts: &[(f64, f64)]) -> f64 {
    let total: f64 = parts.iter().fold(0.0, |sum, (u, _)| sum + u * u);
    let below = parts.iter().fold(0.0, |sum, (u, freedom)| sum + u * u * u * u / freedom);
    if below > 0.0 { total * total / below } else { CERTAIN }
}

/// The arithmetic mean; 0 of nothing.
pub fn mean(values: &[f64]) -> f64 {
    let Some(&first) = values.first() else { return 0.0 };
    // Summing differences keeps the digits of values that are large and alike.
    first + values.iter().fold(0.0, |sum, value| sum + (value - first)) / values.len() as f64
}

/// The variance with n − 1; 0 of fewer than two.
pub fn variance(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return 0.0;
    }
    let middle = mean(values);
    let sum = values.iter().fold(0.0, |sum, value| sum + (value - middle) * (value - middle));
    sum / (values.len() - 1) as f64
}

/// Lag-1 autocorrelation, Σ(x_i − m)(x_{i+1} − m) / Σ(x_i − m)², as NIST's reference data sets define it; 0 for a constant.
pub fn lag_1(values: &[f64]) -> f64 {
    let middle = mean(values);
    let below = values.iter().fold(0.0, |sum, value| sum + (value - middle) * (value - middle));
    let above = values.windows(2).fold(0.0, |sum, two| sum + (two[0] - middle) * (two[1] - middle));
    if below > 0.0 { above / below } else { 0.0 }
}

/// How many independent values `count` values with this lag-1 autocorrelation are worth: n (1 − ρ) / (1 + ρ) (first-order
/// autoregression), held between 1 and n: scatter that alternates is not taken as better than none.
pub fn effective_count(count: usize, lag_1: f64) -> f64 {
    let n = count as f64;
    let rho = lag_1.clamp(-0.999_999, 0.999_999);
    (n * (1.0 - rho) / (1.0 + rho)).clamp(n.min(1.0), n)
}

/// The median; 0 of nothing. Not finite values sort last.
pub fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    match sorted.len() {
        0 => 0.0,
        n if n % 2 == 1 => sorted[n / 2],
        n => f64::midpoint(sorted[n / 2 - 1], sorted[n / 2]),
    }
}

/// Standard deviation estimated from the median of the absolute deviations from the median (times 1.4826, the factor for a
/// normal distribution): a few wild values do not move it.
pub fn robust_deviation(values: &[f64]) -> f64 {
    let middle = median(values);
    let sizes: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
    1.482_602_218_505_602 * median(&sizes)
}

/// Distribution function of the standard normal distribution.
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z / std::f64::consts::SQRT_2)
}

/// Logarithm of the density of Student's t with `freedom` degrees of freedom, centre 0 and scale 1.
pub fn ln_student_density(t: f64, freedom: f64) -> f64 {
    if freedom > 1e9 {
        return -0.5 * t * t - 0.918_938_533_204_672_7;
    }
    let half = f64::midpoint(freedom, 1.0);
    libm::lgamma(half)
        - libm::lgamma(freedom / 2.0)
        - 0.5 * libm::log(freedom * std::f64::consts::PI)
        - half * libm::log1p(t * t / freedom)
}

/// Distribution function of Student's t with `freedom` (> 0) degrees of freedom.
pub fn student_cdf(t: f64, freedom: f64) -> f64 {
    if t.is_nan() || freedom <= 0.0 {
        return f64::NAN;
    }
    if freedom > 1e9 || t.is_infinite() {
        return normal_cdf(t);
    }
    let tail = 0.5 * incomplete_beta(freedom / (freedom + t * t), freedom / 2.0, 0.5);
    if t > 0.0 { 1.0 - tail } else { tail }
}

/// The t below which Student's t with `freedom` degrees of freedom lies with probability `p`, 0 < p < 1.
pub fn student_quantile(p: f64, freedom: f64) -> f64 {
    if p.is_nan() || p <= 0.0 || p >= 1.0 || freedom <= 0.0 {
        return f64::NAN;
    }
    if p < 0.5 {
        return -student_quantile(1.0 - p, freedom);
    }
    // Bisection: the tail is monotone, and 200 halvings reach the last digit whatever the start.
    let (mut low, mut high) = (0.0_f64, 1.0_f64);
    while student_cdf(high, freedom) < p && high < 1e300 {
        low = high;
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if middle <= low || middle >= high {
            break;
        }
        if student_cdf(middle, freedom) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

/// The coverage factor that holds 95.45 % at these degrees of freedom (JCGM 100, table G.2).
pub fn coverage_factor(freedom: f64) -> f64 {
    student_quantile(0.977_249_868_051_820_8, freedom)
}

/// The regularised incomplete beta function by its continued fraction (Lentz), for 0 ≤ x ≤ 1.
fn incomplete_beta(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    let front = libm::exp(
        libm::lgamma(a + b) - libm::lgamma(a) - libm::lgamma(b) + a * libm::log(x) + b * libm::log1p(-x),
    );
    if x < (a + 1.0) / (a + b + 2.0) {
        front * beta_fraction(x, a, b) / a
    } else {
        1.0 - front * beta_fraction(1.0 - x, b, a) / b
    }
}

fn beta_fraction(x: f64, a: f64, b: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let keep = |value: f64| if value.abs() < TINY { TINY } else { value };
    let mut above = 1.0;
    let mut below = 1.0 / keep(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = below;
    for step in 1..500 {
        let m = f64::from(step);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        for term in [even, odd] {
            below = 1.0 / keep(1.0 + term * below);
            above = keep(1.0 + term / above);
            fraction *= below * above;
        }
        if (below * above - 1.0).abs() < 1e-15 {
            break;
        }
    }
    fraction
}

#[cfg(test)]
mod tests;
