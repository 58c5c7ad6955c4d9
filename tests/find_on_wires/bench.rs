//! Units, wires and an adapter bit by bit, and a search that runs on them.

use std::collections::VecDeque;

use super::crc::rtu;
use wattward::base::{Span, Stamp};
use wattward::link::search::{Hunt, Terms, Turn, USUAL, all_units};
use wattward::link::{Cause, Input, Master, Output};
use wattward::profile::SerialSettings;
use wattward::record::{Chunk, Direction, Framer, LineInfo, Medium, Record, WireError};
use wattward::sim::uart::{Pair, chunks};
use wattward::wire;

pub(super) const START: Stamp = Stamp::from_micros(1_790_000_000_000_000);
pub(super) const LISTEN: Span = Span::from_millis(5000);

/// A simulated unit.
#[derive(Clone)]
pub(super) struct Unit {
    pub(super) address: u8,
    pub(super) settings: SerialSettings,
    pub(super) turnaround: Span,
    /// Its holding registers from an address on; a question beyond them gets exception 2.
    pub(super) registers: (u16, Vec<u16>),
    /// Takes questions with any parity.
    pub(super) lenient: bool,
    pub(super) identity: Option<&'static str>,
    /// Questions about this address take it so long, and those behind them wait.
    pub(super) slow: Option<(u16, Span)>,
}

pub(super) fn unit(address: u8, settings: SerialSettings) -> Unit {
    let registers = (0, vec![0x1234]);
    Unit {
        address,
        settings,
        turnaround: Span::from_millis(25),
        registers,
        lenient: false,
        identity: None,
        slow: None,
    }
}

impl Unit {
    fn answer(&self, question: &[u8]) -> Option<Vec<u8>> {
        let pdu = question.get(1..question.len() - 2)?;
        if question[0] != self.address {
            return None;
        }
        let exception = |code: u8| Some(rtu(&[self.address, pdu[0] | 0x80, code]));
        match *pdu {
            [43, 14, 1, 0] => match self.identity {
                Some(name) => {
                    let head = [self.address, 43, 14, 1, 1, 0, 0, 1, 0, name.len() as u8];
                    Some(rtu(&[&head[..], name.as_bytes()].concat()))
                }
                None => exception(1),
            },
            [3, a, b, c, d] => {
                let (first, count) = (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]));
                let place = usize::from(first.checked_sub(self.registers.0).unwrap_or(u16::MAX));
                let Some(words) = self.registers.1.get(place..place + usize::from(count)) else {
                    return exception(2);
                };
                let mut answer = vec![self.address, 3, (2 * count) as u8];
                answer.extend(words.iter().flat_map(|word| word.to_be_bytes()));
                Some(rtu(&answer))
            }
            _ => exception(1),
        }
    }

    /// Whether it understands what was sent with these settings.
    fn understands(&self, question: &[u8], sent_with: SerialSettings) -> bool {
        if self.lenient && self.settings.baud == sent_with.baud {
            return true;
        }
        let mut pair = Pair::default();
        pair.send(START, question, sent_with);
        let heard = pair.hear(self.settings);
        heard.len() == question.len()
            && heard.iter().zip(question).all(|(one, sent)| one.byte == *sent && one.error.is_none())
    }
}

/// The line, with what its adapter does.
#[derive(Clone)]
pub(super) struct Bench {
    pub(super) units: Vec<Unit>,
    pub(super) lump: Span,
    pub(super) echo: bool,
    pub(super) swapped: bool,
    pub(super) marks: bool,
    /// Another master from this time on, who asks a unit that answers, once in 200 ms.
    pub(super) other: Option<(Stamp, SerialSettings)>,
}

impl Bench {
    pub(super) fn new(units: Vec<Unit>) -> Self {
        Self { units, lump: Span::from_millis(16), echo: false, swapped: false, marks: true, other: None }
    }
}

/// A search under way.
pub(super) struct Run {
    pub(super) bench: Bench,
    pub(super) hunt: Hunt,
    pub(super) now: Stamp,
    /// Time of each unit's finding after the listening.
    pub(super) found: Vec<(u8, Span)>,
    /// Questions sent, by time.
    pub(super) asked: Vec<Stamp>,
    pub(super) refused: bool,
    pub(super) over: bool,
    /// Units are not done with earlier questions before then.
    busy: Stamp,
    /// Handed on by the adapter and not yet heard, in this turn.
    coming: VecDeque<Chunk>,
    /// Answers of units, with the time each begins.
    said: Vec<(Stamp, Vec<u8>, SerialSettings)>,
}

pub(super) fn terms() -> Terms {
    Terms {
        settings: USUAL.to_vec(),
        units: all_units(),
        medium: Medium::Serial,
        slow: false,
        listen_first: LISTEN,
        share_line: false,
    }
}

pub(super) fn search(bench: Bench, terms: Terms) -> Run {
    let mut run = Run::new(bench, terms);
    while let Some(turn) = run.hunt.next_turn() {
        run.turn(turn);
        if run.refused || run.over {
            break;
        }
    }
    run
}

/// Until the first unit is found: enough where only that is asked for.
pub(super) fn first(bench: Bench, terms: Terms) -> Run {
    let mut run = Run::new(bench, terms);
    while let Some(turn) = run.hunt.next_turn() {
        run.turn(turn);
        if !run.found.is_empty() {
            break;
        }
    }
    run
}

impl Run {
    fn new(bench: Bench, terms: Terms) -> Self {
        Self {
            bench,
            hunt: Hunt::new(terms),
            now: START,
            found: Vec::new(),
            asked: Vec::new(),
            refused: false,
            over: false,
            busy: START,
            coming: VecDeque::new(),
            said: Vec::new(),
        }
    }

    fn turn(&mut self, turn: Turn) {
        let settings = turn.settings;
        let info = LineInfo {
            name: "bench".into(),
            medium: Medium::Serial,
            baud: Some(settings.baud),
            tells_errors: self.bench.marks,
        };
        let mut plan = turn.plan;
        plan.latency = self.bench.lump;
        // As long as the program waits at an opening.
        self.now += Span::from_millis(60);
        let mut framer = Framer::new(0, Medium::Serial, Some(settings.baud));
        let mut master = Master::new(plan);
        self.hunt.begin(&info);
        // What came while the line was closed nobody heard; what comes now is heard as the line is set now.
        self.coming.clear();
        self.said.retain(|(begins, ..)| *begins >= self.now);
        let mut late = Pair::default();
        for (begins, answer, theirs) in &self.said {
            late.send(*begins, answer, *theirs);
        }
        self.arrive(&late, settings);
        if self.bench.swapped {
            // Idle is low: a break, told once.
            let error = self.bench.marks.then_some(WireError::Break);
            self.coming.push_front(Chunk {
                line: 0,
                at: self.now,
                direction: Direction::In,
                bytes: vec![0],
                error,
            });
        }
        self.others(settings);
        master.handle(self.now, Input::Back);
        loop {
            let wait = match master.poll() {
                Output::Ask { question, .. } => {
                    let bytes = wire::rtu::encode(question.unit, &question.request.encode());
                    self.asked.push(self.now);
                    master.handle(self.now, Input::Sent(&bytes));
                    let chunk = Chunk {
                        line: 0,
                        at: self.now,
                        direction: Direction::Out,
                        bytes: bytes.clone(),
                        error: None,
                    };
                    self.push(&chunk, &mut framer, &mut master);
                    self.answers(&bytes, settings);
                    continue;
                }
                Output::Wait(wait, _) => wait,
                Output::Done => break,
                Output::Refuse(_) => {
                    self.refused = true;
                    break;
                }
                Output::Reconnect => panic!("on a serial line"),
            };
            let idle = self.now + Span::from_millis(500);
            let next = self.coming.front().map(|chunk| chunk.at);
            self.now = [wait, next, Some(idle)].into_iter().flatten().min().unwrap_or(idle).max(self.now);
            if next.is_some_and(|next| next <= self.now) {
                let chunk = self.coming.pop_front().expect("there is one");
                master.handle(self.now, Input::Heard(&chunk.bytes));
                self.push(&chunk, &mut framer, &mut master);
            } else {
                let mut records = Vec::new();
                framer.quiet(self.now, &mut records);
                self.tell(&records, &mut master);
                master.handle(self.now, Input::Tick);
            }
            if self.hunt.is_over() {
                self.over = true;
                break;
            }
        }
        let mut records = Vec::new();
        framer.finish(&mut records);
        self.tell(&records, &mut master);
        self.hunt.end();
    }

    fn push(&mut self, chunk: &Chunk, framer: &mut Framer, master: &mut Master) {
        let mut records = Vec::new();
        framer.push(chunk, &mut records);
        self.tell(&records, master);
    }

    fn tell(&mut self, records: &[Record], master: &mut Master) {
        for record in records {
            master.handle(self.now, Input::Record(record));
        }
        self.hunt.take(records);
        let after = self.now - START - LISTEN;
        self.found.extend(self.hunt.news().into_iter().map(|unit| (unit, after)));
    }

    /// What the adapter hears after a question.
    fn answers(&mut self, question: &[u8], settings: SerialSettings) {
        let mut pair = Pair::default();
        let end = self.now + settings.characters(question.len());
        if self.bench.echo {
            pair.send(self.now, question, settings);
        }
        for unit in self.bench.units.iter().filter(|_| !self.bench.swapped) {
            if let Some(answer) = unit.answer(question).filter(|_| unit.understands(question, settings)) {
                let asked = u16::from_be_bytes([question[2], question[3]]);
                let mut begins = end + unit.turnaround;
                if let Some((address, slow)) = unit.slow {
                    let extra = if address == asked { slow } else { Span::ZERO };
                    begins = end.max(self.busy) + unit.turnaround + extra;
                    self.busy = begins;
                }
                pair.send(begins, &answer, unit.settings);
                self.said.push((begins, answer, unit.settings));
            }
        }
        self.arrive(&pair, settings);
    }

    /// All that another master and its unit say in the time a turn may take.
    fn others(&mut self, settings: SerialSettings) {
        let Some((from, theirs)) = self.bench.other else { return };
        let mut pair = Pair::default();
        let turns = (self.now - from).nanos().div_euclid(200_000_000).max(0);
        for turn in turns..turns + 200 {
            let at = from + Span::from_millis(200) * turn;
            if at < self.now {
                continue;
            }
            let end = pair.send(at, &rtu(&[99, 4, 0, 10, 0, 4]), theirs);
            pair.send(
                end + Span::from_millis(20),
                &rtu(&[99, 4, 8, 1, 2, 3, 4, 5, 6, 7, turn as u8]),
                theirs,
            );
        }
        self.arrive(&pair, settings);
    }

    fn arrive(&mut self, pair: &Pair, settings: SerialSettings) {
        let mut fresh = chunks(0, &pair.hear(settings), self.bench.lump, settings);
        if !self.bench.marks {
            for chunk in &mut fresh {
                chunk.error = None;
            }
        }
        self.coming.extend(fresh);
        self.coming.make_contiguous().sort_by_key(|chunk| chunk.at);
    }

    pub(super) fn clues(&self) -> Vec<Cause> {
        self.hunt.findings().clues()
    }

    pub(super) fn first_clue(&self) -> Cause {
        self.clues().into_iter().next().expect("a clue")
    }
}
