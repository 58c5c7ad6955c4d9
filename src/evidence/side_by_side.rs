//! Two meters at the same point side by side: how far one follows behind the other, by which factor and offset it differs,
//! and whether both count the same way. The lag comes from how the changes of the two fit when one is moved in time; gain and
//! offset from steady spans alone, since a lag makes any other difference meaningless.

use super::coverage::typical_spacing;
use super::edge::noise_w;
use super::mean::Line;
use super::power::Channel;
use crate::base::uncertain::{coverage_factor, expanded, mean, resolution};

/// A lag is looked for up to this, either way, in s (ours: the slowest chain of gateways seen is a third of it).
const MOST_S: f64 = 30.0;
/// Changes looked at for the lag: the largest ones.
const CHANGES: usize = 200;
/// A steady span is cut after this, so that a quiet hour is more than one point, in s.
const SPAN_S: f64 = 60.0;
/// Of two fits of opposite sign the better one tells only where the other reaches no more than this share of it (ours): a power
/// that comes and goes with a period fits its own opposite half a period later.
const AS_GOOD: f64 = 0.8;
/// Fewer steady spans tell no gain.
const POINTS: usize = 3;

/// How a second meter compares with a first one.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Comparison {
    /// How far the second follows behind the first, in s; negative where it is ahead. Nothing without two changes or more
    /// that both show, and where the power repeats itself so that fits of either sign are about as good.
    pub lag_s: Option<f64>,
    /// Its expanded uncertainty (k = 2), in s.
    pub lag_u_s: Option<f64>,
    /// Second over first. Nothing where the steady levels lie too close together.
    pub gain: Option<f64>,
    /// Its expanded uncertainty, for a coverage of 95 %.
    pub gain_u: Option<f64>,
    /// What the second reads where the first reads nothing, in W; without a gain the mean of second less first.
    pub offset_w: Option<f64>,
    /// Its expanded uncertainty, for a coverage of 95 %, in W.
    pub offset_u_w: Option<f64>,
    /// 1 where both count the same way, -1 where they count against each other, nothing where that does not show.
    pub sign: Option<i8>,
    /// The largest difference between the two in a steady span, in W, and what both meters' uncertainties allow there.
    pub worst_w: Option<(f64, f64)>,
    /// Steady spans compared.
    pub spans: usize,
}

impl Comparison {
    /// Whether the two agree within their uncertainties in every steady span; nothing without one.
    pub fn agree(&self) -> Option<bool> {
        self.worst_w.map(|(difference, allowed)| difference <= allowed)
    }
}

/// Compares what two meters read between `from` and `to`.
pub fn compare(first: &Channel, second: &Channel, from: f64, to: f64) -> Comparison {
    let mut found = Comparison::default();
    let (Some(space_one), Some(space_two)) = (typical_spacing(&first.at), typical_spacing(&second.at)) else {
        return found;
    };
    let lag = lag(first, second, (from, to), space_one.min(space_two));
    if lag == Lag::EitherWay {
        // Any steady span of one may stand beside another one of the other.
        return found;
    }
    if let Lag::Found(lag_s, fit, changes) = lag {
        found.lag_s = Some(lag_s);
        // Each change falls anywhere between two readings and two renewals of either meter.
        let step = |spacing: f64, channel: &Channel| resolution(spacing.max(channel.update_s));
        let each = libm::hypot(step(space_one, first), step(space_two, second));
        found.lag_u_s = Some(expanded(each / (changes as f64).sqrt()) + 0.1 * space_one.min(space_two));
        found.sign = Some(if fit < 0.0 { -1 } else { 1 });
    }
    let points = levels(first, second, (from, to), found.lag_s.unwrap_or(0.0), (space_one, space_two));
    found.spans = points.len();
    relate(&points, (first, second), &mut found);
    found
}

/// What the changes of two meters tell of how far one is behind the other.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Lag {
    /// The lag in s, the correlation there, and how many changes there were.
    Found(f64, f64, usize),
    /// As one behind the other, and as the opposite of it at another time, they fit about as well.
    EitherWay,
    /// Too few changes, or none that both show.
    Unseen,
}

/// The lag at which the second's readings around the largest changes fit the first's line best.
fn lag(first: &Channel, second: &Channel, (from, to): (f64, f64), spacing: f64) -> Lag {
    let changes = changes(first, from, to);
    if changes.len() < 2 {
        return Lag::Unseen;
    }
    let near = |at: f64| {
        let index = changes.partition_point(|change| *change < at);
        let ahead = changes.get(index).is_some_and(|change| change - at <= MOST_S);
        ahead || index > 0 && at - changes[index - 1] <= MOST_S
    };
    let readings: Vec<(f64, f64)> = second
        .at
        .iter()
        .copied()
        .zip(second.active_w.iter().copied())
        .filter(|(at, _)| (from + MOST_S.min(0.1 * (to - from))..=to).contains(at) && near(*at))
        .collect();
    if readings.len() < 10 {
        return Lag::Unseen;
    }
    let line = Line::new(first.at.iter().copied().zip(first.active_w.iter().copied()));
    let fit = |lag_s: f64| {
        let pairs = readings.iter().filter_map(|(at, power)| Some((line.value(at - lag_s)?, *power)));
        correlation(pairs)
    };
    // The best fit of one sign, and that of the other.
    let best = |low: f64, high: f64, step: f64| {
        let count = ((high - low) / step).round().max(1.0) as usize;
        let tried = (0..=count).map(|k| low + step * k as f64).map(|lag_s| (lag_s, fit(lag_s)));
        let (most, least) = tried.fold(((0.0, 0.0), (0.0, 0.0)), |so: ((f64, f64), (f64, f64)), one| {
            (if one.1 > so.0.1 { one } else { so.0 }, if one.1 < so.1.1 { one } else { so.1 })
        });
        if most.1 >= -least.1 { (most, least) } else { (least, most) }
    };
    let most = MOST_S.min(0.25 * (to - from));
    let coarse = 0.5 * spacing.clamp(0.2, 2.0);
    let ((near_s, better), (_, other)) = best(-most, most, coarse);
    let fine = 0.1 * coarse;
    let ((lag_s, found), _) = best(near_s - coarse, near_s + coarse, fine);
    // A poor fit, or one that is best where the search ends, is none.
    if found.abs() < 0.7 || lag_s.abs() >= most - coarse {
        Lag::Unseen
    } else if other.abs() > AS_GOOD * better.abs() {
        Lag::EitherWay
    } else {
        Lag::Found(lag_s, found, changes.len())
    }
}

/// When the largest changes between successive readings came, in time order: those beyond six times the scatter.
fn changes(channel: &Channel, from: f64, to: f64) -> Vec<f64> {
    let least = (6.0 * noise_w(channel, from, to)).max(3.0 * channel.resolution_w).max(20.0);
    let pairs = channel.at.windows(2).zip(channel.active_w.windows(2));
    let mut found: Vec<(f64, f64)> = pairs
        .filter(|(at, _)| at[0] >= from && at[1] <= to)
        .map(|(at, power)| (f64::midpoint(at[0], at[1]), (power[1] - power[0]).abs()))
        .filter(|(_, change)| *change > least)
        .collect();
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    let large = found.first().map_or(0.0, |(_, largest)| 0.3 * largest);
    found.retain(|(_, change)| *change >= large);
    found.truncate(CHANGES);
    let mut times: Vec<f64> = found.into_iter().map(|(at, _)| at).collect();
    times.sort_by(f64::total_cmp);
    // Several readings of one step are one change.
    times.dedup_by(|later, earlier| *later - *earlier < 2.0);
    times
}

fn correlation(pairs: impl Iterator<Item = (f64, f64)>) -> f64 {
    let pairs: Vec<(f64, f64)> = pairs.collect();
    let count = pairs.len().max(1) as f64;
    let (sum_x, sum_y) = pairs.iter().fold((0.0, 0.0), |sum, (x, y)| (sum.0 + x, sum.1 + y));
    let (mid_x, mid_y) = (sum_x / count, sum_y / count);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        let (dx, dy) = (x - mid_x, y - mid_y);
        xx += dx * dx;
        xy += dx * dy;
        yy += dy * dy;
    }
    if xx > 0.0 && yy > 0.0 { xy / (xx * yy).sqrt() } else { 0.0 }
}

/// A steady span as both meters saw it.
#[expect(clippy::struct_field_names, reason = "the unit stands last in every name")]
struct Level {
    first_w: f64,
    second_w: f64,
    allowed_w: f64,
}

/// Spans in which both stood still, the second taken its lag later.
fn levels(
    first: &Channel,
    second: &Channel,
    (from, to): (f64, f64),
    lag_s: f64,
    (space_one, space_two): (f64, f64),
) -> Vec<Level> {
    let lines =
        [first, second].map(|one| Line::new(one.at.iter().copied().zip(one.active_w.iter().copied())));
    // What either meter still shows of the time before the span; a second at least, for a mean that nobody stated.
    let settle = (first.update_s + first.averaging_s).max(second.update_s + second.averaging_s).max(1.0);
    let least = 2.0_f64.max(3.0 * space_one.max(space_two));
    let bands = [first, second].map(|one| band_w(one, from, to));
    let mut found = Vec::new();
    for (start, end) in steady(first, (from, to), bands[0], 3.0 * space_one + 1.0) {
        let mut begin = start + settle;
        while end - begin >= least {
            let stop = if end - begin > 1.5 * SPAN_S { begin + SPAN_S } else { end };
            let (later, until) = (begin + lag_s, stop + lag_s);
            let means = (between(first, &lines[0], begin, stop), between(second, &lines[1], later, until));
            if stands(second, later, until, bands[1], 3.0 * space_two + 1.0)
                && let (Some(first_w), Some(second_w)) = means
            {
                let own = first.mean_expanded_w(begin, stop);
                let allowed_w = libm::hypot(own, second.mean_expanded_w(later, until));
                found.push(Level { first_w, second_w, allowed_w });
            }
            begin = stop;
        }
    }
    found
}

/// Mean from the first reading in a span to the last one: the line to the reading before it comes from another level.
fn between(channel: &Channel, line: &Line, from: f64, to: f64) -> Option<f64> {
    let first = channel.at.partition_point(|at| *at < from);
    let last = channel.at.partition_point(|at| *at <= to).checked_sub(1).filter(|last| *last >= first)?;
    line.mean(channel.at[first], channel.at[last])
}

/// How far readings may stand from each other in a steady span, in W.
fn band_w(channel: &Channel, from: f64, to: f64) -> f64 {
    (8.0 * noise_w(channel, from, to)).max(4.0 * channel.resolution_w).max(10.0)
}

/// The longest spans one after the other in which all readings lie within a band.
fn steady(channel: &Channel, (from, to): (f64, f64), band_w: f64, gap_s: f64) -> Vec<(f64, f64)> {
    let mut found = Vec::new();
    let mut begun: Option<(f64, f64, f64, f64)> = None;
    let inside = channel.at.iter().zip(&channel.active_w).filter(|(at, _)| (from..=to).contains(*at));
    for (&at, &power) in inside {
        begun = match begun {
            Some((start, last, low, high))
                if at - last <= gap_s && high.max(power) - low.min(power) <= band_w =>
            {
                Some((start, at, low.min(power), high.max(power)))
            }
            before => {
                found.extend(before.map(|(start, last, _, _)| (start, last)));
                Some((at, at, power, power))
            }
        };
    }
    found.extend(begun.map(|(start, last, _, _)| (start, last)));
    found
}

/// Whether a channel stood within its band, without a gap, from one instant to another.
fn stands(channel: &Channel, from: f64, to: f64, band_w: f64, gap_s: f64) -> bool {
    let (left, right) =
        (channel.at.partition_point(|at| *at < from), channel.at.partition_point(|at| *at <= to));
    let (Some(at), Some(power)) = (channel.at.get(left..right), channel.active_w.get(left..right)) else {
        return false;
    };
    let (low, high) =
        power.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |so, one| (so.0.min(*one), so.1.max(*one)));
    at.len() >= 2
        && high - low <= band_w
        && at.windows(2).all(|pair| pair[1] - pair[0] <= gap_s)
        && at[0] - from <= gap_s
        && to - at[at.len() - 1] <= gap_s
}

fn square(value: f64) -> f64 {
    value * value
}

/// A straight line through the levels by least squares, with the Student factor of what is left over.
fn relate(points: &[Level], (first, second): (&Channel, &Channel), found: &mut Comparison) {
    if points.is_empty() {
        return;
    }
    let differences: Vec<f64> = points.iter().map(|one| one.second_w - one.first_w).collect();
    let worst = points.iter().zip(&differences).max_by(|a, b| {
        let over = |(one, difference): &(&Level, &f64)| difference.abs() - one.allowed_w;
        over(a).total_cmp(&over(b))
    });
    found.worst_w = worst.map(|(one, difference)| (difference.abs(), one.allowed_w));
    let count = points.len() as f64;
    let mid = |of: fn(&Level) -> f64| points.iter().fold(0.0, |sum, one| sum + of(one)) / count;
    let (mid_x, mid_y) = (mid(|one| one.first_w), mid(|one| one.second_w));
    let xx = points.iter().fold(0.0, |sum, one| sum + (one.first_w - mid_x) * (one.first_w - mid_x));
    let floor = libm::hypot(resolution(first.resolution_w), resolution(second.resolution_w));
    let range = points
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |so, one| (so.0.min(one.first_w), so.1.max(one.first_w)));
    let scatter = noise_w(first, f64::NEG_INFINITY, f64::INFINITY).max(first.resolution_w).max(1.0);
    if points.len() < POINTS || range.1 - range.0 < 50.0 * scatter {
        let deviation = differences.iter().fold(0.0, |sum, one| sum + square(one - mean(&differences)));
        let freedom = (count - 1.0).max(1.0);
        let spread = (deviation / freedom).sqrt().max(floor) / count.sqrt();
        found.offset_w = Some(mean(&differences));
        found.offset_u_w = (points.len() > 1).then(|| coverage_factor(freedom) * spread);
        return;
    }
    let xy = points.iter().fold(0.0, |sum, one| sum + (one.first_w - mid_x) * (one.second_w - mid_y));
    let gain = xy / xx;
    let offset = mid_y - gain * mid_x;
    let rest = points.iter().fold(0.0, |sum, one| sum + square(one.second_w - offset - gain * one.first_w));
    let freedom = count - 2.0;
    let spread = (rest / freedom).sqrt().max(floor);
    let factor = coverage_factor(freedom);
    let gain_u = factor * spread / xx.sqrt();
    found.gain = Some(gain);
    found.gain_u = Some(gain_u);
    found.offset_w = Some(offset);
    found.offset_u_w = Some(factor * spread * (1.0 / count + mid_x * mid_x / xx).sqrt());
    if gain.abs() > gain_u {
        found.sign = Some(if gain < 0.0 { -1 } else { 1 });
    }
}

#[cfg(test)]
mod tests;
