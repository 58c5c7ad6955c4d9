//! The whole log: what the slices said, put together in the order of time. Of the readings nothing is kept; of each slice
//! a row of some 400 bytes, so that a year takes about 20 MB.

use super::count::Reset;
use super::excess::{Added, Event, Excess};
use super::flow::{self, Energy};
use super::plan::Plan;
use super::quiet::Silent;
use super::slice::{Slice, TICK_S};
use super::spans::Spans;
use super::steps::Steps;
use super::summary::{Changed, Summary, summarise};
use super::swing::Train;
use super::volts::Volts;
use crate::base::{Phase, PointKey, Quantity, Stamp};
use crate::evidence::energy::{Counter, smallest_step};
use crate::profile::Netting;
use crate::reading::Sample;

/// So many silences, changes, resets and trains are kept, the first of them.
const MOST: usize = 1000;

/// One slice in short.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Which.
    pub tick: i64,
    /// Energy of the sum, by halves.
    pub energy: [Energy; 2],
    /// Energy of the phases, each by itself, by halves.
    pub by_phase: Option<[Energy; 2]>,
    /// Delivered by plants with a meter of their own, in Ws.
    pub generation_ws: f64,
    /// Energy above the level of each rule, in Ws.
    pub over_ws: Vec<f64>,
    /// Voltage of each line.
    pub volts: [Option<Volts>; 3],
    /// Mean power of each line and of the total, of the main meter and of the steering one.
    pub mean_w: [[Option<f64>; 4]; 2],
}

/// What one meter did over the log.
#[derive(Clone, Debug, Default)]
pub struct MeterLong {
    /// Readings of its power.
    pub readings: u64,
    /// Whether the power of each line and the total was read.
    pub read: [bool; 4],
    /// The largest steps of each line's current.
    pub steps: [Steps; 3],
    /// What its counters rose by while it was read, import and export, in Wh; none where there is none.
    pub counted_wh: [Option<f64>; 2],
    /// Energy by its power, in Ws.
    pub energy: Energy,
}

/// Export that the export counter of the main meter shows for a time without readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unseen {
    /// Last reading before.
    pub from: Stamp,
    /// First reading after.
    pub to: Stamp,
    /// At least, in Wh: a step of the counter taken off, and what it may have counted of the time around.
    pub least_wh: f64,
    /// At most, in Wh.
    pub most_wh: Option<f64>,
    /// Of the least, above what the limit allows, in Ws.
    pub over_ws: f64,
    /// The meter the plant steers by was asked and silent for most of it.
    pub silent: bool,
    /// After the first change of a setting.
    pub after: bool,
}

/// All of it together.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct UnseenSum {
    /// At least, in Wh.
    pub least_wh: f64,
    /// At most, in Wh.
    pub most_wh: f64,
    /// Above what the limit allows, in Ws.
    pub over_ws: f64,
    /// Of it with the meter the plant steers by silent.
    pub silent_ws: f64,
    /// Of it after the first change of a setting.
    pub after_ws: f64,
    /// How long no reading came, in s.
    pub time_s: f64,
    /// Of it bounded by the counter, in s.
    pub bounded_s: f64,
}

/// The whole log.
#[derive(Clone, Debug)]
pub struct Long {
    /// What was looked at.
    pub plan: Plan,
    /// First and last slice with readings, in ticks; nothing without any.
    pub ticks: Option<(i64, i64)>,
    /// One for each slice, in time order.
    pub rows: Vec<Row>,
    /// In the order of the site file.
    pub meters: Vec<MeterLong>,
    excess: Excess,
    earlier: Option<Slice>,
    spacing_s: Option<f64>,
    /// Smallest step of the main meter's export counter so far.
    step_wh: Option<f64>,
    ends_s: [f64; 2],
    /// Silences of the main and the steering meter.
    pub silent: Vec<Silent>,
    /// How many there were, and how long together, in s, of the main and the steering meter.
    pub silence: [(u64, f64); 2],
    /// Export while the main meter gave no reading, by its counter: taken as one that nets the phases.
    pub unseen: Vec<Unseen>,
    /// All of it together.
    pub unseen_sum: UnseenSum,
    /// Hunting.
    pub hunting: Vec<Train>,
    /// How long the control hunted, in s.
    pub hunting_s: f64,
    /// Settings that changed.
    pub changed: Vec<Changed>,
    /// Counters that were reset, with the meter.
    pub resets: Vec<(usize, Reset)>,
}

impl Long {
    /// Nothing yet.
    pub fn new(plan: Plan) -> Self {
        let profile = &plan.profiles[plan.main];
        let point = plan.power_key(plan.main, Phase::Total).and_then(|key| profile.point(&key).cloned());
        let lag = point.map_or(profile.read.update.seconds() + profile.read.averaging.seconds(), |point| {
            profile.update_of(&point).seconds() + profile.averaging_of(&point).seconds()
        });
        Self {
            ticks: None,
            rows: Vec::new(),
            meters: vec![MeterLong::default(); plan.site.meters.len()],
            excess: Excess::new(&plan, lag),
            earlier: None,
            spacing_s: None,
            step_wh: None,
            ends_s: [0.0; 2],
            silent: Vec::new(),
            silence: [(0, 0.0); 2],
            unseen: Vec::new(),
            unseen_sum: UnseenSum::default(),
            hunting: Vec::new(),
            hunting_s: 0.0,
            changed: Vec::new(),
            resets: Vec::new(),
            plan,
        }
    }

    /// Takes the next slice, in time order.
    pub fn take(&mut self, slice: Slice) {
        let summary = summarise(&self.plan, self.earlier.as_ref(), &slice);
        let tick = summary.tick;
        self.ticks = Some(self.ticks.map_or((tick, tick), |(first, _)| (first, tick)));
        keep(&mut self.changed, summary.changed.clone());
        let changed = self.changed.first().map(|first| first.at);
        let added = self.excess.take(&self.plan, &slice, changed);
        self.rows.push(self.row(&summary, added.over_ws.clone()));
        self.unseen_in(&slice, &added.silent);
        self.add(added);
        for (index, (meter, found)) in self.meters.iter_mut().zip(summary.meters).enumerate() {
            meter.readings += found.readings as u64;
            for (read, now) in meter.read.iter_mut().zip(found.read) {
                *read |= now;
            }
            meter.energy = meter.energy.plus(found.energy[0].plus(found.energy[1]));
            for (steps, more) in meter.steps.iter_mut().zip(found.steps) {
                steps.extend(more);
            }
            for (sum, counted) in meter.counted_wh.iter_mut().zip(found.counted) {
                if counted.read {
                    *sum = Some(sum.unwrap_or(0.0) + counted.rise_wh);
                }
                keep(&mut self.resets, counted.resets.into_iter().map(|reset| (index, reset)).collect());
            }
        }
        self.spacing_s = slice.spacing_s;
        if let Some((first, last)) = slice.extent_s() {
            if self.earlier.is_none() {
                self.ends_s[0] = first;
            }
            self.ends_s[1] = TICK_S - last;
        }
        self.earlier = Some(slice);
    }

    fn add(&mut self, added: Added) {
        for silent in &added.silent {
            let place = usize::from(silent.meter != self.plan.main);
            self.silence[place].0 += 1;
            self.silence[place].1 += silent.to.seconds_since(silent.from);
        }
        keep(&mut self.silent, added.silent);
        for train in added.trains {
            self.hunting_s += train.length_s();
            match self.hunting.last_mut().and_then(|last| Some((last.joined(&train)?, last))) {
                Some((whole, last)) => *last = whole,
                None => keep(&mut self.hunting, vec![train]),
            }
        }
    }

    /// The readings about the worst span of a rule.
    pub fn event(&self, rule: usize) -> Option<&Event> {
        self.excess.event(rule)
    }

    /// Usual time between two readings, in s; nothing of too few.
    pub const fn spacing_s(&self) -> Option<f64> {
        self.spacing_s
    }

    /// Whether a power of a meter was read at all.
    pub fn read(&self, meter: usize, phase: Phase) -> bool {
        let line = self.plan.site.lines().iter().position(|line| *line == phase);
        // The total may be made of its phases, and the only phase is the total.
        let place = if self.plan.site.phases == 1 { 3 } else { line.unwrap_or(3) };
        self.meters.get(meter).is_some_and(|meter| meter.read[place])
    }

    /// How much of the first and the last slice lies before the first reading and after the last one, in s.
    pub const fn ends_s(&self) -> f64 {
        self.ends_s[0] + self.ends_s[1]
    }

    /// Spans above the limit.
    pub const fn spans(&self) -> &Spans {
        &self.excess.spans
    }

    /// Whether the meter the plant steers by was ever heard; nothing where that is the main meter.
    pub fn steering_heard(&self) -> Option<bool> {
        self.excess.steering_heard()
    }

    /// Once no slice follows.
    #[must_use]
    pub fn finish(mut self) -> Self {
        let added = self.excess.finish(&self.plan);
        self.add(added);
        self
    }

    /// What the export counter shows for the times without readings of the main meter that end in this slice.
    fn unseen_in(&mut self, slice: &Slice, silent: &[Silent]) {
        let plan = &self.plan;
        let (origin, of) = (slice.start(), &slice.meters[plan.main]);
        let mut step_wh = self.step_wh;
        let counter = Counter::chosen(plan.site.phases, Netting::Sum, Phase::Total, |phase| {
            let key = PointKey::Of(Quantity::EnergyExport, phase);
            let inner = of.series.points.get(&key).map_or(&[][..], |series| &series.samples);
            let before = of.before.get(&key).copied();
            let samples: Vec<Sample> =
                before.into_iter().chain(inner.iter().copied()).chain(of.after.get(&key).copied()).collect();
            let near = |pair: &&[Sample]| pair[1].at.seconds_since(pair[0].at) <= slice.gap_s;
            let step = samples.windows(2).filter(near).filter_map(smallest_step).min_by(f64::total_cmp);
            step_wh = step.into_iter().chain(step_wh).min_by(f64::total_cmp);
            Counter::stepping(&plan.profiles[plan.main], phase, &samples, origin, step_wh)
        });
        self.step_wh = step_wh;
        let power = flow::readings(plan, slice, plan.main, Phase::Total);
        let level_w = plan.lowest().map(|watch| watch.level_w);
        let changed = self.changed.first().map(|first| first.at);
        let mut found = Vec::new();
        for silence in silent.iter().filter(|silence| silence.meter == plan.main) {
            let (from, to) = (silence.from.seconds_since(origin), silence.to.seconds_since(origin));
            let around = power.iter().filter(|(at, _)| *at == from || *at == to);
            let around_w = around.fold(0.0, |most: f64, (_, power)| most.max(-power));
            self.unseen_sum.time_s += to - from;
            let least_wh = counter.as_ref().and_then(|counter| counter.least_unseen_wh(from, to, around_w));
            let Some(least_wh) = least_wh else { continue };
            let allowed_ws = level_w.map_or(f64::INFINITY, |level| level * (to - from));
            found.push(Unseen {
                from: silence.from,
                to: silence.to,
                least_wh,
                most_wh: counter.as_ref().and_then(|counter| counter.most_wh(from, to)),
                over_ws: (least_wh * 3600.0 - allowed_ws).max(0.0),
                silent: self.excess.was_silent(plan, silence.from, silence.to),
                after: changed.is_some_and(|changed| silence.from >= changed),
            });
        }
        for one in &found {
            let sum = &mut self.unseen_sum;
            sum.least_wh += one.least_wh;
            sum.most_wh += one.most_wh.unwrap_or(0.0);
            sum.over_ws += one.over_ws;
            sum.silent_ws += if one.silent { one.over_ws } else { 0.0 };
            sum.after_ws += if one.after { one.over_ws } else { 0.0 };
            sum.bounded_s += one.to.seconds_since(one.from);
        }
        keep(&mut self.unseen, found);
    }

    fn row(&self, summary: &Summary, over_ws: Vec<f64>) -> Row {
        let plan = &self.plan;
        let main = summary.meters.get(plan.main);
        let generation = plan.generation.iter().filter_map(|meter| summary.meters.get(*meter));
        let generation_ws =
            generation.fold(0.0, |sum, meter| sum + meter.energy[0].plus(meter.energy[1]).export_ws);
        let mean_of = |meter: Option<usize>| {
            meter.and_then(|meter| summary.meters.get(meter)).map_or([None; 4], |meter| meter.mean_w)
        };
        Row {
            tick: summary.tick,
            energy: main.map(|main| main.energy).unwrap_or_default(),
            by_phase: main.and_then(|main| main.by_phase),
            generation_ws,
            over_ws,
            volts: main.map_or([None; 3], |main| main.volts),
            mean_w: [mean_of(Some(plan.main)), mean_of(plan.steering)],
        }
    }
}

fn keep<T>(list: &mut Vec<T>, more: Vec<T>) {
    let room = MOST.saturating_sub(list.len());
    list.extend(more.into_iter().take(room));
}
