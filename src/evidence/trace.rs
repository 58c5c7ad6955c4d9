//! One quantity over time, cut into level stretches. Loads of a house switch; between two switchings a power stands
//! nearly still. The cuts are found by optimal partitioning (least squares with a price for each cut, pruned as in PELT),
//! with a scatter taken from the differences of neighbouring values, so that nothing has to be told in advance.

use crate::base::Stamp;
use crate::base::uncertain::{lag_1, median};
use crate::reading::Sample;

/// What a further cut must gain, in units of the scatter's variance; about one false cut in 20,000 values of white noise.
const CUT_PRICE: f64 = 18.0;

/// Values in one stretch at most: a level that stands for long is cut now and then, which bounds the work and moves nothing.
const LONGEST: usize = 400;

/// Scatter that grows with the level, as a fraction of it (ours: what registers of meters show beside class and resolution).
const RELATIVE_SCATTER: f64 = 0.0015;

/// Values with their times in seconds since an origin.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trace {
    /// Seconds since the origin, rising.
    pub times: Vec<f64>,
    /// In the base unit.
    pub values: Vec<f64>,
}

impl Trace {
    /// From samples, leaving out what is not finite.
    pub fn new(samples: &[Sample], origin: Stamp) -> Self {
        let mut trace = Self::default();
        for sample in samples.iter().filter(|sample| sample.value.is_finite()) {
            let time = sample.at.seconds_since(origin);
            if trace.times.last().is_none_or(|last| *last < time) {
                trace.times.push(time);
                trace.values.push(sample.value);
            }
        }
        trace
    }

    /// How many values.
    pub fn len(&self) -> usize {
        self.values.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.values.is_empty()
    }

    /// The usual time between two values, in s; 1 where there are too few to tell.
    pub fn period_s(&self) -> f64 {
        let gaps: Vec<f64> = self.times.windows(2).map(|two| two[1] - two[0]).collect();
        if gaps.is_empty() { 1.0 } else { median(&gaps).max(1e-3) }
    }

    /// The usual time between two values that differ, in s: what the meter's renewal looks like from outside.
    pub fn renewal_s(&self) -> f64 {
        let mut gaps = Vec::new();
        let mut since: Option<f64> = None;
        for (two, times) in self.values.windows(2).zip(self.times.windows(2)) {
            if two[0] != two[1] {
                gaps.extend(since.map(|start| times[1] - start));
                since = Some(times[1]);
            }
        }
        if gaps.is_empty() { self.period_s() } else { median(&gaps).max(1e-3) }
    }

    /// Index of the last value not later than this time.
    pub fn last_by(&self, time: f64) -> Option<usize> {
        self.times.partition_point(|at| *at <= time).checked_sub(1)
    }

    /// Index of the first value not earlier than this time.
    pub fn first_from(&self, time: f64) -> Option<usize> {
        let index = self.times.partition_point(|at| *at < time);
        (index < self.len()).then_some(index)
    }

    /// Mean of the values within these times, both included.
    pub fn mean_between(&self, from: f64, to: f64) -> Option<f64> {
        let (first, last) = (self.first_from(from)?, self.last_by(to)?);
        (first <= last).then(|| crate::base::uncertain::mean(&self.values[first..=last]))
    }

    /// The smallest difference between two of its values, 0 where all are alike.
    pub fn smallest_step(&self) -> f64 {
        let mut sorted = self.values.clone();
        sorted.sort_by(f64::total_cmp);
        let steps = sorted.windows(2).map(|two| two[1] - two[0]).filter(|step| *step > 1e-9);
        let smallest = steps.fold(f64::INFINITY, f64::min);
        if smallest.is_finite() { smallest } else { 0.0 }
    }
}

/// A level stretch of a trace.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Segment {
    /// First value.
    pub first: usize,
    /// One past the last value.
    pub end: usize,
    /// Mean of its values.
    pub mean: f64,
}

impl Segment {
    /// How many values it has.
    pub const fn len(&self) -> usize {
        self.end - self.first
    }

    /// Whether it has none, which does not happen.
    pub const fn is_empty(&self) -> bool {
        self.end == self.first
    }
}

/// A trace with its level stretches.
#[derive(Clone, Debug, PartialEq)]
pub struct Segmented {
    /// The values.
    pub trace: Trace,
    /// In order, without gaps.
    pub segments: Vec<Segment>,
    /// Scatter of single values about a level of zero, in the unit of the values.
    pub noise: f64,
    /// Lag-1 autocorrelation of the values about their levels, 0 to 0.95.
    pub lag_1: f64,
}

impl Segmented {
    /// Cuts a trace. `floor` is the least scatter to believe in (resolution).
    pub fn new(trace: Trace, floor: f64) -> Self {
        let noise = noise_of(&trace.values, floor * 12.0_f64.sqrt()).max(floor).max(1e-6);
        // A value read several times before the meter renews it is one observation, not several.
        let price = CUT_PRICE * (trace.renewal_s() / trace.period_s()).clamp(1.0, 50.0);
        let cuts = partition(&trace.values, noise, price);
        let segments: Vec<Segment> = cuts
            .windows(2)
            .map(|two| Segment {
                first: two[0],
                end: two[1],
                mean: crate::base::uncertain::mean(&trace.values[two[0]..two[1]]),
            })
            .collect();
        let lag_1 = residual_lag(&trace.values, &segments);
        Self { trace, segments, noise, lag_1 }
    }

    /// Index of the stretch this value belongs to.
    pub fn segment_of(&self, value: usize) -> usize {
        self.segments
            .partition_point(|segment| segment.end <= value)
            .min(self.segments.len().saturating_sub(1))
    }

    /// Scatter of single values at this level.
    pub fn scatter_at(&self, level: f64) -> f64 {
        libm::hypot(self.noise, RELATIVE_SCATTER * level)
    }
}

/// Scatter from differences of neighbours that are not repeats: their lower quartile, since on a coarse scale most
/// differences that are any may be switchings. `step` is the smallest the meter shows.
fn noise_of(values: &[f64], step: f64) -> f64 {
    /// Lower quartile of the size of a standard normal value.
    const QUARTILE: f64 = 0.318_639_363_964_375;
    let mut moved: Vec<f64> =
        values.windows(2).map(|two| (two[1] - two[0]).abs()).filter(|step| *step > 0.0).collect();
    if moved.len() * 20 < values.len() || moved.len() < 4 {
        return 0.0;
    }
    moved.sort_by(f64::total_cmp);
    let quartile = moved[moved.len() / 4];
    if quartile <= 1.5 * step {
        return 0.6 * step;
    }
    quartile / (QUARTILE * std::f64::consts::SQRT_2)
}

/// Cuts of the best partition: 0, the first index of each further stretch, and the length.
fn partition(values: &[f64], noise: f64, cut_price: f64) -> Vec<usize> {
    let count = values.len();
    if count == 0 {
        return vec![0];
    }
    let origin = median(values);
    // Prefix sums of weight, weight · y, weight · y²: any stretch costs three subtractions.
    let mut sums = vec![(0.0_f64, 0.0_f64, 0.0_f64); count + 1];
    for (index, value) in values.iter().enumerate() {
        let near = &values[index.saturating_sub(2)..(index + 3).min(count)];
        let scatter = libm::hypot(noise, RELATIVE_SCATTER * median(near));
        let (weight, y) = (1.0 / (scatter * scatter), value - origin);
        let (w, wy, wyy) = sums[index];
        sums[index + 1] = (w + weight, wy + weight * y, wyy + weight * y * y);
    }
    let cost = |from: usize, to: usize| {
        let (w, wy, wyy) = (sums[to].0 - sums[from].0, sums[to].1 - sums[from].1, sums[to].2 - sums[from].2);
        (wyy - wy * wy / w).max(0.0)
    };
    let mut best = vec![0.0_f64; count + 1];
    best[0] = -cut_price;
    let mut back = vec![0_usize; count + 1];
    let mut starts = vec![0_usize];
    for to in 1..=count {
        let mut least = f64::INFINITY;
        for &from in &starts {
            let price = best[from] + cost(from, to) + cut_price;
            if price < least {
                least = price;
                back[to] = from;
            }
        }
        best[to] = least;
        starts.retain(|&from| best[from] + cost(from, to) <= least && to - from < LONGEST);
        starts.push(to);
    }
    let mut cuts = vec![count];
    let mut at = count;
    while at > 0 {
        at = back[at];
        cuts.push(at);
    }
    cuts.reverse();
    cuts
}

/// Lag-1 autocorrelation of residuals, pooled over the stretches long enough to have one, and corrected for the mean that
/// was taken out of each (a stretch of n independent values shows −1/n).
fn residual_lag(values: &[f64], segments: &[Segment]) -> f64 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for segment in segments.iter().filter(|segment| segment.len() >= 5) {
        let count = segment.len() as f64;
        sum += count * (lag_1(&values[segment.first..segment.end]) + 1.0 / count);
        weight += count;
    }
    if weight > 0.0 { (sum / weight).clamp(0.0, 0.95) } else { 0.0 }
}

#[cfg(test)]
mod tests;
