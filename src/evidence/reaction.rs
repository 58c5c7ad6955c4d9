//! What followed a step: how far the export went, how fast it came back, how it settled.

use super::edge::{Edge, half_way};
use super::mean::Line;
use super::power::Channel;
use crate::base::uncertain::median;

/// What the site did after a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reaction {
    /// The highest export read after the step, in W.
    pub peak_export_w: f64,
    /// From the step until the export was back at or below the level, in s: 0 if it never rose above, none if it did not
    /// come back.
    pub back_within_s: Option<f64>,
    /// From the step until the power began to come back, in s.
    pub dead_time_s: Option<f64>,
    /// Between which two lengths the dead time lies, as far as the readings tell, in s.
    pub dead_time_between_s: Option<(f64, f64)>,
    /// From the step until the power stayed within 5 % of the step around its end value, in s.
    pub settled_s: Option<f64>,
    /// How far the power went beyond its end value on its way back, in W.
    pub overshoot_w: f64,
}

/// What followed an edge until `to`; `level_w` is the export that should not be passed.
pub fn reaction(channel: &Channel, edge: &Edge, level_w: f64, to: f64, noise_w: f64) -> Reaction {
    let end = channel.at.partition_point(|at| *at <= to);
    let at = channel.at.get(edge.first..end).unwrap_or(&[]);
    let power = channel.active_w.get(edge.first..end).unwrap_or(&[]);
    let lowest = power.iter().fold(f64::INFINITY, |lowest, value| lowest.min(*value));
    let line = Line::new(
        channel.at[edge.first - 1..end.max(edge.first)]
            .iter()
            .copied()
            .zip(channel.active_w[edge.first - 1..end.max(edge.first)].iter().copied()),
    );
    let last = at.last().copied().unwrap_or(edge.at);
    let dips = line.dips(0.0, -level_w, f64::NEG_INFINITY, last);
    let back_within_s = match dips.first() {
        None => Some(0.0),
        Some(dip) if dip.end < last => Some((dip.end - edge.at).max(0.0)),
        Some(_) => None,
    };
    let dead = dead_time(
        channel,
        edge,
        end,
        (0.05 * edge.step_w.abs()).max(6.0 * noise_w).max(3.0 * channel.resolution_w),
    );
    let tail = power.get(power.len() - power.len().div_ceil(3)..).unwrap_or(&[]);
    let end_w = median(tail);
    let band = (0.05 * edge.step_w.abs()).max(3.0 * noise_w);
    let outside = power.iter().rposition(|value| (value - end_w).abs() > band);
    let settled_s = match outside {
        None => Some(0.0),
        Some(index) => at.get(index + 1).filter(|_| index + 1 < at.len()).map(|t| t - edge.at),
    };
    let farther = power
        .iter()
        .fold(0.0_f64, |most, value| most.max((value - end_w) * (end_w - edge.extreme_w).signum()));
    Reaction {
        peak_export_w: if lowest.is_finite() { (-lowest).max(0.0) } else { 0.0 },
        back_within_s,
        dead_time_s: dead.map(|(time_s, _)| time_s),
        dead_time_between_s: dead.map(|(_, between_s)| between_s),
        settled_s,
        overshoot_w: if farther > band { farther } else { 0.0 },
    }
}

/// From the step until the power began to come back, by `least_w`; and the interval it lies in: between the first
/// reading that shows the step and the last that shows no return at least, between their neighbours at most. Both instants are
/// put between the same two readings by the same rule, and the meter's lag is in both, so neither shifts the difference.
fn dead_time(channel: &Channel, edge: &Edge, end: usize, least_w: f64) -> Option<(f64, (f64, f64))> {
    let back = |index: usize| (channel.active_w[index] - edge.extreme_w) * -edge.step_w.signum() > least_w;
    let farthest = (edge.first..end).find(|index| channel.active_w[*index] == edge.extreme_w)?;
    let first = (farthest + 1..end).find(|index| back(*index))?;
    let at = |index: usize| channel.at[index];
    let least = (at(first - 1) - at(edge.first)).max(0.0);
    let most = at(first) - at(edge.first - 1);
    let between = half_way(channel, first, channel.active_w[first - 1]);
    Some(((between - edge.at).clamp(least, most), (least, most)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::edge::edges_between;
    use crate::evidence::made::channel;

    /// A drop of 2 kW at `t0`, held for `dead_s`, then back by a first-order response (facts 6: 63.2 % after one time
    /// constant), read every `spacing_s` as a mean over `averaging_s`. Export is negative.
    fn read(t0: f64, (dead_s, tau_s): (f64, f64), spacing_s: f64, averaging_s: f64) -> Channel {
        let power = |t: f64| match t - t0 {
            since if since < 0.0 => 150.0,
            since if since < dead_s => -1850.0,
            since => 150.0 - 2000.0 * libm::exp(-(since - dead_s) / tau_s),
        };
        let parts = 40;
        let mean = |t: f64| {
            let part = |k: i32| power(t - averaging_s * (f64::from(k) + 0.5) / f64::from(parts));
            (0..parts).fold(0.0, |sum, k| sum + part(k)) / f64::from(parts)
        };
        let readings: Vec<(f64, f64)> =
            (0..80).map(|k| spacing_s * f64::from(k)).map(|t| (t, mean(t))).collect();
        channel(&readings, 1.0)
    }

    #[test]
    fn dead_time_is_right_in_the_mean_and_always_within_its_interval() {
        for (spacing_s, averaging_s) in [(0.5, 0.0), (0.5, 0.2), (0.5, 0.5), (1.0, 0.5), (1.0, 1.0)] {
            for dead_s in [1.1, 2.0, 3.3] {
                let mut sum = 0.0;
                for k in 0..20 {
                    let t0 = 10.0 + spacing_s * f64::from(k) / 20.0;
                    let meter = read(t0, (dead_s, 0.2), spacing_s, averaging_s);
                    let edge = edges_between(&meter, (6.0, 20.0), Some(2000.0), 0.5, averaging_s)[0];
                    let found = reaction(&meter, &edge, 0.0, 35.0, 0.5);
                    let (least, most) = found.dead_time_between_s.unwrap();
                    let told = format!("{spacing_s} {averaging_s} {dead_s} {k} {found:?}");
                    assert!(least - averaging_s <= dead_s && dead_s <= most + averaging_s, "{told}");
                    sum += found.dead_time_s.unwrap() - dead_s;
                }
                // A mean longer than half the dead time never shows the whole step, and reads long.
                let bias_s = sum / 20.0;
                let seen = dead_s >= 2.0 * averaging_s;
                assert!(
                    !seen || bias_s.abs() < 0.35 * spacing_s,
                    "{spacing_s} {averaging_s} {dead_s}: {bias_s}"
                );
            }
        }
    }

    #[test]
    fn a_first_order_response_is_settled_after_three_time_constants() {
        // Within 5 % after 3.00 time constants (facts 6.2: e^-3 = 4.98 %), and the dead time before them.
        let meter = read(10.1, (1.0, 1.5), 0.25, 0.0);
        let edge = edges_between(&meter, (6.0, 20.0), Some(2000.0), 0.5, 0.25)[0];
        let found = reaction(&meter, &edge, 0.0, 20.0, 0.5);
        assert!((found.settled_s.unwrap() - (1.0 + 3.0 * 1.5)).abs() < 0.4, "{found:?}");
        // -1850 W to 0 W of 2000 W: ln(2000/150) = 2.590 time constants.
        assert!((found.back_within_s.unwrap() - (1.0 + 2.590 * 1.5)).abs() < 0.3, "{found:?}");
        assert!(found.overshoot_w < 20.0 && (found.peak_export_w - 1850.0).abs() < 1.0, "{found:?}");
    }
}
