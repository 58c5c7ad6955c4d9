//! Steps around a switching: what each lane of a meter (power, reactive power, voltage of a channel) did between the level
//! just before and the level just after. Levels reach only as far as the lane stays level, so a fridge that starts a few
//! seconds later shortens a level and does not bend it. What lies between the levels, the meter's renewal and averaging,
//! is left out.

mod chance;
pub mod consensus;
pub mod estimate;
pub mod split;

use crate::base::uncertain::{combine, effective_count, variance};
use crate::evidence::channel::Channel;
use crate::evidence::trace::{Segment, Segmented, Trace};

/// How far from an edge a level may reach, in s.
const REACH_S: f64 = 8.0;

/// A jump must be this many times its own uncertainty to count.
const SIGNIFICANT: f64 = 4.0;

/// What a lane measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Active power.
    Active,
    /// Reactive power.
    Reactive,
    /// Voltage.
    Voltage,
}

/// One quantity of one channel, cut into level stretches.
#[derive(Clone, Debug, PartialEq)]
pub struct Lane {
    /// Index of the channel; of the line for a voltage.
    pub channel: usize,
    /// What it measures.
    pub kind: Kind,
    /// Its values and levels.
    pub data: Segmented,
}

/// All lanes of a meter's channels.
#[derive(Clone, Debug, PartialEq)]
pub struct Board {
    /// Active and reactive power of each channel, then the voltages of the lines, as far as they exist.
    pub lanes: Vec<Lane>,
    /// How many channels.
    pub channels: usize,
    /// How long after a switching a value may still be on its way, in s: renewal and averaging.
    pub settle_s: f64,
    /// Usual time between two readings, in s.
    pub period_s: f64,
}

/// A change between two levels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Delta {
    /// After less before.
    pub value: f64,
    /// Standard uncertainty from the scatter of both levels.
    pub standard: f64,
    /// The level before.
    pub before: f64,
    /// The level after.
    pub after: f64,
}

/// A jump of one lane from one level to the next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Jump {
    /// Index of the lane.
    pub lane: usize,
    /// Last value of the level before, in s.
    pub from_s: f64,
    /// First value of the level after, in s.
    pub to_s: f64,
    /// After less before.
    pub value: f64,
    /// How far it went beyond both levels on the way, with its sign; 0 when it did not.
    pub overshoot: f64,
}

impl Board {
    /// Cuts every lane; `voltages` by line.
    pub fn new(channels: &[Channel], voltages: &[Option<Trace>]) -> Self {
        let mut lanes = Vec::new();
        let (mut settle_s, mut period_s) = (0.0_f64, 0.0_f64);
        let mut push = |channel, kind, trace: &Trace, step: f64| {
            let data = Segmented::new(trace.clone(), step / 12.0_f64.sqrt());
            lanes.push(Lane { channel, kind, data });
        };
        for (index, channel) in channels.iter().enumerate() {
            push(index, Kind::Active, &channel.active, channel.resolution_w);
            if let Some(trace) = channel.reactive.as_ref().filter(|trace| !trace.is_empty()) {
                push(index, Kind::Reactive, trace, trace.smallest_step());
            }
            let renewal = channel.update_s.unwrap_or_else(|| channel.active.renewal_s().min(10.0));
            settle_s = settle_s.max(1.1 * (renewal + channel.averaging_s));
            period_s = period_s.max(channel.active.period_s());
        }
        for (line, trace) in voltages.iter().enumerate() {
            if let Some(trace) = trace {
                push(line, Kind::Voltage, trace, trace.smallest_step());
            }
        }
        Self { lanes, channels: channels.len(), settle_s, period_s }
    }

    /// The lane of this kind of a channel (of a line, for a voltage).
    pub fn lane(&self, channel: usize, kind: Kind) -> Option<usize> {
        self.lanes.iter().position(|lane| lane.channel == channel && lane.kind == kind)
    }

    /// Time of the first value of any lane, in s.
    pub fn first_s(&self) -> Option<f64> {
        self.lanes.iter().filter_map(|lane| lane.data.trace.times.first().copied()).min_by(f64::total_cmp)
    }

    /// Time of the last value of any lane, in s.
    pub fn last_s(&self) -> Option<f64> {
        self.lanes.iter().filter_map(|lane| lane.data.trace.times.last().copied()).max_by(f64::total_cmp)
    }

    /// The largest change of any power in an event, in W or var.
    pub fn size(&self, event: &consensus::Event) -> f64 {
        let powers = self.lanes.iter().zip(&event.deltas).filter(|(lane, _)| lane.kind != Kind::Voltage);
        powers.filter_map(|(_, delta)| *delta).fold(0.0, |most, delta| most.max(delta.value.abs()))
    }

    /// The change of a lane over the times from `from_s` (last value before) to `to_s` (first value after).
    pub fn delta(&self, lane: usize, from_s: f64, to_s: f64) -> Option<Delta> {
        let data = &self.lanes.get(lane)?.data;
        let last = data.trace.last_by(from_s + 1e-6)?;
        let first = data.trace.first_from(to_s - 1e-6)?;
        if first <= last {
            return None;
        }
        let before = data.segments[data.segment_of(last)];
        let start = data.trace.first_from(data.trace.times[last] - REACH_S)?.max(before.first);
        let after = data.segments[data.segment_of(first)];
        let end = (data.trace.last_by(data.trace.times[first] + REACH_S)? + 1).min(after.end);
        let (low, high) = (level(data, start, last + 1), level(data, first, end));
        Some(Delta {
            value: high.0 - low.0,
            standard: combine(&[low.1, high.1]),
            before: low.0,
            after: high.0,
        })
    }

    /// Every jump of every lane that begins or ends within these times, by lane.
    pub fn jumps(&self, from_s: f64, to_s: f64) -> Vec<Jump> {
        let mut found = Vec::new();
        for (index, lane) in self.lanes.iter().enumerate() {
            let data = &lane.data;
            let times = &data.trace.times;
            let mut at = data
                .segments
                .partition_point(|segment| times[segment.end - 1] < from_s - 2.0 * self.settle_s);
            while at + 1 < data.segments.len() && times[data.segments[at].end - 1] <= to_s {
                let last = self.transition(data, at);
                let jump = jump(data, index, &data.segments[at], &data.segments[last]);
                if jump.to_s >= from_s && self.counts(data, &jump, &data.segments[at], &data.segments[last]) {
                    found.push(jump);
                }
                at = last;
            }
        }
        found
    }

    /// The level a transition that leaves `first` arrives at: cuts that follow each other within the settling time are one
    /// change on its way.
    fn transition(&self, data: &Segmented, first: usize) -> usize {
        let times = &data.trace.times;
        let start = times[data.segments[first].end - 1];
        let mut last = first + 1;
        while last + 1 < data.segments.len() {
            let segment = data.segments[last];
            let lasts = times[segment.end - 1] - times[segment.first];
            let next = times[data.segments[last + 1].first];
            if (segment.len() > 1 && lasts > 0.8 * self.settle_s)
                || next - start > self.settle_s + 2.0 * self.period_s
            {
                break;
            }
            last += 1;
        }
        last
    }

    #[expect(clippy::unused_self, reason = "belongs to the board's view of a jump")]
    fn counts(&self, data: &Segmented, jump: &Jump, before: &Segment, after: &Segment) -> bool {
        let few = |segment: &Segment| (segment.len().min(8) as f64).sqrt();
        let standard =
            combine(&[data.scatter_at(before.mean) / few(before), data.scatter_at(after.mean) / few(after)]);
        jump.value.abs() > SIGNIFICANT * standard || jump.overshoot != 0.0
    }
}

fn jump(data: &Segmented, lane: usize, before: &Segment, after: &Segment) -> Jump {
    let (low, high) = (before.mean.min(after.mean), before.mean.max(after.mean));
    let reach = 6.0 * data.scatter_at(high.abs().max(low.abs()));
    let between = &data.trace.values[before.end..after.first];
    let overshoot = between.iter().fold(0.0_f64, |most, value| {
        let beyond = if *value > high + reach {
            value - high
        } else if *value < low - reach {
            value - low
        } else {
            0.0
        };
        if beyond.abs() > most.abs() { beyond } else { most }
    });
    Jump {
        lane,
        from_s: data.trace.times[before.end - 1],
        to_s: data.trace.times[after.first],
        value: after.mean - before.mean,
        overshoot,
    }
}

/// Mean of values `start..end` and its standard uncertainty, from their own scatter and that of the whole lane, counted with
/// the lane's autocorrelation.
fn level(data: &Segmented, start: usize, end: usize) -> (f64, f64) {
    let values = &data.trace.values[start..end];
    let mean = crate::base::uncertain::mean(values);
    // A few values say little about their own scatter: the lane's stands in, as if it were four values more.
    let own = variance(values) * (values.len().saturating_sub(1)) as f64;
    let usual = data.scatter_at(mean);
    let scatter = ((own + 4.0 * usual * usual) / (values.len() as f64 + 3.0)).sqrt();
    let count = effective_count(values.len(), data.lag_1).max(1.0);
    (mean, scatter / count.sqrt())
}
