//! The last readings of a power, each with what makes it unsure: as far back as the longest mean of a rule needs, so that
//! nothing that is found over them depends on where a slice begins.

use super::flow::near;
use super::plan::Plan;
use super::slice::{Slice, TICK_S};
use crate::base::{Phase, Span, Stamp};

/// A reading of the power.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// When.
    pub at: Stamp,
    /// In W, import positive.
    pub power_w: f64,
    /// Its expanded uncertainty, by the powers of the phases at that time, in W.
    pub expanded_w: f64,
}

/// The last readings of one phase or of the total of the main meter.
#[derive(Clone, Debug)]
pub struct Recent {
    /// Which.
    pub phase: Phase,
    list: Vec<Reading>,
    /// First reading after the slice taken last, where one came soon.
    after: Option<Reading>,
    /// Where the slice's own readings begin in the list.
    own: usize,
}

impl Recent {
    /// Of this phase, nothing yet.
    pub const fn new(phase: Phase) -> Self {
        Self { phase, list: Vec::new(), after: None, own: 0 }
    }

    /// Takes the readings of the next slice and lets go of those more than `reach_s` before it.
    pub fn take(&mut self, plan: &Plan, slice: &Slice, reach_s: f64) {
        let start = slice.start();
        let oldest = start - Span::from_seconds(reach_s + slice.gap_s);
        // The one just before it is kept: the line begins there.
        let first = self.list.partition_point(|reading| reading.at < oldest).saturating_sub(1);
        self.list.drain(..first);
        self.own = self.list.len();
        let mut readings = readings(plan, slice, self.phase);
        self.after = readings.pop_if(|last| last.at.seconds_since(start) >= TICK_S);
        self.list.append(&mut readings);
    }

    /// The readings of the slice taken last.
    pub fn own(&self) -> &[Reading] {
        &self.list[self.own..]
    }

    /// What is at hand from an instant on, with the reading after the slice.
    pub fn since(&self, oldest: Stamp) -> impl Iterator<Item = &Reading> {
        self.list[self.list.partition_point(|reading| reading.at < oldest)..].iter().chain(&self.after)
    }
}

/// The readings in and just after a slice.
fn readings(plan: &Plan, slice: &Slice, phase: Phase) -> Vec<Reading> {
    let start = slice.start();
    let powers = super::flow::readings(plan, slice, plan.main, phase);
    let lines: Vec<Vec<(f64, f64)>> = match phase {
        Phase::Total if plan.has_phases(plan.main) => {
            let of = |line: &Phase| super::flow::readings(plan, slice, plan.main, *line);
            plan.site.lines().iter().map(of).collect()
        }
        _ => Vec::new(),
    };
    let unsure = plan.unsure(plan.main);
    let mut places = vec![0; lines.len()];
    let mut found = Vec::with_capacity(powers.len());
    for (index, (at, power_w)) in powers.iter().enumerate() {
        if *at < 0.0 {
            continue;
        }
        let beside =
            powers.get(index + 1).or_else(|| index.checked_sub(1).and_then(|before| powers.get(before)));
        let reach = beside.map_or(1.0, |beside| 0.5 * (beside.0 - at).abs());
        let phases: Vec<f64> = if phase == Phase::Total {
            let of = lines.iter().zip(&mut places).filter_map(|(line, place)| near(line, place, *at, reach));
            of.collect()
        } else {
            vec![*power_w]
        };
        // With a phase missing the total stands for all of them.
        let phases =
            if phases.len() == lines.len().max(1) || phase != Phase::Total { &phases[..] } else { &[] };
        let expanded_w = unsure.expanded_w(phases, *power_w);
        found.push(Reading { at: start + Span::from_seconds(*at), power_w: *power_w, expanded_w });
    }
    found
}
