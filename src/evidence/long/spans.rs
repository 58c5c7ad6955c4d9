//! Spans above the limit, joined over the ticks, and how much of each went with what.

use super::plan::{Plan, Watch};
use super::swing::{MOST_PERIOD_S, Train};
use crate::base::{Phase, Span, Stamp};

/// So many of the worst spans are kept.
pub const MOST_SPANS: usize = 1000;

/// A span longer than this many times what the rule allows, and than a minute, is no brief one (ours).
const STEADY_TIMES: f64 = 10.0;
const STEADY_S: f64 = 60.0;

/// The steering meter misses something where it shows less export than the main one by this much, in W (ours), and by the
/// uncertainty of both.
const LEAST_MISSED_W: f64 = 200.0;

/// What went with a part of a span.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct With {
    /// Energy of it in which the steering meter was silent, in Ws.
    pub silent_ws: f64,
    /// In which the storage was full.
    pub full_ws: f64,
    /// After the first change of a setting.
    pub after_ws: f64,
    /// Import less export by the main meter where the steering one was read too, in Ws.
    pub own_ws: f64,
    /// The same by the steering meter.
    pub steering_ws: f64,
    /// How long both were read, in s.
    pub both_s: f64,
}

/// A part of a span, as far as it lies in one slice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// The level that it stands above, by its place among those of the plan.
    pub watch: usize,
    /// First instant.
    pub from: Stamp,
    /// Last instant.
    pub to: Stamp,
    /// Highest sliding mean of the export, in W.
    pub worst_w: f64,
    /// Energy above the level, in Ws.
    pub energy_ws: f64,
    /// What went with it.
    pub with: With,
}

/// One span in which export surely stood above the limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OverSpan {
    /// The level that it stood above, by its place among those of the plan.
    pub watch: usize,
    /// The total, or a phase.
    pub phase: Phase,
    /// First instant.
    pub from: Stamp,
    /// Last instant.
    pub to: Stamp,
    /// Highest sliding mean of the export, in W.
    pub worst_w: f64,
    /// Energy above the level, in Ws.
    pub energy_ws: f64,
    /// Of it with the steering meter silent, in Ws.
    pub silent_ws: f64,
    /// Of it unseen by the steering meter, in Ws.
    pub outside_ws: f64,
    /// Of it with the storage full, in Ws.
    pub full_ws: f64,
    /// Of it while the control hunted, in Ws.
    pub hunting_ws: f64,
    /// Of it after the first change of a setting, in Ws.
    pub after_ws: f64,
}

/// How much energy above the limit went with what, in Ws. The causes overlap as they may; `brief` and `steady` are what none
/// of them explains.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shares {
    /// All of it.
    pub energy_ws: f64,
    /// With the steering meter silent.
    pub silent_ws: f64,
    /// Unseen by the steering meter.
    pub outside_ws: f64,
    /// With the storage full.
    pub full_ws: f64,
    /// While the control hunted.
    pub hunting_ws: f64,
    /// After the first change of a setting.
    pub after_ws: f64,
    /// In spans that did not last.
    pub brief_ws: f64,
    /// In spans that did.
    pub steady_ws: f64,
    /// How many spans.
    pub count: u64,
    /// How long they lasted together, in s.
    pub time_s: f64,
}

/// What one level has above it.
#[derive(Clone, Copy, Debug, Default)]
pub struct Above {
    /// Spans the rule forbids.
    pub breaking: Shares,
    /// Those so short that the rule allows each of them.
    pub allowed: Shares,
    /// Highest sliding mean of all, in W.
    pub worst_w: f64,
    /// When.
    pub worst_at: Option<Stamp>,
}

/// The spans of a log.
#[derive(Clone, Debug)]
pub struct Spans {
    watches: Vec<Watch>,
    lag_s: f64,
    open: Vec<Option<Part>>,
    /// Ended; whether they were a hunting control's is not known yet.
    ended: Vec<Part>,
    trains: Vec<Train>,
    /// The worst, by energy.
    kept: Vec<OverSpan>,
    /// The worst of each level.
    best: Vec<Option<OverSpan>>,
    /// By level, in the order of the plan.
    pub above: Vec<Above>,
}

impl Part {
    fn join(&mut self, next: &Self) {
        self.to = next.to;
        self.worst_w = self.worst_w.max(next.worst_w);
        self.energy_ws += next.energy_ws;
        self.with.silent_ws += next.with.silent_ws;
        self.with.full_ws += next.with.full_ws;
        self.with.after_ws += next.with.after_ws;
        self.with.own_ws += next.with.own_ws;
        self.with.steering_ws += next.with.steering_ws;
        self.with.both_s += next.with.both_s;
    }
}

impl OverSpan {
    /// How long it lasted, in s.
    pub fn length_s(&self) -> f64 {
        self.to.seconds_since(self.from)
    }
}

impl Spans {
    /// For these levels; `lag_s` is the update and averaging time of the meter, which a span may seem longer by.
    pub fn new(watches: &[Watch], lag_s: f64) -> Self {
        Self {
            watches: watches.to_vec(),
            lag_s,
            open: vec![None; watches.len()],
            ended: Vec::new(),
            trains: Vec::new(),
            kept: Vec::new(),
            best: vec![None; watches.len()],
            above: vec![Above::default(); watches.len()],
        }
    }

    /// Takes the parts of the next slice, which begins at `start`; in time order for each level.
    pub fn push(&mut self, start: Stamp, parts: &[Part]) {
        for place in 0..self.watches.len() {
            let mut own = parts.iter().filter(|part| part.watch == place).peekable();
            // A span that does not go on from the tick has ended there.
            if own.peek().is_none_or(|part| part.from > start) {
                self.close(place);
            }
            for part in own {
                match &mut self.open[place] {
                    Some(open) if part.from <= open.to => open.join(part),
                    _ => {
                        self.close(place);
                        self.open[place] = Some(*part);
                    }
                }
            }
        }
    }

    /// A train, or a part of one: what hunted.
    pub fn hunted(&mut self, train: Train) {
        self.trains.push(train);
    }

    /// The earliest instant of a span that has not ended.
    pub fn earliest(&self) -> Option<Stamp> {
        self.open.iter().flatten().map(|part| part.from).min()
    }

    /// Adds up the spans that ended before an instant, from which on trains may still be found.
    pub fn settle(&mut self, plan: &Plan, until: Stamp) {
        let (over, left): (Vec<Part>, Vec<Part>) = self.ended.drain(..).partition(|part| part.to < until);
        self.ended = left;
        for part in &over {
            self.add(plan, part);
        }
        let oldest = self.ended.iter().map(|part| part.from).chain(self.earliest()).fold(until, Stamp::min);
        let oldest = oldest - Span::from_seconds(MOST_PERIOD_S);
        self.trains.retain(|train| train.to >= oldest);
    }

    /// Ends what is open: no slice follows, or not the next one.
    pub fn end(&mut self) {
        for place in 0..self.watches.len() {
            self.close(place);
        }
    }

    /// The worst span of these levels so far.
    pub fn best(&self, of: impl Fn(usize) -> bool) -> Option<OverSpan> {
        let best = self.best.iter().flatten().filter(|span| of(span.watch)).copied();
        best.reduce(|best, next| if next.energy_ws > best.energy_ws { next } else { best })
    }

    /// The worst spans of these levels, by energy.
    pub fn worst(&self, of: impl Fn(usize) -> bool) -> Vec<OverSpan> {
        let mut kept: Vec<OverSpan> = self.kept.iter().filter(|span| of(span.watch)).copied().collect();
        trim(&mut kept);
        kept
    }

    fn close(&mut self, place: usize) {
        self.ended.extend(self.open[place].take());
    }

    fn add(&mut self, plan: &Plan, part: &Part) {
        let watch = self.watches[part.watch];
        let span = self.told(plan, part);
        let length = (span.length_s() - self.lag_s).max(0.0);
        let above = &mut self.above[part.watch];
        if span.worst_w > above.worst_w {
            (above.worst_w, above.worst_at) = (span.worst_w, Some(span.from));
        }
        let breaks = length > watch.longest_s;
        let steady = length > STEADY_S.max(STEADY_TIMES * watch.longest_s);
        if breaks { &mut above.breaking } else { &mut above.allowed }.add(&span, steady);
        let best = &mut self.best[part.watch];
        if best.is_none_or(|best| span.energy_ws > best.energy_ws) {
            *best = Some(span);
        }
        self.kept.push(span);
        if self.kept.len() > 2 * MOST_SPANS * self.watches.len() {
            // The worst of each level.
            let by_watch = (0..self.watches.len()).flat_map(|watch| self.worst(|of| of == watch));
            self.kept = by_watch.collect();
        }
    }

    /// What went with a whole span.
    fn told(&self, plan: &Plan, part: &Part) -> OverSpan {
        let (from, to, with) = (part.from, part.to, part.with);
        let missed =
            plan.steering.filter(|_| with.both_s > 0.0 && with.silent_ws <= 0.0).is_some_and(|steering| {
                let (own, seen) = (with.own_ws / with.both_s, with.steering_ws / with.both_s);
                let unsure =
                    plan.unsure(plan.main).expanded_w(&[], own) + plan.unsure(steering).expanded_w(&[], seen);
                seen - own > LEAST_MISSED_W.max(unsure)
            });
        let length = to.seconds_since(from).max(1e-9);
        let hunted = self.trains.iter().fold(0.0, |sum: f64, train| {
            let period = Span::from_seconds(train.period_s);
            let (first, last) = ((train.from - period).max(from), (train.to + period).min(to));
            sum + last.seconds_since(first).max(0.0) / length
        });
        OverSpan {
            watch: part.watch,
            phase: self.watches[part.watch].phase,
            from,
            to,
            worst_w: part.worst_w,
            energy_ws: part.energy_ws,
            silent_ws: with.silent_ws,
            outside_ws: if missed { part.energy_ws } else { 0.0 },
            full_ws: with.full_ws,
            hunting_ws: part.energy_ws * hunted.min(1.0),
            after_ws: with.after_ws,
        }
    }
}

impl Shares {
    fn add(&mut self, span: &OverSpan, steady: bool) {
        self.count += 1;
        self.time_s += span.length_s();
        self.energy_ws += span.energy_ws;
        self.silent_ws += span.silent_ws;
        self.outside_ws += span.outside_ws;
        self.full_ws += span.full_ws;
        self.hunting_ws += span.hunting_ws;
        self.after_ws += span.after_ws;
        let explained = span.silent_ws.max(span.outside_ws).max(span.full_ws).max(span.hunting_ws);
        let rest = (span.energy_ws - explained).max(0.0);
        if steady {
            self.steady_ws += rest;
        } else {
            self.brief_ws += rest;
        }
    }

    /// Both together.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        Self {
            energy_ws: self.energy_ws + other.energy_ws,
            silent_ws: self.silent_ws + other.silent_ws,
            outside_ws: self.outside_ws + other.outside_ws,
            full_ws: self.full_ws + other.full_ws,
            hunting_ws: self.hunting_ws + other.hunting_ws,
            after_ws: self.after_ws + other.after_ws,
            brief_ws: self.brief_ws + other.brief_ws,
            steady_ws: self.steady_ws + other.steady_ws,
            count: self.count + other.count,
            time_s: self.time_s + other.time_s,
        }
    }
}

fn trim(spans: &mut Vec<OverSpan>) {
    spans.sort_by(|one, other| {
        other.energy_ws.total_cmp(&one.energy_ws).then((one.from, one.watch).cmp(&(other.from, other.watch)))
    });
    spans.truncate(MOST_SPANS);
}
