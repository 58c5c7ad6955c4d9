//! One line, one thread, one current-thread runtime: it owns the port and always reads, also while nothing is asked;
//! stamps each read as it returns; and carries out what the line's master decides.
//!
//! A slow driver or a `tcdrain` can so hold up nobody else, and nothing that happens above delays a stamp.

use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex};

use tokio::sync::mpsc::UnboundedReceiver;

use super::alarm::Alarm;
use super::clock::Clock;
use super::recorder::Entry;
use super::serial::SerialOptions;
use crate::base::{Failure, Span, Stamp};
use crate::link::{Counters, Heard, Input, Master, MasterPlan, Output, Question};
use crate::profile::Door;
use crate::record::framer::Framer;
use crate::record::{Chunk, Direction, LineInfo, Medium, Record, Role};
use crate::wire::{self, Request};

mod door;
mod opening;
mod second;

pub(super) use door::medium;

use door::OpenDoor;
use second::Second;

/// One line of a session.
#[derive(Clone, Debug)]
pub(super) struct LinePlan {
    /// Its index in records.
    pub(super) index: u16,
    /// Where it is.
    pub(super) door: Door,
    /// How to open a serial port.
    pub(super) options: SerialOptions,
    /// What to ask; nothing when only listening.
    pub(super) master: Option<MasterPlan>,
}

/// What a line says.
#[derive(Debug)]
pub(super) enum Said {
    /// Records, in order.
    Records(Vec<Record>),
    /// The line is gone at this time, for this reason.
    Lost(u16, Stamp, String),
    /// It is back.
    Back(u16, Stamp),
    /// Another master was heard; nothing is asked any more.
    Refused(u16, Heard),
    /// Something for the record.
    Note(u16, Stamp, String),
    /// All that was to be asked has been.
    Done(u16),
}

/// What a line is told.
#[derive(Debug)]
pub(super) enum Told {
    /// No further cycles; ask these once.
    Finish(Vec<Question>),
    /// End.
    Stop,
}

/// What a line has done so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LineStats {
    /// What came of the questions.
    pub counters: Counters,
    /// Slots of the schedule that passed unused.
    pub missed: u64,
    /// Poll cycles begun.
    pub cycles: u64,
    /// Questions that an adapter echoed.
    pub echoes: u64,
    /// Answers that a second, independent decoder read in the same way.
    pub confirmed: u64,
}

/// An open line, ready to run on its thread.
pub(super) struct Pump {
    plan: LinePlan,
    clock: Clock,
    door: OpenDoor,
    alarm: Alarm,
    framer: Framer,
    master: Option<Master>,
    second: Second,
    stable: Option<String>,
    said: Sender<Entry>,
    told: UnboundedReceiver<Told>,
    stats: Arc<Mutex<LineStats>>,
    confirmed: u64,
    done_said: bool,
    echo_told: bool,
}

/// Whether to go on.
enum Next {
    On,
    End,
}

impl Pump {
    /// Opens the line. Needs the thread's runtime.
    pub(super) async fn open(
        plan: LinePlan,
        clock: Clock,
        said: Sender<Entry>,
        told: UnboundedReceiver<Told>,
        stats: Arc<Mutex<LineStats>>,
    ) -> Result<(Self, LineInfo), Failure> {
        let door = OpenDoor::open(&plan.door, plan.options).await?;
        let alarm = Alarm::new(clock).map_err(|error| Failure::nothing(format!("no timer: {error}")))?;
        let medium = medium(&plan.door);
        let baud = matches!(plan.door, Door::Serial(_)).then_some(plan.options.settings.baud);
        let info = LineInfo {
            name: plan.door.name().to_owned(),
            medium,
            baud,
            tells_errors: medium == Medium::Tcp || door.tells_errors(),
        };
        let master = plan.master.clone().map(|mut master| {
            master.latency = door.latency();
            Master::new(master)
        });
        let pump = Self {
            framer: Framer::new(plan.index, medium, baud),
            stable: super::ports::stable_name(plan.door.name()),
            plan,
            clock,
            door,
            alarm,
            master,
            second: Second::default(),
            said,
            told,
            stats,
            confirmed: 0,
            done_said: false,
            echo_told: false,
        };
        Ok((pump, info))
    }

    /// Runs until told to stop, or nobody listens any more.
    pub(super) async fn run(mut self) {
        self.clear_opening().await;
        let now = self.clock.now();
        if let Some(master) = &mut self.master {
            master.handle(now, Input::Back);
        }
        while let Next::On = self.step().await {}
        let mut records = Vec::new();
        self.framer.finish(&mut records);
        self.say_records(records);
        self.publish();
    }

    async fn step(&mut self) -> Next {
        let wait = match self.decide().await {
            Ok(wait) => wait,
            Err(reason) => return self.lost(&reason).await,
        };
        let mut buffer = [0; 4096];
        let wait = wait.unwrap_or_else(|| self.clock.now() + Span::from_millis(500));
        tokio::select! {
            biased;
            told = self.told.recv() => match told {
                Some(Told::Finish(questions)) => {
                    self.done_said = false;
                    if let Some(master) = &mut self.master {
                        master.finish(questions);
                    }
                    Next::On
                }
                Some(Told::Stop) | None => Next::End,
            },
            read = self.door.read(&mut buffer) => match read {
                Ok(0) => self.lost("the far end is gone").await,
                Ok(count) => {
                    let now = self.clock.now();
                    self.heard(&buffer[..count], now).await;
                    Next::On
                }
                Err(error) => self.lost(&error.to_string()).await,
            },
            _ = self.alarm.until(wait) => {
                self.tick();
                Next::On
            }
        }
    }

    /// Carries out what the master wants, until it waits; gives how long. An error is a lost line.
    async fn decide(&mut self) -> Result<Option<Stamp>, String> {
        loop {
            let Some(master) = &mut self.master else { return Ok(None) };
            match master.poll() {
                Output::Ask { question, transaction } => self.ask(question, transaction).await?,
                Output::Reconnect => {
                    return Err("two answers in a row did not come: connecting again".to_owned());
                }
                Output::Refuse(heard) => {
                    self.say(Said::Refused(self.plan.index, heard));
                }
                Output::Wait(until, _) => return Ok(until),
                Output::Done => {
                    if !std::mem::replace(&mut self.done_said, true) {
                        self.publish();
                        self.say(Said::Done(self.plan.index));
                    }
                    return Ok(None);
                }
            }
        }
    }

    fn tick(&mut self) {
        let now = self.clock.now();
        let mut records = Vec::new();
        self.framer.quiet(now, &mut records);
        self.tell_master(now, &records);
        if let Some(master) = &mut self.master {
            master.handle(now, Input::Tick);
        }
        self.say_records(records);
    }

    async fn ask(&mut self, question: Question, transaction: u16) -> Result<(), String> {
        let pdu = question.request.encode();
        let bytes = match medium(&self.plan.door) {
            Medium::Tcp => wire::mbap::encode(transaction, question.unit, &pdu),
            Medium::Serial => {
                let ours = wire::rtu::encode(question.unit, &pdu);
                match self.second.ask(question, ours.len()).await {
                    Some(theirs) if theirs != ours => {
                        self.note(format!("the second encoder would send {theirs:02x?}, not {ours:02x?}"));
                        self.second.drop_context();
                    }
                    _ => {}
                }
                ours
            }
        };
        // The last gate: whatever went wrong above, no other function than 3, 4 and 43/14 leaves.
        if leaving(&bytes, medium(&self.plan.door)) != Some(question.request) {
            return Err(format!("refused to send {bytes:02x?}"));
        }
        let at = self.clock.now();
        self.door.write(&bytes).await.map_err(|error| error.to_string())?;
        let mut records = Vec::new();
        let line = self.plan.index;
        if let Some(master) = &mut self.master {
            master.handle(at, Input::Sent(&bytes));
        }
        let chunk = Chunk { line, at, direction: Direction::Out, bytes, error: None };
        self.framer.push(&chunk, &mut records);
        self.tell_master(at, &records);
        self.say_records(records);
        self.publish();
        Ok(())
    }

    async fn heard(&mut self, raw: &[u8], now: Stamp) {
        let (records, bytes, good) = self.frame(raw, now);
        if let Some(master) = &mut self.master {
            master.handle(now, Input::Heard(&bytes));
        }
        if !self.echo_told && self.master.as_ref().is_some_and(|master| master.echoes() > 0) {
            self.echo_told = true;
            let text = "the adapter echoes what is sent; echoes are taken off".to_owned();
            tracing::warn!(line = self.plan.door.name(), "{text}");
            self.say(Said::Note(self.plan.index, now, text));
        }
        self.second.hear(&good).await;
        let before = self.answers();
        for record in &records {
            self.tell_master(now, std::slice::from_ref(record));
            if self.answers() > before
                && let Record::Frame(frame) = record
                && frame.role == Role::Response
            {
                match self.second.compare(frame).await {
                    Some(Ok(())) => self.confirmed += 1,
                    Some(Err(difference)) => self.note(difference),
                    None => {}
                }
            }
        }
        self.say_records(records);
    }

    fn answers(&self) -> u64 {
        self.master.as_ref().map_or(0, |master| {
            let counters = master.counters();
            counters.answered + counters.exceptions
        })
    }

    /// What was read, framed: the records that became whole, all bytes, and those the driver did not mark as bad.
    fn frame(&mut self, raw: &[u8], at: Stamp) -> (Vec<Record>, Vec<u8>, Vec<u8>) {
        let (mut records, mut all, mut good) = (Vec::new(), Vec::new(), Vec::new());
        for (bytes, error) in self.door.unmark(raw) {
            all.extend_from_slice(&bytes);
            if error.is_none() {
                good.extend_from_slice(&bytes);
            }
            let chunk = Chunk { line: self.plan.index, at, direction: Direction::In, bytes, error };
            self.framer.push(&chunk, &mut records);
        }
        (records, all, good)
    }

    fn tell_master(&mut self, now: Stamp, records: &[Record]) {
        if let Some(master) = &mut self.master {
            for record in records {
                master.handle(now, Input::Record(record));
            }
        }
    }

    fn say(&self, said: Said) {
        // Nobody left to hear it: the orders' channel is closed too, and the next step ends.
        let _ = self.said.send(Entry::Said(said));
    }

    fn note(&self, text: String) {
        tracing::error!(line = self.plan.door.name(), "{text}");
        self.say(Said::Note(self.plan.index, self.clock.now(), text));
    }

    fn say_records(&self, records: Vec<Record>) {
        if !records.is_empty() {
            self.say(Said::Records(records));
        }
    }

    fn publish(&self) {
        let Some(master) = &self.master else { return };
        let (missed, cycles) = master.cycles();
        let stats = LineStats {
            counters: master.counters(),
            missed,
            cycles,
            echoes: master.echoes(),
            confirmed: self.confirmed,
        };
        if let Ok(mut shared) = self.stats.lock() {
            *shared = stats;
        }
    }
}

/// What these bytes ask, if it is one of the three questions.
fn leaving(bytes: &[u8], medium: Medium) -> Option<Request> {
    match medium {
        Medium::Serial => wire::rtu::check(bytes).and_then(|(_, pdu)| Request::decode(pdu)),
        Medium::Tcp => bytes.get(wire::mbap::HEADER..).and_then(Request::decode),
    }
}
