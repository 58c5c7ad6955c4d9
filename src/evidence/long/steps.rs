//! Steps of a phase's own current, with the voltage before and after: what the impedance of the supply shows in.
//! A step counts where two level readings stand on either side of a reading that is passed over, since one reading may
//! have been taken while the meter still averaged.

use super::flow::near;
use super::plan::Plan;
use super::slice::{MeterSlice, Slice};
use crate::base::{Phase, Quantity, Stamp};

/// Smaller steps are lost in noise, in W (ours).
const LEAST_STEP_W: f64 = 300.0;

/// Readings on one side of a step differ by at most this share of it.
const LEVEL: f64 = 0.1;

/// Another phase steps by at most this share at the same time: through the neutral it would show too.
const ALONE: f64 = 0.2;

/// So many steps of each phase are kept, the largest.
pub const MOST_STEPS: usize = 2048;

/// One step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// When.
    pub at: Stamp,
    /// Voltage of the own phase before and after, in V.
    pub volts: [f64; 2],
    /// Active part of the current before and after, import positive, in A.
    pub active_a: [f64; 2],
    /// Reactive part, positive inductive, in A; 0 where nobody reads it.
    pub reactive_a: [f64; 2],
    /// By how much the voltage of each line moved, in V.
    pub moved_v: [f64; 3],
}

/// The largest steps of one phase, whatever order they came in.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Steps {
    list: Vec<Step>,
}

impl Step {
    /// Size of the step of active current, in A.
    pub fn size_a(&self) -> f64 {
        (self.active_a[1] - self.active_a[0]).abs()
    }
}

impl Steps {
    /// Adds those of a slice.
    pub fn extend(&mut self, steps: impl IntoIterator<Item = Step>) {
        self.list.extend(steps);
        if self.list.len() > 2 * MOST_STEPS {
            self.trim();
        }
    }

    /// The largest, in time order.
    pub fn largest(mut self) -> Vec<Step> {
        self.trim();
        self.list.sort_by_key(|step| step.at);
        self.list
    }

    fn trim(&mut self) {
        self.list.sort_by(|one, other| other.size_a().total_cmp(&one.size_a()).then(one.at.cmp(&other.at)));
        self.list.truncate(MOST_STEPS);
    }
}

/// Readings of one phase, cycle by cycle.
struct Row {
    at: f64,
    volts: [f64; 3],
    active_w: [f64; 3],
    reactive_var: [f64; 3],
}

/// The steps of each phase of a meter in a slice.
pub fn steps(plan: &Plan, slice: &Slice, meter: usize) -> [Vec<Step>; 3] {
    let mut found = [Vec::new(), Vec::new(), Vec::new()];
    let Some(of) = slice.meters.get(meter) else { return found };
    // Between two lines and from one line to neutral a current shows differently; of a delta nothing is claimed.
    if plan.site.network != crate::base::Network::Wye {
        return found;
    }
    let lines = plan.site.lines();
    let rows = rows(plan, of, meter, slice.start());
    for (line, steps) in found.iter_mut().enumerate().take(lines.len()) {
        let mut next = 2;
        while next + 2 < rows.len() {
            let taken = step(&rows, next, line, lines.len(), slice);
            next += if taken.is_some() { 4 } else { 1 };
            steps.extend(taken);
        }
    }
    found
}

fn step(rows: &[Row], middle: usize, line: usize, lines: usize, slice: &Slice) -> Option<Step> {
    let [a, b, c, d] = [&rows[middle - 2], &rows[middle - 1], &rows[middle + 1], &rows[middle + 2]];
    let moved = |of: usize| 0.5 * ((c.active_w[of] + d.active_w[of]) - (a.active_w[of] + b.active_w[of]));
    let size = moved(line).abs();
    if size < LEAST_STEP_W
        || (b.active_w[line] - a.active_w[line]).abs() > LEVEL * size
        || (d.active_w[line] - c.active_w[line]).abs() > LEVEL * size
        || (0..lines).any(|other| other != line && moved(other).abs() > ALONE * size)
        || d.at - a.at > 2.0 * slice.gap_s
    {
        return None;
    }
    let mean = |one: f64, other: f64| 0.5 * (one + other);
    let volts = [mean(a.volts[line], b.volts[line]), mean(c.volts[line], d.volts[line])];
    if volts.iter().any(|volts| *volts < 1.0) {
        return None;
    }
    let amps = |of: fn(&Row) -> &[f64; 3]| {
        [mean(of(a)[line], of(b)[line]) / volts[0], mean(of(c)[line], of(d)[line]) / volts[1]]
    };
    let mut moved_v = [0.0; 3];
    for (of, moved) in moved_v.iter_mut().enumerate().take(lines) {
        *moved = mean(c.volts[of], d.volts[of]) - mean(a.volts[of], b.volts[of]);
    }
    Some(Step {
        at: slice.start() + crate::base::Span::from_seconds(rows[middle].at),
        volts,
        active_a: amps(|row| &row.active_w),
        reactive_a: amps(|row| &row.reactive_var),
        moved_v,
    })
}

/// Voltage and power of every line, cycle by cycle, at the times of the first line's power; cycles without all of them are
/// left out.
fn rows(plan: &Plan, of: &MeterSlice, meter: usize, start: Stamp) -> Vec<Row> {
    let lines = plan.site.lines();
    let values = |quantity: Quantity, phase: Phase| {
        let key = match quantity {
            Quantity::ActivePower => plan.power_key(meter, phase),
            _ => plan.key(meter, quantity, phase).or_else(|| {
                (plan.site.phases == 1).then(|| plan.key(meter, quantity, Phase::Total)).flatten()
            }),
        };
        key.map(|key| of.values(&key, start)).unwrap_or_default()
    };
    let mut columns = Vec::new();
    for phase in lines {
        let powers = values(Quantity::ActivePower, *phase);
        let volts = values(Quantity::Voltage, *phase);
        if powers.is_empty() || volts.is_empty() {
            return Vec::new();
        }
        columns.push((powers, volts, values(Quantity::ReactivePower, *phase)));
    }
    let Some((first, ..)) = columns.first() else { return Vec::new() };
    let times: Vec<f64> = first.iter().map(|(at, _)| *at).collect();
    let mut places = vec![[0_usize; 3]; columns.len()];
    let mut rows = Vec::with_capacity(times.len());
    for (index, at) in times.iter().enumerate() {
        let next = times.get(index + 1).or_else(|| index.checked_sub(1).and_then(|before| times.get(before)));
        let reach = next.map_or(1.0, |next| 0.5 * (next - at).abs());
        let mut row = Row { at: *at, volts: [0.0; 3], active_w: [0.0; 3], reactive_var: [0.0; 3] };
        let mut whole = true;
        for (line, ((powers, volts, reactive), place)) in columns.iter().zip(&mut places).enumerate() {
            let power = near(powers, &mut place[0], *at, reach);
            let voltage = near(volts, &mut place[1], *at, reach);
            row.reactive_var[line] = near(reactive, &mut place[2], *at, reach).unwrap_or(0.0);
            match (power, voltage) {
                (Some(power), Some(voltage)) => (row.active_w[line], row.volts[line]) = (power, voltage),
                _ => whole = false,
            }
        }
        if whole {
            rows.push(row);
        }
    }
    rows
}
