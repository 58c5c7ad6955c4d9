//! A whole visit in simulated time: hands that switch, a plan of questions, and the chunks and records that come of it,
//! in milliseconds of real time. No clock, no port.

use super::command::Command;
use super::line::{Line, SecondMaster};
use super::scenario::Scenario;
use super::world::World;
use crate::base::{Span, Stamp};
use crate::profile::{Door, Registers, plan};
use crate::record::{CaptureWriter, Chunk, Direction, Framer, LineInfo, Mark, MarkKind, Medium, Record};
use crate::wire::{mbap, rtu};

/// What a pair of hands does, and the tool notes.
#[derive(Clone, Debug, PartialEq)]
pub enum Act {
    /// A known load is switched, and marked as the person was asked: the hand comes this much later than the mark.
    Switch {
        /// Index of the load.
        load: usize,
        /// On or off.
        on: bool,
        /// How late the hand is; negative when it was early.
        hand: Span,
    },
    /// Something is done without a mark.
    Do(Command),
    /// A mark of this kind, with this message, its time set here.
    Note(MarkKind, String),
    /// A whole mark, its time set here.
    Mark(Box<Mark>),
}

/// An act with its time after the start of the world.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// After the start.
    pub at: Span,
    /// What.
    pub act: Act,
}

/// A question of the plan.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ask {
    /// Index of the line.
    pub line: usize,
    /// Unit address.
    pub unit: u8,
    /// Function code and data.
    pub pdu: Vec<u8>,
}

/// What is asked, and when it ends.
#[derive(Clone, Debug, PartialEq)]
pub struct RunPlan {
    /// In every cycle, in this order on each line.
    pub asks: Vec<Ask>,
    /// From one cycle to the next; a cycle that takes longer is followed at once.
    pub every: Span,
    /// Nothing is asked before this.
    pub begin: Span,
    /// Nothing is asked after this.
    pub end: Span,
    /// How long an answer is waited for.
    pub timeout: Span,
    /// Keeps what is true this often; zero: not.
    pub truth_every: Span,
}

impl RunPlan {
    /// Every point of every meter, each cycle so often, from the first second to the end.
    pub fn of(scenario: &Scenario, every: Span, end: Span) -> Self {
        let world = World::new(scenario, None);
        let mut asks = Vec::new();
        for (meter, profile) in scenario.site.meters.iter().zip(&scenario.profiles) {
            let line = world.lines().iter().position(|door| *door == meter.line.door).unwrap_or(0);
            let unit = meter.unit.unwrap_or(profile.unit);
            let settings = meter.line.settings(profile.line);
            let planned = plan(profile, scenario.site.lines(), settings, world.turnaround(line, unit));
            asks.extend(planned.requests.into_iter().map(|run| Ask { line, unit, pdu: question(run) }));
        }
        Self {
            asks,
            every,
            begin: Span::from_millis(1000),
            end,
            timeout: Span::from_millis(1000),
            truth_every: Span::ZERO,
        }
    }
}

/// What came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// The lines, in the order of their index.
    pub lines: Vec<LineInfo>,
    /// What went over them, in order of time.
    pub chunks: Vec<Chunk>,
    /// What was noted, in order of time; first the site and its profiles.
    pub marks: Vec<Mark>,
    /// The world at the end; with the truth it kept.
    pub world: World,
}

impl Run {
    /// Frames, stray bytes and marks as a capture holds them: in order of time, marks before what happens at the same instant.
    pub fn records(&self) -> Vec<Record> {
        let mut records: Vec<Record> =
            self.marks.iter().map(|mark| Record::Mark(Box::new(mark.clone()))).collect();
        for (index, line) in self.lines.iter().enumerate() {
            let mut framer = Framer::new(index as u16, line.medium, line.baud);
            for chunk in self.chunks.iter().filter(|chunk| usize::from(chunk.line) == index) {
                framer.push(chunk, &mut records);
            }
            framer.finish(&mut records);
        }
        records.sort_by_key(Record::at);
        records
    }

    /// The bytes of the capture file it amounts to.
    pub fn capture(&self) -> Vec<u8> {
        let mut writer = CaptureWriter::new(&self.lines);
        let mut blocks = writer.header();
        blocks.extend(self.records().iter().flat_map(|record| writer.record(record)));
        blocks.concat()
    }
}

/// Runs a scenario with these hands, in order of time, and this plan.
pub fn run(scenario: &Scenario, steps: &[Step], plan: &RunPlan) -> Run {
    let mut runner = Runner::new(scenario, steps, plan);
    runner.go();
    let Runner { lines, mut chunks, mut marks, world, .. } = runner;
    chunks.sort_by_key(|chunk| chunk.at);
    marks.sort_by_key(|mark| mark.at);
    let lines = lines.into_iter().map(|state| state.info).collect();
    Run { lines, chunks, marks, world }
}

/// A line with its place in the plan.
struct LineState {
    info: LineInfo,
    line: Line,
    asks: Vec<Ask>,
    next: usize,
    cycle: i64,
    free: Stamp,
    transaction: u16,
    other: Option<(SecondMaster, Stamp)>,
}

struct Runner<'a> {
    plan: &'a RunPlan,
    acts: Vec<(Stamp, &'a Act)>,
    late: Vec<(Stamp, Command)>,
    start: Stamp,
    lines: Vec<LineState>,
    chunks: Vec<Chunk>,
    marks: Vec<Mark>,
    world: World,
}

impl<'a> Runner<'a> {
    fn new(scenario: &Scenario, steps: &'a [Step], plan: &'a RunPlan) -> Self {
        let mut world = World::new(scenario, None);
        if plan.truth_every > Span::ZERO {
            world.keep_truth(plan.truth_every);
        }
        let start = scenario.start;
        let doors = world.lines().to_vec();
        let lines = doors.iter().enumerate().map(|(n, door)| line_state(scenario, plan, n, door)).collect();
        let mut acts: Vec<(Stamp, &Act)> = steps.iter().map(|step| (start + step.at, &step.act)).collect();
        // taken from the end
        acts.sort_by_key(|(at, _)| std::cmp::Reverse(*at));
        let marks = opening_marks(scenario);
        Self { plan, acts, late: Vec::new(), start, lines, chunks: Vec::new(), marks, world }
    }

    fn go(&mut self) {
        let end = self.start + self.plan.end;
        while let Some((at, index, foreign)) = self.next_question().filter(|(at, _, _)| *at <= end) {
            self.act_until(at);
            if foreign {
                self.overhear(index, at);
            } else {
                self.ask(index, at);
            }
        }
        self.act_until(end);
        self.world.advance(end);
    }

    /// The line whose turn comes first, when, and whether it is the other master's.
    fn next_question(&self) -> Option<(Stamp, usize, bool)> {
        let own = self.lines.iter().enumerate().filter(|(_, line)| !line.asks.is_empty()).map(|(n, line)| {
            let due = self.start + self.plan.begin + self.plan.every * line.cycle;
            (if line.next == 0 { due.max(line.free) } else { line.free }, n, false)
        });
        let others = self.lines.iter().enumerate();
        let others = others.filter_map(|(n, line)| line.other.map(|(_, at)| (at.max(line.free), n, true)));
        own.chain(others).min_by_key(|(at, n, foreign)| (*at, *n, *foreign))
    }

    /// Does what hands and marks are due.
    fn act_until(&mut self, until: Stamp) {
        loop {
            let act = self.acts.last().map(|(at, _)| *at).filter(|at| *at <= until);
            let late = self.late.iter().enumerate().min_by_key(|(_, (at, _))| *at);
            let late = late.map(|(n, (at, command))| (n, *at, *command)).filter(|(_, at, _)| *at <= until);
            match (act, late) {
                (act, Some((n, at, command))) if act.is_none_or(|act| at <= act) => {
                    self.late.remove(n);
                    self.world.advance(at);
                    self.world.command(&command);
                }
                (Some(at), _) => {
                    if let Some((_, act)) = self.acts.pop() {
                        self.act(at, act);
                    }
                }
                (None, _) => return,
            }
        }
    }

    fn act(&mut self, at: Stamp, act: &Act) {
        match act {
            Act::Switch { load, on, hand } => {
                self.late.push((at + *hand, Command::Load(*load, *on)));
                let mark = load_mark(self.world.scenario(), at, *load, *on);
                self.marks.extend(mark);
            }
            Act::Do(command) => self.late.push((at, *command)),
            Act::Note(kind, message) => self.marks.push(Mark::new(at, *kind, message.as_str())),
            Act::Mark(mark) => self.marks.push(Mark { at: at.cut_to_micros(), ..(**mark).clone() }),
        }
    }

    fn ask(&mut self, index: usize, at: Stamp) {
        let timeout = self.plan.timeout;
        let every = self.plan.every;
        let state = &mut self.lines[index];
        let ask = state.asks[state.next].clone();
        let serial = state.info.medium == Medium::Serial;
        state.transaction = state.transaction.wrapping_add(1);
        let transaction = state.transaction;
        let question = if serial {
            rtu::encode(ask.unit, &ask.pdu)
        } else {
            mbap::encode(transaction, ask.unit, &ask.pdu)
        };
        self.chunks.push(chunk(index, at, Direction::Out, question.clone()));
        let heard_at = state.line.heard_at(at, &question);
        self.world.advance(heard_at);
        let turnaround = self.world.turnaround(index, ask.unit);
        let end = if serial {
            let heard = state.line.hears(&question);
            let answer = rtu::check(&heard).and_then(|(unit, pdu)| {
                self.world.answer(index, unit, pdu).map(|answer| rtu::encode(unit, &answer))
            });
            let arrivals = state.line.carry(at, &question, answer.as_deref(), turnaround);
            let last = arrivals
                .last()
                .filter(|_| answer.is_some())
                .map(|last| last.at + state.line.characters(last.bytes.len()));
            for arrival in arrivals {
                self.chunks.push(chunk(index, arrival.at, Direction::In, arrival.bytes));
            }
            last
        } else {
            let answer = self.world.answer(index, ask.unit, &ask.pdu);
            let at = heard_at + turnaround;
            answer.map(|answer| {
                let message = mbap::encode(transaction, ask.unit, &answer);
                self.chunks.push(chunk(index, at, Direction::In, message));
                at
            })
        };
        // in time: the last byte begins before the time-out; a late answer is heard out all the same
        state.free =
            end.unwrap_or(heard_at + timeout).max(heard_at) + state.line.silence() + Span::from_millis(1);
        state.next += 1;
        if state.next == state.asks.len() {
            state.next = 0;
            let begin = self.start + self.plan.begin;
            let since = (state.free - begin).nanos();
            // cycles that were missed are left out
            state.cycle = (state.cycle + 1).max(since.div_euclid(every.nanos().max(1)));
        }
    }

    /// The other master asks and is answered; all of it is heard.
    fn overhear(&mut self, index: usize, at: Stamp) {
        let state = &mut self.lines[index];
        let Some((master, due)) = &mut state.other else { return };
        *due = at + master.every;
        let pdu = master.pdu();
        let question = rtu::encode(master.unit, &pdu);
        self.chunks.push(chunk(index, at + state.line.characters(1), Direction::In, question.clone()));
        self.world.advance(state.line.heard_at(at, &question));
        let answer =
            self.world.answer(index, master.unit, &pdu).map(|answer| rtu::encode(master.unit, &answer));
        let turnaround = self.world.turnaround(index, master.unit);
        let mut free = state.line.heard_at(at, &question);
        for arrival in state.line.carry(at, &question, answer.as_deref(), turnaround) {
            free = arrival.at + state.line.characters(arrival.bytes.len());
            self.chunks.push(chunk(index, arrival.at, Direction::In, arrival.bytes));
        }
        state.free = free + state.line.silence();
    }
}

fn line_state(scenario: &Scenario, plan: &RunPlan, index: usize, door: &Door) -> LineState {
    let described =
        scenario.site.meters.iter().zip(&scenario.profiles).find(|(meter, _)| meter.line.door == *door);
    let settings = described.map(|(meter, profile)| meter.line.settings(profile.line)).unwrap_or_default();
    let medium = if let Door::Tcp(_) = door { Medium::Tcp } else { Medium::Serial };
    let baud = matches!(door, Door::Serial(_)).then_some(settings.baud);
    let info = LineInfo { name: door.name().to_owned(), medium, baud, tells_errors: false };
    let free = scenario.start + plan.begin;
    LineState {
        info,
        line: Line::new(scenario.line, settings, scenario.seed, index),
        asks: plan.asks.iter().filter(|ask| ask.line == index).cloned().collect(),
        next: 0,
        cycle: 0,
        free,
        transaction: 0,
        other: scenario.line.second_master.map(|master| (master, free)),
    }
}

fn chunk(line: usize, at: Stamp, direction: Direction, bytes: Vec<u8>) -> Chunk {
    Chunk { line: line as u16, at, direction, bytes, error: None }
}

/// The site and its profiles, as the first blocks of a capture hold them.
fn opening_marks(scenario: &Scenario) -> Vec<Mark> {
    let mut site = Mark::new(scenario.start, MarkKind::Site, "site file");
    site.text = Some(scenario.site.text.clone());
    let profiles = scenario.site.meters.iter().zip(&scenario.profiles).map(|(meter, profile)| {
        let mut mark = Mark::new(scenario.start, MarkKind::Profile, format!("profile {}", meter.profile));
        mark.meter = Some(meter.name.clone());
        mark.text = Some(profile.text.clone());
        mark
    });
    std::iter::once(site).chain(profiles).collect()
}

/// The mark of a switched load, with what the site file says of it (not what is true).
pub fn load_mark(scenario: &Scenario, at: Stamp, load: usize, on: bool) -> Option<Mark> {
    let load = scenario.site.loads.get(load)?;
    let (kind, word) = if on { (MarkKind::LoadOn, "on") } else { (MarkKind::LoadOff, "off") };
    let mut mark = Mark::new(at, kind, format!("{} {word}", load.name));
    mark.load = Some(load.name.clone());
    mark.load_w = Some(load.power_w.to_string());
    mark.phase = load.phase.map(|placement| placement.word().to_owned());
    Some(mark)
}

/// A question for registers, as function code and data.
fn question(run: Registers) -> Vec<u8> {
    let ([a, b], [c, d]) = (run.address.to_be_bytes(), run.count.to_be_bytes());
    vec![run.table.function(), a, b, c, d]
}

#[cfg(test)]
mod tests;
