//! The search itself, without the line: it says how to open the line and what to ask, and is told what came; whoever owns
//! the line carries that out, turn by turn.

use std::collections::{BTreeSet, VecDeque};

use super::findings::Findings;
use super::{SECOND_PASS, Search, Stage};
use crate::base::Span;
use crate::link::{MasterPlan, Question, TimeoutBounds};
use crate::profile::SerialSettings;
use crate::record::{Direction, LineInfo, Medium, Record};

/// What an adapter may hold back, in reckoning the time to go. Common practice: 16 ms.
const LATENCY: Span = Span::from_millis(16);
/// Turns about what was found at one setting, at most: a chain of models takes one a model. Ours.
const MOST_TURNS: u32 = 150;

/// What to search, and how.
#[derive(Clone, Debug)]
pub struct Terms {
    /// In this order.
    pub settings: Vec<SerialSettings>,
    /// In this order.
    pub units: Vec<u8>,
    /// How frames are wrapped.
    pub medium: Medium,
    /// Wait for slow units too, though others were found.
    pub slow: bool,
    /// How long to listen before the first question.
    pub listen_first: Span,
    /// Go on though another master speaks.
    pub share_line: bool,
}

/// The line opened once, and what is asked of it.
#[derive(Clone, Debug)]
pub struct Turn {
    /// How to set the line.
    pub settings: SerialSettings,
    /// What to ask.
    pub plan: MasterPlan,
}

/// A search.
#[derive(Debug)]
pub struct Hunt {
    terms: Terms,
    stages: VecDeque<Stage>,
    stage: Option<Stage>,
    asked: usize,
    turns: u32,
    listened: bool,
    findings: Findings,
}

impl Hunt {
    /// Nothing is asked yet.
    pub fn new(terms: Terms) -> Self {
        let search = Search { settings: terms.settings.clone(), units: terms.units.clone() };
        Self {
            stages: search.stages().into(),
            terms,
            stage: None,
            asked: 0,
            turns: 0,
            listened: false,
            findings: Findings::default(),
        }
    }

    /// What was found.
    pub fn findings(&self) -> &Findings {
        &self.findings
    }

    /// Units found since this was last asked.
    pub fn news(&mut self) -> Vec<u8> {
        self.findings.news()
    }

    /// How long what is left may take when nobody answers: the first pass (or, in the second, that), and the second.
    pub fn left(&self) -> (Span, Span) {
        let sum = |slow: bool| {
            let stages = self.stages.iter().filter(|stage| (stage.timeout >= SECOND_PASS) == slow);
            let stages = stages.filter(|stage| self.wanted(stage));
            stages.fold(Span::ZERO, |sum, stage| sum + stage.longest(LATENCY))
        };
        let current = self.stage.as_ref().map_or(Span::ZERO, |stage| {
            stage.longest_for(stage.units.len().saturating_sub(self.asked), LATENCY)
        });
        match &self.stage {
            Some(stage) if stage.timeout >= SECOND_PASS => (Span::ZERO, sum(true) + current),
            _ => (sum(false) + current, sum(true)),
        }
    }

    /// Whether to stop at once: bytes come that nobody was asked for, and the line is not shared on request.
    pub fn is_over(&self) -> bool {
        !self.terms.share_line && self.terms.medium == Medium::Serial && self.findings.babble().is_some()
    }

    /// How to open the line next, and what to ask; `None` at the end.
    pub fn next_turn(&mut self) -> Option<Turn> {
        if self.is_over() {
            return None;
        }
        if let Some(stage) = self.stage.clone() {
            let questions = self.findings.questions();
            if !questions.is_empty() && self.turns < MOST_TURNS {
                self.turns += 1;
                return Some(self.about(&stage, questions));
            }
        }
        self.stage = None;
        self.turns = 0;
        while let Some(stage) = self.stages.pop_front() {
            if self.wanted(&stage) {
                let found: BTreeSet<u8> = self.findings.units.keys().copied().collect();
                let listen = if std::mem::replace(&mut self.listened, true) {
                    Span::ZERO
                } else {
                    self.terms.listen_first
                };
                let mut plan = stage.plan(self.terms.medium, &found, listen, self.terms.share_line);
                let settings = stage.settings;
                plan.earlier = self.findings.earlier(settings);
                self.stage = Some(stage);
                self.asked = 0;
                return Some(Turn { settings, plan });
            }
        }
        None
    }

    /// Units on one line share its settings, and a line that answered needs no slow pass unless asked for.
    fn wanted(&self, stage: &Stage) -> bool {
        let mut found = self.findings.units.values().map(|unit| unit.settings);
        found.next().is_none_or(|settings| {
            settings == stage.settings && (stage.timeout < SECOND_PASS || self.terms.slow)
        })
    }

    fn about(&self, stage: &Stage, questions: Vec<Question>) -> Turn {
        let all: BTreeSet<u8> = (1..=247).collect();
        let everybody = Stage { units: all.iter().copied().collect(), ..stage.clone() };
        let mut plan = everybody.plan(self.terms.medium, &all, Span::ZERO, self.terms.share_line);
        plan.once = questions;
        plan.attempts = 2;
        let patience = self.findings.patience();
        plan.bounds = TimeoutBounds { first: patience, floor: patience, ..TimeoutBounds::default() };
        plan.earlier = self.findings.earlier(stage.settings);
        Turn { settings: stage.settings, plan }
    }

    /// The line is open.
    pub fn begin(&mut self, info: &LineInfo) {
        let Some(stage) = &self.stage else { return };
        self.findings.begin(info, stage.settings, stage.request());
    }

    /// Takes what came.
    pub fn take(&mut self, records: &[Record]) {
        for record in records {
            if matches!(record, Record::Frame(frame) if frame.direction == Direction::Out) {
                self.asked += 1;
            }
            self.findings.take(record);
        }
    }

    /// The line is closed.
    pub fn end(&mut self) {
        self.findings.end();
    }
}
