//! Every way a channel can be connected, weighed against what it did. A hypothesis says which line its voltage comes from,
//! which conductors its CT encloses and which way round; its gain has a narrow prior around one and a broad one for a wrong
//! ratio; a heavy-tailed "none of these" takes what fits nothing. The priors are ours, written down here and in `docs/ct.md`;
//! they move a verdict only where the data leave it open.

use super::network::{Complex, Lines};
use crate::base::Phase;
use crate::profile::Placement;

/// Probability that a CT encloses its own conductor alone, another one alone, none, or several.
const ON_OWN: f64 = 0.8895;
const ON_OTHER: f64 = 0.06;
const ON_NONE: f64 = 0.05;
const ON_SEVERAL: f64 = 5e-4;
/// Probability that a CT sits the wrong way round.
const REVERSED: f64 = 0.15;
/// Probability that a channel's voltage lead is on another line.
const LEAD_ELSEWHERE: f64 = 0.015;
/// Probability that nothing listed here is true of a channel.
const STRANGE: f64 = 2e-5;
/// Square of the share of the load (in halves) below which "none of these" hardly counts as moving.
const STILL: f64 = 0.1;
/// Probability that the ratio is not the one expected, and the range it then has (evenly in its logarithm).
const RATIO_WRONG: f64 = 0.1;
const RATIO_RANGE: f64 = 50.0;
/// Probability that one socket is not on the line it is marked as; that two or three are exchanged among themselves.
const LABEL_WRONG: f64 = 1e-3;
const LABELS_EXCHANGED: f64 = 5e-4;
/// Probability that the rotation is L1, L3, L2.
const BACKWARDS: f64 = 0.1;
/// How much less probable a voltage lead is that did not fall with the load on its line, or that fell with another.
const DIP_ELSEWHERE: f64 = 1e-3;
const NO_DIP: f64 = 1e-2;
/// What one channel did in one trial: values with the scale of what they may be off by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observation {
    /// In W.
    pub active: (f64, f64),
    /// In var.
    pub reactive: Option<(f64, f64)>,
}

/// One load on one placement.
#[derive(Clone, Debug, PartialEq)]
pub struct Trial {
    /// Where it is marked to stand; `None` when nobody knows.
    pub placement: Option<Placement>,
    /// Its power.
    pub load: Complex,
    /// How far its power may be off, as a fraction (standard).
    pub load_spread: f64,
    /// What each channel did.
    pub observations: Vec<Option<Observation>>,
    /// Whether the voltage of each line's lead fell with it; `None` where that is not clear.
    pub fell: Vec<Option<bool>>,
}

/// How a channel may be connected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Connection {
    /// The line its voltage comes from.
    pub voltage_line: usize,
    /// The conductors its CT encloses, bit 0 being L1.
    pub conductors: u8,
    /// The CT is the wrong way round.
    pub reversed: bool,
}

impl Connection {
    /// The only conductor it encloses.
    pub const fn senses(self) -> Option<usize> {
        match self.conductors {
            1 => Some(0),
            2 => Some(1),
            4 => Some(2),
            _ => None,
        }
    }

    /// Whether it is as it should be for this line.
    pub const fn is_right(self, line: usize) -> bool {
        self.voltage_line == line && self.conductors == 1 << line && !self.reversed
    }
}

/// Posterior of one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelPosterior {
    /// Every connection with its probability, the loads standing where they are marked.
    pub connections: Vec<(Connection, f64)>,
    /// The same, the loads standing elsewhere.
    pub mislabelled: f64,
    /// None of these.
    pub strange: f64,
}

impl ChannelPosterior {
    /// Probability that what holds of a connection is true.
    pub fn of(&self, holds: impl Fn(Connection) -> bool) -> f64 {
        self.connections.iter().filter(|(connection, _)| holds(*connection)).fold(0.0, |sum, (_, p)| sum + p)
    }

    /// The most probable connection.
    pub fn best(&self) -> Option<Connection> {
        let better = |one: &&(Connection, f64), other: &&(Connection, f64)| one.1.total_cmp(&other.1);
        self.connections.iter().max_by(better).map(|(connection, _)| *connection)
    }
}

/// What is to be weighed.
#[derive(Clone, Debug, PartialEq)]
pub struct Problem {
    /// 1, 2 or 3 lines.
    pub lines: usize,
    /// The line of each channel.
    pub own: Vec<usize>,
    /// The loads.
    pub trials: Vec<Trial>,
    /// The channels are the phases of one total: a CT on another phase shows as a response there, not here.
    pub alone: bool,
}

/// Where the trials' loads really stand, and the rotation: what all channels share.
struct Shared {
    lines: Lines,
    placements: Vec<Placement>,
    as_marked: bool,
    prior: f64,
}

/// Weighs every connection of every channel.
pub fn weigh(problem: &Problem) -> Vec<ChannelPosterior> {
    let shared = shared(problem);
    let connections: Vec<Vec<(Connection, f64)>> =
        problem.own.iter().map(|own| connections(problem.lines, *own, problem.alone)).collect();
    // Logarithms per shared state and channel; evidence of a channel is the sum over its connections.
    let mut states = Vec::with_capacity(shared.len());
    for state in &shared {
        let channels: Vec<ChannelWeights> = (0..problem.own.len())
            .map(|channel| channel_weights(problem, state, channel, &connections[channel]))
            .collect();
        let total = channels.iter().fold(libm::log(state.prior), |sum, channel| sum + channel.evidence);
        states.push((total, state.as_marked, channels));
    }
    let top = states.iter().fold(f64::NEG_INFINITY, |most, state| most.max(state.0));
    let weights: Vec<f64> = states.iter().map(|state| libm::exp(state.0 - top)).collect();
    let all = weights.iter().fold(0.0, |sum, weight| sum + weight);
    (0..problem.own.len())
        .map(|channel| {
            let mut result = ChannelPosterior {
                connections: connections[channel].iter().map(|(connection, _)| (*connection, 0.0)).collect(),
                mislabelled: 0.0,
                strange: 0.0,
            };
            for ((_, as_marked, channels), weight) in states.iter().zip(&weights) {
                let here = &channels[channel];
                for (entry, ln) in result.connections.iter_mut().zip(&here.connections) {
                    let p = weight / all * libm::exp(ln - here.evidence);
                    if *as_marked { entry.1 += p } else { result.mislabelled += p }
                }
                result.strange += weight / all * libm::exp(here.strange - here.evidence);
            }
            result
        })
        .collect()
}

struct ChannelWeights {
    connections: Vec<f64>,
    strange: f64,
    evidence: f64,
}

fn channel_weights(
    problem: &Problem,
    state: &Shared,
    channel: usize,
    connections: &[(Connection, f64)],
) -> ChannelWeights {
    let mut strange = libm::log(STRANGE);
    let mut moves = 0.0_f64;
    for trial in &problem.trials {
        let Some(seen) = trial.observations.get(channel).copied().flatten() else { continue };
        let wide = 0.5 * libm::hypot(trial.load.0, trial.load.1);
        // What stands still has a connection of its own in the list; this one moves.
        let moved = libm::hypot(seen.active.0, seen.reactive.map_or(0.0, |reactive| reactive.0)) / wide;
        moves = moves.max(moved * moved);
        for value in [Some(seen.active.0), seen.reactive.map(|reactive| reactive.0)].into_iter().flatten() {
            let ratio = value / wide;
            strange -= libm::log(std::f64::consts::PI * wide * (1.0 + ratio * ratio));
        }
    }
    strange += libm::log((moves / (moves + STILL)).max(1e-12));
    let list: Vec<f64> = connections
        .iter()
        .map(|(connection, prior)| {
            libm::log(prior * (1.0 - STRANGE)) + ln_likelihood(problem, state, channel, *connection)
        })
        .collect();
    let top = list.iter().fold(strange, |most, ln| most.max(*ln));
    let sum = list.iter().fold(libm::exp(strange - top), |sum, ln| sum + libm::exp(ln - top));
    ChannelWeights { connections: list, strange, evidence: top + libm::log(sum) }
}

/// ln of the probability of what a channel did, its gain integrated out.
fn ln_likelihood(problem: &Problem, state: &Shared, channel: usize, connection: Connection) -> f64 {
    let (mut zero, mut a, mut b) = (0.0, 0.0, 0.0);
    let mut spread = 0.03_f64;
    for (trial, placement) in problem.trials.iter().zip(&state.placements) {
        if !problem.alone {
            zero += ln_dip(trial, *placement, problem.own[channel], connection);
        }
        let Some(seen) = trial.observations.get(channel).copied().flatten() else { continue };
        let sign = if connection.reversed { -1.0 } else { 1.0 };
        let unit =
            state.lines.response(*placement, trial.load, connection.voltage_line, connection.conductors);
        for (expected, seen) in [(unit.0, Some(seen.active)), (unit.1, seen.reactive)] {
            let Some((value, scale)) = seen else { continue };
            let (x, y) = (sign * expected / scale, value / scale);
            zero -= 0.5 * y * y + libm::log(scale) + 0.918_938_533_204_672_7;
            a += x * x;
            b += x * y;
        }
        spread = spread.max(trial.load_spread);
    }
    if a < 1e-6 {
        return zero;
    }
    let precision = 1.0 / (spread * spread);
    let shifted = b + precision;
    let narrow =
        0.5 * shifted * shifted / (a + precision) - 0.5 * precision - 0.5 * libm::log1p(a * spread * spread);
    let gain = b / a;
    let broad = if gain > 1.0 / RATIO_RANGE && gain < RATIO_RANGE {
        let density = 1.0 / (gain * 2.0 * libm::log(RATIO_RANGE));
        0.5 * b * b / a + 0.5 * libm::log(std::f64::consts::TAU / a) + libm::log(density)
    } else {
        f64::NEG_INFINITY
    };
    let (narrow, broad) = (narrow + libm::log1p(-RATIO_WRONG), broad + libm::log(RATIO_WRONG));
    let top = narrow.max(broad);
    zero + top + libm::log(libm::exp(narrow - top) + libm::exp(broad - top))
}

fn ln_dip(trial: &Trial, placement: Placement, own: usize, connection: Connection) -> f64 {
    let (Some(fell), Placement::Line(phase)) = (trial.fell.get(own).copied().flatten(), placement) else {
        return 0.0;
    };
    let on_this_lead = phase.line_index() == Some(connection.voltage_line);
    match (fell, on_this_lead) {
        (true, false) => libm::log(DIP_ELSEWHERE),
        (false, true) => libm::log(NO_DIP),
        _ => 0.0,
    }
}

fn connections(lines: usize, own: usize, alone: bool) -> Vec<(Connection, f64)> {
    let all = 1_u8 << lines;
    let singles = lines.saturating_sub(1).max(1) as f64;
    let several = (usize::from(all) - lines - 1).max(1) as f64;
    // In a total a CT on another phase shows as voltage and current that disagree.
    let apart = if alone { ON_OTHER + LEAD_ELSEWHERE } else { LEAD_ELSEWHERE };
    let mut list = Vec::new();
    for voltage_line in 0..lines {
        // In a split phase a lead on the other leg reads as a CT the wrong way round: one name for both.
        if lines == 2 && voltage_line != own {
            continue;
        }
        let lead = match (lines, voltage_line == own) {
            (3, true) => 1.0 - apart,
            (3, false) => apart / 2.0,
            _ => 1.0,
        };
        for conductors in 0..all {
            if alone && conductors != 0 && conductors != 1 << own {
                continue;
            }
            let place = match conductors.count_ones() {
                0 => ON_NONE,
                1 if conductors == 1 << own => ON_OWN,
                1 => ON_OTHER / singles,
                _ => ON_SEVERAL / several,
            };
            let ways: &[(bool, f64)] =
                if conductors == 0 { &[(false, 1.0)] } else { &[(false, 1.0 - REVERSED), (true, REVERSED)] };
            for (reversed, way) in ways {
                let connection = Connection { voltage_line, conductors, reversed: *reversed };
                list.push((connection, lead * place * way));
            }
        }
    }
    list
}

/// Where the loads may stand: as marked, one or several sockets on other lines than marked, and any line where nobody knows.
fn shared(problem: &Problem) -> Vec<Shared> {
    let lines = problem.lines;
    let mut labels: Vec<Phase> = Vec::new();
    for trial in &problem.trials {
        if let Some(Placement::Line(phase)) = trial.placement
            && !labels.contains(&phase)
        {
            labels.push(phase);
        }
    }
    let unknown: Vec<usize> =
        (0..problem.trials.len()).filter(|trial| problem.trials[*trial].placement.is_none()).collect();
    let open = unknown.len().min(4);
    let mut list = Vec::new();
    for number in 0..lines.pow((labels.len() + open) as u32) {
        let digit = |place: usize| number / lines.pow(place as u32) % lines;
        let moved =
            (0..labels.len()).filter(|label| labels[*label].line_index() != Some(digit(*label))).count();
        let mut taken: Vec<usize> = (0..labels.len()).map(digit).collect();
        taken.sort_unstable();
        taken.dedup();
        let exchanged = taken.len() == labels.len();
        // On a total a load elsewhere than marked moves another phase's share, which is not weighed here.
        if problem.alone && moved > 0 {
            continue;
        }
        let prior = match (moved, exchanged) {
            (0, _) => 1.0,
            (1, _) => LABEL_WRONG / lines as f64,
            (_, true) => LABELS_EXCHANGED / lines as f64,
            (_, false) => LABEL_WRONG * LABEL_WRONG,
        };
        let placements = problem
            .trials
            .iter()
            .enumerate()
            .map(|(index, trial)| match trial.placement {
                Some(Placement::Line(phase)) => {
                    let label = labels.iter().position(|label| *label == phase).unwrap_or(0);
                    Placement::Line(Phase::LINES[digit(label)])
                }
                Some(other) => other,
                None => {
                    let place = unknown.iter().position(|trial| *trial == index).unwrap_or(0).min(3);
                    Placement::Line(Phase::LINES[digit(labels.len() + place)])
                }
            })
            .collect::<Vec<Placement>>();
        for (backwards, way) in [(false, 1.0 - BACKWARDS), (true, BACKWARDS)] {
            if backwards && lines != 3 {
                continue;
            }
            list.push(Shared {
                lines: Lines { count: lines, backwards },
                placements: placements.clone(),
                as_marked: moved == 0,
                prior: prior * way,
            });
        }
    }
    list
}

#[cfg(test)]
mod tests;
