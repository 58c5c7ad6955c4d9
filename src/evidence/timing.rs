//! How often a meter renews its values and what it averages over, measured from what it said and set beside the profile.
//! The longer of the two counts.

use super::coverage::typical_spacing;
use super::edge::Edge;
use super::power::Channel;
use crate::base::uncertain::median;

/// The times of a meter that blur what it shows.
#[derive(Clone, Debug, PartialEq)]
pub struct Timing {
    /// Median distance of readings, in s.
    pub spacing_s: f64,
    /// Update time by the profile, in s.
    pub update_profile_s: f64,
    /// Update time found from repeated values, in s; none where the readings are too far apart or too steady to tell.
    pub update_measured_s: Option<f64>,
    /// Averaging time by the profile, in s.
    pub averaging_profile_s: f64,
    /// Averaging time found from the shape of steps, in s; none without steps that take longer than the readings' spacing.
    pub averaging_measured_s: Option<f64>,
    /// The update time that counts, in s.
    pub update_s: f64,
    /// The averaging time that counts, in s.
    pub averaging_s: f64,
}

impl Timing {
    /// Of a channel, with the edges found at marked loads and what those draw at least, in W (0 where nobody knows).
    pub fn of(channel: &Channel, steps: &[(Edge, f64)]) -> Self {
        let spacing_s = typical_spacing(&channel.at).unwrap_or(f64::INFINITY);
        let repeats = Repeats::of(channel);
        let update_measured_s = repeats.update_s(spacing_s);
        let mut update_s = channel.update_s;
        if let Some(measured) = update_measured_s {
            update_s = update_s.max(measured);
        } else if !channel.update_stated && repeats.always_new() {
            // The profile does not say, and every reading was new: not slower than the readings came.
            update_s = update_s.min(spacing_s);
        }
        let edges: Vec<Edge> = steps.iter().map(|(edge, _)| *edge).collect();
        let known: Vec<(Edge, f64)> = steps.iter().copied().filter(|(_, size_w)| *size_w > 0.0).collect();
        let averaging_measured_s = match (
            from_travel(channel, &edges, spacing_s, update_s),
            from_pulses(channel, &known, spacing_s, update_s),
        ) {
            (Some(travel), Some(pulse)) => Some(travel.max(pulse)),
            (travel, pulse) => travel.or(pulse),
        };
        Self {
            spacing_s,
            update_profile_s: channel.update_s,
            update_measured_s,
            averaging_profile_s: channel.averaging_s,
            averaging_measured_s,
            update_s,
            averaging_s: channel.averaging_s.max(averaging_measured_s.unwrap_or(0.0)),
        }
    }

    /// Update and averaging time together, in s: how far back a reading may look.
    pub fn lag_s(&self) -> f64 {
        self.update_s + self.averaging_s
    }
}

/// Distances between readings that brought a new value.
struct Repeats {
    between: Vec<f64>,
    readings: usize,
}

impl Repeats {
    fn of(channel: &Channel) -> Self {
        let mut between = Vec::new();
        let mut last_new: Option<f64> = None;
        for index in 1..channel.at.len() {
            // A renewed value that differs by less than a float holds is no renewal anybody can see.
            if (channel.active_w[index] - channel.active_w[index - 1]).abs() > 1e-9 {
                if let Some(last) = last_new {
                    between.push(channel.at[index] - last);
                }
                last_new = Some(channel.at[index]);
            }
        }
        Self { between, readings: channel.at.len() }
    }

    /// Nine of ten readings brought a new value.
    fn always_new(&self) -> bool {
        self.readings >= 20 && self.between.len() * 10 >= self.readings * 9
    }

    /// New values that come at a steady distance of more than one reading show the update time. Repeats because nothing
    /// moves (a coarse step, a quiet night) come at no steady distance: short ones are among them.
    fn update_s(&self, spacing_s: f64) -> Option<f64> {
        let middle = median(&self.between);
        if self.between.len() < 8 || middle < 1.8 * spacing_s {
            return None;
        }
        // Two renewals that show the same number look like one: leave out what is near a multiple.
        let single: Vec<f64> = self.between.iter().copied().filter(|one| *one < 1.6 * middle).collect();
        let mean = single.iter().fold(0.0, |sum, one| sum + one) / single.len().max(1) as f64;
        let steady = single.iter().filter(|one| (**one - mean).abs() <= 1.2 * spacing_s).count();
        let short = single.iter().filter(|one| **one < 0.6 * mean).count();
        (single.len() * 2 >= self.between.len()
            && steady * 10 >= single.len() * 9
            && short * 20 <= single.len())
        .then_some(mean)
    }
}

/// A sharp step that always takes longer to show than spacing and update explain is averaged over that long at least. A
/// control that acts meanwhile shortens what is seen, so this is a lower bound.
fn from_travel(channel: &Channel, edges: &[Edge], spacing_s: f64, update_s: f64) -> Option<f64> {
    let travels: Vec<f64> = edges.iter().map(|edge| edge.travel_s).collect();
    if travels.len() < 2 {
        return None;
    }
    // The edge lies anywhere between two readings and two updates; 80 % of the way takes 80 % of a mean over time.
    let beyond = (median(&travels) - 2.0 * spacing_s - update_s) / 0.8;
    (beyond > channel.averaging_s.max(0.5 * spacing_s)).then_some(beyond)
}

/// A known load whose step never shows its size, while what does show lasts longer than spacing and update explain, is
/// smeared: the power was back before a mean over so long could follow. A pulse of area A that a mean over `a` shows with
/// the height h has A ≥ h a, so A / h bounds the averaging time from above, and that bound is taken.
fn from_pulses(channel: &Channel, steps: &[(Edge, f64)], spacing_s: f64, update_s: f64) -> Option<f64> {
    let mut widths = Vec::new();
    let mut smeared = 0;
    for (edge, size_w) in steps {
        let height = edge.step_w.abs();
        // A step that stays is no pulse.
        let Some(area) = pulse_area(channel, edge) else { continue };
        widths.push(area / height.max(1.0));
        smeared += usize::from(height < 0.7 * size_w);
    }
    if widths.len() < 2 || smeared * 2 < widths.len() {
        return None;
    }
    let width = median(&widths);
    (width > channel.averaging_s.max(2.0 * spacing_s + update_s)).then_some(width)
}

/// Area between the power and its level before the step, until it has come nine tenths of the way back; nothing when it
/// does not within a minute, or settles on the way: then the plant gave all it had, and the rest stays. (A mean over a time
/// that is longer than the pulse stands still as well, but at its height.)
fn pulse_area(channel: &Channel, edge: &Edge) -> Option<f64> {
    let sign = edge.step_w.signum();
    let away = |index: usize| (sign * (channel.active_w[index] - edge.before_w)).max(0.0);
    let mut area = 0.0;
    for index in edge.first..channel.at.len() {
        let width = channel.at[index] - channel.at[index - 1];
        area += 0.5 * (away(index) + away(index - 1)) * width;
        let passed = channel.at[index] - edge.at;
        if index > edge.first && away(index) < 0.1 * edge.step_w.abs() {
            return Some(area);
        }
        let settled = (0.1..0.6).contains(&(away(index) / edge.step_w.abs().max(1.0)))
            && stands(channel, index, 0.02 * edge.step_w.abs());
        if passed > 60.0 || settled {
            break;
        }
    }
    None
}

/// Whether the power has stood within `band_w` for 2.5 s and four readings.
fn stands(channel: &Channel, index: usize, band_w: f64) -> bool {
    let back = channel.at.partition_point(|at| *at < channel.at[index] - 2.5).min(index.saturating_sub(3));
    channel.active_w[back..index].iter().all(|power| (power - channel.active_w[index]).abs() <= band_w)
}

#[cfg(test)]
mod tests;
