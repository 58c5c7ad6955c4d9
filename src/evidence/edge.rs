//! Steps in a power: where one begins from a level that stood, how far it goes, and how long that takes to show.

use super::power::Channel;
use crate::base::uncertain::{median, robust_deviation};

/// A step found in the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// Index of the first reading that shows it.
    pub first: usize,
    /// When it happened: where the line from the reading before it crosses half of what the first one shows, in s.
    pub at: f64,
    /// Power before, in W: the median of the readings before.
    pub before_w: f64,
    /// The farthest power reached in the step's own direction, in W.
    pub extreme_w: f64,
    /// `extreme_w - before_w`: positive towards import.
    pub step_w: f64,
    /// Index of the reading that shows it in full.
    pub last: usize,
    /// From the last reading before it until four fifths of the way were shown, in s.
    pub travel_s: f64,
}

/// Scatter of successive readings in W, from their differences, steps disregarded.
pub fn noise_w(channel: &Channel, from: f64, to: f64) -> f64 {
    let left = channel.at.partition_point(|at| *at < from);
    let right = channel.at.partition_point(|at| *at <= to);
    let values = channel.active_w.get(left..right).unwrap_or(&[]);
    let steps: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
    robust_deviation(&steps) / std::f64::consts::SQRT_2
}

/// The steps that begin between two instants, those at least half as large as the largest, in time order. `size_w` is what a
/// load draws, where known: what is larger is that load and something else in one.
pub fn edges_between(
    channel: &Channel,
    (from, to): (f64, f64),
    size_w: Option<f64>,
    noise_w: f64,
    lag_s: f64,
) -> Vec<Edge> {
    let least = threshold(channel, size_w, noise_w);
    let start = channel.at.partition_point(|at| *at < from).max(3);
    let end = channel.at.partition_point(|at| *at <= to);
    let mut edges: Vec<Edge> = Vec::new();
    let mut index = start;
    while index < end {
        if let Some((first, before_w)) = starts_at(channel, index, least, lag_s) {
            let edge = follow(channel, first, before_w, least, lag_s);
            index = edge.last.max(index);
            edges.push(edge);
        }
        index += 1;
    }
    edges.retain(|edge| edge.at >= from);
    let most = size_w.map_or(f64::INFINITY, |size| 1.3 * size);
    let largest = edges.iter().fold(0.0_f64, |largest, edge| largest.max(edge.step_w.abs().min(most)));
    edges.retain(|edge| edge.step_w.abs() >= 0.5 * largest);
    edges
}

/// Whether a step is under way at a reading: where it began, and the level before it. Only a step from a level that stood
/// still says which way it went: before it, an older one may be fading. A meter that averages shows the beginning of a step
/// as a reading in between, which is neither the old level nor yet a step.
fn starts_at(channel: &Channel, index: usize, least: f64, lag_s: f64) -> Option<(usize, f64)> {
    let power_w = &channel.active_w;
    let level = |end: usize| {
        // Three readings at least, and as many as the lag holds: repeated values stand still by themselves.
        let back = channel.at.partition_point(|at| *at < channel.at[end] - 1.2 * lag_s);
        let baseline = power_w.get(back.min(end.checked_sub(3)?)..end)?;
        let before_w = median(baseline);
        baseline.iter().all(|value| (value - before_w).abs() <= 0.5 * least).then_some(before_w)
    };
    let value = power_w.get(index)?;
    if let Some(before_w) = level(index) {
        return ((value - before_w).abs() > least).then_some((index, before_w));
    }
    let before_w = level(index - 1)?;
    let (begun, gone) = (power_w.get(index - 1)? - before_w, value - before_w);
    (begun * gone > 0.0 && gone.abs() > begun.abs() && gone.abs() > least).then_some((index - 1, before_w))
}

/// What a step must be beyond, in W: out of the scatter, and a tenth of the load where that is known.
pub fn threshold(channel: &Channel, size_w: Option<f64>, noise_w: f64) -> f64 {
    (6.0 * noise_w).max(3.0 * channel.resolution_w).max(0.1 * size_w.unwrap_or(0.0)).max(20.0)
}

/// Follows a step from its first reading to its farthest.
fn follow(channel: &Channel, first: usize, before_w: f64, least: f64, lag_s: f64) -> Edge {
    let sign = (channel.active_w[first] - before_w).signum();
    let mut farthest = first;
    let until = channel.at[first] + 2.0 * lag_s + 1.5;
    let mut index = first + 1;
    while index < channel.at.len() {
        let gone = sign * (channel.active_w[index] - before_w);
        let so_far = sign * (channel.active_w[farthest] - before_w);
        // Turned back, stood still, or took longer than the meter's own blur: what follows is something else.
        let stood = index >= farthest + 2 && channel.at[index] - channel.at[farthest] > lag_s;
        if gone < 0.7 * so_far || stood {
            break;
        }
        // A new step the same way from a level that stood: a load that falls away just as the control has taken up the one
        // before it, and not one step of both.
        let anew = |(start, from_w): (usize, f64)| {
            start > farthest && sign * (channel.active_w[start] - from_w) > 0.0
        };
        if starts_at(channel, index, least, lag_s).is_some_and(anew) {
            break;
        }
        // A mean over a longer time than anybody stated still climbs; a drift does not by a tenth in a second and a half.
        let back = channel.at.partition_point(|at| *at < channel.at[index] - 1.5).min(index - 1).max(first);
        if channel.at[index] > until && gone < 1.1 * sign * (channel.active_w[back] - before_w) {
            break;
        }
        if gone > so_far {
            farthest = index;
        }
        index += 1;
        if index - first > 60 {
            break;
        }
    }
    let extreme_w = channel.active_w[farthest];
    let step_w = extreme_w - before_w;
    let shown = |i: &usize| sign * (channel.active_w[*i] - before_w) >= 0.8 * step_w.abs();
    let four_fifths = (first..=farthest).find(shown).unwrap_or(farthest);
    let last_before = channel.at[first - 1];
    let at = half_way(channel, first, before_w);
    let travel_s = channel.at[four_fifths] - last_before;
    Edge { first, at, before_w, extreme_w, step_w, last: farthest, travel_s }
}

/// Where the line to a reading from the one before it crosses half of what the former shows, counted from a level, in s.
pub(super) fn half_way(channel: &Channel, first: usize, before_w: f64) -> f64 {
    let (t0, t1) = (channel.at[first - 1], channel.at[first]);
    let (p0, p1) = (channel.active_w[first - 1], channel.active_w[first]);
    let half = f64::midpoint(before_w, p1);
    let share = if (p1 - p0).abs() > 0.0 { ((half - p0) / (p1 - p0)).clamp(0.0, 1.0) } else { 0.5 };
    t0 + share * (t1 - t0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::made::channel;

    fn twice_a_second(power_w: &[f64]) -> Channel {
        let readings: Vec<(f64, f64)> =
            power_w.iter().enumerate().map(|(i, w)| (0.5 * i as f64, *w)).collect();
        channel(&readings, 1.0)
    }

    /// A kettle of 2 kW on, taken up by the control at 1.5 kW a second, and off again just then; five readings a second. What
    /// falls away is a step of its own, and not one of 4 kW with the control's answer before it.
    #[test]
    fn a_load_that_falls_away_when_the_control_has_just_taken_it_up_is_a_step_of_its_own() {
        let power_w = [
            114.0, 115.0, 113.0, 114.0, 2055.0, 2057.0, 2010.0, 1722.0, 1434.0, 1140.0, 853.0, 565.0, 279.0,
            196.0, 155.0, -1846.0, -1845.0, -1845.0, -1667.0, -467.0, 124.0, 122.0, 115.0, 112.0,
        ];
        let readings: Vec<(f64, f64)> =
            power_w.iter().enumerate().map(|(i, w)| (0.2 * i as f64, *w)).collect();
        let meter = channel(&readings, 1.0);
        let edges = edges_between(&meter, (0.0, 10.0), Some(2000.0), 4.6, 0.2);
        let steps: Vec<(usize, i32)> =
            edges.iter().map(|edge| (edge.first, (edge.step_w / 100.0).round() as i32)).collect();
        assert_eq!(steps, [(4, 19), (7, -19), (15, -20), (18, 20)], "{edges:?}");
    }

    /// A boiler of 3 kW comes on while the meter averages: its first reading of the step lies between a tenth of the load
    /// and half of that, neither level nor step. The control's answer after it must not pass for the step.
    #[test]
    fn a_step_begun_in_between_is_the_step_and_not_the_controls_answer() {
        let power_w = [170.0, 168.0, 171.0, 170.0, 390.0, 3120.0, 3118.0, 3121.0, 1300.0, 450.0, 452.0];
        let meter = twice_a_second(&power_w);
        let found: Vec<Option<(usize, f64)>> =
            (3..power_w.len()).map(|index| starts_at(&meter, index, 300.0, 0.4)).collect();
        assert_eq!(found[..3], [None, None, Some((4, 170.0))]);
        // the answer is found where it stands, later
        assert_eq!(found[5], Some((8, 3120.0)));
        // a slow slope without a level before it is no step
        let slope = twice_a_second(&(0..20).map(|n| 200.0 * f64::from(n)).collect::<Vec<f64>>());
        assert!((3..20).all(|index| starts_at(&slope, index, 300.0, 0.4).is_none()));
    }
}
