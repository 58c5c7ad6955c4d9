//! Against scipy on committed data: `reference/steps.py` made `reference/steps.json`.

use serde_json::Value;
use wattward::base::uncertain::{
    combine, effective_count, effective_freedom, lag_1, mean, student_cdf, student_quantile, variance,
};
use wattward::evidence::step::Delta;
use wattward::evidence::step::consensus::{Edge, Event};
use wattward::evidence::step::estimate::step;

fn reference() -> Value {
    serde_json::from_str(include_str!("reference/steps.json")).expect("committed JSON")
}

fn list(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|one| one.as_f64().expect("a number")).collect()
}

fn near(found: f64, expected: &Value, within: f64) {
    let expected = expected.as_f64().expect("a number");
    assert!((found - expected).abs() <= within, "found {found}, expected {expected} within {within}");
}

#[test]
fn steps_from_pairs_are_what_a_paired_test_makes_of_them() {
    let paired = &reference()["paired"];
    let edge = |value: f64, on: bool, index: usize| {
        let (before, after) = if on { (0.0, value) } else { (value, 0.0) };
        let time = 10.0 * index as f64;
        let delta = Delta { value: after - before, standard: 12.0, before, after };
        let event =
            Event { from_s: time, to_s: time + 1.0, deltas: vec![Some(delta)], overshoots: vec![0.0] };
        Edge { mark: Some(index), on, event }
    };
    let (on, off) = (list(&paired["on"]), list(&paired["off"]));
    let edges: Vec<Edge> = (0..2 * on.len())
        .map(|index| edge(if index % 2 == 0 { on[index / 2] } else { off[index / 2] }, index % 2 == 0, index))
        .collect();
    let found = step(&edges, 0, 1500.0).expect("a step");
    assert_eq!((found.pairs, found.against), (40, 0));
    near(found.value, &paired["mean"], 1e-3);
    // Three degrees of freedom of the scatter within the levels steady ours; with 40 pairs that is a few percent.
    let standard = paired["standard_error"].as_f64().expect("a number");
    assert!((found.standard / standard - 1.0).abs() < 0.06, "{} against {standard}", found.standard);
    let reach = student_quantile(0.975, found.freedom) * found.standard;
    near(found.value - reach, &paired["low"], 0.06 * reach);
    near(found.value + reach, &paired["high"], 0.06 * reach);
}

#[test]
fn two_levels_compare_as_welch_has_it() {
    let welch = &reference()["welch"];
    let (before, after) = (list(&welch["before"]), list(&welch["after"]));
    let parts = [&before, &after]
        .map(|values| ((variance(values) / values.len() as f64).sqrt(), values.len() as f64 - 1.0));
    let standard = combine(&parts.map(|part| part.0));
    let freedom = effective_freedom(&parts);
    let difference = mean(&after) - mean(&before);
    near(difference / standard, &welch["statistic"], 1e-2);
    near(freedom, &welch["freedom"], 1e-3);
    near(difference - student_quantile(0.975, freedom) * standard, &welch["low"], 1e-3);
    near(difference + student_quantile(0.975, freedom) * standard, &welch["high"], 1e-3);
}

#[test]
fn an_autocorrelated_mean_is_worth_fewer_values() {
    let drift = &reference()["drift"];
    let values = list(&drift["values"]);
    let rho = lag_1(&values);
    near(rho, &drift["lag_1"], 1e-6);
    let count = effective_count(values.len(), rho);
    near(count, &drift["effective_count"], 1e-3);
    near((variance(&values) / count).sqrt(), &drift["standard_error"], 1e-5);
}

#[test]
fn student_s_t_is_that_of_scipy() {
    for row in reference()["t"].as_array().expect("a list") {
        let (p, freedom) = (row["p"].as_f64().expect("p"), row["freedom"].as_f64().expect("freedom"));
        near(
            student_quantile(p, freedom),
            &row["quantile"],
            1e-9 * row["quantile"].as_f64().expect("quantile").abs().max(1.0),
        );
        near(student_cdf(1.3, freedom), &row["cdf_at_1_3"], 1e-12);
    }
}
