//! Challenges that no load mark tells of: falls in load seen in the readings alone, rises of generation, loss of the
//! steering signal, and export held at the limit.

use super::challenge::{Challenge, ChallengeKind, challenge};
use super::edge::{Edge, edges_between};
use super::load_step::{LoadStep, Scene};
use super::reaction::Reaction;
use super::storage::could_absorb;
use crate::base::Span;
use crate::record::MarkKind;

/// A step within this of a mark belongs to the mark, in s.
const NEAR_MARK_S: f64 = 14.0;

/// How soon generation must follow a step for the step to have been answered by the plant, in s.
const ANSWER_S: f64 = 60.0;

/// Sharp falls without a mark. They count only where another meter saw the plant come down in answer: a load that pulses
/// by itself falls and returns without the control doing anything.
pub(super) fn unmarked_drops(scene: &Scene<'_>, steps: &[LoadStep]) -> Vec<Challenge> {
    let channel = scene.channel;
    let mut found = Vec::new();
    let mut index = channel.at.partition_point(|at| *at < scene.from).max(3);
    let end = channel.at.partition_point(|at| *at <= scene.to);
    let marks: Vec<f64> = steps.iter().map(|step| step.mark.seconds_since(scene.origin)).collect();
    while index < end {
        let at = channel.at[index];
        let fall = channel.active_w[index - 1] - channel.active_w[index];
        let least = (0.1 * scene.case.site.rated_w()).max(5.0 * channel.expanded_w[index]).max(50.0);
        index += 1;
        // Two readings show most of a sharp step; a smaller change is no step to look at.
        if fall < 0.4 * least || marks.iter().any(|mark| (at - mark).abs() < NEAR_MARK_S + scene.lag_s) {
            continue;
        }
        let around = ((at - 4.0).max(at - 1.5 * scene.lag_s - 3.0), at + 3.0);
        let Some(edge) = edges_between(channel, around, None, scene.noise_w, 0.0).first().copied() else {
            continue;
        };
        index = index.max(edge.first + 1);
        if edge.step_w > -least {
            continue;
        }
        let mut one = challenge(
            scene,
            ChallengeKind::LoadDrop,
            None,
            &edge,
            -edge.step_w,
            (edge.at + ANSWER_S).min(scene.to),
        );
        if one.why_not.is_none() && !plant_came_down(scene, &edge) {
            one.why_not = Some(
                "no mark says that a load was switched off, and no other meter saw the plant come down"
                    .to_owned(),
            );
        }
        if one.excess_w > 0.0 {
            found.push(one);
        }
        index = index.max(channel.at.partition_point(|t| *t < edge.at + 5.0));
    }
    found
}

/// Whether a generation meter saw the plant give at least three tenths of the step less within a minute.
fn plant_came_down(scene: &Scene<'_>, edge: &Edge) -> bool {
    let Some(generation) = scene.generation else { return false };
    let Some(index) = generation.index_at(edge.at) else { return false };
    // Delivering is negative, as export is.
    let before_w = -generation.active_w[index];
    let until = generation.at.partition_point(|at| *at <= edge.at + ANSWER_S);
    let lowest =
        generation.active_w[index..until].iter().fold(f64::INFINITY, |lowest, power| lowest.min(-power));
    before_w - lowest >= 0.3 * edge.step_w.abs()
}

/// The steering signal taken away until it comes back: the plant must end its export, and its part in the power.
pub(super) fn signal_losses(scene: &Scene<'_>) -> Vec<Challenge> {
    let marks = &scene.case.marks;
    let channel = scene.channel;
    let mut found = Vec::new();
    for (index, mark) in marks.iter().enumerate() {
        let off = mark.at.seconds_since(scene.origin);
        if mark.kind != MarkKind::SignalOff || !scene.holds(off) {
            continue;
        }
        let back = marks[index + 1..]
            .iter()
            .find(|later| later.kind == MarkKind::SignalOn)
            .map_or(scene.to, |later| later.at.seconds_since(scene.origin))
            .min(scene.to);
        let (Some(before), Some(last)) = (channel.index_at(off), channel.index_at(back)) else { continue };
        if last <= before {
            continue;
        }
        found.push(signal_loss(scene, (off, back), (before, last)));
    }
    found
}

fn signal_loss(scene: &Scene<'_>, (off, back): (f64, f64), (before, last): (usize, usize)) -> Challenge {
    let channel = scene.channel;
    let before_w =
        channel.active_w[before.saturating_sub(2)..=before].iter().fold(0.0, |sum, power| sum + power)
            / channel.active_w[before.saturating_sub(2)..=before].len() as f64;
    let after = &channel.active_w[before + 1..=last];
    let times = &channel.at[before + 1..=last];
    // What the plant gave up: how far the power rose for good while the signal was away.
    let tail = &after[after.len() - after.len().div_ceil(3)..];
    let end_w = tail.iter().fold(f64::INFINITY, |lowest, power| lowest.min(*power));
    let ended_w = end_w - before_w;
    let needed_w = (5.0 * channel.expanded_w[before]).max(0.1 * scene.case.site.rated_w());
    let above = after.iter().rposition(|power| -power > scene.level_w);
    let back_within_s = match above {
        None => Some(0.0),
        Some(index) => times.get(index + 1).map(|t| t - off),
    };
    let peak_export_w = after.iter().fold(0.0_f64, |peak, power| peak.max(-power));
    let moved = after.iter().position(|power| *power - before_w > 0.1 * ended_w.max(1.0));
    let moved = moved.filter(|_| ended_w > needed_w);
    let dead_time_s = moved.map(|index| times[index] - off);
    // The reading before still showed the plant as it was, up to the meter's lag ago.
    let before_it = |index: usize| channel.at[before + index] - scene.lag_s - off;
    let dead_time_between_s = moved.map(|index| (before_it(index).max(0.0), times[index] - off));
    let settled =
        after.iter().rposition(|power| (power - end_w).abs() > 0.1 * ended_w.abs() + 3.0 * scene.noise_w);
    let settled_s = settled.map_or(Some(0.0), |index| times.get(index + 1).map(|t| t - off));
    let at = scene.origin + Span::from_seconds(off);
    let storage_could_absorb = could_absorb(scene.case, at);
    let why_not = if ended_w <= needed_w {
        Some(format!(
            "the plant did not visibly stop: the power rose by {:.0} W, more than {needed_w:.0} W needed",
            ended_w.max(0.0)
        ))
    } else if back_within_s.is_none() {
        Some("the export did not end while the signal was away".to_owned())
    } else if storage_could_absorb {
        Some("a storage could have absorbed it".to_owned())
    } else if back - off < 2.0 {
        Some("the signal came back within 2 s".to_owned())
    } else {
        None
    };
    Challenge {
        at,
        kind: ChallengeKind::SignalLoss,
        source: None,
        uncontrolled_export_w: ended_w.max(0.0) - before_w.min(0.0),
        excess_w: ended_w,
        needed_w,
        reaction: Reaction {
            peak_export_w,
            back_within_s,
            dead_time_s,
            dead_time_between_s,
            settled_s,
            overshoot_w: 0.0,
        },
        resumed_s: resumed_s(scene, (back, last), end_w - 0.5 * ended_w).filter(|_| ended_w > needed_w),
        storage_could_absorb,
        why_not,
    }
}

/// From the return of the signal until the power was down at a level again, in s.
fn resumed_s(scene: &Scene<'_>, (back, last): (f64, usize), level_w: f64) -> Option<f64> {
    let channel = scene.channel;
    let end = channel.at.partition_point(|at| *at <= scene.to);
    let found = (last..end).find(|index| channel.active_w[*index] <= level_w)?;
    Some((channel.at[found] - back).max(0.0))
}

/// Rises that a generation meter saw: the plant gave more than the site took, and was brought down again.
pub(super) fn generation_rises(scene: &Scene<'_>, steps: &[LoadStep]) -> Vec<Challenge> {
    let Some(generation) = scene.generation else { return Vec::new() };
    let channel = scene.channel;
    let least = 0.1 * scene.case.site.rated_w();
    let mut found = Vec::new();
    let end = generation.at.partition_point(|at| *at <= scene.to);
    let mut low = generation.at.partition_point(|at| *at < scene.from);
    let (mut high, mut index) = (low, low);
    let given = |i: usize| -generation.active_w[i];
    while index < end {
        if given(index) < given(low) || generation.at[index] - generation.at[low] > 120.0 {
            (low, high) = (index, index);
        } else if given(index) > given(high) {
            high = index;
        }
        let rise = given(high) - given(low);
        let turned = index + 1 >= end || given(index + 1) < given(high) - 0.2 * rise;
        if rise > least && turned {
            // The lowest reading may stand long before: the rise began at the last one near it.
            let begun = (low..high).rfind(|i| given(*i) <= given(low) + 0.1 * rise).unwrap_or(low);
            let rise = given(high) - given(begun);
            let (start, top) = (generation.at[begun], generation.at[high]);
            // A load switched on makes the control raise the plant: no challenge.
            let answers = steps.iter().any(|step| {
                let mark = step.mark.seconds_since(scene.origin);
                step.on && (start - 14.0..=top).contains(&mark)
            });
            if let (false, Some(before)) = (answers, channel.index_at(start).filter(|i| *i > 0)) {
                let edge = Edge {
                    first: before + usize::from(before + 1 < channel.at.len()),
                    at: start,
                    before_w: channel.active_w[before],
                    extreme_w: channel.active_w[before] - rise,
                    step_w: -rise,
                    last: before + usize::from(before + 1 < channel.at.len()),
                    travel_s: top - start,
                };
                let to = (top + ANSWER_S).min(scene.to);
                let one = challenge(scene, ChallengeKind::GenerationRise, None, &edge, rise, to);
                if one.excess_w > 0.0 {
                    found.push(one);
                }
            }
            (low, high) = (index, index);
        }
        index += 1;
    }
    found
}
