//! A log in simulated time: an invented meter on a simulated line, and master, framer and pairing as they are live.

use std::collections::VecDeque;
use std::ops::Range;

use wattward::base::{Span, Stamp};
use wattward::link::{
    Input, Master, MasterPlan, Output, Pairer, Quality, TimeoutBounds, Transaction, UnitPlan,
};
use wattward::profile::SerialSettings;
use wattward::record::{Chunk, Direction, Framer, LineInfo, Medium, Record};
use wattward::sim::Seed;
use wattward::sim::bits::{Arrival, Line, LineRules, Spoken};
use wattward::wire::{Request, rtu};

#[path = "due.rs"]
mod due;

/// The meter.
pub(crate) const UNIT: u8 = 5;
const START: Stamp = Stamp::from_micros(1_790_000_000_000_000);
/// A second master's unit.
const ELSEWHERE: u8 = 9;

/// What a run is like.
#[derive(Clone, Debug)]
pub(crate) struct Conditions {
    pub(crate) seed: u64,
    /// Probability of each fault, for each question.
    pub(crate) faults: f64,
    /// Never two faults at one question, and none whose effect is chance.
    pub(crate) one: bool,
    pub(crate) echo: bool,
    pub(crate) second_master: bool,
    pub(crate) turnaround_ms: i64,
    pub(crate) lump_ms: i64,
    /// A late answer comes at most this much late.
    pub(crate) latest_ms: i64,
    /// Seconds within which the meter is switched off.
    pub(crate) away_s: Range<i64>,
    /// Seconds within which the line brings nothing but noise.
    pub(crate) burst_s: Range<i64>,
}

impl Conditions {
    pub(crate) fn clean(seed: u64) -> Self {
        Self {
            seed,
            faults: 0.0,
            one: false,
            echo: false,
            second_master: false,
            turnaround_ms: 0,
            lump_ms: 0,
            latest_ms: 12_000,
            away_s: 0..0,
            burst_s: 0..0,
        }
    }

    pub(crate) fn all_faults(seed: u64, faults: f64) -> Self {
        Self {
            faults,
            echo: seed % 4 == 1,
            second_master: seed % 5 == 2,
            lump_ms: [0, 1, 4, 16][seed as usize / 3 % 4],
            ..Self::clean(seed)
        }
    }

    pub(crate) fn one_at_a_time(seed: u64) -> Self {
        Self { faults: 0.02, one: true, lump_ms: [0, 16, 1, 4][seed as usize / 2 % 4], ..Self::clean(seed) }
    }

    /// The same over an adapter that hands each byte on, no answer later than five seconds.
    pub(crate) fn one_at_a_time_mildly(seed: u64) -> Self {
        Self { lump_ms: 0, latest_ms: 5000, ..Self::one_at_a_time(seed) }
    }

    fn rules(&self, seed: &mut Seed) -> LineRules {
        let late_by = Span::from_millis(200 + i64::from(seed.bits()) % (self.latest_ms - 200));
        let base = LineRules {
            jitter: Span::from_millis(40),
            lump: Span::from_millis(self.lump_ms),
            late_by,
            echo: self.echo,
            marks: self.seed.is_multiple_of(2),
            ..LineRules::default()
        };
        let share = self.faults;
        if !self.one {
            return LineRules {
                silent: share,
                late: share,
                half: share,
                noise: share,
                breaks: share,
                foreign: share,
                twin: share,
                echo_altered: share,
                flip: share / 20.0,
                bit_errors: share / 200.0,
                ..base
            };
        }
        let mut rules = base;
        if seed.happens(5.0 * share) {
            let chosen =
                [&mut rules.silent, &mut rules.late, &mut rules.half, &mut rules.noise, &mut rules.breaks];
            let place = seed.bits() as usize % 5;
            chosen.into_iter().skip(place).take(1).for_each(|share| *share = 1.0);
        }
        rules
    }
}

/// One question of ours, and what became of it on the line.
struct Asked {
    at: Stamp,
    end: Stamp,
    heard: bool,
    spoken: Spoken,
    length: usize,
    /// Function and count: answers to questions that agree in these look alike.
    shape: (u8, u8),
}

pub(crate) struct Bench {
    conditions: Conditions,
    chance: Seed,
    settings: SerialSettings,
    pub(crate) line: Line,
    pub(crate) master: Master,
    framer: Framer,
    pub(crate) pairer: Pairer,
    pub(crate) quality: Quality,
    coming: VecDeque<Arrival>,
    asked: Vec<Asked>,
    other_at: Option<Stamp>,
    ended: Stamp,
    pub(crate) settled: Vec<Transaction>,
}

impl Bench {
    pub(crate) fn new(conditions: &Conditions) -> Self {
        let settings = SerialSettings::default();
        let info = LineInfo {
            name: "bench".into(),
            medium: Medium::Serial,
            baud: Some(settings.baud),
            tells_errors: true,
        };
        let read = |address, count| Request::read_input(address, count).into_iter();
        let questions = read(0, 4).chain(read(100, 4)).chain(read(200, 10)).collect();
        let plan = MasterPlan {
            medium: Medium::Serial,
            settings,
            latency: Span::from_millis(conditions.lump_ms),
            units: vec![UnitPlan { unit: UNIT, questions, pause: Span::ZERO }],
            once: Vec::new(),
            every: Some(Span::from_millis(1000)),
            cycles: None,
            attempts: 2,
            listen_first: Span::from_millis(100),
            // Foreign frames are among the faults, and would end the run.
            share_line: true,
            bounds: TimeoutBounds::default(),
            earlier: None,
        };
        let other_at = conditions.second_master.then_some(START + Span::from_millis(7137));
        Self {
            conditions: conditions.clone(),
            chance: Seed::named(conditions.seed, "faults"),
            settings,
            line: Line::new(LineRules::default(), settings, conditions.seed, 0),
            master: Master::new(plan),
            framer: Framer::new(0, Medium::Serial, Some(settings.baud)),
            pairer: Pairer::new(std::slice::from_ref(&info)),
            quality: Quality::new(&[info]),
            coming: VecDeque::new(),
            asked: Vec::new(),
            other_at,
            ended: START,
            settled: Vec::new(),
        }
    }

    pub(crate) fn run(&mut self, lasting: Span) {
        let end = START + lasting;
        let mut now = START;
        self.master.handle(now, Input::Back);
        let mut ending = false;
        loop {
            if now >= end && !std::mem::replace(&mut ending, true) {
                // As a log that is stopped: the question on its way is waited for.
                self.master.finish(Vec::new());
            }
            let wait = match self.master.poll() {
                Output::Done if ending => break,
                Output::Ask { question, .. } => {
                    self.ask(now, &rtu::encode(question.unit, &question.request.encode()));
                    continue;
                }
                Output::Wait(wait, _) => wait,
                other => panic!("{other:?} of {:?}", self.conditions),
            };
            let first = self.coming.front().map(|arrival| arrival.at);
            let next = [wait, first, self.line.next(), self.other_at, Some(now + Span::from_millis(500))];
            now = next.into_iter().flatten().min().unwrap_or(end).max(now);
            if self.other_at == Some(now) {
                self.other_master(now);
            }
            for arrival in self.line.hear(now) {
                let place = self.coming.partition_point(|other| other.at <= arrival.at);
                self.coming.insert(place, arrival);
            }
            while self.coming.front().is_some_and(|arrival| arrival.at <= now) {
                let Some(arrival) = self.coming.pop_front() else { break };
                self.master.handle(now, Input::Heard(&arrival.bytes));
                self.pass(now, Direction::In, arrival);
            }
            let mut records = Vec::new();
            self.framer.quiet(now, &mut records);
            self.tell(now, &records);
            self.master.handle(now, Input::Tick);
        }
        self.ended = now;
        let mut records = Vec::new();
        self.framer.finish(&mut records);
        self.tell(now, &records);
        let mut settled = Vec::new();
        self.pairer.finish(&mut settled);
        self.settle(settled);
    }

    fn ask(&mut self, now: Stamp, question: &[u8]) {
        self.master.handle(now, Input::Sent(question));
        let sent = Arrival { at: now, bytes: question.to_vec(), error: None };
        self.pass(now, Direction::Out, sent);
        self.line.rules = self.conditions.rules(&mut self.chance);
        let heard = self.line.ask(now, question);
        let end = self.line.heard_at(now, question);
        let second = (now - START).nanos() / 1_000_000_000;
        if self.conditions.burst_s.contains(&second) {
            let noise: Vec<u8> = (0..200).map(|_| self.chance.bits() as u8).collect();
            self.line.ask_elsewhere(now, &noise);
        }
        let away = self.conditions.away_s.contains(&second);
        let answer =
            rtu::check(&heard).filter(|(unit, _)| *unit == UNIT && !away).map(|(_, pdu)| answer(pdu, end));
        let turnaround = Span::from_millis(5 + self.conditions.turnaround_ms);
        let spoken = self.line.answer(end, answer.as_deref(), turnaround);
        let length = answer.as_ref().map_or(0, Vec::len);
        let shape = (question[1], if question[1] == 43 { 0 } else { question[5] });
        self.asked.push(Asked { at: now, end, heard: answer.is_some(), spoken, length, shape });
    }

    /// Another master asks its unit for something, whoever else may be speaking.
    fn other_master(&mut self, now: Stamp) {
        self.other_at = Some(now + Span::from_millis(23_000 + i64::from(self.chance.bits() % 9000)));
        self.line.rules =
            LineRules { lump: Span::from_millis(self.conditions.lump_ms), ..LineRules::default() };
        let question = rtu::encode(ELSEWHERE, &[4, 0, 0, 0, 4]);
        self.line.ask_elsewhere(now, &question);
        let values: Vec<u8> = (0..8).map(|_| self.chance.bits() as u8).collect();
        let answer = rtu::encode(ELSEWHERE, &[&[4, 8][..], &values].concat());
        self.line.answer(self.line.heard_at(now, &question), Some(&answer), Span::from_millis(20));
    }

    fn pass(&mut self, now: Stamp, direction: Direction, arrival: Arrival) {
        let mut records = Vec::new();
        let chunk = Chunk { line: 0, at: arrival.at, direction, bytes: arrival.bytes, error: arrival.error };
        self.framer.push(&chunk, &mut records);
        self.tell(now, &records);
    }

    fn tell(&mut self, now: Stamp, records: &[Record]) {
        for record in records {
            self.master.handle(now, Input::Record(record));
            self.quality.record(record);
            let mut settled = Vec::new();
            self.pairer.push(record, &mut settled);
            self.quality.pairing(&self.pairer);
            self.settle(settled);
        }
    }

    fn settle(&mut self, settled: Vec<Transaction>) {
        for transaction in &settled {
            self.quality.transaction(transaction);
        }
        self.settled.extend(settled);
    }
}

/// Register `address` at a time: the time itself in ms, low word first, then what depends on both.
fn register(address: u16, offset: u16, at: Stamp) -> u16 {
    let ms = (at - START).nanos() / 1_000_000;
    match offset {
        0 => ms as u16,
        1 => (ms >> 16) as u16,
        _ => (address + offset).wrapping_mul(31) ^ ms as u16,
    }
}

/// The meter looks at its registers when it has heard a question.
fn answer(pdu: &[u8], at: Stamp) -> Vec<u8> {
    if pdu[0] == 43 {
        // it has no identification
        return rtu::encode(UNIT, &[0xAB, 1]);
    }
    let word = |place: usize| u16::from_be_bytes([pdu[place], pdu[place + 1]]);
    let (address, count) = (word(1), word(3));
    let mut answer = vec![pdu[0], (2 * count) as u8];
    for offset in 0..count {
        answer.extend(register(address, offset, at).to_be_bytes());
    }
    rtu::encode(UNIT, &answer)
}

/// Whether these registers are what the meter showed at one moment within a span of time.
pub(crate) fn tells_of(address: u16, pdu: &[u8], span: Range<Stamp>) -> Result<(), String> {
    let words: Vec<u16> = pdu[2..].chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
    let (from, to) = ((span.start - START).nanos() / 1_000_000, (span.end - START).nanos() / 1_000_000);
    let fits = |ms: i64| {
        let at = START + Span::from_millis(ms);
        words.iter().enumerate().all(|(offset, word)| *word == register(address, offset as u16, at))
    };
    if (from..=to).any(fits) {
        return Ok(());
    }
    let ms = words.iter().take(2).rev().fold(0_i64, |ms, word| ms << 16 | i64::from(*word));
    Err(format!("no value of {from} to {to} ms, perhaps of {ms} ms"))
}
