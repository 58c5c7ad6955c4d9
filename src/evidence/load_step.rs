//! Marked switchings of known loads, each with the step in the readings that goes with it.

use super::case::Case;
use super::edge::{Edge, edges_between};
use super::mean::Line;
use super::power::Channel;
use crate::base::uncertain::{mean, variance};
use crate::base::{Span, Stamp};
use crate::profile::Load;
use crate::record::{Mark, MarkKind};

/// A marked step of a load counts as seen from this share of what the load draws (ours): the control answers while the
/// meter still blurs the edge.
const SEEN_SHARE: f64 = 0.2;

/// A mark may stand this long after its switch, in s: people switch, walk, then note it (ours).
const LATE_S: f64 = 12.0;

/// A switch may follow its mark by this much, in s (ours).
const EARLY_S: f64 = 10.0;

/// Steps are looked at from this long before a mark on, in s (ours): one older than `LATE_S` is not taken for the mark's, but
/// it says that what follows may be the control's answer to it.
const BACK_S: f64 = 30.0;

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
    pub(super) fn stamp(&self, t: f64) -> Stamp {
        self.origin + Span::from_seconds(t)
    }

    pub(super) fn seconds(&self, at: Stamp) -> f64 {
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
    pub(super) fn needed_w(&self, index: usize) -> f64 {
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
        let on = mark.kind == MarkKind::LoadOn;
        // The step before this one, where it was found: what it took is no other's.
        let before = index.checked_sub(1).map_or(f64::NEG_INFINITY, |i| scene.seconds(marks[i].at));
        let last = steps.last().and_then(|step| Some((step.edge?, step.on == on)));
        let from = (t - BACK_S)
            .max(before)
            .max(last.map_or(f64::NEG_INFINITY, |(edge, _)| scene.channel.at[edge.last]));
        let after =
            marks.get(index + 1).map_or(f64::INFINITY, |after| t + 0.85 * (scene.seconds(after.at) - t));
        let to = (t + EARLY_S + scene.lag_s).min(after);
        let size_w = size_of(&scene.case.site.loads, mark);
        let least = size_w.map(|(size, _)| size);
        let edges = edges_between(scene.channel, (from, to), least, scene.noise_w, scene.lag_s);
        let edge = of_mark(&edges, t, last, scene.lag_s).filter(|edge| {
            scene.holds(edge.at) && size_w.is_none_or(|(size, _)| edge.step_w.abs() >= SEEN_SHARE * size)
        });
        steps.push(LoadStep { mark: mark.at, on, load: mark.load.clone(), size_w, edge });
    }
    steps
}

/// Which of the steps since the last mark goes with the mark at `t`. A control answers a switch with a step the other way, and
/// a late mark may stand at the answer; but the switch always comes first. So only the first steps that go one way are looked
/// at: of these the one nearest to the mark, since the answer to the switch before may go the same way. `last` is that
/// switch's step, and whether it was of the same kind: then its answer goes the other way, and is passed over.
fn of_mark(edges: &[Edge], t: f64, last: Option<(Edge, bool)>, lag_s: f64) -> Option<Edge> {
    let way = |edge: &Edge| edge.step_w > 0.0;
    let answers = |edge: &&Edge| last.is_some_and(|(last, alike)| alike && way(edge) != way(&last));
    let mut rest = edges.iter().skip_while(answers).peekable();
    let first = way(rest.peek()?);
    rest.take_while(|edge| way(edge) == first)
        .filter(|edge| (t - LATE_S..=t + EARLY_S + lag_s).contains(&edge.at))
        .min_by(|a, b| (a.at - t).abs().total_cmp(&(b.at - t).abs()))
        .copied()
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
