//! Carrying out one stage of a search: the line opened with a stage's settings, asked once through, closed again.

use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use super::clock::Clock;
use super::drive::{Event, start_line};
use super::person::Interrupts;
use super::pump::{LinePlan, Said, Told};
use super::recorder::Entry;
use super::serial::SerialOptions;
use crate::base::{Failure, Stamp};
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
    interrupts: Receiver<Event>,
    _listening: Interrupts,
}

impl Searching {
    /// Nothing is opened yet.
    ///
    /// # Errors
    /// Signals cannot be heard.
    pub fn new(door: Door) -> Result<Self, Failure> {
        let (events, interrupts) = channel();
        let listening = Interrupts::listen(events)
            .map_err(|error| Failure::nothing(format!("no signals can be heard: {error}")))?;
        Ok(Self { clock: Clock::start(), door, interrupts, _listening: listening })
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
            if let Ok(Event::Interrupt) = self.interrupts.try_recv() {
                break Ok(StageEnd::Interrupted);
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
