//! Everything measured before anything is judged: the window, the power with its uncertainty, the meter's own times,
//! coverage, marked steps and challenges.

use super::options::LimitOptions;
use super::rules::Bounds;
use crate::base::{Phase, Quantity, Span, Stamp};
use crate::evidence::case::{Case, MeterCase};
use crate::evidence::challenge::{Challenge, challenges};
use crate::evidence::coverage::{Coverage, coverage};
use crate::evidence::edge::noise_w;
use crate::evidence::load_step::{LoadStep, Scene, load_steps, mean_way};
use crate::evidence::power::{Channel, Power};
use crate::evidence::timing::Timing;
use crate::profile::{Limit, MeterRole, Per};
use crate::record::MarkKind;

/// Readings this long before and after the window help to measure the meter, in s.
const AROUND_S: f64 = 120.0;

/// The window of a check.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// Its start.
    pub start: Stamp,
    /// Its end.
    pub end: Stamp,
}

/// The measurements a limit check judges.
#[derive(Clone, Debug)]
pub struct Bench<'a> {
    /// Everything.
    pub case: &'a Case,
    /// What was asked.
    pub options: &'a LimitOptions,
    /// The meter judged.
    pub meter: &'a MeterCase,
    /// The rules.
    pub limit: &'a Limit,
    /// The window as marked or asked.
    pub window: Window,
    /// Time 0 of all channels: the window's start.
    pub origin: Stamp,
    /// Start of what is judged, in s: the window's, or the first reading when it comes right after.
    pub from: f64,
    /// End of what is judged, in s.
    pub to: f64,
    /// The power.
    pub power: Power,
    /// The meter's own times.
    pub timing: Timing,
    /// What the rules need of times.
    pub bounds: Bounds,
    /// Coverage of the window.
    pub coverage: Coverage,
    /// Marked steps of loads.
    pub steps: Vec<LoadStep>,
    /// Challenges.
    pub challenges: Vec<Challenge>,
    /// How clearly all marked loads together moved the meter the right way (`load_step::mean_way`).
    pub mean_way: Option<f64>,
    /// Scatter of readings, in W.
    pub noise_w: f64,
}

/// The meter a limit check judges: the named one, else the reference, else the steering meter.
pub fn choose<'a>(case: &'a Case, name: Option<&str>) -> Option<&'a MeterCase> {
    let role = |role: MeterRole| case.meters.iter().find(move |one| one.meter.role == role);
    match name {
        Some(name) => case.meters.iter().find(|one| one.meter.name == name),
        None => role(MeterRole::Reference).or_else(|| role(MeterRole::Steering)),
    }
}

/// The window: as asked, else from the last `window-start` mark to the `window-end` after it (or the check's end, or the
/// last reading), else all readings of the meter's power.
pub fn window_of(case: &Case, meter: &MeterCase, options: &LimitOptions) -> Option<Window> {
    if let Some((start, end)) = options.window {
        return (end > start).then_some(Window { start, end });
    }
    let (first, last) = extent(meter)?;
    let found = case.marks.iter().rposition(|mark| mark.kind == MarkKind::WindowStart);
    let window = match found {
        None => Window { start: first, end: last },
        Some(index) => {
            let ends =
                |mark: &&crate::record::Mark| matches!(mark.kind, MarkKind::WindowEnd | MarkKind::CheckEnd);
            let end = case.marks[index + 1..].iter().find(ends).map_or(last, |mark| mark.at);
            Window { start: case.marks[index].at, end }
        }
    };
    (window.end > window.start).then_some(window)
}

/// First and last reading of active power.
fn extent(meter: &MeterCase) -> Option<(Stamp, Stamp)> {
    let mut found: Option<(Stamp, Stamp)> = None;
    for phase in [Phase::Total, Phase::L1, Phase::L2, Phase::L3] {
        let Some(series) = meter.series.of(Quantity::ActivePower, phase) else { continue };
        if let (Some(first), Some(last)) = (series.samples.first(), series.samples.last()) {
            found =
                Some(found.map_or((first.at, last.at), |(from, to)| (from.min(first.at), to.max(last.at))));
        }
    }
    found
}

impl<'a> Bench<'a> {
    /// Measures. Nothing when the meter gave no active power in the window.
    pub fn of(
        case: &'a Case,
        options: &'a LimitOptions,
        meter: &'a MeterCase,
        limit: &'a Limit,
        window: Window,
    ) -> Option<Self> {
        let origin = window.start;
        let around = Span::from_seconds(AROUND_S);
        let power = Power::of(meter, &case.site, origin, window.start - around, window.end + around);
        let bounds = Bounds::of(&limit.rules);
        let length = (window.end - window.start).seconds();
        let main = power.total.as_ref().or_else(|| power.phases.first())?;
        // A window that begins or ends between two polls, with no reading on its far side, is judged from the first
        // reading on.
        let first = main.at.iter().copied().find(|at| *at >= 0.0)?;
        let from = if first <= bounds.gap_s && main.at[0] >= 0.0 { first } else { 0.0 };
        let last = main.at.iter().rev().copied().find(|at| *at <= length)?;
        let nothing_after = main.at[main.at.len() - 1] <= length;
        let to = if length - last <= bounds.gap_s && nothing_after { last } else { length };
        if to <= from {
            return None;
        }
        let noise_w = noise_w(main, from, to);
        let mut timing = Timing::of(main, &[]);
        let coverage = coverage(&main.at, from, to, bounds.gap_s);
        let generation = generation_channel(case, meter, origin, window);
        let mut bench = Self {
            case,
            options,
            meter,
            limit,
            window,
            origin,
            from,
            to,
            timing: timing.clone(),
            bounds,
            coverage,
            steps: Vec::new(),
            challenges: Vec::new(),
            mean_way: None,
            noise_w,
            power,
        };
        // Steps need the meter's lag, and the lag is checked against the shape of steps.
        let (steps, _) = bench.tried(generation.as_ref());
        let least =
            |size: Option<(f64, f64)>| size.map_or(0.0, |(size_w, tolerance)| size_w * (1.0 - tolerance));
        let edges: Vec<_> = steps.iter().filter_map(|step| Some((step.edge?, least(step.size_w)))).collect();
        if let Some(main) = bench.main() {
            timing = Timing::of(main, &edges);
        }
        bench.timing = timing;
        (bench.steps, bench.challenges) = bench.tried(generation.as_ref());
        bench.mean_way =
            bench.main().and_then(|main| mean_way(&bench.scene(main, f64::INFINITY, generation.as_ref())));
        Some(bench)
    }

    /// The channel that stands for the meter: the total, else the first phase.
    pub fn main(&self) -> Option<&Channel> {
        self.power.total.as_ref().or_else(|| self.power.phases.first())
    }

    /// Length of the window asked for, in s.
    pub fn duration_s(&self) -> f64 {
        (self.window.end - self.window.start).seconds()
    }

    /// The instant of a time on the channels.
    pub fn stamp(&self, t: f64) -> Stamp {
        self.origin + Span::from_seconds(t)
    }

    /// Steps and challenges, on the total where a rule limits it, else on each phase, taking the clearest for each mark.
    fn tried(&self, generation: Option<&Channel>) -> (Vec<LoadStep>, Vec<Challenge>) {
        let lowest = |per: Per| {
            let levels = self.limit.rules.iter().filter(|rule| rule.applies_per() == per);
            levels.filter_map(|rule| Some(rule.limit_w(&self.case.site)? + rule.tolerance_w)).reduce(f64::min)
        };
        let mut scenes: Vec<Scene<'_>> = Vec::new();
        match (&self.power.total, lowest(Per::Total), lowest(Per::Phase)) {
            (Some(total), Some(level_w), _) => scenes.push(self.scene(total, level_w, generation)),
            (_, _, Some(level_w)) => {
                scenes.extend(self.power.phases.iter().map(|phase| self.scene(phase, level_w, generation)));
            }
            _ => {}
        }
        let mut all: Option<(Vec<LoadStep>, Vec<Challenge>)> = None;
        for scene in &scenes {
            let steps = load_steps(scene);
            let found = challenges(scene, &steps);
            all = Some(match all {
                None => (steps, found),
                Some((before, mut challenges)) => {
                    let steps = before.into_iter().zip(steps).map(clearer).collect();
                    for one in found {
                        merge(&mut challenges, one);
                    }
                    challenges.sort_by_key(|challenge| challenge.at);
                    (steps, challenges)
                }
            });
        }
        all.unwrap_or_default()
    }

    fn scene<'b>(&'b self, channel: &'b Channel, level_w: f64, generation: Option<&'b Channel>) -> Scene<'b> {
        Scene {
            case: self.case,
            channel,
            origin: self.origin,
            from: self.from,
            to: self.to,
            level_w,
            lag_s: self.timing.lag_s(),
            noise_w: noise_w(channel, self.from, self.to),
            generation,
        }
    }
}

/// Of one mark's step on two phases, the larger.
fn clearer((one, other): (LoadStep, LoadStep)) -> LoadStep {
    let size = |step: &LoadStep| step.edge.map_or(0.0, |edge| edge.step_w.abs());
    if size(&other) > size(&one) { other } else { one }
}

/// Adds a challenge, unless one of the same kind at the same time stands there: then the larger stays.
fn merge(challenges: &mut Vec<Challenge>, one: Challenge) {
    let near = |other: &&mut Challenge| other.kind == one.kind && (other.at - one.at).seconds().abs() < 3.0;
    match challenges.iter_mut().find(near) {
        Some(same) if same.excess_w < one.excess_w => *same = one,
        Some(_) => {}
        None => challenges.push(one),
    }
}

/// What other meters of the site say that the plants deliver: the first generation meter with a power.
fn generation_channel(case: &Case, judged: &MeterCase, origin: Stamp, window: Window) -> Option<Channel> {
    let around = Span::from_seconds(AROUND_S);
    case.meters
        .iter()
        .filter(|one| one.meter.role == MeterRole::Generation && one.meter.name != judged.meter.name)
        .find_map(|one| Power::of(one, &case.site, origin, window.start - around, window.end + around).total)
        .filter(|channel| channel.at.len() >= 2)
}
