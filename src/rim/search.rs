//! Carrying out one stage of a search: the line opened with a stage's settings, asked once through, closed again.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use super::clock::Clock;
use super::drive::{Event, start_line};
use super::person::Interrupts;
use super::pump::{LinePlan, Said, Told};
use super::recorder::{Entry, Recorder};
use super::serial::SerialOptions;
use super::store::{ClosedCapture, Store, exists};
use crate::base::{Failure, Span, Stamp};
use crate::link::{Heard, MasterPlan};
use crate::profile::{Door, SerialSettings};
use crate::record::{LineInfo, Mark, MarkKind, Medium, Record};

/// How a stage ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum StageEnd {
    /// Everybody was asked.
    Done,
    /// Another master was heard.
    Refused(Heard),
    /// Ctrl-C.
    Interrupted,
    /// By whoever hears the records.
    Stopped,
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
    keeper: RefCell<Option<Keeper>>,
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
        let keeper = RefCell::default();
        Ok(Self { clock: Clock::start(), door, events, heard, typed, keeper, _listening: listening })
    }

    /// Keeps everything in a capture, as one line for each of these settings: the speed is the line's.
    ///
    /// # Errors
    /// The file exists, or cannot be written.
    pub fn keep(&self, path: &Path, settings: Vec<SerialSettings>) -> Result<(), Failure> {
        if path.exists() {
            return Err(exists(path));
        }
        *self.keeper.borrow_mut() =
            Some(Keeper { path: path.to_owned(), settings, recorder: None, now: None });
        Ok(())
    }

    /// Closes the capture, where there is one and something was said or heard.
    ///
    /// # Errors
    /// It could not be written to its end.
    pub fn close(&self) -> Result<Option<ClosedCapture>, Failure> {
        let recorder = self.keeper.borrow_mut().take().and_then(|keeper| keeper.recorder);
        recorder.map(Recorder::close).transpose()
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

    /// Runs one stage; `heard` gets the line with its records as they come, and says whether to go on.
    ///
    /// # Errors
    /// The line cannot be opened, or is lost.
    pub fn stage(
        &self,
        options: SerialOptions,
        master: MasterPlan,
        mut heard: impl FnMut(&LineInfo, &[Record]) -> bool,
    ) -> Result<StageEnd, Failure> {
        let (entries, recorded) = channel();
        let plan = LinePlan { index: 0, door: self.door.clone(), options, master: Some(master) };
        let (line, info) = start_line(plan, self.clock, entries)?;
        if let Some(keeper) = &mut *self.keeper.borrow_mut() {
            keeper.turn(&info, options.settings, self.clock)?;
        }
        let mut heard = |records: Vec<Record>| {
            let on = heard(&info, &records);
            self.keeper.borrow_mut().as_mut().map_or(Ok(()), |keeper| keeper.keep(records))?;
            Ok(on)
        };
        let end = loop {
            match self.heard.try_recv() {
                Ok(Event::Interrupt) => break Ok(StageEnd::Interrupted),
                Ok(event) => self.typed.borrow_mut().push_back(event),
                Err(_) => {}
            }
            match recorded.recv_timeout(Duration::from_millis(100)) {
                Ok(Entry::Said(Said::Records(records))) => match heard(records) {
                    Ok(true) => {}
                    Ok(false) => break Ok(StageEnd::Stopped),
                    Err(failure) => break Err(failure),
                },
                Ok(Entry::Said(Said::Refused(_, whose))) => break Ok(StageEnd::Refused(whose)),
                Ok(Entry::Said(Said::Done(_))) => break Ok(StageEnd::Done),
                Ok(Entry::Said(Said::Lost(_, _, reason))) => {
                    break Err(Failure::nothing(format!("{} is lost: {reason}", self.door.name())));
                }
                Ok(Entry::Failed(failure)) => break Err(failure),
                Ok(_) => {}
                Err(RecvTimeoutError::Timeout) => {
                    let _: Result<bool, Failure> = heard(Vec::new());
                }
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
                let kept = heard(records);
                if end.is_ok() {
                    kept?;
                }
            }
        }
        end
    }
}

/// Writes the capture of a search. Its lines are all called alike; each has the speed of its settings.
struct Keeper {
    path: PathBuf,
    settings: Vec<SerialSettings>,
    recorder: Option<Recorder>,
    /// The line that is open.
    now: Option<u16>,
}

impl fmt::Debug for Keeper {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Keeper").field("path", &self.path).finish_non_exhaustive()
    }
}

impl Keeper {
    /// The line was opened with these settings.
    fn turn(&mut self, info: &LineInfo, settings: SerialSettings, clock: Clock) -> Result<(), Failure> {
        if self.recorder.is_none() {
            // Whether the driver marks bad bytes shows at the first opening, and holds for the port.
            let line = |settings: &SerialSettings| LineInfo {
                baud: info.baud.map(|_| settings.baud),
                ..info.clone()
            };
            let lines = self.settings.iter().map(line).collect();
            let store = Store::create(&self.path)?;
            // Nobody hears what this one hands on.
            let (nobody, _) = channel();
            self.recorder = Some(Recorder::begin(clock, lines, store, Vec::new(), nobody, None)?);
        }
        let place = self.settings.iter().position(|known| *known == settings);
        let line = place.unwrap_or_default() as u16;
        if self.now.replace(line) == Some(line) {
            return Ok(());
        }
        let mut mark =
            Mark::new(clock.now(), MarkKind::Note, format!("{}: searching at {settings}", info.name));
        mark.line = Some(info.name.clone());
        self.keep(vec![Record::Mark(Box::new(mark))])
    }

    fn keep(&mut self, mut records: Vec<Record>) -> Result<(), Failure> {
        let Some(recorder) = &mut self.recorder else { return Ok(()) };
        let line = self.now.unwrap_or_default();
        for record in &mut records {
            match record {
                Record::Frame(frame) => frame.line = line,
                Record::Stray(stray) => stray.line = line,
                Record::Mark(_) => {}
            }
        }
        recorder.keep(records)
    }
}
