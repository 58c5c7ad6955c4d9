//! Excursions: spans in which the averaged export stands above a level, once surely (uncertainty taken off), once possibly
//! (uncertainty added), with the interval their true length lies in.
//!
//! A reading shows the power some time within the meter's update and averaging time before it (the lag). So an excursion
//! that the readings show from the first to the last one above lasted at least that long less the lag, and at most from the
//! last reading below before it to the first one below after it, plus the lag. A gap too long for the rule counts as export
//! at all the plant can do (possible) and as none (certain).

use super::mean::{Dip, Line};
use super::power::Channel;

/// What is asked of a channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Question<'a> {
    /// Window, in s since the origin.
    pub from: f64,
    /// End of the window.
    pub to: f64,
    /// Sliding mean in s; 0: every instant.
    pub averaging_s: f64,
    /// Export above which it is an excursion: limit and tolerance together, in W.
    pub level_w: f64,
    /// Update and averaging time of the meter together, in s.
    pub lag_s: f64,
    /// Its update time, in s.
    pub update_s: f64,
    /// Readings further apart than this leave a gap, in s.
    pub bound_s: f64,
    /// What may have flowed in each gap, by its start; a gap not named here may have held anything.
    pub bounded: &'a [(f64, f64)],
    /// The most that can be exported, in W: all plants together.
    pub most_export_w: f64,
    /// The most that can be imported, in W, as far as anybody knows.
    pub most_import_w: f64,
    /// No length is allowed: what lies between two readings is taken at its worst.
    pub ceiling: bool,
    /// Spans (start, end, power in W) in which the power is known to have been able to fall this low unseen.
    pub undershoots: &'a [(f64, f64, f64)],
}

/// One excursion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Excursion {
    /// When it began as far as the readings can show, in s since the origin.
    pub start: f64,
    /// When it ended, likewise.
    pub end: f64,
    /// It lasted at least this long, in s.
    pub shortest_s: f64,
    /// It lasted at most this long, in s.
    pub longest_s: f64,
    /// The highest export read of all readings that its averaged export is made of, in W: also those that stood within the
    /// averaging time before the mean rose above the level. Never below the highest averaged export in it.
    pub peak_export_w: f64,
    /// Energy above the level, in Wh.
    pub energy_wh: f64,
    /// Whether the averaged export stands above the level even with the uncertainty taken off.
    pub certain: bool,
    /// Sum of the shortest lengths of all its certain parts, in s.
    pub certain_s: f64,
    /// Whether a gap in the readings alone makes it possible.
    pub gap_only: bool,
}

/// The excursions of one channel above one level.
#[derive(Clone, Debug, PartialEq)]
pub struct Excursions {
    /// All possible ones, in time order.
    pub list: Vec<Excursion>,
    /// The highest averaged export, by the readings as they are, in W; none when the average is longer than the window.
    pub worst_averaged_w: Option<f64>,
    /// The same with the uncertainty added, in W.
    pub worst_possible_w: Option<f64>,
    /// Length of the window in which an average exists, in s.
    pub judged_s: f64,
}

impl Excursions {
    /// Longest that any possible excursion may have lasted, in s; 0 without any.
    pub fn longest_s(&self) -> f64 {
        self.list.iter().fold(0.0, |longest, one| longest.max(one.longest_s))
    }

    /// Longest that a certain excursion lasted at least, in s; nothing without a certain one.
    pub fn surely_s(&self) -> Option<f64> {
        self.list
            .iter()
            .filter(|one| one.certain)
            .map(|one| one.shortest_s)
            .fold(None, |longest: Option<f64>, shortest| {
                Some(longest.map_or(shortest, |so| so.max(shortest)))
            })
    }

    /// At most and at least how long all of them lasted together, in s, the former held within the window.
    pub fn sums_s(&self) -> (f64, f64) {
        let most: f64 = self.list.iter().fold(0.0, |sum, one| sum + one.longest_s);
        let least: f64 = self.list.iter().fold(0.0, |sum, one| sum + one.certain_s);
        (most.min(self.judged_s), least)
    }
}

/// Finds them.
pub fn excursions(channel: &Channel, question: &Question<'_>) -> Excursions {
    let nominal = Line::new(channel.at.iter().copied().zip(channel.active_w.iter().copied()));
    let possible = outline(channel, question, Side::Possible);
    let certain = outline(channel, question, Side::Certain);
    let (from, to, averaging) = (question.from, question.to, question.averaging_s);
    let sure = certain.dips(averaging, -question.level_w, from, to);
    let mut merged: Vec<(Dip, f64, f64)> = Vec::new();
    for dip in possible.dips(averaging, -question.level_w, from, to) {
        let start = channel.at.partition_point(|at| *at <= dip.start).checked_sub(1).map(|i| channel.at[i]);
        let end = channel.at.get(channel.at.partition_point(|at| *at < dip.end)).copied();
        let (start, end) = (start.unwrap_or(from).max(from), end.unwrap_or(to).min(to));
        let (start, end) = beyond_gaps(channel, question, &dip, (start, end));
        match merged.last_mut() {
            // No reading between the two shows an end: one excursion as far as anybody knows.
            Some((last, _, last_end)) if start < *last_end => {
                last.end = dip.end;
                last.lowest = last.lowest.min(dip.lowest);
                *last_end = end;
            }
            _ => merged.push((dip, start, end)),
        }
    }
    let judged_s = (to - from - averaging).max(0.0);
    let list = merged
        .into_iter()
        .map(|(dip, start, end)| one(channel, question, &nominal, &sure, (dip, start, end), judged_s))
        .collect();
    Excursions {
        list,
        worst_averaged_w: nominal.lowest(averaging, from, to).map(|lowest| (-lowest).max(0.0)),
        worst_possible_w: possible.lowest(averaging, from, to).map(|lowest| (-lowest).max(0.0)),
        judged_s,
    }
}

/// An excursion as long as what a counter allows in the gap beside it may make it. Until one averaging time after a gap the
/// mean holds some of what flowed in it, and nobody knows when in the gap that was: an excursion seen there may have begun
/// with the gap, and may last until the mean holds readings alone.
fn beyond_gaps(channel: &Channel, question: &Question<'_>, dip: &Dip, span: (f64, f64)) -> (f64, f64) {
    let (mut start, mut end) = span;
    for (before, _) in question.bounded {
        let after = channel.at.get(channel.at.partition_point(|at| at <= before)).copied();
        let clear = after.unwrap_or(question.to) + question.averaging_s;
        if dip.end >= *before && dip.start <= clear {
            start = start.min(before.max(question.from));
            let next = channel.at.get(channel.at.partition_point(|at| *at < clear)).copied();
            end = end.max(next.unwrap_or(question.to).min(question.to));
        }
    }
    (start, end)
}

fn one(
    channel: &Channel,
    question: &Question<'_>,
    nominal: &Line,
    sure: &[Dip],
    (dip, start, end): (Dip, f64, f64),
    judged_s: f64,
) -> Excursion {
    let (mut shortest_s, mut certain_s, mut certain) = (0.0_f64, 0.0, false);
    let first = sure.partition_point(|part| part.end <= dip.start);
    for part in sure[first..].iter().take_while(|part| part.start < dip.end) {
        certain = true;
        let inner = channel.at.partition_point(|at| *at < part.start);
        let outer = channel.at.partition_point(|at| *at <= part.end);
        if outer > inner {
            let length = (channel.at[outer - 1] - channel.at[inner] - question.lag_s).max(0.0);
            shortest_s = shortest_s.max(length);
            certain_s += length;
        }
    }
    let left = channel.at.partition_point(|at| *at < start);
    let right = channel.at.partition_point(|at| *at <= end);
    // The first mean above is made of all that stood within the averaging time before it, from the reading on whose line
    // to the next one it begins.
    let reaches = dip.start - question.averaging_s;
    let made_of = channel.at.partition_point(|at| *at <= reaches).saturating_sub(1).min(left);
    let readings = channel.active_w.get(made_of..right).unwrap_or(&[]);
    let lowest = readings.iter().fold(f64::INFINITY, |lowest, value| lowest.min(*value));
    let above = nominal.dips(question.averaging_s, -question.level_w, start - question.averaging_s, end);
    Excursion {
        start: if dip.start > start { dip.start } else { start },
        end: dip.end,
        shortest_s,
        longest_s: (end - start + question.lag_s).min(judged_s),
        peak_export_w: if lowest.is_finite() { (-lowest).max(0.0) } else { 0.0 },
        energy_wh: nominal.area_below(-question.level_w, start, end) / 3600.0,
        certain,
        certain_s,
        gap_only: above.is_empty() && readings_below(channel, left, right, question.level_w),
    }
}

/// Whether every reading in the range lies surely below the level.
fn readings_below(channel: &Channel, left: usize, right: usize, level_w: f64) -> bool {
    (left..right).all(|i| -(channel.active_w[i] - channel.expanded_w[i]) <= level_w)
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Side {
    Possible,
    Certain,
}

/// The line that bounds the power from below (possible export) or from above (certain export).
fn outline(channel: &Channel, question: &Question<'_>, side: Side) -> Line {
    let ripple = if side == Side::Certain { ripple(channel, question) } else { Vec::new() };
    let bound = |index: usize| match side {
        Side::Possible => channel.active_w[index] - channel.expanded_w[index],
        Side::Certain => {
            channel.active_w[index] + channel.expanded_w[index] + ripple.get(index).copied().unwrap_or(0.0)
        }
    };
    let first = channel.at.partition_point(|at| *at <= question.from).saturating_sub(1);
    let last = channel.at.partition_point(|at| *at < question.to);
    let last = last.min(channel.at.len().saturating_sub(1));
    let mut vertices: Vec<(f64, f64)> = Vec::with_capacity(2 * (last + 1 - first.min(last)));
    let gap = |vertices: &mut Vec<(f64, f64)>, start: f64, end: f64| {
        let counted = question.bounded.iter().find(|(at, _)| (at - start).abs() < 1e-9);
        let power = match (side, counted) {
            (Side::Possible, Some((_, energy_wh))) if question.ceiling => {
                // All at once, and nobody knows when: at either end, so that any mean that holds a part may hold all.
                let lasts = (energy_wh * 3600.0 / question.most_export_w).min(0.5 * (end - start));
                let most = -question.most_export_w;
                let ends = [(start, most), (start + lasts, most), (start + lasts, 0.0)];
                vertices.extend(ends.into_iter().chain([
                    (end - lasts, 0.0),
                    (end - lasts, most),
                    (end, most),
                ]));
                return;
            }
            (Side::Possible, Some((_, energy_wh))) if end > start => -energy_wh * 3600.0 / (end - start),
            (Side::Possible, _) => -question.most_export_w,
            // A counter says what flowed at most; that anything did is not certain.
            (Side::Certain, _) => question.most_import_w,
        };
        vertices.push((start, power));
        vertices.push((end, power));
    };
    let Some(&begin) = channel.at.get(first) else {
        gap(&mut vertices, question.from, question.to);
        return Line::new(vertices);
    };
    if begin > question.from {
        gap(&mut vertices, question.from, begin);
    }
    for index in first..=last {
        let at = channel.at[index];
        if index > first {
            let before = channel.at[index - 1];
            if at - before > question.bound_s {
                gap(&mut vertices, before, at);
            } else if question.ceiling && side == Side::Possible {
                worst_between(channel, question, index, &mut vertices);
            }
        }
        vertices.push((at, bound(index)));
    }
    if channel.at[last] < question.to {
        gap(&mut vertices, channel.at[last], question.to);
    }
    Line::new(vertices)
}

/// Readings on either side that tell how restless the power is at one of them.
const NEIGHBOURS: usize = 8;

/// How far the power may have swung back between readings, unseen: three times its scatter around straight lines, and as
/// many times more as the meter averages over the rule's own mean. A power that hunts faster than the readings come, or than
/// the meter averages, shows a steady mean with such a ripple, and is not above the level all the while.
fn ripple(channel: &Channel, question: &Question<'_>) -> Vec<f64> {
    let factor = 3.0 * (question.lag_s / question.averaging_s.max(0.2)).max(1.0);
    // A value read twice within one update time is one value: only what the meter renewed scatters.
    let mut fresh: Vec<usize> = Vec::new();
    for (index, at) in channel.at.iter().enumerate() {
        if fresh.last().is_none_or(|last| at - channel.at[*last] >= 0.9 * question.update_s) {
            fresh.push(index);
        }
    }
    let bends: Vec<f64> = fresh
        .windows(3)
        .map(|three| {
            let [a, b, c] =
                [channel.active_w[three[0]], channel.active_w[three[1]], channel.active_w[three[2]]];
            (a - 2.0 * b + c).abs()
        })
        .collect();
    let mut result = vec![0.0; channel.at.len()];
    let mut place = 0;
    let mut last = (usize::MAX, 0.0);
    for (index, value) in result.iter_mut().enumerate() {
        while place + 1 < fresh.len() && fresh[place + 1] <= index {
            place += 1;
        }
        if place != last.0 {
            let near = &bends
                [place.saturating_sub(NEIGHBOURS).min(bends.len())..(place + NEIGHBOURS).min(bends.len())];
            // The deviation of a - 2b + c is √6 of that of one.
            last = (place, 1.4826 * crate::base::uncertain::median(near) / 6.0_f64.sqrt());
        }
        *value = factor * last.1;
    }
    result
}

/// For a rule that allows no length: between two readings the power may have been lower than at either by as much as it
/// changed, until the lag has passed. An average much longer than the spacing evens that out, so it is taken in proportion.
fn worst_between(channel: &Channel, question: &Question<'_>, index: usize, vertices: &mut Vec<(f64, f64)>) {
    let (before, at) = (channel.at[index - 1], channel.at[index]);
    let reach = at - before + question.lag_s;
    let part = if question.averaging_s > 0.0 { (2.0 * reach / question.averaging_s).min(1.0) } else { 1.0 };
    let low = |i: usize| channel.active_w[i] - channel.expanded_w[i];
    let mut worst = low(index - 1);
    for i in index..channel.at.len() {
        worst = worst.min(low(i).min(low(i - 1)) - (channel.active_w[i] - channel.active_w[i - 1]).abs());
        if channel.at[i] > at + question.lag_s {
            break;
        }
    }
    for (start, end, power_w) in question.undershoots {
        if *start < at && *end > before {
            worst = worst.min(*power_w);
        }
    }
    for (t, edge) in [(before, low(index - 1)), (at, low(index))] {
        vertices.push((t, edge + part * (worst - edge)));
    }
}

#[cfg(test)]
mod tests;
