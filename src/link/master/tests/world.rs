//! A line in simulated time: an invented unit that answers, or not, and bytes of others at set times.

use std::collections::VecDeque;

use super::super::{Heard, Input, Master, MasterPlan, Output, Question, UnitPlan};
use crate::base::{Span, Stamp};
use crate::link::TimeoutBounds;
use crate::profile::{Parity, SerialSettings};
use crate::record::{Direction, Frame, Medium, Record, Role, Stray, StrayWhy};
use crate::wire::{self, Request};

pub(super) fn us(us: i64) -> Stamp {
    Stamp::from_micros(1_790_000_000_000_000 + us)
}

pub(super) fn ms(millis: i64) -> Span {
    Span::from_millis(millis)
}

pub(super) fn plan(units: Vec<UnitPlan>) -> MasterPlan {
    MasterPlan {
        medium: Medium::Serial,
        settings: SerialSettings { baud: 9600, parity: Parity::None, stop_bits: 1 },
        latency: Span::ZERO,
        units,
        once: Vec::new(),
        every: Some(ms(1000)),
        cycles: None,
        attempts: 2,
        listen_first: ms(5000),
        share_line: false,
        bounds: TimeoutBounds::default(),
        earlier: None,
    }
}

pub(super) fn unit(unit: u8, questions: &[(u16, u16)]) -> UnitPlan {
    let questions = questions
        .iter()
        .map(|(address, count)| Request::read_input(*address, *count).expect("valid"))
        .collect();
    UnitPlan { unit, questions, pause: Span::ZERO }
}

/// What a unit does with one question.
#[derive(Clone, Copy, Debug)]
pub(super) enum Act {
    /// Answers so long after the end of the question.
    Answer(Span),
    Exception(Span),
    Silent,
    /// Answers with a wrong CRC.
    Damage(Span),
    /// Answers something else.
    Other(Span),
}

/// A line in simulated time: acts in the order of questions (the last one stays), and bytes of others at set times.
pub(super) struct World {
    pub(super) medium: Medium,
    pub(super) master: Master,
    pub(super) acts: VecDeque<Act>,
    /// (arrival, bytes, record).
    pub(super) coming: Vec<(Stamp, Vec<u8>, Record)>,
    pub(super) asked: Vec<(Stamp, Question)>,
    pub(super) refused: Option<(Stamp, Heard)>,
    pub(super) done: Option<Stamp>,
    pub(super) reconnects: u32,
    now: Stamp,
}

pub(super) fn frame(at: Stamp, role: Role, unit: u8, pdu: &[u8], medium: Medium, transaction: u16) -> Record {
    let bytes = match medium {
        Medium::Serial => wire::rtu::encode(unit, pdu),
        Medium::Tcp => wire::mbap::encode(transaction, unit, pdu),
    };
    Record::Frame(Frame { line: 0, at, direction: Direction::In, role, bytes, medium })
}

pub(super) fn bytes_of(record: &Record) -> Vec<u8> {
    match record {
        Record::Frame(frame) => frame.bytes.clone(),
        Record::Stray(stray) => stray.bytes.clone(),
        Record::Mark(_) => Vec::new(),
    }
}

impl World {
    pub(super) fn new(plan: MasterPlan, acts: &[Act]) -> Self {
        let medium = plan.medium;
        Self {
            medium,
            master: Master::new(plan),
            acts: acts.iter().copied().collect(),
            coming: Vec::new(),
            asked: Vec::new(),
            refused: None,
            done: None,
            reconnects: 0,
            now: us(0),
        }
    }

    pub(super) fn hear(&mut self, at: Stamp, record: Record) {
        self.coming.push((at, bytes_of(&record), record));
        self.coming.sort_by_key(|(at, ..)| *at);
    }

    pub(super) fn answer(&mut self, now: Stamp, question: Question, transaction: u16) {
        let act = if self.acts.len() > 1 { self.acts.pop_front() } else { self.acts.front().copied() };
        let end = now + if self.medium == Medium::Serial { Span::from_nanos(8_333_333) } else { Span::ZERO };
        let count = question.request.count().unwrap_or(0);
        let mut pdu = vec![question.request.function(), (count * 2) as u8];
        pdu.resize(2 + 2 * usize::from(count), 0x11);
        let (delay, pdu) = match act.unwrap_or(Act::Silent) {
            Act::Silent => return,
            Act::Answer(delay) | Act::Damage(delay) => (delay, pdu),
            Act::Exception(delay) => (delay, vec![question.request.function() | 0x80, 2]),
            Act::Other(delay) => (delay, vec![3, 2, 0, 0]),
        };
        let at = end + delay;
        let record = if let Some(Act::Damage(_)) = act {
            let mut bytes = wire::rtu::encode(question.unit, &pdu);
            bytes[3] ^= 1;
            Record::Stray(Stray { line: 0, at, direction: Direction::In, bytes, why: StrayWhy::Damaged })
        } else {
            frame(at, Role::Response, question.unit, &pdu, self.medium, transaction)
        };
        self.hear(at, record);
    }

    /// Runs until this time, with extra ticks at the given times.
    pub(super) fn run(&mut self, until: Stamp, ticks: &[Stamp]) {
        self.master.handle(us(0), Input::Back);
        self.go(us(0), until, ticks);
    }

    /// Goes on where the last run ended.
    pub(super) fn resume(&mut self, until: Stamp) {
        self.go(self.now, until, &[]);
    }

    fn go(&mut self, from: Stamp, until: Stamp, ticks: &[Stamp]) {
        let mut ticks: VecDeque<Stamp> = ticks.iter().copied().collect();
        let mut now = from;
        for _ in 0..100_000 {
            let wait = match self.master.poll() {
                Output::Ask { question, transaction } => {
                    self.asked.push((now, question));
                    let pdu = question.request.encode();
                    let bytes = match self.medium {
                        Medium::Serial => wire::rtu::encode(question.unit, &pdu),
                        Medium::Tcp => wire::mbap::encode(transaction, question.unit, &pdu),
                    };
                    self.master.handle(now, Input::Sent(&bytes));
                    self.answer(now, question, transaction);
                    continue;
                }
                Output::Reconnect => {
                    self.reconnects += 1;
                    self.master.handle(now, Input::Lost);
                    self.master.handle(now, Input::Back);
                    continue;
                }
                Output::Refuse(heard) => {
                    self.refused = Some((now, heard));
                    continue;
                }
                Output::Wait(until, _) => until,
                Output::Done => {
                    self.done.get_or_insert(now);
                    None
                }
            };
            let next = [wait, self.coming.first().map(|(at, ..)| *at), ticks.front().copied(), Some(until)];
            let next = next.into_iter().flatten().min().expect("the end at least");
            assert!(next >= now, "waiting for the past");
            now = next;
            if now >= until {
                self.now = until;
                return;
            }
            if ticks.front() == Some(&now) {
                ticks.pop_front();
                self.master.handle(now, Input::Tick);
            } else if self.coming.first().is_some_and(|(at, ..)| *at == now) {
                let (_, bytes, record) = self.coming.remove(0);
                self.master.handle(now, Input::Heard(&bytes));
                self.master.handle(now, Input::Record(&record));
            } else {
                self.master.handle(now, Input::Tick);
            }
        }
        panic!("the master never waits");
    }

    /// First register and count of what was asked; zeros for identifications.
    pub(super) fn ranges(&self) -> Vec<(u16, u16)> {
        let range = |request: Request| (request.address().unwrap_or(0), request.count().unwrap_or(0));
        self.asked.iter().map(|(_, question)| range(question.request)).collect()
    }

    pub(super) fn asked_at_us(&self) -> Vec<i64> {
        self.asked.iter().map(|(at, _)| (*at - us(0)).nanos() / 1000).collect()
    }
}
