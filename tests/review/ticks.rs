//! Where a ten-minute tick falls is chance: the same log some minutes later says the same.

use crate::world::{Planted, reviewed_later};

fn near(one: f64, other: f64) -> bool {
    (one - other).abs() <= 1e-6 * one.abs().max(other.abs()).max(1.0)
}

#[test]
fn spans_and_trains_do_not_know_where_a_tick_falls() {
    for (seed, planted) in [
        (41, Planted::Hunting),
        (42, Planted::MeterSilent),
        (43, Planted::OutsideCt),
        (44, Planted::StorageFull),
        (45, Planted::Steadily),
    ] {
        let base = reviewed_later(seed, planted, 0);
        assert!(base.body.over_limit.count > 0, "{planted:?}: nothing above the limit");
        for later_s in [217, 433] {
            let other = reviewed_later(seed, planted, later_s);
            let (one, two) = (&base.body.over_limit, &other.body.over_limit);
            assert_eq!((one.count, one.breaking), (two.count, two.breaking), "{planted:?} {later_s}");
            for (one, two) in [
                (one.time_s, two.time_s),
                (one.energy_Wh, two.energy_Wh),
                (one.breaking_energy_Wh, two.breaking_energy_Wh),
                (one.worst_averaged_export_W, two.worst_averaged_export_W),
            ] {
                assert!(near(one, two), "{planted:?} {later_s}: {one} {two}");
            }
            let spans = one.spans.iter().zip(&two.spans);
            assert!(spans.into_iter().all(|(one, two)| near(one.duration_s, two.duration_s)), "{planted:?}");
            let (one, two) = (&base.body.hunting, &other.body.hunting);
            assert_eq!(one.times.len(), two.times.len(), "{planted:?} {later_s}");
            for (one, two) in one.times.iter().zip(&two.times) {
                assert!(near(one.period_s, two.period_s) && near(one.amplitude_W, two.amplitude_W));
                assert_eq!(one.periods, two.periods);
                assert!((two.start.seconds_since(one.start) - later_s as f64).abs() < 1e-6);
            }
            for (one, two) in base.body.causes.iter().zip(&other.body.causes) {
                assert_eq!(one.cause, two.cause, "{planted:?} {later_s}");
                // What the voltage and the nights say is counted in ten minutes by its nature.
                let by_ticks = matches!(one.cause, "voltage-rise" | "nothing-found");
                assert!(by_ticks || near(one.support, two.support), "{planted:?}: {one:?} {two:?}");
            }
        }
    }
}
