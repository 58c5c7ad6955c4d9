//! Meters of known update and averaging times, seen only through their readings.

use super::Timing;
use crate::evidence::edge::{Edge, edges_between};
use crate::evidence::made::channel;
use crate::evidence::power::Channel;

/// Numbers that scatter, the same on every machine.
fn scatter(index: u32) -> f64 {
    f64::from(index.wrapping_mul(2_654_435_761) >> 16) / 65_536.0 - 0.5
}

/// A load of 2 kW on from 30 to 60 s and from 90 to 120 s, seen by a meter that averages over `averaging` s, renews every
/// `update` s and is read every `spacing` s, with a watt of scatter. `answered`: a control takes the step back within a second.
fn meter(update: f64, averaging: f64, spacing: f64, answered: bool) -> Channel {
    let power = |t: f64| {
        let switched = [120.0, 90.0, 60.0, 30.0].into_iter().find(|at| *at <= t);
        let on = matches!(switched, Some(30.0 | 90.0));
        let left = if answered { (1.0 - (t - switched.unwrap_or(-100.0))).clamp(0.0, 1.0) } else { 1.0 };
        match (switched, on) {
            (None, _) => 150.0,
            (_, true) => 150.0 + 2000.0 * left,
            (_, false) if answered => 150.0 - 2000.0 * left,
            (_, false) => 150.0,
        }
    };
    let mean = |t: f64| {
        let width = averaging.max(1e-6);
        (0..200).map(|k| power(t - width * (f64::from(k) + 0.5) / 200.0)).sum::<f64>() / 200.0
    };
    let readings: Vec<(f64, f64)> = (0..(150.0 / spacing) as u32)
        .map(|k| {
            let t = f64::from(k) * spacing + 0.013;
            let renewed = (t / update).floor();
            (t, (mean(renewed * update) + 4.0 * scatter(renewed as u32)).round())
        })
        .collect();
    let mut meter = channel(&readings, 10.0);
    (meter.update_s, meter.averaging_s) = (0.1, 0.0);
    meter
}

fn timing(meter: &Channel) -> Timing {
    let marks = [30.0, 60.0, 90.0, 120.0];
    let edges: Vec<(Edge, f64)> = marks
        .iter()
        .filter_map(|mark| {
            edges_between(meter, (mark - 4.0, mark + 11.0), Some(2000.0), 2.0, 1.0).first().copied()
        })
        .map(|edge| (edge, 1800.0))
        .collect();
    Timing::of(meter, &edges)
}

#[test]
fn an_update_slower_than_the_readings_is_found_and_the_longer_counts() {
    for (update, spacing) in [(1.0, 0.25), (2.0, 0.5), (3.0, 0.5), (1.0, 0.4)] {
        let found = timing(&meter(update, 0.0, spacing, false));
        let measured = found.update_measured_s.unwrap_or(0.0);
        assert!((measured - update).abs() < 0.15 * update, "{update} read every {spacing}: {found:?}");
        assert_eq!(found.update_s, measured);
    }
    let fast = timing(&meter(0.1, 0.0, 0.5, false));
    assert_eq!((fast.update_measured_s, fast.update_s), (None, 0.1));
}

#[test]
fn an_update_time_nobody_stated_is_no_longer_than_new_values_come() {
    let mut guessed = meter(0.1, 0.0, 0.5, false);
    (guessed.update_s, guessed.update_stated) = (1.0, false);
    // Of scatter over five whole watts a few renewals repeat the number; a float never does.
    for (index, value) in guessed.active_w.iter_mut().enumerate() {
        *value += 1e-3 * index as f64;
    }
    assert!((timing(&guessed).update_s - 0.5).abs() < 1e-6);
    guessed.update_stated = true;
    assert_eq!(timing(&guessed).update_s, 1.0);
}

#[test]
fn a_quiet_meter_with_a_coarse_step_shows_no_update_time() {
    // Renewed at every reading, but in steps of 100 W: repeats come at no steady distance.
    let mut level = 5.0;
    let readings: Vec<(f64, f64)> = (0..600_u32)
        .map(|k| {
            if scatter(k) > 0.25 {
                level += if scatter(k + 7000) > 0.0 { 1.0 } else { -1.0 };
            }
            (f64::from(k), 100.0 * level)
        })
        .collect();
    let mut meter = channel(&readings, 10.0);
    meter.update_s = 0.2;
    assert_eq!(timing(&meter).update_measured_s, None);
}

#[test]
fn averaging_shows_in_the_shape_of_steps() {
    for averaging in [4.0, 8.0] {
        let found = timing(&meter(0.2, averaging, 0.5, false));
        let measured = found.averaging_measured_s.unwrap_or(0.0);
        assert!(measured > 0.5 * averaging && measured < 1.2 * averaging, "{averaging}: {found:?}");
    }
    // A control that acts within a second leaves only a low, long bump: its width tells.
    for averaging in [3.0, 4.0] {
        let found = timing(&meter(0.2, averaging, 0.5, true));
        let measured = found.averaging_measured_s.unwrap_or(0.0);
        assert!(measured > 0.5 * averaging, "{averaging} answered: {found:?}");
    }
    for answered in [false, true] {
        let sharp = timing(&meter(0.2, 0.0, 0.5, answered));
        assert_eq!(sharp.averaging_measured_s, None, "{answered}");
    }
}
