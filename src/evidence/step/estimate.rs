//! The step of a load in each lane, from its on/off pairs: the drift that an "on" adds, the next "off" takes away.

use super::consensus::Edge;
use crate::base::uncertain::{median, robust_deviation};

/// A pair must lie this close to the others, in units of its own uncertainty, beside `AGREES` of the step.
const PAIR_REACH: f64 = 4.0;

/// What a pair may differ from the others, as a fraction of the load's power.
const AGREES: f64 = 0.08;

/// However noisy the levels, a pair further than this fraction of the step from the others does not agree with them.
const BLURRED: f64 = 0.25;

/// How much the scatter within the levels is worth beside the scatter of the pairs, in degrees of freedom.
const PRIOR_FREEDOM: f64 = 3.0;

/// The step of one lane.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Step {
    /// Change when the load comes on.
    pub value: f64,
    /// Standard uncertainty from scatter alone (type A).
    pub standard: f64,
    /// Its degrees of freedom.
    pub freedom: f64,
    /// Pairs that agree.
    pub pairs: usize,
    /// Pairs that do not.
    pub against: usize,
    /// Level with the load off, mean of the edges.
    pub level_off: f64,
    /// Level with the load on, mean of the edges.
    pub level_on: f64,
}

/// One on/off pair of edges, by index.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pair {
    /// The "on".
    pub on: usize,
    /// The "off" after it.
    pub off: usize,
}

/// Pairs of an "on" with the next edge, where that is an "off".
pub fn pairs(edges: &[Edge]) -> Vec<Pair> {
    (1..edges.len())
        .filter(|index| edges[index - 1].on && !edges[*index].on)
        .map(|index| Pair { on: index - 1, off: index })
        .collect()
}

/// The step of a lane. `size` is what counts as a large difference, in the lane's unit (the load's power).
pub fn step(edges: &[Edge], lane: usize, size: f64) -> Option<Step> {
    let change = |index: usize| {
        let edge = &edges[index];
        edge.event.deltas[lane].map(|delta| (edge.sign() * delta.value, delta.standard))
    };
    let mut values = Vec::new();
    let mut uneven = 0;
    for pair in pairs(edges) {
        if let (Some(on), Some(off)) = (change(pair.on), change(pair.off)) {
            // What comes with the "on" and does not go with the "off" is another load's.
            let half = 0.5 * libm::hypot(on.1, off.1);
            let reach =
                (PAIR_REACH * half).min(BLURRED * size) + AGREES * size.max(on.0.abs().min(off.0.abs()));
            if 0.5 * (on.0 - off.0).abs() > reach {
                uneven += 1;
            } else {
                values.push((f64::midpoint(on.0, off.0), half));
            }
        }
    }
    let (off, on): (Vec<f64>, Vec<f64>) = edges
        .iter()
        .filter_map(|edge| {
            edge.event.deltas[lane]
                .map(|delta| if edge.on { (delta.before, delta.after) } else { (delta.after, delta.before) })
        })
        .unzip();
    let (level_off, level_on) = (median(&off), median(&on));
    if values.is_empty() {
        let single: Vec<(f64, f64)> = (0..edges.len()).filter_map(change).collect();
        let value = median(&single.iter().map(|(value, _)| *value).collect::<Vec<f64>>());
        let standard = single.iter().map(|(_, standard)| *standard).fold(0.0_f64, f64::max);
        return (!single.is_empty()).then_some(Step {
            value,
            standard: standard.max(0.05 * size),
            freedom: 1.0,
            pairs: 0,
            against: uneven,
            level_off,
            level_on,
        });
    }
    let centre = median(&values.iter().map(|(value, _)| *value).collect::<Vec<f64>>());
    let spread = robust_deviation(&values.iter().map(|(value, _)| *value).collect::<Vec<f64>>());
    let size = size.max(centre.abs());
    let agrees = |(value, standard): &&(f64, f64)| {
        let reach = PAIR_REACH * standard.max(spread.min(AGREES * size / PAIR_REACH));
        (value - centre).abs() <= reach.min(BLURRED * size) + AGREES * size
    };
    let kept: Vec<(f64, f64)> = values.iter().filter(agrees).copied().collect();
    let (value, standard, freedom) = pool(&kept);
    Some(Step {
        value,
        standard,
        freedom,
        pairs: kept.len(),
        against: values.len() - kept.len() + uneven,
        level_off,
        level_on,
    })
}

/// The change of a lane at all edges together, each turned to "on", whether or not they make pairs: for lanes that other
/// loads hardly move, such as the voltage. A few edges far from the rest are left out.
pub fn change(edges: &[Edge], lane: usize) -> Option<Step> {
    let all: Vec<(f64, f64)> = edges
        .iter()
        .filter_map(|edge| edge.event.deltas[lane].map(|delta| (edge.sign() * delta.value, delta.standard)))
        .collect();
    let values: Vec<f64> = all.iter().map(|(value, _)| *value).collect();
    if values.len() < 2 {
        return None;
    }
    let (centre, spread) = (median(&values), robust_deviation(&values));
    let near = |(value, standard): &&(f64, f64)| (value - centre).abs() <= PAIR_REACH * spread.max(*standard);
    let kept: Vec<(f64, f64)> = all.iter().filter(near).copied().collect();
    let (value, standard, freedom) = pool(&kept);
    Some(Step {
        value,
        standard,
        freedom,
        pairs: kept.len() / 2,
        against: (all.len() - kept.len()) / 2,
        ..Step::default()
    })
}

/// Mean of pairs with its standard uncertainty and degrees of freedom: the scatter of the pairs, steadied by the scatter
/// within their levels.
fn pool(pairs: &[(f64, f64)]) -> (f64, f64, f64) {
    let count = pairs.len() as f64;
    let mean = pairs.iter().fold(0.0, |sum, (value, _)| sum + value) / count;
    let between = pairs.iter().fold(0.0, |sum, (value, _)| sum + (value - mean) * (value - mean));
    let within = pairs.iter().fold(0.0, |sum, (_, standard)| sum + standard * standard) / count;
    let freedom = count - 1.0 + PRIOR_FREEDOM;
    let one = (between + PRIOR_FREEDOM * within) / freedom;
    (mean, (one / count).sqrt(), freedom)
}
