//! The whole log: what the slices said, put together in the order of time. Of the readings nothing is kept; of each slice
//! a row of some 400 bytes, so that a year takes about 20 MB.

use super::count::Reset;
use super::flow::Energy;
use super::plan::Plan;
use super::slice::tick_start;
use super::spans::Spans;
use super::steps::Steps;
use super::summary::{Changed, Silent, Summary};
use super::swing::Train;
use super::volts::Volts;
use crate::base::{Phase, Stamp};

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
    /// Energy above the limit, in Ws.
    pub over_ws: f64,
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
    /// The largest steps of each line's current.
    pub steps: [Steps; 3],
    /// What its counters rose by while it was read, import and export, in Wh; none where there is none.
    pub counted_wh: [Option<f64>; 2],
    /// Energy by its power, in Ws.
    pub energy: Energy,
}

/// Export that an export counter shows for a time without readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unseen {
    /// Last reading before.
    pub from: Stamp,
    /// First reading after.
    pub to: Stamp,
    /// By the counter, in Wh.
    pub export_wh: f64,
    /// Of it above what the limit allows, in Ws.
    pub over_ws: f64,
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
    /// Above the limit.
    pub spans: Spans,
    /// Silences of the main and the steering meter.
    pub silent: Vec<Silent>,
    /// How many there were, and how long together, in s, of the main and the steering meter.
    pub silence: [(u64, f64); 2],
    /// Export of the main meter's silences, by its counter.
    pub unseen: Vec<Unseen>,
    /// Hunting.
    pub hunting: Vec<(Stamp, Stamp, Train)>,
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
            spans: Spans::new(&plan.watches, lag),
            silent: Vec::new(),
            silence: [(0, 0.0); 2],
            unseen: Vec::new(),
            hunting: Vec::new(),
            hunting_s: 0.0,
            changed: Vec::new(),
            resets: Vec::new(),
            plan,
        }
    }

    /// Takes the next slice's summary, in time order.
    pub fn push(&mut self, summary: Summary) {
        let tick = summary.tick;
        if self.ticks.is_some_and(|(_, last)| last + 1 < tick) {
            self.spans.end();
        }
        self.ticks = Some(self.ticks.map_or((tick, tick), |(first, _)| (first, tick)));
        self.spans.push(tick_start(tick), &summary.over);
        self.rows.push(self.row(&summary));
        for silent in &summary.silent {
            let place = usize::from(silent.meter != self.plan.main);
            self.silence[place].0 += 1;
            self.silence[place].1 += silent.to.seconds_since(silent.from);
        }
        self.unseen_in(&summary);
        keep(&mut self.silent, summary.silent);
        for (from, to, _) in &summary.hunting {
            self.hunting_s += to.seconds_since(*from);
        }
        keep(&mut self.hunting, summary.hunting);
        keep(&mut self.changed, summary.changed);
        for (index, (meter, found)) in self.meters.iter_mut().zip(summary.meters).enumerate() {
            meter.readings += found.readings as u64;
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
    }

    /// Once no slice follows.
    #[must_use]
    pub fn finish(mut self) -> Self {
        self.spans.end();
        self
    }

    /// What the export counter shows for the silences of the main meter.
    fn unseen_in(&mut self, summary: &Summary) {
        let level_w = self.plan.watches.iter().find(|watch| watch.phase == Phase::Total).map(|w| w.level_w);
        let Some(meter) = summary.meters.get(self.plan.main) else { return };
        for (from, to, rise_wh) in &meter.counted[1].silent {
            let allowed_ws = level_w.map_or(f64::INFINITY, |level| level * to.seconds_since(*from));
            let over_ws = (rise_wh * 3600.0 - allowed_ws).max(0.0);
            keep(&mut self.unseen, vec![Unseen { from: *from, to: *to, export_wh: *rise_wh, over_ws }]);
        }
    }

    fn row(&self, summary: &Summary) -> Row {
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
            over_ws: summary.over.iter().fold(0.0, |sum, part| sum + part.over.energy_ws),
            volts: main.map_or([None; 3], |main| main.volts),
            mean_w: [mean_of(Some(plan.main)), mean_of(plan.steering)],
        }
    }
}

fn keep<T>(list: &mut Vec<T>, more: Vec<T>) {
    let room = MOST.saturating_sub(list.len());
    list.extend(more.into_iter().take(room));
}
