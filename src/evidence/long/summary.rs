//! What one slice says: a pure function of its readings and those of the slice before it. Slices are summed up on any core
//! in any order; what they say is put together in the order of time (`whole.rs`).

use super::count::{Counted, counted};
use super::flow::{self, Energy, Over, Readings};
use super::plan::{LONGEST_MEAN_S, Plan};
use super::slice::{Slice, TICK_S};
use super::steps::{Step, steps};
use super::swing::{Train, trains};
use super::volts::{Volts, volts};
use crate::base::{Phase, PointKey, Quantity, Span, Stamp};
use crate::evidence::storage::{full_by_point, is_state_of_charge};

/// After a steering meter's silence the plant needs so long to come down again, in s (ours).
const AFTER_SILENCE_S: f64 = 30.0;

/// The steering meter misses something where it shows less export than the main one by this much, in W (ours), and by five
/// times the uncertainty of both.
const LEAST_MISSED_W: f64 = 200.0;

/// What one meter did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MeterSummary {
    /// Readings of its power.
    pub readings: usize,
    /// Energy of the sum, by halves.
    pub energy: [Energy; 2],
    /// Energy of each phase by itself, added up, by halves; none where the phases are not read.
    pub by_phase: Option<[Energy; 2]>,
    /// Mean power of each line and of the total, where nine tenths of the slice are covered, in W.
    pub mean_w: [Option<f64>; 4],
    /// Voltage of each line.
    pub volts: [Option<Volts>; 3],
    /// Steps of each line's current.
    pub steps: [Vec<Step>; 3],
    /// Import and export counters.
    pub counted: [Counted; 2],
}

/// A span above the level, and what went with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// Where and how much.
    pub over: Over,
    /// First instant.
    pub from: Stamp,
    /// Last instant.
    pub to: Stamp,
    /// Energy of it in which the steering meter was silent, in Ws.
    pub silent_ws: f64,
    /// In which the steering meter saw none of it.
    pub outside_ws: f64,
    /// In which the storage was full.
    pub full_ws: f64,
    /// In which the control hunted.
    pub hunting_ws: f64,
}

/// A time without readings of a meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Silent {
    /// Which meter, by its place in the site file.
    pub meter: usize,
    /// Last reading before.
    pub from: Stamp,
    /// First reading after.
    pub to: Stamp,
    /// Export of the main meter at its beginning, in W; none where it was silent too.
    pub export_w: Option<f64>,
}

/// A setting of a meter that changed.
#[derive(Clone, Debug, PartialEq)]
pub struct Changed {
    /// First reading of the new value.
    pub at: Stamp,
    /// Which meter.
    pub meter: usize,
    /// Its name in the profile.
    pub name: String,
    /// From.
    pub from: f64,
    /// To.
    pub to: f64,
}

/// What one slice says.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    /// Which.
    pub tick: i64,
    /// In the order of the site file.
    pub meters: Vec<MeterSummary>,
    /// Spans above the level.
    pub over: Vec<Part>,
    /// Silences that ended here.
    pub silent: Vec<Silent>,
    /// Hunting: when, and how.
    pub hunting: Vec<(Stamp, Stamp, Train)>,
    /// Settings that changed.
    pub changed: Vec<Changed>,
}

/// Sums up a slice. `earlier` is the slice before it, where there is one.
pub fn summarise(plan: &Plan, earlier: Option<&Slice>, slice: &Slice) -> Summary {
    let earlier = earlier.filter(|earlier| earlier.tick + 1 == slice.tick);
    let meters = (0..slice.meters.len()).map(|meter| of_meter(plan, earlier, slice, meter)).collect();
    let at = |second: f64| slice.start() + Span::from_seconds(second);
    let hunts = hunting(plan, earlier, slice);
    let spans = over(plan, earlier, slice);
    let over = spans.into_iter().map(|over| part(plan, slice, &hunts, over)).collect();
    let mut silent = Vec::new();
    let main = flow::readings(plan, slice, plan.main, Phase::Total);
    for meter in std::iter::once(plan.main).chain(plan.steering) {
        for one in flow::silences(&flow::readings(plan, slice, meter, Phase::Total), slice.gap_s) {
            let export_w = if meter == plan.main {
                Some(one.before_w)
            } else {
                flow::mean_between(&main, one.from.max(0.0), one.to, slice.gap_s).map(|mean| (-mean).max(0.0))
            };
            silent.push(Silent { meter, from: at(one.from), to: at(one.to), export_w });
        }
    }
    Summary {
        tick: slice.tick,
        meters,
        over,
        silent,
        hunting: hunts.into_iter().map(|train| (at(train.from), at(train.to), train)).collect(),
        changed: changed(slice),
    }
}

fn of_meter(plan: &Plan, earlier: Option<&Slice>, slice: &Slice, meter: usize) -> MeterSummary {
    let lines = plan.site.lines();
    let total = flow::readings(plan, slice, meter, Phase::Total);
    let mut summary = MeterSummary {
        readings: total.iter().filter(|(at, _)| (0.0..TICK_S).contains(at)).count(),
        energy: flow::energies(&total, slice.gap_s),
        ..MeterSummary::default()
    };
    summary.mean_w[3] = mean_w(summary.energy);
    let mut sum = [Energy::default(); 2];
    for (line, phase) in lines.iter().enumerate() {
        let energy = flow::energies(&flow::readings(plan, slice, meter, *phase), slice.gap_s);
        summary.mean_w[line] = mean_w(energy);
        sum = [sum[0].plus(energy[0]), sum[1].plus(energy[1])];
        let key = plan.key(meter, Quantity::Voltage, *phase).or_else(|| {
            (plan.site.phases == 1).then(|| plan.key(meter, Quantity::Voltage, Phase::Total)).flatten()
        });
        if let Some(key) = key.filter(|_| meter == plan.main) {
            let before = earlier.map(|earlier| shifted(earlier.meters[meter].values(&key, earlier.start())));
            let readings = slice.meters[meter].values(&key, slice.start());
            summary.volts[line] =
                volts(&before.unwrap_or_default(), &readings, slice.gap_s, plan.overvoltage_v);
        }
    }
    summary.by_phase = plan.has_phases(meter).then_some(sum);
    summary.steps = steps(plan, slice, meter);
    for (place, quantity) in [Quantity::EnergyImport, Quantity::EnergyExport].into_iter().enumerate() {
        summary.counted[place] = counters(plan, slice, meter, quantity);
    }
    summary
}

/// Readings of the slice before, in s since this one began; its own reading after its end is one of this slice.
fn shifted(readings: Readings) -> Readings {
    readings.into_iter().map(|(at, value)| (at - TICK_S, value)).filter(|(at, _)| *at < 0.0).collect()
}

fn mean_w(halves: [Energy; 2]) -> Option<f64> {
    let sum = halves[0].plus(halves[1]);
    (sum.covered_s >= 0.9 * TICK_S).then(|| (sum.import_ws - sum.export_ws) / sum.covered_s)
}

/// The counter of a direction: the total's, else those of the phases together.
fn counters(plan: &Plan, slice: &Slice, meter: usize, quantity: Quantity) -> Counted {
    let one = |phase: Phase| {
        let point = plan.profiles[meter].point(&PointKey::Of(quantity, phase))?;
        Some(counted(&slice.meters[meter], point, slice.gap_s))
    };
    if let Some(total) = one(Phase::Total) {
        return total;
    }
    let mut sum = Counted::default();
    for counted in plan.site.lines().iter().filter_map(|phase| one(*phase)) {
        sum.read |= counted.read;
        sum.rise_wh += counted.rise_wh;
        sum.silent.extend(counted.silent);
        sum.resets.extend(counted.resets);
    }
    sum
}

fn over(plan: &Plan, earlier: Option<&Slice>, slice: &Slice) -> Vec<Over> {
    let mut found = Vec::new();
    for watch in &plan.watches {
        let readings = flow::readings(plan, slice, plan.main, watch.phase);
        let earlier = earlier.map(|earlier| {
            let mut lead = shifted(flow::readings(plan, earlier, plan.main, watch.phase));
            lead.retain(|(at, _)| *at >= -LONGEST_MEAN_S.min(watch.averaging_s + slice.gap_s));
            lead
        });
        let above = |power: f64| -power > watch.level_w;
        if readings.iter().any(|(_, power)| above(*power)) {
            let expanded_w = expanded_above(plan, slice, watch.phase, &readings, above);
            let earlier = earlier.unwrap_or_default();
            found.extend(flow::over(watch, expanded_w, &earlier, &readings, slice.gap_s));
        }
    }
    found
}

/// Expanded uncertainty of the readings above a level, by the powers of the phases at that time.
fn expanded_above(
    plan: &Plan,
    slice: &Slice,
    phase: Phase,
    readings: &[(f64, f64)],
    above: impl Fn(f64) -> bool,
) -> f64 {
    let over: Vec<(f64, f64)> = readings.iter().filter(|(_, power)| above(*power)).copied().collect();
    let total = over.iter().fold(0.0, |sum, (_, power)| sum + power.abs()) / over.len().max(1) as f64;
    let phases: Vec<Phase> = match phase {
        Phase::Total if plan.has_phases(plan.main) => plan.site.lines().to_vec(),
        Phase::Total => Vec::new(),
        phase => vec![phase],
    };
    let mean = |phase: &Phase| {
        let values = flow::readings(plan, slice, plan.main, *phase);
        let mut place = 0;
        let (mut sum, mut count) = (0.0, 0_usize);
        for (at, _) in &over {
            while place + 1 < values.len() && values[place + 1].0 <= *at + 0.5 {
                place += 1;
            }
            if let Some((_, power)) = values.get(place) {
                sum += power.abs();
                count += 1;
            }
        }
        sum / count.max(1) as f64
    };
    let parts: Vec<f64> = phases.iter().map(mean).collect();
    plan.expanded_w(plan.main, &parts, total)
}

fn hunting(plan: &Plan, earlier: Option<&Slice>, slice: &Slice) -> Vec<Train> {
    let Some(watch) = plan.watches.iter().find(|watch| watch.phase == Phase::Total) else {
        return Vec::new();
    };
    let mut readings = earlier
        .map(|earlier| shifted(flow::readings(plan, earlier, plan.main, Phase::Total)))
        .unwrap_or_default();
    let own = flow::readings(plan, slice, plan.main, Phase::Total);
    if !own.iter().any(|(_, power)| -power > watch.level_w) {
        return Vec::new();
    }
    let first = own.first().map_or(0.0, |(at, _)| *at);
    readings.retain(|(at, _)| *at < first);
    readings.extend(own.iter().filter(|(at, _)| *at < TICK_S));
    let over: Vec<(f64, f64)> = own.iter().filter(|(_, power)| -power > watch.level_w).copied().collect();
    let expanded_w = expanded_above(plan, slice, Phase::Total, &over, |power| -power > watch.level_w);
    let found = trains(&readings, 5.0 * expanded_w, -(watch.level_w + expanded_w));
    // What ended before is the slice before's; of a train that reaches over the tick each slice has its part.
    let cut = |train: Train| (train.to > 0.0).then(|| Train { from: train.from.max(0.0), ..train });
    found.into_iter().filter_map(cut).collect()
}

fn part(plan: &Plan, slice: &Slice, hunts: &[Train], over: Over) -> Part {
    let at = |second: f64| slice.start() + Span::from_seconds(second);
    let length = (over.to - over.from).max(1e-9);
    let overlap = |from: f64, to: f64| ((over.to.min(to) - over.from.max(from)).max(0.0) / length).min(1.0);
    let hunting = hunts
        .iter()
        .fold(0.0, |sum: f64, train| sum + overlap(train.from - train.period_s, train.to + train.period_s));
    let (mut silent, mut outside) = (0.0, 0.0);
    if let Some(steering) = plan.steering {
        let readings = flow::readings(plan, slice, steering, over.phase);
        silent = if readings.is_empty() { 1.0 } else { 0.0 };
        for pair in readings.windows(2).filter(|pair| pair[1].0 - pair[0].0 > slice.gap_s) {
            silent += overlap(pair[0].0, pair[1].0 + AFTER_SILENCE_S);
        }
        if let Some(last) = readings.last() {
            silent += overlap(last.0 + slice.gap_s, f64::INFINITY);
        }
        let main = flow::readings(plan, slice, plan.main, over.phase);
        let mean = |readings: &[(f64, f64)]| flow::mean_between(readings, over.from, over.to, slice.gap_s);
        if let (Some(seen), Some(real)) = (mean(&readings), mean(&main)) {
            let unsure = plan.expanded_w(plan.main, &[], real) + plan.expanded_w(steering, &[], seen);
            if silent == 0.0 && seen - real > LEAST_MISSED_W.max(unsure) {
                outside = 1.0;
            }
        }
    }
    let full = if storage_full(plan, slice, at(over.from)) { 1.0 } else { 0.0 };
    Part {
        over,
        from: at(over.from),
        to: at(over.to),
        silent_ws: over.energy_ws * silent.min(1.0),
        outside_ws: over.energy_ws * outside,
        full_ws: over.energy_ws * full,
        hunting_ws: over.energy_ws * hunting.min(1.0),
    }
}

/// Whether a state of charge, of any meter, says full at an instant.
fn storage_full(plan: &Plan, slice: &Slice, at: Stamp) -> bool {
    if !plan.site.has_storage() {
        return false;
    }
    plan.profiles.iter().zip(&slice.meters).any(|(profile, of)| {
        profile.points.iter().filter(|point| is_state_of_charge(&point.key)).any(|point| {
            let inner = of.series.points.get(&point.key).map_or(&[][..], |series| &series.samples);
            let before = of.before.get(&point.key);
            let known = inner.partition_point(|sample| sample.at <= at).checked_sub(1);
            let sample = known.and_then(|index| inner.get(index)).or(before);
            sample.is_some_and(|sample| full_by_point(point, sample, at, inner))
        })
    })
}

fn changed(slice: &Slice) -> Vec<Changed> {
    let mut found = Vec::new();
    for (meter, of) in slice.meters.iter().enumerate() {
        for (key, series) in &of.series.points {
            let PointKey::Setting(name) = key else { continue };
            let mut last = of.before.get(key).copied();
            for sample in &series.samples {
                if let Some(before) = last.filter(|before| before.value != sample.value) {
                    let name = name.clone();
                    found.push(Changed { at: sample.at, meter, name, from: before.value, to: sample.value });
                }
                last = Some(*sample);
            }
        }
    }
    found
}
