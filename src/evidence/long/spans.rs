//! Spans above the limit, joined over the ticks, and how much of each went with what.

use super::plan::Watch;
use super::summary::Part;
use crate::base::{Phase, Stamp};

/// So many of the worst spans are kept.
pub const MOST_SPANS: usize = 1000;

/// A span longer than this many times what the rule allows, and than a minute, is no brief one (ours).
const STEADY_TIMES: f64 = 10.0;
const STEADY_S: f64 = 60.0;

/// One span in which export surely stood above the limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OverSpan {
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
    /// In spans that did not last.
    pub brief_ws: f64,
    /// In spans that did.
    pub steady_ws: f64,
    /// How many spans.
    pub count: u64,
    /// How long they lasted together, in s.
    pub time_s: f64,
}

/// The spans of a log.
#[derive(Clone, Debug)]
pub struct Spans {
    watches: Vec<Watch>,
    lag_s: f64,
    open: Vec<Option<OverSpan>>,
    /// The worst, by energy.
    kept: Vec<OverSpan>,
    /// Those the rule forbids.
    pub breaking: Shares,
    /// Those so short that the rule allows each of them.
    pub allowed: Shares,
    /// Highest sliding mean of all.
    pub worst_w: f64,
    /// When.
    pub worst_at: Option<Stamp>,
}

impl OverSpan {
    fn of(part: &Part) -> Self {
        Self {
            phase: part.over.phase,
            from: part.from,
            to: part.to,
            worst_w: part.over.worst_w,
            energy_ws: part.over.energy_ws,
            silent_ws: part.silent_ws,
            outside_ws: part.outside_ws,
            full_ws: part.full_ws,
            hunting_ws: part.hunting_ws,
        }
    }

    fn join(&mut self, part: &Part) {
        self.to = part.to;
        self.worst_w = self.worst_w.max(part.over.worst_w);
        self.energy_ws += part.over.energy_ws;
        self.silent_ws += part.silent_ws;
        self.outside_ws += part.outside_ws;
        self.full_ws += part.full_ws;
        self.hunting_ws += part.hunting_ws;
    }

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
            kept: Vec::new(),
            breaking: Shares::default(),
            allowed: Shares::default(),
            worst_w: 0.0,
            worst_at: None,
        }
    }

    /// Takes the parts of the next slice, which begins at `start`; in time order for each phase.
    pub fn push(&mut self, start: Stamp, parts: &[Part]) {
        for place in 0..self.watches.len() {
            let phase = self.watches[place].phase;
            let mut own = parts.iter().filter(|part| part.over.phase == phase).peekable();
            // A span that does not go on from the tick has ended there.
            if own.peek().is_none_or(|part| part.from > start) {
                self.close(place);
            }
            for part in own {
                match &mut self.open[place] {
                    Some(open) if part.from <= open.to => open.join(part),
                    _ => {
                        self.close(place);
                        self.open[place] = Some(OverSpan::of(part));
                    }
                }
            }
        }
    }

    /// Closes what is open: no slice follows, or not the next one.
    pub fn end(&mut self) {
        for place in 0..self.watches.len() {
            self.close(place);
        }
    }

    /// The worst of them, by energy.
    pub fn worst(&self) -> Vec<OverSpan> {
        let mut kept = self.kept.clone();
        trim(&mut kept);
        kept
    }

    fn close(&mut self, place: usize) {
        let (watch, Some(span)) = (self.watches[place], self.open[place].take()) else { return };
        let length = (span.length_s() - self.lag_s).max(0.0);
        if span.worst_w > self.worst_w {
            (self.worst_w, self.worst_at) = (span.worst_w, Some(span.from));
        }
        let breaks = length > watch.longest_s;
        let steady = length > STEADY_S.max(STEADY_TIMES * watch.longest_s);
        if breaks { &mut self.breaking } else { &mut self.allowed }.add(&span, steady);
        self.kept.push(span);
        if self.kept.len() > 2 * MOST_SPANS {
            trim(&mut self.kept);
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
            brief_ws: self.brief_ws + other.brief_ws,
            steady_ws: self.steady_ws + other.steady_ws,
            count: self.count + other.count,
            time_s: self.time_s + other.time_s,
        }
    }
}

fn trim(spans: &mut Vec<OverSpan>) {
    spans.sort_by(|one, other| {
        other.energy_ws.total_cmp(&one.energy_ws).then((one.from, one.phase).cmp(&(other.from, other.phase)))
    });
    spans.truncate(MOST_SPANS);
}
