//! The guarded decision against worked figures.

use crate::base::uncertain::normal_cdf;
use crate::evidence::excursion::{Question, excursions};
use crate::evidence::made::channel;

/// Limit 5000 W, u = 60 W, U = 120 W (computed from JCGM 106 and ISO 14253-1): for a steady mean `y` whether
/// conformity is proven, and the probability that the true value lies above.
const TABLE: [(f64, Decision, f64); 5] = [
    (4850.0, Decision::Proven, 0.0062),
    (4890.0, Decision::Undecided, 0.0334),
    (4950.0, Decision::Undecided, 0.2023),
    (5010.0, Decision::Undecided, 0.5662),
    (5130.0, Decision::Disproven, 0.9849),
];

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Decision {
    Proven,
    Undecided,
    Disproven,
}

fn decide(export_w: f64, limit_w: f64, expanded_w: f64) -> Decision {
    let readings: Vec<(f64, f64)> = (0..=120).map(|k| (f64::from(k), -export_w)).collect();
    let channel = channel(&readings, expanded_w);
    let found = excursions(
        &channel,
        &Question {
            from: 0.0,
            to: 120.0,
            averaging_s: 1.0,
            level_w: limit_w,
            lag_s: 0.0,
            update_s: 0.0,
            bound_s: 2.5,
            bounded: &[],
            most_export_w: 10_000.0,
            most_import_w: 10_000.0,
            ceiling: false,
            undershoots: &[],
        },
    );
    match (found.list.is_empty(), found.surely_s()) {
        (true, _) => Decision::Proven,
        (false, Some(surely)) if surely > 100.0 => Decision::Disproven,
        _ => Decision::Undecided,
    }
}

#[test]
fn decisions_follow_the_worked_table() {
    for (export_w, expected, above) in TABLE {
        assert_eq!(decide(export_w, 5000.0, 120.0), expected, "{export_w}");
        // P(true > 5000) = 1 - Φ((5000 - y)/u), JCGM 106, 7.
        assert!((1.0 - normal_cdf((5000.0 - export_w) / 60.0) - above).abs() < 5e-5, "{export_w}");
    }
}

#[test]
fn a_published_example_of_a_permissible_error_decides_alike() {
    // Permissible error 0.003, U = 0.0010: a deviation of 0.0017 conforms (0.0027 <= 0.0030), 0.0025 does not prove
    // conformity (a published worked example of ISO 14253-1, here in kW); beyond 0.0040 the contrary is proven.
    for (deviation_w, expected) in
        [(1700.0, Decision::Proven), (2500.0, Decision::Undecided), (4010.0, Decision::Disproven)]
    {
        assert_eq!(decide(deviation_w, 3000.0, 1000.0), expected, "{deviation_w}");
    }
}

#[test]
fn a_guard_band_of_the_whole_uncertainty_leaves_less_than_two_and_a_half_percent() {
    // ILAC-G8:09/2019: w = U gives a risk of false acceptance below 2.5 %; the exact tail is 1 - Φ(2) = 2.275 %.
    let (limit_w, expanded_w) = (5000.0, 120.0);
    let accepted = limit_w - expanded_w;
    assert_eq!(decide(accepted - 0.01, limit_w, expanded_w), Decision::Proven);
    assert_eq!(decide(accepted + 0.01, limit_w, expanded_w), Decision::Undecided);
    let risk = 1.0 - normal_cdf(2.0 * (limit_w - accepted) / expanded_w);
    assert!((risk - 0.022_75).abs() < 1e-5 && risk < 0.025);
}
