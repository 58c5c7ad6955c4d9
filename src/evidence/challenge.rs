//! Challenges: evidence that the control had work to do. A load drop after which the export would have passed the limit, a
//! rise in generation, the loss of the steering signal. And the direction of the meter, shown by known loads.

use super::case::Case;
use super::mean::Line;
use super::power::Channel;
use super::reaction::{Edge, Reaction, edge_at, reaction};
use super::storage::could_absorb;
use crate::base::uncertain::{mean, variance};
use crate::base::{Span, Stamp};
use crate::profile::Load;
use crate::record::{Mark, MarkKind};

/// A marked step of a load counts as seen from this share of what the load draws (ours): the control answers while the
/// meter still blurs the edge.
const SEEN_SHARE: f64 = 0.2;

/// How long a reaction is followed where no mark ends it, in s.
const FOLLOW_S: f64 = 120.0;

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

/// A marked switching of a load with the step found.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadStep {
    /// The mark.
    pub mark: Stamp,
    /// Switched on, rather than off.
    pub on: bool,
    /// The load's name as marked.
    pub load: Option<String>,
    /// What it draws, where known, and by what fraction that may be off.
    pub size_w: Option<(f64, f64)>,
    /// The step in the readings; none where nothing stood out.
    pub edge: Option<Edge>,
}

impl LoadStep {
    /// Whether the meter went the way the load says; nothing where no step was seen.
    pub fn right_way(&self) -> Option<bool> {
        self.edge.map(|edge| (edge.step_w > 0.0) == self.on)
    }
}

/// What the challenges are judged against.
#[derive(Clone, Copy, Debug)]
pub struct Scene<'a> {
    /// Everything.
    pub case: &'a Case,
    /// The channel judged.
    pub channel: &'a Channel,
    /// Time 0 of the channel.
    pub origin: Stamp,
    /// Window in s since the origin.
    pub from: f64,
    /// End of the window.
    pub to: f64,
    /// The lowest export a rule limits, tolerance included, in W.
    pub level_w: f64,
    /// Update and averaging time of the meter, in s.
    pub lag_s: f64,
    /// Scatter of readings, in W.
    pub noise_w: f64,
    /// Another meter of the site that sees what the plant delivers, where there is one.
    pub generation: Option<&'a Channel>,
}

impl Scene<'_> {
    fn stamp(&self, t: f64) -> Stamp {
        self.origin + Span::from_seconds(t)
    }

    fn seconds(&self, at: Stamp) -> f64 {
        at.seconds_since(self.origin)
    }

    /// Whether an instant lies in the window.
    pub fn holds(&self, t: f64) -> bool {
        self.from <= t && t <= self.to
    }

    /// Marks of loads, in time order.
    fn load_marks(&self) -> Vec<&Mark> {
        let wanted = |mark: &&Mark| matches!(mark.kind, MarkKind::LoadOn | MarkKind::LoadOff);
        self.case.marks.iter().filter(wanted).collect()
    }

    /// What an excess must be beyond, for a step from the reading at `index`.
    fn needed_w(&self, index: usize) -> f64 {
        let expanded = self.channel.expanded_w.get(index).copied().unwrap_or(f64::INFINITY);
        (5.0 * expanded).max(0.1 * self.case.site.rated_w())
    }
}

/// The marked steps of loads within the window.
pub fn load_steps(scene: &Scene<'_>) -> Vec<LoadStep> {
    let marks = scene.load_marks();
    let mut steps: Vec<LoadStep> = Vec::new();
    for (index, mark) in marks.iter().enumerate() {
        let t = scene.seconds(mark.at);
        if !scene.holds(t) {
            continue;
        }
        // Half way to the neighbours, so that no step is taken for two marks; the window holds its own.
        let before = index
            .checked_sub(1)
            .map_or(f64::NEG_INFINITY, |before| f64::midpoint(scene.seconds(marks[before].at), t));
        // A switch may come a little before its mark.
        let after =
            marks.get(index + 1).map_or(f64::INFINITY, |after| t + 0.85 * (scene.seconds(after.at) - t));
        let size_w = size_of(&scene.case.site.loads, mark);
        let least = size_w.map(|(size, _)| size);
        let edge =
            edge_at(scene.channel, t, (before, after), least, scene.noise_w, scene.lag_s).filter(|edge| {
                let last = steps.last().and_then(|step| step.edge);
                let taken = last.is_some_and(|last| edge.first <= last.first);
                scene.holds(edge.at)
                    && !taken
                    && size_w.is_none_or(|(size, _)| edge.step_w.abs() >= SEEN_SHARE * size)
            });
        steps.push(LoadStep {
            mark: mark.at,
            on: mark.kind == MarkKind::LoadOn,
            load: mark.load.clone(),
            size_w,
            edge,
        });
    }
    steps
}

/// How clearly all marked switches of known loads together moved the meter the right way: the mean of how far the power
/// moved on average after each mark, in the load's direction, over its standard error. A control takes the step back and a
/// slow meter smears it, so single steps may not show; together they do. Nothing of fewer than four marks.
pub fn mean_way(scene: &Scene<'_>) -> Option<f64> {
    let line = Line::new(scene.channel.at.iter().copied().zip(scene.channel.active_w.iter().copied()));
    let marks = scene.load_marks();
    let reach = scene.lag_s + 6.0;
    let mut moved = Vec::new();
    for (index, mark) in marks.iter().enumerate() {
        let t = scene.seconds(mark.at);
        let before = index.checked_sub(1).map_or(f64::NEG_INFINITY, |i| scene.seconds(marks[i].at));
        let after = marks.get(index + 1).map_or(f64::INFINITY, |next| scene.seconds(next.at));
        let (from, to) = ((t - 6.0).max(before + reach.min(0.5 * (t - before))), (t + reach).min(after));
        if !scene.holds(t) || size_of(&scene.case.site.loads, mark).is_none() || from >= t - 1.0 {
            continue;
        }
        if let (Some(level), Some(then)) = (line.mean(from, t - 0.5), line.mean(t - 0.5, to)) {
            moved.push(if mark.kind == MarkKind::LoadOn { then - level } else { level - then });
        }
    }
    if moved.len() < 4 {
        return None;
    }
    let error = (variance(&moved) / moved.len() as f64).sqrt();
    let least = scene.noise_w.max(scene.channel.resolution_w).max(1.0) / (moved.len() as f64).sqrt();
    Some(mean(&moved) / error.max(least))
}

/// What a marked load draws: by the site file, else by the mark.
fn size_of(loads: &[Load], mark: &Mark) -> Option<(f64, f64)> {
    let by_site = loads.iter().find(|load| Some(&load.name) == mark.load.as_ref());
    let by_mark = mark.load_w.as_deref().and_then(|text| text.trim().parse::<f64>().ok());
    match (by_site, by_mark.filter(|power| power.is_finite() && *power > 0.0)) {
        (Some(load), _) => Some((load.power_w, load.tolerance)),
        (None, Some(power)) => Some((power, 0.1)),
        (None, None) => None,
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
        let next = steps.get(index + 1).map(|next| scene.seconds(next.mark));
        let to = next.unwrap_or(edge.at + FOLLOW_S).min(edge.at + FOLLOW_S).min(scene.to);
        let mut size_w = -edge.step_w;
        if let Some((load_w, tolerance)) = step.size_w {
            // The control blurs the edge: a switch that shows drops at least what the load surely draws, and no more than
            // it can.
            size_w = size_w
                .max(load_w * (1.0 - tolerance))
                .min(load_w * (1.0 + tolerance) + scene.needed_w(edge.first - 1));
        }
        found.push(challenge(scene, ChallengeKind::LoadDrop, step.load.clone(), &edge, size_w, to));
    }
    found.retain(|one| one.excess_w > 0.0);
    found
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
        storage_could_absorb,
        why_not,
    }
}
