//! Excursions of made-up channels whose true length is known.

use proptest::prelude::*;

use super::{Excursions, Question, excursions};
use crate::evidence::made::channel;

fn asked(level_w: f64) -> Question<'static> {
    Question {
        from: 0.0,
        to: 60.0,
        averaging_s: 1.0,
        level_w,
        lag_s: 0.0,
        update_s: 0.0,
        bound_s: 2.5,
        bounded: &[],
        most_export_w: 5000.0,
        most_import_w: 10_000.0,
        ceiling: false,
        undershoots: &[],
    }
}

/// Power 200 W, -1000 W from 20 to 24 s, read every half second at the quarters.
fn pulse(expanded_w: f64, question: &Question<'_>) -> Excursions {
    let readings: Vec<(f64, f64)> = (0..123)
        .map(|k| f64::from(k).mul_add(0.5, -0.25))
        .map(|at| (at, if (20.0..24.0).contains(&at) { -1000.0 } else { 200.0 }))
        .collect();
    excursions(&channel(&readings, expanded_w), question)
}

#[test]
fn the_true_length_lies_between_shortest_and_longest() {
    // A second's mean of the true power is above 0 from 20 1/6 s (200 (1-s) = 1000 s) to 24 5/6 s: 4 2/3 s.
    let truth = 4.0 + 2.0 / 3.0;
    for lag_s in [0.0, 0.4, 1.5] {
        let found = pulse(30.0, &Question { lag_s, ..asked(0.0) });
        assert_eq!(found.list.len(), 1);
        let one = found.list[0];
        assert!(one.certain && one.shortest_s <= truth && truth <= one.longest_s, "{one:?}");
        assert!(one.longest_s - one.shortest_s <= 2.0 * lag_s + 1.5 + 1e-9, "{one:?}");
        assert_eq!(one.peak_export_w, 1000.0);
        assert!((found.worst_averaged_w.unwrap() - 1000.0).abs() < 1e-6);
    }
}

#[test]
fn the_peak_is_the_highest_reading_that_the_averaged_export_is_made_of() {
    // One reading of 954 W of export between readings of import; by the time the second's mean has sunk below nothing, the
    // power is back at 38 W of export. What stood above was a mean of the 954 W.
    let readings: Vec<(f64, f64)> = (0..=240)
        .map(|k| 0.25 * f64::from(k))
        .map(|at| {
            let power = match at {
                20.0 => 100.0,
                20.25 => -954.0,
                20.5 => -38.0,
                20.75 => -30.0,
                _ => 900.0,
            };
            (at, power)
        })
        .collect();
    let found = excursions(&channel(&readings, 1.0), &asked(0.0));
    assert_eq!(found.list.len(), 1, "{found:?}");
    let one = found.list[0];
    assert!(one.start > 20.5, "the mean was above only after the reading: {one:?}");
    assert_eq!(one.peak_export_w, 954.0);
    assert!(one.peak_export_w >= found.worst_averaged_w.unwrap());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, failure_persistence: None, ..ProptestConfig::default() })]

    /// A mean of straight lines is never beyond the farthest of their ends.
    #[test]
    fn no_averaged_export_is_higher_than_the_peak_of_its_excursion(
        steps in proptest::collection::vec((0.05_f64..1.2, -2000.0_f64..1500.0), 30..120),
        averaging_s in prop_oneof![Just(0.0), 0.2_f64..6.0],
        level_w in 0.0_f64..600.0,
    ) {
        let mut at = 0.0;
        let readings: Vec<(f64, f64)> = steps
            .into_iter()
            .map(|(step, power)| {
                at += step;
                (at, power)
            })
            .collect();
        let question = Question { to: at, averaging_s, ..asked(level_w) };
        let found = excursions(&channel(&readings, 5.0), &question);
        let worst = found.worst_averaged_w.unwrap_or(0.0);
        let peak = found.list.iter().fold(0.0_f64, |peak, one| peak.max(one.peak_export_w));
        prop_assert!(worst <= level_w || peak >= worst - 1e-6, "{} {} {:?}", worst, peak, found.list);
    }
}

#[test]
fn within_its_uncertainty_an_excursion_is_possible_and_not_certain() {
    let found = pulse(1200.0, &asked(0.0));
    assert!(found.list.iter().all(|one| !one.certain && one.shortest_s == 0.0));
    assert_eq!(found.list.len(), 1);
    assert!(
        found.longest_s() >= 59.0,
        "200 W of import less 1200 W of uncertainty is possible export all along"
    );
    assert_eq!(found.surely_s(), None);
}

#[test]
fn a_gap_is_a_possible_excursion_unless_a_counter_bounds_it() {
    let readings: Vec<(f64, f64)> =
        (0..=60).filter(|k| !(31..37).contains(k)).map(|k| (f64::from(k), 500.0)).collect();
    let one = channel(&readings, 20.0);
    let found = excursions(&one, &asked(0.0));
    assert_eq!(found.list.len(), 1);
    assert!(found.list[0].gap_only && !found.list[0].certain && found.list[0].longest_s >= 7.0);
    let bounded = [(30.0, 0.0)];
    let found = excursions(&one, &Question { bounded: &bounded, ..asked(0.0) });
    assert!(found.list.is_empty(), "{found:?}");
}

/// Every half second 500 W of export, none read between 30 and 34 s, and 3600 W in these spans.
fn around_a_gap(high: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let spans = |at: f64| high.iter().any(|(from, to)| (*from..*to).contains(&at));
    (0..=120)
        .map(|k| 0.5 * f64::from(k))
        .filter(|at| *at <= 30.0 || *at >= 34.0)
        .map(|at| (at, if spans(at) { -3600.0 } else { -500.0 }))
        .collect()
}

#[test]
fn export_beside_a_gap_may_have_begun_or_gone_on_in_what_a_counter_allows() {
    // 3 Wh in the gap are 3600 W for 3 s of it, which with 3 s read beside it make 6 s. A second's mean stands above 3000 W
    // from 25/31 s after the start to 6/31 s after the end: 5.387 s, worked by hand.
    let truth = 6.0 - 25.0 / 31.0 + 6.0 / 31.0;
    let bounded = [(30.0, 3.0)];
    for high in [(34.0, 37.0), (27.0, 30.5)] {
        let one = channel(&around_a_gap(&[high]), 0.0);
        let found = excursions(&one, &Question { bounded: &bounded, ..asked(3000.0) });
        assert!(found.longest_s() >= truth, "{high:?}: {:?}", found.list);
    }
    // Far from the gap nothing grows.
    let one = channel(&around_a_gap(&[(40.0, 42.0)]), 0.0);
    let found = excursions(&one, &Question { bounded: &bounded, ..asked(3000.0) });
    assert!(found.longest_s() < 3.6, "{:?}", found.list);
}

#[test]
fn what_a_counter_allows_in_a_gap_is_never_certain() {
    // 4.1 Wh at most in 4 s are 3675 W on average; perhaps nothing flowed, and 3 s on either side are all that is sure.
    let one = channel(&around_a_gap(&[(27.0, 30.5), (34.0, 37.0)]), 0.0);
    let found = excursions(&one, &Question { bounded: &[(30.0, 4.083)], ..asked(3000.0) });
    assert!(found.surely_s().unwrap_or(0.0) <= 3.0, "{:?}", found.list);
    // All ten seconds may be one excursion: 10 s - 25/31 s + 6/31 s.
    assert!(found.longest_s() >= 9.387, "{:?}", found.list);
}

#[test]
fn a_ceiling_takes_what_a_counter_allows_in_a_gap_all_at_once() {
    // 2970 W all along; 7.5 Wh in a gap of 10 s, all of it in the first 5 s: the minute that ends there holds
    // 55 s of 2970 W and 27 kWs, 3172.5 W on average, though the gap's own mean is below 3000 W.
    let readings: Vec<(f64, f64)> =
        (0..=200).filter(|k| !(101..110).contains(k)).map(|k| (f64::from(k), -2970.0)).collect();
    let question = Question {
        to: 200.0,
        averaging_s: 60.0,
        most_export_w: 5500.0,
        bounded: &[(100.0, 7.5)],
        ceiling: true,
        ..asked(3000.0)
    };
    let found = excursions(&channel(&readings, 0.0), &question);
    let worst = found.worst_possible_w.unwrap();
    assert!((3172.5..3400.0).contains(&worst), "{worst}");
}

#[test]
fn a_gap_weighs_in_a_long_mean_only_by_its_length() {
    // 4000 W of export all along, 6 s unknown at up to 5000 W: a minute's mean is at most 4000 + 7/60 * 1000 W.
    let readings: Vec<(f64, f64)> =
        (0..=200).filter(|k| !(31..37).contains(k)).map(|k| (f64::from(k), -4000.0)).collect();
    let one = channel(&readings, 0.0);
    let question = Question { to: 200.0, averaging_s: 60.0, ..asked(4120.0) };
    assert!(excursions(&one, &question).list.is_empty());
    let question = Question { level_w: 4110.0, ..question };
    assert_eq!(excursions(&one, &question).list.len(), 1);
}

#[test]
fn lengths_run_between_the_readings_that_show_them() {
    let readings: Vec<(f64, f64)> =
        (0..=60).map(|k| (f64::from(k), if k == 30 || k == 31 { -50.0 } else { 100.0 })).collect();
    let question = Question { averaging_s: 0.0, ..asked(0.0) };
    let found = excursions(&channel(&readings, 1.0), &question);
    assert_eq!(found.list.len(), 1);
    // Above at 30 and 31 s, below at 29 and 32 s.
    assert!((found.list[0].longest_s - 3.0).abs() < 1e-12);
    assert!((found.list[0].shortest_s - 1.0).abs() < 1e-12);
}

#[test]
fn a_power_that_swings_between_readings_is_not_above_all_the_while() {
    // 300 W of export that scatters by 200 W: a meter that averages over three seconds may hide swings to import.
    let readings: Vec<(f64, f64)> =
        (0..=60).map(|k| (f64::from(k), -300.0 + if k % 2 == 0 { 200.0 } else { -200.0 })).collect();
    let steady: Vec<(f64, f64)> = (0..=60).map(|k| (f64::from(k), -300.0 + f64::from(k % 2))).collect();
    let question = Question { lag_s: 3.0, ..asked(0.0) };
    let restless = excursions(&channel(&readings, 10.0), &question);
    assert_eq!(restless.surely_s(), None);
    assert!(excursions(&channel(&steady, 10.0), &question).surely_s().unwrap() > 50.0);
}

#[test]
fn a_ceiling_takes_what_lies_between_readings_at_its_worst() {
    // 300 W of import falls to -700 W between two readings a second apart: -1700 W may have stood between them.
    let readings: Vec<(f64, f64)> = (0..=60)
        .map(|k| (f64::from(k), if k < 30 { 300.0 } else { -700.0 + 1000.0 * f64::from((k - 30).min(1)) }))
        .collect();
    let one = channel(&readings, 0.0);
    let plain = excursions(&one, &asked(0.0));
    let ceiling = excursions(&one, &Question { ceiling: true, ..asked(0.0) });
    assert!(plain.worst_possible_w.unwrap() < 700.0);
    assert!(ceiling.worst_possible_w.unwrap() > 1200.0, "{ceiling:?}");
    // A minute's mean hardly feels it.
    let long = Question { ceiling: true, averaging_s: 30.0, ..asked(0.0) };
    let difference = excursions(&one, &long).worst_possible_w.unwrap_or(0.0);
    assert!(difference < 30.0, "{difference}");
}

#[test]
fn certain_excursions_end_at_a_gap() {
    let readings: Vec<(f64, f64)> =
        (0..=60).filter(|k| !(21..38).contains(k)).map(|k| (f64::from(k), -300.0)).collect();
    let found = excursions(&channel(&readings, 10.0), &asked(0.0));
    assert_eq!(found.list.len(), 1);
    let one = found.list[0];
    assert!(one.certain && one.shortest_s < 23.0 && one.shortest_s > 17.0, "{one:?}");
}
