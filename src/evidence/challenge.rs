//! Challenges: evidence that the control had work to do. A load drop after which the export would have passed the limit, a
//! rise in generation, the loss of the steering signal.

use super::edge::Edge;
use super::load_step::{LoadStep, Scene};
use super::reaction::{Reaction, reaction};
use super::storage::could_absorb;
use crate::base::Stamp;

/// How long a reaction is followed where no mark ends it, in s.
const FOLLOW_S: f64 = 120.0;

/// A step that shows less of its load than this may be a swing of the power's own, in one that swings (ours).
const SHOWN_SHARE: f64 = 0.6;

/// Kinds of challenge (contract 6).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChallengeKind {
    /// A load fell away.
    LoadDrop,
    /// Generation rose.
    GenerationRise,
    /// The steering signal was taken away.
    SignalLoss,
    /// The export stood at the limit: noted only.
    HeldAtLimit,
}

impl ChallengeKind {
    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Self::LoadDrop => "load-drop",
            Self::GenerationRise => "generation-rise",
            Self::SignalLoss => "signal-loss",
            Self::HeldAtLimit => "held-at-limit",
        }
    }
}

/// One challenge.
#[derive(Clone, Debug, PartialEq)]
pub struct Challenge {
    /// When the step happened.
    pub at: Stamp,
    /// Which kind.
    pub kind: ChallengeKind,
    /// The load or plant, where a mark named it.
    pub source: Option<String>,
    /// What the export would have been had nothing acted, in W.
    pub uncontrolled_export_w: f64,
    /// How far that lies above the limit, in W.
    pub excess_w: f64,
    /// What the excess must be beyond: five times the uncertainty, and a tenth of the plants' rated power, in W.
    pub needed_w: f64,
    /// What followed.
    pub reaction: Reaction,
    /// From the return of a steering signal that was away until the plant delivered half of what it had, in s.
    pub resumed_s: Option<f64>,
    /// Whether a storage could have absorbed it.
    pub storage_could_absorb: bool,
    /// Why it does not count towards the number required; none when it does.
    pub why_not: Option<String>,
}

impl Challenge {
    /// Whether it counts towards the number required.
    pub const fn counts(&self) -> bool {
        self.why_not.is_none()
    }
}

/// All challenges in the window, in time order.
pub fn challenges(scene: &Scene<'_>, steps: &[LoadStep]) -> Vec<Challenge> {
    let mut found: Vec<Challenge> = load_drops(scene, steps);
    found.extend(super::challenge_other::unmarked_drops(scene, steps));
    found.extend(super::challenge_other::signal_losses(scene));
    found.extend(super::challenge_other::generation_rises(scene, steps));
    found.sort_by_key(|challenge| challenge.at);
    found
}

fn load_drops(scene: &Scene<'_>, steps: &[LoadStep]) -> Vec<Challenge> {
    let mut found = Vec::new();
    for (index, step) in steps.iter().enumerate() {
        let (false, Some(edge)) = (step.on, step.edge) else { continue };
        if edge.step_w >= 0.0 {
            continue;
        }
        // Until the load comes back, or the next one changes.
        let next = steps.get(index + 1).map(|next| {
            let shown = next.edge.map_or(f64::INFINITY, |edge| scene.channel.at[edge.first - 1]);
            scene.seconds(next.mark).min(shown)
        });
        let to = next.unwrap_or(edge.at + FOLLOW_S).min(edge.at + FOLLOW_S).min(scene.to);
        let mut size_w = -edge.step_w;
        if let Some((load_w, tolerance)) = step.size_w {
            // The control blurs the edge: a switch that shows drops at least what the load surely draws, and no more than
            // it can.
            size_w = size_w
                .max(load_w * (1.0 - tolerance))
                .min(load_w * (1.0 + tolerance) + scene.needed_w(edge.first - 1));
        }
        let mut one = challenge(scene, ChallengeKind::LoadDrop, step.load.clone(), &edge, size_w, to);
        let partly = step
            .size_w
            .is_some_and(|(load_w, tolerance)| -edge.step_w < SHOWN_SHARE * load_w * (1.0 - tolerance));
        if partly && one.why_not.is_none() && swings(scene, steps, 0.7 * -edge.step_w) {
            one.why_not = Some(
                "the power swings as far by itself as the step that was seen, which is less than the load"
                    .to_owned(),
            );
        }
        found.push(one);
    }
    found.retain(|one| one.excess_w > 0.0);
    found
}

/// Whether the power falls by as much after some marked drop, once it has come back from that, before the next mark: a control
/// that hunts makes steps of its own.
fn swings(scene: &Scene<'_>, steps: &[LoadStep], least_w: f64) -> bool {
    let channel = scene.channel;
    let drops = steps.iter().enumerate().filter(|(_, step)| !step.on);
    drops.filter_map(|(index, step)| Some((index, step.edge?))).any(|(index, edge)| {
        let next = steps.get(index + 1).map_or(scene.to, |next| {
            let shown = next.edge.map_or(f64::INFINITY, |edge| channel.at[edge.first - 1]);
            scene.seconds(next.mark).min(shown)
        });
        let end = channel.at.partition_point(|at| *at < next.min(scene.to)).max(edge.last);
        let mut highest = f64::NEG_INFINITY;
        channel.active_w[edge.last..end].iter().any(|power| {
            highest = highest.max(*power);
            highest - power >= least_w
        })
    })
}

/// A challenge from a fall in the power: had nothing acted, `size_w` more would have been exported than before it.
pub(super) fn challenge(
    scene: &Scene<'_>,
    kind: ChallengeKind,
    source: Option<String>,
    edge: &Edge,
    size_w: f64,
    to: f64,
) -> Challenge {
    let uncontrolled_export_w = size_w - edge.before_w;
    let excess_w = uncontrolled_export_w - scene.level_w;
    let needed_w = scene.needed_w(edge.first - 1);
    let reaction = reaction(scene.channel, edge, scene.level_w, to, scene.noise_w);
    let at = scene.stamp(edge.at);
    let storage_could_absorb = could_absorb(scene.case, at);
    let why_not = if excess_w <= needed_w {
        Some(format!("too small: {excess_w:.0} W above the limit, more than {needed_w:.0} W needed"))
    } else if storage_could_absorb {
        Some("a storage could have absorbed it".to_owned())
    } else if reaction.back_within_s.is_none() {
        Some("the export had not come back before the load did, or before the window ended".to_owned())
    } else {
        None
    };
    Challenge {
        at,
        kind,
        source,
        uncontrolled_export_w,
        excess_w,
        needed_w,
        reaction,
        resumed_s: None,
        storage_could_absorb,
        why_not,
    }
}
