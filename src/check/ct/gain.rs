//! Gains: measured over expected step, what the ratio rule of contract 6 makes of them, and one factor on all channels.

use super::body::{CtFault, Status};
use super::decide::{Decision, PAIRS, Subject, Trust, Weighed, Why};
use super::hypothesis::ChannelPosterior;
use super::network::{Lines, draws_in};
use crate::base::uncertain::{combine, expanded};
use crate::profile::Placement;

/// Gains within this are no fault (contract 6).
pub const GAIN_FROM: f64 = 0.8;
/// See [`GAIN_FROM`].
pub const GAIN_TO: f64 = 1.25;

/// A channel that shows less than this of the load does not move, and its gain says nothing of a ratio (ours).
const MOVES: f64 = 0.05;

/// Gains within this factor of each other are one factor (ours).
const LIKE: f64 = 1.15;

/// Whether the whole interval lies outside what is right.
pub fn is_outside(gain: f64, gain_u: f64) -> bool {
    gain + gain_u < GAIN_FROM || gain - gain_u > GAIN_TO
}

/// The ratio of a channel that is right in all else.
pub(super) fn ratio(mut decision: Decision, idle: bool) -> Decision {
    let Some((gain, gain_u)) = decision.gain else { return decision };
    if !idle && !(GAIN_FROM..=GAIN_TO).contains(&gain) {
        decision.status = Status::Ambiguous;
        decision.why = Why::PlantActive;
    } else if is_outside(gain, gain_u) {
        decision.status = Status::Faulty;
        decision.faults = vec![CtFault::WrongRatio];
    } else if !(GAIN_FROM..=GAIN_TO).contains(&gain) {
        decision.status = Status::Ambiguous;
        decision.why = Why::GainOpen;
    }
    decision
}

/// Measured over expected step in size, along the direction the most probable connection gives it.
pub(super) fn gain(
    lines: usize,
    tests: &[Weighed<'_>],
    index: usize,
    subject: &Subject,
    posterior: &ChannelPosterior,
) -> Option<(f64, f64)> {
    let measured = tests[index].measured;
    let response = measured.responses[subject.channel].as_ref()?;
    let draw = measured.draw;
    let reactive = response.reactive.zip(response.reactive_standard());
    let best = posterior.best()?;
    let placement =
        tests[index].placement.unwrap_or(Placement::Line(crate::base::Phase::LINES[subject.line]));
    let unit = |backwards| {
        let lines = Lines { count: lines, backwards };
        lines.response(placement, (draw.active_w, draw.reactive_var), best.voltage_line, best.conductors)
    };
    let along = |unit: (f64, f64)| {
        let sign = if best.reversed { -1.0 } else { 1.0 };
        let size = unit.0 * unit.0 + reactive.map_or(0.0, |_| unit.1 * unit.1);
        let dot = unit.0 * response.active.value + reactive.map_or(0.0, |(step, _)| unit.1 * step.value);
        (sign * dot, size)
    };
    let (dot, size) =
        [along(unit(false)), along(unit(true))].into_iter().max_by(|one, other| one.0.total_cmp(&other.0))?;
    let scatter = response.active_standard();
    if size < 1e-6 * draw.apparent_va() * draw.apparent_va() {
        // It should not move at all: how much of the load it shows.
        let moved = libm::hypot(response.active.value, reactive.map_or(0.0, |(step, _)| step.value));
        return Some((moved / draw.apparent_va(), expanded(scatter / draw.apparent_va())));
    }
    let share = unit(false).0.abs() / size.sqrt();
    let off = combine(&[
        share * scatter,
        reactive.map_or(0.0, |(_, standard)| (1.0 - share * share).max(0.0).sqrt() * standard),
    ]);
    let gain = dot / size;
    Some((gain, expanded(combine(&[off / size.sqrt(), gain * draw.spread]))))
}

/// A factor that all channels share may be the load's: it takes a second load to say. And two loads that give one channel
/// two gains say that one of their powers is wrong.
pub(super) fn common_factor(
    lines: usize,
    subjects: &[Subject],
    tests: &[Weighed<'_>],
    posteriors: &[ChannelPosterior],
    decisions: &mut [Decision],
) {
    let by_load: Vec<Vec<f64>> = subjects
        .iter()
        .zip(posteriors)
        .map(|(subject, posterior)| gains_by_load(lines, subject, tests, posterior))
        .collect();
    let spread = |gains: &[f64]| {
        let (least, most) = gains
            .iter()
            .fold((f64::INFINITY, 0.0_f64), |(least, most), gain| (least.min(*gain), most.max(*gain)));
        most / least.max(1e-9)
    };
    for (decision, gains) in decisions.iter_mut().zip(&by_load) {
        let right_but_for_the_gain =
            decision.status == Status::Correct || decision.faults == [CtFault::WrongRatio];
        if right_but_for_the_gain && gains.len() > 1 && spread(gains) > GAIN_TO {
            decision.status = Status::Ambiguous;
            decision.faults.clear();
            decision.why = Why::LoadsApart;
        }
    }
    let with_gain: Vec<usize> = (0..decisions.len())
        .filter(|index| {
            decisions[*index].gain.is_some_and(|gain| gain.0 > MOVES) && decisions[*index].pairs > 0
        })
        .collect();
    let off = |decision: &Decision| decision.faults.contains(&CtFault::WrongRatio);
    let gains: Vec<f64> =
        with_gain.iter().filter_map(|index| decisions[*index].gain).map(|gain| gain.0).collect();
    let all = !with_gain.is_empty() && with_gain.iter().all(|index| off(&decisions[*index]));
    let second = by_load.iter().any(|gains| gains.len() > 1 && spread(gains) <= LIKE);
    if !all || spread(&gains) > LIKE || second {
        return;
    }
    for index in with_gain {
        let decision = &mut decisions[index];
        decision.faults.retain(|fault| *fault != CtFault::WrongRatio);
        if decision.faults.is_empty() {
            decision.status = Status::Ambiguous;
            decision.why = Why::CommonFactor;
        }
    }
}

/// Gain of a channel for each load, by name, that was switched often enough on a line it senses.
fn gains_by_load(
    lines: usize,
    subject: &Subject,
    tests: &[Weighed<'_>],
    posterior: &ChannelPosterior,
) -> Vec<f64> {
    let mut names: Vec<&str> = Vec::new();
    let mut gains = Vec::new();
    for (index, test) in tests.iter().enumerate() {
        let name = test.measured.test.load.name.as_str();
        let enough = test.measured.responses[subject.channel].is_some_and(|response| response.pairs >= PAIRS);
        let here = test.placement.is_some_and(|place| draws_in(place, subject.line));
        if test.trust != Trust::Good || !enough || !here || names.contains(&name) {
            continue;
        }
        if let Some((gain, _)) =
            gain(lines, tests, index, subject, posterior).filter(|(gain, _)| *gain > MOVES)
        {
            names.push(name);
            gains.push(gain);
        }
    }
    gains
}

/// Channels that the same load moved by different shares of itself: one of them is wrong, whatever the load's tolerance. Both
/// may lie within 0.8 to 1.25 of what the load should draw, and neither may pass.
pub(super) fn unlike(tests: &[Weighed<'_>], decisions: &mut [Decision]) {
    let mut apart = vec![false; decisions.len()];
    for one in 0..decisions.len() {
        for other in 0..one {
            let (Some(a), Some(b)) = (decisions[one].gain, decisions[other].gain) else { continue };
            let load = |decision: &Decision| decision.shown.map(|index| &tests[index].measured.test.load);
            let same = load(&decisions[one])
                .zip(load(&decisions[other]))
                .is_some_and(|(a, b)| a.name == b.name && a.power_w == b.power_w);
            let both = [one, other].iter().all(|index| decisions[*index].status == Status::Correct);
            if same && both && !(GAIN_FROM..=GAIN_TO).contains(&(a.0 / b.0)) {
                apart[one] = true;
                apart[other] = true;
            }
        }
    }
    for (decision, apart) in decisions.iter_mut().zip(apart) {
        if apart {
            decision.status = Status::Ambiguous;
            decision.why = Why::GainsApart;
        }
    }
}
