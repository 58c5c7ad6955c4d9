//! Cuts are where steps were put; levels are the means of what lies between.

use super::*;

fn trace(values: Vec<f64>) -> Trace {
    Trace { times: (0..values.len()).map(|index| index as f64).collect(), values }
}

/// Pseudo-random scatter in ±1: a multiplicative hash of the index.
fn scatter(index: usize) -> f64 {
    let mut hash = (index as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    hash = (hash ^ (hash >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    ((hash >> 40) as f64) / f64::from(1_u32 << 23) - 1.0
}

#[test]
fn a_step_is_cut_where_it_is_and_the_levels_are_the_means() {
    let values =
        (0..40).map(|index| if index < 17 { 100.0 } else { 2100.0 } + 3.0 * scatter(index)).collect();
    let found = Segmented::new(trace(values), 0.0);
    assert_eq!(found.segments.len(), 2);
    assert_eq!(found.segments[0].end, 17);
    assert!((found.segments[1].mean - 2100.0).abs() < 3.0);
    assert_eq!(found.segment_of(16), 0);
    assert_eq!(found.segment_of(17), 1);
}

#[test]
fn one_wild_value_is_a_stretch_of_its_own_and_moves_no_level() {
    let mut values: Vec<f64> = (0..30).map(|index| 500.0 + scatter(index)).collect();
    values[12] = 900.0;
    let found = Segmented::new(trace(values), 0.0);
    assert_eq!(found.segments.len(), 3);
    assert_eq!(found.segments[1].len(), 1);
    assert!((found.segments[0].mean - found.segments[2].mean).abs() < 1.0);
}

#[test]
fn a_level_without_any_scatter_has_one_stretch_and_the_floor_as_its_scatter() {
    let found = Segmented::new(trace(vec![7.0; 20]), 0.29);
    assert_eq!(found.segments.len(), 1);
    assert_eq!(found.noise, 0.29);
    assert_eq!(Segmented::new(trace(Vec::new()), 0.1).segments.len(), 0);
}

#[test]
fn repeated_values_show_the_renewal_not_the_polling() {
    let values: Vec<f64> = (0..200).map(|index| scatter(index / 4)).collect();
    let found = trace(values);
    assert_eq!(found.period_s(), 1.0);
    assert_eq!(found.renewal_s(), 4.0);
    let cut = Segmented::new(found, 0.0);
    assert!(cut.lag_1 > 0.5, "{} {} {:?}", cut.lag_1, cut.noise, cut.segments);
}

proptest::proptest! {
    #[test]
    fn stretches_cover_every_value_once(values in proptest::collection::vec(-1e5_f64..1e5, 0..120)) {
        let count = values.len();
        let found = Segmented::new(trace(values), 0.5);
        let mut next = 0;
        for segment in &found.segments {
            proptest::prop_assert_eq!(segment.first, next);
            proptest::prop_assert!(segment.end > segment.first);
            next = segment.end;
        }
        proptest::prop_assert_eq!(next, count);
    }
}
