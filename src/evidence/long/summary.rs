//! What one slice says by itself: a pure function of its readings and those of the slice before it. What reaches over many
//! slices (spans above the limit, trains, silence) is followed in `excess.rs`; both are put together in `whole.rs`.

use super::count::{Counted, counted};
use super::flow::{self, Energy, Readings};
use super::plan::Plan;
use super::slice::{Slice, TICK_S};
use super::steps::{Step, steps};
use super::volts::{Volts, volts};
use crate::base::{Phase, PointKey, Quantity, Stamp};

/// What one meter did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MeterSummary {
    /// Readings of its power.
    pub readings: usize,
    /// Whether the power of each line and the total was read.
    pub read: [bool; 4],
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
    /// Settings that changed.
    pub changed: Vec<Changed>,
}

/// Sums up a slice. `earlier` is the slice before it, where there is one.
pub fn summarise(plan: &Plan, earlier: Option<&Slice>, slice: &Slice) -> Summary {
    let earlier = earlier.filter(|earlier| earlier.tick + 1 == slice.tick);
    let meters = (0..slice.meters.len()).map(|meter| of_meter(plan, earlier, slice, meter)).collect();
    Summary { tick: slice.tick, meters, changed: changed(slice) }
}

fn of_meter(plan: &Plan, earlier: Option<&Slice>, slice: &Slice, meter: usize) -> MeterSummary {
    let lines = plan.site.lines();
    let total = flow::readings(plan, slice, meter, Phase::Total);
    let mut summary = MeterSummary {
        readings: total.iter().filter(|(at, _)| (0.0..TICK_S).contains(at)).count(),
        energy: flow::energies(&total, slice.gap_s),
        ..MeterSummary::default()
    };
    let inside = |readings: &[(f64, f64)]| readings.iter().any(|(at, _)| (0.0..TICK_S).contains(at));
    summary.read[3] = inside(&total);
    summary.mean_w[3] = mean_w(summary.energy);
    let mut sum = [Energy::default(); 2];
    for (line, phase) in lines.iter().enumerate() {
        let own = flow::readings(plan, slice, meter, *phase);
        summary.read[line] = inside(&own);
        let energy = flow::energies(&own, slice.gap_s);
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
        sum.resets.extend(counted.resets);
    }
    sum
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
