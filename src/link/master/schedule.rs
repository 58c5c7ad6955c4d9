//! Which question is next, and when it is due: an absolute schedule over all units of a line, without drift.

use super::super::timeout::{AnswerTimes, TimeoutBounds};
use super::{Question, UnitPlan};
use crate::base::{Span, Stamp};

/// After so many cycles in a row without an answer a unit is only probed, where others answer on the same line. Ours.
const RESTING_AFTER: u32 = 3;
/// How often a unit that does not answer is probed. Ours.
const PROBE_EVERY: Span = Span::from_millis(10_000);

/// One unit with what is known of it.
#[derive(Clone, Debug)]
pub(super) struct Unit {
    pub(super) plan: UnitPlan,
    pub(super) times: AnswerTimes,
    silent: u32,
    probe_at: Option<Stamp>,
    given_up_in: Option<i64>,
}

/// The next question.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Next {
    pub(super) question: Question,
    pub(super) at: Stamp,
    slot: i64,
    position: usize,
}

/// All units of a line and the slots in which they are read.
#[derive(Clone, Debug)]
pub(super) struct Schedule {
    pub(super) units: Vec<Unit>,
    /// (unit, question) in the order of a cycle.
    order: Vec<(usize, usize)>,
    every: Option<Span>,
    first: Option<Stamp>,
    slot: i64,
    position: usize,
    /// Slots that passed while the line was still busy with an earlier one.
    pub(super) missed: u64,
    /// Cycles begun.
    pub(super) cycles: u64,
}

impl Schedule {
    pub(super) fn new(units: Vec<UnitPlan>, every: Option<Span>, bounds: TimeoutBounds) -> Self {
        let order = units
            .iter()
            .enumerate()
            .flat_map(|(unit, plan)| (0..plan.questions.len()).map(move |question| (unit, question)))
            .collect();
        let units = units
            .into_iter()
            .map(|plan| Unit {
                plan,
                times: AnswerTimes::new(bounds),
                silent: 0,
                probe_at: None,
                given_up_in: None,
            })
            .collect();
        let every = every.filter(|every| *every > Span::ZERO);
        Self { units, order, every, first: None, slot: 0, position: 0, missed: 0, cycles: 0 }
    }

    /// The first slot begins here.
    pub(super) fn begin(&mut self, at: Stamp) {
        self.first.get_or_insert(at);
    }

    pub(super) fn unit(&mut self, unit: u8) -> Option<&mut Unit> {
        self.units.iter_mut().find(|known| known.plan.unit == unit)
    }

    pub(super) fn knows(&self, unit: u8) -> bool {
        self.units.iter().any(|known| known.plan.unit == unit)
    }

    /// The next question and when it may be asked, on a line that is free from `ready` on. Stops at `cycles`, if given.
    pub(super) fn next(&self, ready: Stamp, cycles: Option<u64>) -> Option<Next> {
        let first = self.first?;
        for (slot, from) in [(self.slot, self.position), (self.slot + 1, 0)] {
            let fresh = from == 0;
            if fresh && cycles.is_some_and(|limit| self.cycles >= limit) {
                return None;
            }
            for position in from..self.order.len() {
                let (unit, question) = self.order[position];
                let due = match self.every {
                    Some(every) if fresh => (first + every * slot).max(ready),
                    _ => ready,
                };
                let known = &self.units[unit];
                if !self.askable(known, question, slot, due) {
                    continue;
                }
                let request = known.plan.questions[question];
                let question = Question { unit: known.plan.unit, request };
                return Some(Next { question, at: due, slot, position });
            }
        }
        None
    }

    fn askable(&self, unit: &Unit, question: usize, slot: i64, due: Stamp) -> bool {
        if unit.given_up_in == Some(slot) {
            return false;
        }
        let others = self.units.iter().any(|other| other.silent == 0 && other.plan.unit != unit.plan.unit);
        match unit.probe_at {
            Some(probe_at) if others => question == 0 && due >= probe_at,
            _ => true,
        }
    }

    /// The question `next` gave is asked now.
    pub(super) fn take(&mut self, next: &Next) {
        let begins = next.slot != self.slot || self.position == 0;
        self.slot = next.slot;
        if begins {
            self.cycles += 1;
            if let (Some(every), Some(first)) = (self.every, self.first) {
                // A slot that began a whole period ago is missed, not made up for.
                let now = (next.at - first).nanos().div_euclid(every.nanos());
                self.missed += u64::try_from(now - self.slot).unwrap_or(0);
                self.slot = self.slot.max(now);
            }
        }
        self.position = next.position + 1;
        if self.position == self.order.len() {
            self.position = 0;
            self.slot += 1;
        }
    }

    /// Whether a unit is only probed: then one attempt has to do.
    pub(super) fn probes(&self, unit: u8) -> bool {
        self.units.iter().any(|known| known.plan.unit == unit && known.probe_at.is_some())
            && self.units.iter().any(|other| other.silent == 0)
    }

    /// A unit answered, be it by an exception.
    pub(super) fn answered(&mut self, unit: u8) {
        if let Some(unit) = self.unit(unit) {
            unit.silent = 0;
            unit.probe_at = None;
        }
    }

    /// A question was given up: the rest of the unit's questions wait for the next cycle.
    pub(super) fn gave_up(&mut self, unit: u8, at: Stamp) {
        let slot = self.slot - i64::from(self.position == 0);
        if let Some(unit) = self.unit(unit) {
            unit.given_up_in = Some(slot);
            unit.silent += 1;
            if unit.silent >= RESTING_AFTER {
                unit.probe_at = Some(at + PROBE_EVERY);
            }
        }
    }
}
