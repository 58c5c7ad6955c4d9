//! Against the GUM's example H.1, NIST's reference data sets, printed tables of t and a public Welch example.

use super::*;

fn near(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "found {found}, expected {expected} within {within}");
}

/// NIST StRD, univariate set Michelso.
const MICHELSO: [f64; 100] = [
    299.85, 299.74, 299.90, 300.07, 299.93, 299.85, 299.95, 299.98, 299.98, 299.88, 300.00, 299.98, 299.93,
    299.65, 299.76, 299.81, 300.00, 300.00, 299.96, 299.96, 299.96, 299.94, 299.96, 299.94, 299.88, 299.80,
    299.85, 299.88, 299.90, 299.84, 299.83, 299.79, 299.81, 299.88, 299.88, 299.83, 299.80, 299.79, 299.76,
    299.80, 299.88, 299.88, 299.88, 299.86, 299.72, 299.72, 299.62, 299.86, 299.97, 299.95, 299.88, 299.91,
    299.85, 299.87, 299.84, 299.84, 299.85, 299.84, 299.84, 299.84, 299.89, 299.81, 299.81, 299.82, 299.80,
    299.77, 299.76, 299.74, 299.75, 299.76, 299.91, 299.92, 299.89, 299.86, 299.88, 299.72, 299.84, 299.85,
    299.85, 299.78, 299.89, 299.84, 299.78, 299.81, 299.76, 299.81, 299.79, 299.81, 299.82, 299.85, 299.87,
    299.87, 299.81, 299.74, 299.81, 299.94, 299.95, 299.80, 299.81, 299.87,
];

/// NIST StRD, univariate set Mavro.
const MAVRO: [f64; 50] = [
    2.00180, 2.00170, 2.00180, 2.00190, 2.00180, 2.00170, 2.00150, 2.00140, 2.00150, 2.00150, 2.00170,
    2.00180, 2.00180, 2.00190, 2.00190, 2.00210, 2.00200, 2.00160, 2.00140, 2.00130, 2.00130, 2.00150,
    2.00150, 2.00160, 2.00150, 2.00140, 2.00130, 2.00140, 2.00150, 2.00140, 2.00150, 2.00160, 2.00150,
    2.00160, 2.00190, 2.00200, 2.00200, 2.00210, 2.00220, 2.00230, 2.00240, 2.00250, 2.00270, 2.00260,
    2.00260, 2.00260, 2.00270, 2.00260, 2.00250, 2.00240,
];

#[test]
fn the_mean_of_autocorrelated_values_is_as_uncertain_as_nist_data_say() {
    near(mean(&MICHELSO), 299.852_400_000_000, 1e-11);
    near(variance(&MICHELSO).sqrt(), 0.079_010_547_819_051_8, 1e-13);
    near(lag_1(&MICHELSO), 0.535_199_668_621_283, 1e-12);
    // Computed from the certified values by n (1 − ρ) / (1 + ρ).
    let count = effective_count(MICHELSO.len(), lag_1(&MICHELSO));
    near(count, 30.2762, 1e-4);
    near((variance(&MICHELSO) / count).sqrt(), 0.014_359_3, 1e-7);

    near(mean(&MAVRO), 2.001_856_000_000_00, 1e-13);
    near(variance(&MAVRO).sqrt(), 0.000_429_123_454_003_053, 1e-15);
    near(lag_1(&MAVRO), 0.937_989_183_438_248, 1e-11);
    near(effective_count(MAVRO.len(), lag_1(&MAVRO)), 1.60, 5e-3);
}

#[test]
fn numerical_stress_sets_of_nist_keep_their_digits() {
    // NIST StRD, NumAcc1 and NumAcc4.
    let first = [10_000_001.0, 10_000_003.0, 10_000_002.0];
    near(mean(&first), 10_000_002.0, 0.0);
    near(variance(&first).sqrt(), 1.0, 1e-12);
    near(lag_1(&first), -0.5, 1e-12);
    let mut fourth = vec![10_000_000.2];
    for _ in 0..500 {
        fourth.extend([10_000_000.1, 10_000_000.3]);
    }
    near(mean(&fourth), 10_000_000.2, 2e-9);
    near(variance(&fourth).sqrt(), 0.1, 1e-8);
    near(lag_1(&fourth), -0.999, 1e-6);
    near(effective_count(fourth.len(), -0.999), 1001.0, 0.0);
}

#[test]
fn effective_counts_follow_the_formula_for_long_logs() {
    // n (1 − ρ) / (1 + ρ), computed by hand.
    near(effective_count(600, 0.5), 200.0, 1e-9);
    near(effective_count(600, 0.9), 31.578_947, 1e-6);
    near(effective_count(3600, 0.99), 18.090_452, 1e-6);
    near(effective_count(0, 0.3), 0.0, 0.0);
    near(effective_count(1, 0.99), 1.0, 0.0);
}

#[test]
fn the_gum_example_of_the_end_gauge_comes_out() {
    // JCGM 100, H.1, in nm: (standard uncertainty, degrees of freedom).
    let parts = [
        (25.0, 18.0),
        (5.8, 24.0),
        (3.9, 5.0),
        (6.7, 8.0),
        (rectangular(0.05) * 575.0, 2.0),
        (rectangular(1e-6) * 50e6 * 0.1, 50.0),
    ];
    near(parts[4].0, 16.599, 1e-3);
    near(parts[5].0, 2.886_79, 1e-3);
    let u = combine(&parts.map(|(u, _)| u));
    near(u, 31.664, 1e-3);
    let freedom = effective_freedom(&parts);
    near(freedom, 16.75, 5e-3);
    near(student_quantile(0.995, 16.0), 2.921, 5e-4);
    near(u * student_quantile(0.995, 16.0), 92.5, 5e-2);
}

#[test]
fn a_power_reading_has_the_budget_computed_by_hand() {
    // 4800 W, ±1 % meter and ±0.5 % CT rectangular, 1 W steps: 27.713, 13.856, 0.289 W; u = 30.985 W.
    let parts = [rectangular(48.0), rectangular(24.0), resolution(1.0)];
    near(combine(&parts), 30.985, 1e-3);
    near(expanded(combine(&parts)), 61.97, 1e-2);
}

#[test]
fn coverage_factors_are_those_of_table_g_2() {
    for (freedom, factor) in
        [(1.0, 13.97), (5.0, 2.65), (10.0, 2.28), (16.0, 2.17), (20.0, 2.13), (50.0, 2.05)]
    {
        near(coverage_factor(freedom), factor, 5e-3);
    }
    near(coverage_factor(CERTAIN), 2.0, 1e-9);
    // Common tables of t for 95 %.
    for (freedom, t) in
        [(1.0, 12.706), (2.0, 4.303), (4.0, 2.776), (9.0, 2.262), (29.0, 2.045), (60.0, 2.000)]
    {
        near(student_quantile(0.975, freedom), t, 5e-4);
        near(student_quantile(0.025, freedom), -t, 5e-4);
    }
}

#[test]
fn the_public_welch_example_comes_out() {
    // "Welch's t-test" as printed in public encyclopedias: t = −2.455356, df = 24.988529, two-sided p = 0.021378.
    let a = [27.5, 21.0, 19.0, 23.6, 17.0, 17.9, 16.9, 20.1, 21.9, 22.6, 23.1, 19.6, 19.0, 21.7, 21.4];
    let b = [27.1, 22.0, 20.8, 23.4, 23.4, 23.5, 25.8, 22.0, 24.8, 20.2, 21.9, 22.1, 22.9, 20.5, 24.4];
    let parts = [a, b].map(|set| ((variance(&set) / 15.0).sqrt(), 14.0));
    let t = (mean(&a) - mean(&b)) / combine(&parts.map(|(u, _)| u));
    let freedom = effective_freedom(&parts);
    near(t, -2.455_356_398_286, 1e-11);
    near(freedom, 24.988_529_290_231, 1e-9);
    near(2.0 * student_cdf(t, freedom), 0.021_378_001_463, 1e-11);
    let reach = student_quantile(0.975, freedom) * combine(&parts.map(|(u, _)| u));
    near(mean(&a) - mean(&b) - reach, -3.984_096, 1e-6);
    near(mean(&a) - mean(&b) + reach, -0.349_237, 1e-6);
}

#[test]
fn normal_tails_are_the_exact_ones() {
    near(1.0 - normal_cdf(2.0), 0.022_750_13, 1e-8);
    near(1.0 - normal_cdf(1.959_963_985), 0.025, 1e-10);
    near(normal_cdf(0.0), 0.5, 0.0);
    near(libm::exp(ln_student_density(0.0, 1.0)), std::f64::consts::FRAC_1_PI, 1e-12);
    near(libm::exp(ln_student_density(0.0, CERTAIN)), 0.398_942_280_4, 1e-10);
}

#[test]
fn robust_figures_ignore_a_wild_value() {
    near(median(&[3.0, 1.0, 2.0]), 2.0, 0.0);
    near(median(&[4.0, 1.0, 2.0, 3.0]), 2.5, 0.0);
    near(median(&[]), 0.0, 0.0);
    near(robust_deviation(&[1.0, 2.0, 3.0, 4.0, 1000.0]), 1.482_602, 1e-6);
}

proptest::proptest! {
    #[test]
    fn quantile_and_distribution_undo_each_other(p in 0.001_f64..0.999, freedom in 1.0_f64..200.0) {
        let back = student_cdf(student_quantile(p, freedom), freedom);
        proptest::prop_assert!((back - p).abs() < 1e-10, "{p} came back as {back}");
    }
}
