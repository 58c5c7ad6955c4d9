//! What stood above the limit, and what went with it, followed from slice to slice: spans, the trains of a control that
//! hunts, silence of the meter the plant steers by. Nothing here depends on where a slice ends.

use super::flow::{self, Over};
use super::plan::Plan;
use super::quiet::{Quiet, Silent};
use super::recent::{Reading, Recent};
use super::slice::{Slice, TICK_S};
use super::spans::{OverSpan, Part, Spans, With};
use super::swing::{Hunt, Train};
use crate::base::{Phase, Span, Stamp};
use crate::evidence::mean::Line;
use crate::evidence::storage::{full_by_point, is_state_of_charge};

/// Readings are kept so long, in s, so that the worst event can be shown once it is known (ours).
const KEPT_S: f64 = 10_800.0;

/// Of a long event so much is shown, in s, and so much before and after it.
const EVENT_S: f64 = 1800.0;
const AROUND_S: f64 = 60.0;

/// Followed from slice to slice.
#[derive(Clone, Debug)]
pub struct Excess {
    recent: Vec<Recent>,
    hunt: Option<Hunt>,
    /// Of the main meter and of the one the plant steers by, where that is another one.
    quiet: Vec<Quiet>,
    /// Above each level.
    pub spans: Spans,
    events: Vec<Option<Event>>,
    last_tick: Option<i64>,
    gap_s: f64,
    known_until: Stamp,
}

/// The worst span of a rule, reading by reading.
#[derive(Clone, Debug)]
pub struct Event {
    /// The span.
    pub span: OverSpan,
    /// Readings from a minute before it to a minute after; of a long one the last half hour.
    pub readings: Vec<Reading>,
}

/// What a slice has added.
#[derive(Clone, Debug, Default)]
pub struct Added {
    /// Energy above the level of each rule, in Ws.
    pub over_ws: Vec<f64>,
    /// Trains, or parts of them.
    pub trains: Vec<Train>,
    /// Silences that ended.
    pub silent: Vec<Silent>,
}

impl Excess {
    /// Nothing yet. `lag_s` is the update and averaging time of the meter.
    pub fn new(plan: &Plan, lag_s: f64) -> Self {
        let mut phases: Vec<Phase> = plan.watches.iter().map(|watch| watch.phase).collect();
        phases.sort_unstable();
        phases.dedup();
        Self {
            recent: phases.into_iter().map(Recent::new).collect(),
            hunt: plan.lowest().map(|watch| Hunt::new(watch.level_w)),
            quiet: std::iter::once(plan.main).chain(plan.steering).map(Quiet::new).collect(),
            spans: Spans::new(&plan.watches, lag_s),
            events: vec![None; plan.rules()],
            last_tick: None,
            gap_s: 0.0,
            known_until: Stamp::from_nanos(0),
        }
    }

    /// Takes the next slice. `changed` is the first change of a setting so far.
    pub fn take(&mut self, plan: &Plan, slice: &Slice, changed: Option<Stamp>) -> Added {
        if self.last_tick.is_some_and(|last| last + 1 < slice.tick) {
            self.spans.end();
        }
        self.last_tick = Some(slice.tick);
        (self.gap_s, self.known_until) = (slice.gap_s, slice.known_until);
        let mut added = Added { over_ws: vec![0.0; plan.rules()], ..Added::default() };
        let oldest = self.spans.earliest().unwrap_or_else(|| slice.start()).min(slice.start());
        let main = flow::readings(plan, slice, plan.main, Phase::Total);
        for quiet in &mut self.quiet {
            for mut silent in quiet.take(plan, slice, oldest) {
                silent.export_w = export_w(&main, silent.from, silent.to, slice);
                added.silent.push(silent);
            }
        }
        for recent in &mut self.recent {
            recent.take(plan, slice, plan.reach_s().max(KEPT_S));
            let Some(hunt) = self.hunt.as_mut().filter(|_| recent.phase == Phase::Total) else { continue };
            added.trains.extend(recent.own().iter().filter_map(|one| hunt.take(one, slice.gap_s)));
        }
        let mut parts = Vec::new();
        for (place, watch) in plan.watches.iter().enumerate() {
            let Some(recent) = self.recent.iter().find(|recent| recent.phase == watch.phase) else {
                continue;
            };
            let oldest = slice.start() - Span::from_seconds(watch.averaging_s + slice.gap_s);
            flow::over(watch, slice.start(), recent.since(oldest), slice.gap_s, |over, line| {
                added.over_ws[watch.rule] += over.energy_ws;
                parts.push(self.part(plan, slice, place, over, line, changed));
            });
        }
        self.spans.push(slice.start(), &parts);
        added.trains.iter().for_each(|train| self.spans.hunted(*train));
        let end = slice.start() + Span::from_seconds(TICK_S);
        let settled = self.hunt.as_ref().map_or(Some(end), Hunt::settled);
        self.spans.settle(plan, settled.unwrap_or(end));
        self.keep_events(plan);
        added
    }

    /// Once no slice follows: the last train, and silences without an end.
    pub fn finish(&mut self, plan: &Plan) -> Added {
        let mut added = Added::default();
        added.trains.extend(self.hunt.as_mut().and_then(Hunt::finish));
        added.trains.iter().for_each(|train| self.spans.hunted(*train));
        self.spans.end();
        self.spans.settle(plan, Stamp::from_nanos(i64::MAX));
        self.keep_events(plan);
        added.silent = self.quiet.iter().filter_map(|one| one.finish(self.known_until, self.gap_s)).collect();
        added
    }

    /// Keeps the readings about the worst span of each rule, as long as they are at hand.
    fn keep_events(&mut self, plan: &Plan) {
        for (rule, kept) in self.events.iter_mut().enumerate() {
            let best = self.spans.best(|watch| plan.watches[watch].rule == rule);
            let Some(span) = best.filter(|best| kept.as_ref().is_none_or(|kept| kept.span != *best)) else {
                continue;
            };
            let Some(recent) = self.recent.iter().find(|recent| recent.phase == span.phase) else { continue };
            let around = Span::from_seconds(AROUND_S);
            let from = (span.from - around).max(span.to - Span::from_seconds(EVENT_S));
            let inside = recent.since(from).take_while(|one| one.at <= span.to + around);
            *kept = Some(Event { span, readings: inside.copied().collect() });
        }
    }

    /// The readings about the worst span of a rule.
    pub fn event(&self, rule: usize) -> Option<&Event> {
        self.events.get(rule)?.as_ref()
    }

    /// Whether the meter the plant steers by was ever heard; nothing where that is the main meter.
    pub fn steering_heard(&self) -> Option<bool> {
        self.quiet.get(1).map(Quiet::heard)
    }

    /// Whether the meter the plant steers by was asked and silent for most of a time.
    pub fn was_silent(&self, plan: &Plan, from: Stamp, to: Stamp) -> bool {
        let by = match (plan.steered_by(), plan.steering) {
            (Some(_), Some(_)) => self.quiet.get(1),
            (Some(_), None) => self.quiet.first(),
            (None, _) => None,
        };
        let silent_s = |quiet: &Quiet| {
            quiet.within(from, to).fold(0.0, |sum, (start, end)| sum + end.seconds_since(start))
        };
        by.is_some_and(|quiet| silent_s(quiet) > 0.5 * to.seconds_since(from))
    }

    fn part(
        &self,
        plan: &Plan,
        slice: &Slice,
        watch: usize,
        over: Over,
        line: &Line,
        changed: Option<Stamp>,
    ) -> Part {
        let start = slice.start();
        let at = |second: f64| start + Span::from_seconds(second);
        let (from, to) = (at(over.from), at(over.to));
        let level_w = plan.watches[watch].level_w;
        let energy = |from: f64, to: f64| line.area_below(-level_w, from, to);
        let mut with = With::default();
        if let Some(quiet) = self.quiet.get(1) {
            for (first, last) in quiet.within(from, to) {
                with.silent_ws += energy(first.seconds_since(start), last.seconds_since(start));
            }
        }
        if let Some(changed) = changed.filter(|changed| *changed < to) {
            with.after_ws = energy(changed.seconds_since(start).max(over.from), over.to);
        }
        if let Some(steering) = plan.steering {
            let readings = flow::readings(plan, slice, steering, plan.watches[watch].phase);
            for (t0, p0, t1, p1) in flow::segments(&readings, slice.gap_s) {
                let (first, last) = (t0.max(over.from), t1.min(over.to));
                if last > first {
                    let value = |t: f64| p0 + (p1 - p0) * ((t - t0) / (t1 - t0));
                    with.steering_ws += 0.5 * (value(first) + value(last)) * (last - first);
                    with.own_ws += line.integral(first, last);
                    with.both_s += last - first;
                }
            }
        }
        with.full_ws = full(plan, slice, over, energy);
        Part { watch, from, to, worst_w: over.worst_w, energy_ws: over.energy_ws, with }
    }
}

/// Energy of a part in which a state of charge, of any meter, said full.
fn full(plan: &Plan, slice: &Slice, over: Over, energy: impl Fn(f64, f64) -> f64) -> f64 {
    if !plan.site.has_storage() {
        return 0.0;
    }
    let start = slice.start();
    let mut full_ws = 0.0_f64;
    for (profile, of) in plan.profiles.iter().zip(&slice.meters) {
        for point in profile.points.iter().filter(|point| is_state_of_charge(&point.key)) {
            let inner = of.series.points.get(&point.key).map_or(&[][..], |series| &series.samples);
            let known = of.before.get(&point.key).into_iter().chain(inner);
            let known: Vec<_> = known.map(|sample| (sample.at.seconds_since(start), sample)).collect();
            let mut here_ws = 0.0;
            for (index, (at, sample)) in known.iter().enumerate() {
                let next = known.get(index + 1).map_or(f64::INFINITY, |next| next.0);
                let (from, to) = (at.max(over.from), next.min(over.to));
                // It says what it says until it is read again, or is too old.
                if to > from && full_by_point(point, sample, start + Span::from_seconds(from), inner) {
                    here_ws += energy(from, to);
                }
            }
            full_ws = full_ws.max(here_ws);
        }
    }
    full_ws
}

/// Export of the main meter over a silence that ends in this slice; just before it where the main meter was silent too.
fn export_w(main: &[(f64, f64)], from: Stamp, to: Stamp, slice: &Slice) -> Option<f64> {
    let (from, to) = (from.seconds_since(slice.start()), to.seconds_since(slice.start()));
    let mean = flow::mean_between(main, from.max(0.0), to, slice.gap_s);
    let before = main.iter().rev().find(|(at, _)| *at <= from).map(|(_, power)| *power);
    mean.or(before).map(|power| (-power).max(0.0))
}
