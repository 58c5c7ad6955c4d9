//! Carrying out one stage of a search: the line opened with a stage's settings, asked once through, closed again.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use super::clock::Clock;
use super::drive::{Event, start_line};
use super::person::Interrupts;
use super::pump::{LinePlan, Said, Told};
use super::recorder::Entry;
use super::serial::SerialOptions;
use crate::base::{Failure, Span, Stamp};
use crate::link::{Heard, MasterPlan};
use crate::profile::Door;
use crate::record::{LineInfo, Medium, Record};

/// How a stage ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum StageEnd {
    /// Everybody was asked.
    Done,
    /// Another master was heard.
    Refused(Heard),
    /// Ctrl-C.
    Interrupted,
}

/// Searches one line, stage by stage.
#[derive(Debug)]
pub struct Searching {
    clock: Clock,
    door: Door,
    events: Sender<Event>,
    heard: Receiver<Event>,
    /// What was typed while a stage ran.
    typed: RefCell<VecDeque<Event>>,
    _listening: Interrupts,
}

impl Searching {
    /// Nothing is opened yet.
    ///
    /// # Errors
    /// Signals cannot be heard.
    pub fn new(door: Door) -> Result<Self, Failure> {
        let (events, heard) = channel();
        let listening = Interrupts::listen(events.clone())
            .map_err(|error| Failure::nothing(format!("no signals can be heard: {error}")))?;
        let typed = RefCell::default();
        Ok(Self { clock: Clock::start(), door, events, heard, typed, _listening: listening })
    }

    /// Hands on lines typed on standard input, by `wait`.
    pub fn listen_to_person(&self) {
        super::person::listen(self.events.clone());
    }

    /// Waits for a typed line, the end of standard input, or Ctrl-C; the line is not open meanwhile. `Tick` after that long.
    pub fn wait(&self, longest: Option<Span>) -> Event {
        if let Some(event) = self.typed.borrow_mut().pop_front() {
            return event;
        }
        let event = match longest {
            Some(span) => self.heard.recv_timeout(Duration::from_nanos(span.nanos().max(0) as u64)).ok(),
            None => self.heard.recv().ok(),
        };
        event.unwrap_or(Event::Tick)
    }

    /// How frames are wrapped on this line.
    pub fn medium(&self) -> Medium {
        super::pump::medium(&self.door)
    }

    /// The time now.
    pub fn now(&self) -> Stamp {
        self.clock.now()
    }

    /// Runs one stage; `heard` gets the line once, then its records as they come.
    ///
    /// # Errors
    /// The line cannot be opened, or is lost.
    pub fn stage(
        &self,
        options: SerialOptions,
        master: MasterPlan,
        mut heard: impl FnMut(&LineInfo, &[Record]),
    ) -> Result<StageEnd, Failure> {
        let (entries, recorded) = channel();
        let plan = LinePlan { index: 0, door: self.door.clone(), options, master: Some(master) };
        let (line, info) = start_line(plan, self.clock, entries)?;
        let end = loop {
            match self.heard.try_recv() {
                Ok(Event::Interrupt) => break Ok(StageEnd::Interrupted),
                Ok(event) => self.typed.borrow_mut().push_back(event),
                Err(_) => {}
            }
            match recorded.recv_timeout(Duration::from_millis(100)) {
                Ok(Entry::Said(Said::Records(records))) => heard(&info, &records),
                Ok(Entry::Said(Said::Refused(_, whose))) => break Ok(StageEnd::Refused(whose)),
                Ok(Entry::Said(Said::Done(_))) => break Ok(StageEnd::Done),
                Ok(Entry::Said(Said::Lost(_, _, reason))) => {
                    break Err(Failure::nothing(format!("{} is lost: {reason}", self.door.name())));
                }
                Ok(Entry::Failed(failure)) => break Err(failure),
                Ok(_) => {}
                Err(RecvTimeoutError::Timeout) => heard(&info, &[]),
                Err(RecvTimeoutError::Disconnected) => {
                    break Err(Failure::nothing("the line's thread has ended"));
                }
            }
        };
        let _ = line.told.send(Told::Stop);
        let _ = line.thread.join();
        // What the framer held back until the end.
        for entry in recorded.try_iter() {
            if let Entry::Said(Said::Records(records)) = entry {
                heard(&info, &records);
            }
        }
        end
    }
}
