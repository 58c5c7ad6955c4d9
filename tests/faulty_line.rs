//! A master, the framer and the pairing on a line that misbehaves from a seed, in simulated time: whatever happens, an answer
//! that counts carries the registers that were asked for, as the meter sent them for this very question.
//!
//! `WATTWARD_SEEDS=1000 cargo test --test faulty_line` runs more of them.

#![expect(clippy::panic, reason = "a test may stop where it stands")]

#[path = "common/crc.rs"]
#[expect(unreachable_pub, reason = "shared by test files")]
mod crc;

use std::collections::{BTreeMap, VecDeque};

use crc::rtu;
use wattward::base::{Span, Stamp};
use wattward::link::{
    Counters, Input, Master, MasterPlan, Outcome, Output, Pairer, TimeoutBounds, Transaction, UnitPlan,
};
use wattward::profile::SerialSettings;
use wattward::record::{Chunk, Direction, Framer, LineInfo, Medium, Record};
use wattward::wire::{self, Request};

/// splitmix64 (public domain algorithm of S. Vigna).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, bound: u64) -> u64 {
        self.next() % bound
    }

    fn ms(&mut self, from: i64, to: i64) -> Span {
        Span::from_micros(from * 1000 + self.below(((to - from) * 1000) as u64) as i64)
    }
}

const START: Stamp = Stamp::from_micros(1_790_000_000_000_000);

/// What a run is like.
#[derive(Clone, Copy, Debug)]
struct Conditions {
    seed: u64,
    /// Questions in a hundred that meet a fault.
    faults: u64,
    echo: bool,
    every: i64,
}

/// The line in simulated time.
struct Line {
    conditions: Conditions,
    random: Random,
    settings: SerialSettings,
    master: Master,
    framer: Framer,
    pairer: Pairer,
    /// Bytes on their way in: arrival and content.
    coming: VecDeque<(Stamp, Vec<u8>)>,
    /// Every right answer of the meter: which block it is of and when that was asked, by its bytes. No two are alike.
    answers: BTreeMap<Vec<u8>, (u16, u16, Stamp)>,
    /// When its right answer would come whole, unspoilt and in good time.
    clean: u64,
    settled: Vec<Transaction>,
    /// Every answer of the meter is another: the count of its answers goes into the registers.
    count: u16,
    /// The unit is not done with earlier questions before then.
    busy_until: Stamp,
}

impl Line {
    fn new(conditions: Conditions) -> Self {
        let settings = SerialSettings::default();
        let line = LineInfo {
            name: "bench".into(),
            medium: Medium::Serial,
            baud: Some(settings.baud),
            tells_errors: false,
        };
        let read = |address, count| Request::read_input(address, count).into_iter();
        let questions = read(0, 4).chain(read(100, 4)).chain(read(200, 10)).collect();
        let unit = UnitPlan { unit: 5, questions, pause: Span::ZERO };
        let plan = MasterPlan {
            medium: Medium::Serial,
            settings,
            latency: Span::from_millis(16),
            units: vec![unit],
            once: Vec::new(),
            every: Some(Span::from_millis(conditions.every)),
            cycles: None,
            attempts: 2,
            listen_first: Span::from_millis(100),
            // A foreign answer now and then is one of the faults, and would end the run.
            share_line: true,
            bounds: TimeoutBounds::default(),
        };
        Self {
            conditions,
            random: Random(conditions.seed),
            settings,
            master: Master::new(plan),
            framer: Framer::new(0, Medium::Serial, Some(settings.baud)),
            pairer: Pairer::new(&[line]),
            coming: VecDeque::new(),
            answers: BTreeMap::new(),
            clean: 0,
            settled: Vec::new(),
            count: 0,
            busy_until: START,
        }
    }

    fn run(&mut self, lasting: Span) {
        let end = START + lasting;
        let mut now = START;
        self.master.handle(now, Input::Back);
        while now < end {
            let wait = match self.master.poll() {
                Output::Ask { question, .. } => {
                    let bytes = wire::rtu::encode(question.unit, &question.request.encode());
                    self.master.handle(now, Input::Sent(&bytes));
                    self.pass(now, Direction::Out, &bytes);
                    self.meter(now, &bytes);
                    continue;
                }
                Output::Wait(wait, _) => wait,
                other => panic!("{other:?} of {:?}", self.conditions),
            };
            let idle = now + Span::from_millis(500);
            let next = self.coming.front().map(|(at, _)| *at);
            now = [wait, next, Some(idle)].into_iter().flatten().min().unwrap_or(idle).max(now);
            if next == Some(now) {
                if let Some((_, bytes)) = self.coming.pop_front() {
                    self.master.handle(now, Input::Heard(&bytes));
                    self.pass(now, Direction::In, &bytes);
                }
            } else {
                let mut records = Vec::new();
                self.framer.quiet(now, &mut records);
                self.tell(now, &records);
                self.master.handle(now, Input::Tick);
            }
        }
        let mut records = Vec::new();
        self.framer.finish(&mut records);
        self.tell(now, &records);
        self.pairer.finish(&mut self.settled);
    }

    fn pass(&mut self, at: Stamp, direction: Direction, bytes: &[u8]) {
        let mut records = Vec::new();
        let chunk = Chunk { line: 0, at, direction, bytes: bytes.to_vec(), error: None };
        self.framer.push(&chunk, &mut records);
        self.tell(at, &records);
    }

    fn tell(&mut self, now: Stamp, records: &[Record]) {
        for record in records {
            self.master.handle(now, Input::Record(record));
            self.pairer.push(record, &mut self.settled);
        }
    }

    /// The meter hears a question and does what the seed says.
    fn meter(&mut self, asked: Stamp, question: &[u8]) {
        let end = asked + self.settings.characters(question.len());
        if self.conditions.echo {
            let size = 1 + self.random.below(8) as usize;
            self.send(asked, question, size);
        }
        let right = self.answer(question);
        let word = |at: usize| u16::from_be_bytes([question[at], question[at + 1]]);
        self.answers.insert(right.clone(), (word(2), word(4), asked));
        let mut at = (end + self.random.ms(5, 90)).max(self.busy_until + self.random.ms(1, 30));
        let mut bytes = right;
        let lump = 1 + self.random.below(40) as usize;
        if self.random.below(100) >= self.conditions.faults {
            self.clean += u64::from(at < end + Span::from_millis(150));
            self.busy_until = self.send(at, &bytes, lump);
            return;
        }
        match self.random.below(9) {
            0 => return,
            // A unit answers one question after the other: what is late keeps the next ones waiting, as at a gateway.
            1 => at = at.max(end + self.random.ms(200, 5000)),
            2 => {
                let noise: Vec<u8> = (0..=self.random.below(30)).map(|_| self.random.next() as u8).collect();
                self.send(at - Span::from_millis(3), &noise, lump);
            }
            3 => {
                let flip = self.random.below(bytes.len() as u64 * 8);
                bytes[(flip / 8) as usize] ^= 1 << (flip % 8);
            }
            4 => bytes.truncate(self.random.below(bytes.len() as u64) as usize),
            5 => bytes = rtu(&[5, 0x84, 6]),
            6 => {
                let mut foreign = vec![9, 4, 8];
                foreign.extend((0..8).map(|_| self.random.next() as u8));
                self.send(at - Span::from_millis(4), &rtu(&foreign), lump);
            }
            7 => bytes = rtu(&[5, 3, 2, 0, 1]),
            _ => {
                let header = [[5, 4, 0xf0], [5, 4, 8], [5, 3, 40]][self.random.below(3) as usize];
                self.send(at - Span::from_millis(2), &header, lump);
            }
        }
        self.busy_until = self.send(at, &bytes, lump);
    }

    fn answer(&mut self, question: &[u8]) -> Vec<u8> {
        self.count = self.count.wrapping_add(1);
        if question[1] == 43 {
            // it has no identification
            return rtu(&[5, 0xAB, 1]);
        }
        let word = |at: usize| u16::from_be_bytes([question[at], question[at + 1]]);
        let mut bytes = vec![question[0], question[1], (2 * word(4)) as u8];
        for offset in 0..word(4) {
            let value = (word(2) + offset).wrapping_mul(31) ^ self.count;
            bytes.extend(value.to_be_bytes());
        }
        rtu(&bytes)
    }

    /// Bytes arrive in lumps, as adapters hand them over; what is on the way already is not overtaken.
    fn send(&mut self, at: Stamp, bytes: &[u8], lump: usize) -> Stamp {
        let mut at = at;
        for piece in bytes.chunks(lump) {
            at += self.settings.characters(piece.len());
            let place = self.coming.partition_point(|(other, _)| *other <= at);
            self.coming.insert(place, (at, piece.to_vec()));
        }
        at
    }
}

fn seeds() -> u64 {
    std::env::var("WATTWARD_SEEDS").ok().and_then(|text| text.parse().ok()).unwrap_or(100)
}

/// Ten minutes of a log; what the master counted, and the answers that made readings.
fn ten_minutes(conditions: Conditions) -> (Counters, u64, u64) {
    let mut line = Line::new(conditions);
    line.run(Span::from_millis(600_000));
    let mut read = 0;
    for transaction in &line.settled {
        if transaction.suspect {
            continue;
        }
        if let Outcome::Answer { pdu, .. } = &transaction.outcome {
            // An answer to the same question asked before would be about the same registers, and stale.
            let block = line.answers.get(&wire::rtu::encode(5, pdu)).copied();
            let asked = (transaction.asked.address, transaction.asked.count, transaction.asked_at);
            assert_eq!(block, Some(asked), "another question's registers: {transaction:?} of {conditions:?}");
            read += 1;
        }
    }
    (line.master.counters(), line.clean, read)
}

#[test]
fn no_reading_is_stale_foreign_or_invented() {
    let mut shares = BTreeMap::new();
    for seed in 0..seeds() {
        let conditions =
            Conditions { seed, faults: [2, 10, 30][seed as usize % 3], echo: seed % 4 == 1, every: 1000 };
        let (counters, clean, read) = ten_minutes(conditions);
        assert!(read * 5 > clean, "{read} of {clean} with {conditions:?}: {counters:?}");
        let (sum, of) = shares.entry(conditions.faults).or_insert((0, 0));
        *sum += read;
        *of += clean;
    }
    // Not by believing nothing: of what came unspoilt and in good time, most became readings. After trouble two clean cycles
    // are wanted first.
    let share = |faults: u64| shares.get(&faults).map_or(1.0, |(sum, of)| *sum as f64 / *of as f64);
    assert!(
        share(2) > 0.97 && share(10) > 0.9 && share(30) > 0.6,
        "{} {} {}",
        share(2),
        share(10),
        share(30)
    );
}

#[test]
fn a_clean_line_loses_nothing() {
    for echo in [false, true] {
        let (counters, clean, read) = ten_minutes(Conditions { seed: 7, faults: 0, echo, every: 1000 });
        assert_eq!((counters.timeouts, counters.damaged, counters.unexpected), (0, 0, 0), "{counters:?}");
        assert!(read + 1 >= clean && clean >= 1790, "{read} of {clean}");
    }
}
