//! The live session that every command uses: lines opened, asked and recorded; what happens comes out as events.
//!
//! ```text
//! line thread (one each): port -> chunks -> framer -> records -+
//!    ^ master: what to ask, when                               +-> recorder: capture written first -> events -> next()
//! person, command: mark() -------------------------------------+
//! ```

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use super::clock::Clock;
use super::person::{self, Interrupts};
use super::pump::{LinePlan, Told};
use super::recorder::{Entry, Recorder};
use super::segments::{Room, Segments, Series};
use super::serial::SerialOptions;
use super::store::Store;
use crate::base::{Failure, Span, Stamp};
use crate::link::{Heard, Question};
use crate::profile::{Door, DriverDirection, Profile, SerialSettings, Site};
use crate::record::{LineInfo, Mark, MarkKind, Record};

mod lines;
mod thread;

use lines::Lines;
use thread::Line;
pub(super) use thread::start_line;

pub use super::pump::LineStats;
pub use super::store::ClosedCapture;

/// How long the last questions of a session may take.
const LAST_QUESTIONS: Span = Span::from_millis(15_000);

/// What a live session is to do.
#[derive(Clone, Debug)]
pub struct SessionPlan {
    /// The site; its `text` goes into the capture, so a site given by options carries the site file it amounts to.
    pub site: Site,
    /// The profile of each meter of the site, in the same order.
    pub profiles: Vec<Profile>,
    /// Which meters of the site to read (or, when only listening, whose lines to record).
    pub meters: Vec<usize>,
    /// Ask, or only listen.
    pub talk: Talk,
    /// Where the capture goes. It must not exist yet.
    pub capture: PathBuf,
    /// Hand on lines typed on standard input.
    pub keyboard: bool,
}

/// Ask, or only listen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Talk {
    /// Not a byte is sent: ports are opened so that they cannot.
    Listen,
    /// Ask the meters.
    Ask(Asking),
}

/// How to ask.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Asking {
    /// One reading of every meter each so often, on an absolute schedule; `None`: as fast as the line carries.
    pub every: Option<Span>,
    /// Stop asking after so many readings of every meter, and say `Done`.
    pub cycles: Option<u64>,
    /// How long to listen before the first request on a serial line.
    pub listen_first: Span,
    /// Go on though another master speaks; a check made that way never passes.
    pub share_line: bool,
    /// Read the profiles' `[settings]` at the start and, by `Session::close`, at the end.
    pub settings: bool,
}

impl Default for Asking {
    /// Once a second, after five seconds of listening, never against another master.
    fn default() -> Self {
        Self {
            every: Some(Span::from_millis(1000)),
            cycles: None,
            listen_first: Span::from_millis(5000),
            share_line: false,
            settings: false,
        }
    }
}

/// What happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// Records, already written to the capture, marks of this session included: feed them to the pipeline.
    Records(Vec<Record>),
    /// The deadline given to `next` has come.
    Tick,
    /// A line the person typed, without its end.
    Line(String),
    /// The person closed standard input.
    InputEnd,
    /// Ctrl-C, or a request to terminate.
    Interrupt,
    /// This line is gone; the session tries to get it back.
    LineLost(String),
    /// It is back.
    LineBack(String),
    /// Another master was heard: nothing is asked any more.
    Refused {
        /// The line.
        line: String,
        /// What was heard.
        heard: Heard,
    },
    /// Everything that was to be asked has been (`Asking::cycles`).
    Done,
    /// Something went wrong that the recording does not depend on; it goes on.
    Trouble(Failure),
    /// The session cannot go on. Close it: what was recorded is kept.
    Failed(Failure),
}

/// A running session. Dropped without `close`, it ends in the same way and keeps what was recorded.
#[derive(Debug)]
pub struct Session {
    clock: Clock,
    infos: Vec<LineInfo>,
    path: Option<PathBuf>,
    room: Option<Arc<Room>>,
    events: Receiver<Event>,
    waiting: std::collections::VecDeque<Event>,
    entries: Option<Sender<Entry>>,
    lines: Vec<Line>,
    last: Vec<Vec<Question>>,
    recorder: Option<JoinHandle<Result<ClosedCapture, Failure>>>,
    _interrupts: Interrupts,
}

impl Session {
    /// Opens the lines and starts. The first records out of `next` are the marks with the site and the profiles.
    ///
    /// # Errors
    /// A port that is not there, not permitted or in use; a host that does not answer; a capture that exists already or
    /// cannot be written.
    pub fn start(plan: &SessionPlan) -> Result<Self, Failure> {
        if plan.capture.exists() {
            return Err(super::store::exists(&plan.capture));
        }
        Self::start_with(plan, || Ok((Store::create(&plan.capture)?, None)))
    }

    /// The same as a series of captures, which `plan.capture` names.
    ///
    /// # Errors
    /// As `start`; a series that is there already is gone on with.
    pub fn start_segments(plan: &SessionPlan, series: Series) -> Result<Self, Failure> {
        Self::start_with(plan, || {
            let mut segments = Segments::new(&plan.capture, series)?;
            let store = segments.open(Clock::start().now())?;
            Ok((store, Some(segments)))
        })
    }

    /// The same without a capture, for looks that are no evidence: `plan.capture` is passed over.
    ///
    /// # Errors
    /// As `start`.
    pub fn start_unkept(plan: &SessionPlan) -> Result<Self, Failure> {
        Self::start_with(plan, || Ok((Store::nowhere(), None)))
    }

    /// Listens on one line of which no site is known; not a byte is sent. The capture then holds no site, so that whoever
    /// reads it has to give one.
    ///
    /// # Errors
    /// As `start`.
    pub fn listen(door: &Door, settings: SerialSettings, capture: Option<&Path>) -> Result<Self, Failure> {
        let options = SerialOptions { settings, direction: DriverDirection::Adapter, listen_only: true };
        let plan = LinePlan { index: 0, door: door.clone(), options, master: None };
        if let Some(path) = capture.filter(|path| path.exists()) {
            return Err(super::store::exists(path));
        }
        let store = || Ok((capture.map_or_else(|| Ok(Store::nowhere()), Store::create)?, None));
        Self::open(Lines { plans: vec![plan], last: Vec::new() }, |_| Vec::new(), store, false)
    }

    fn start_with(
        plan: &SessionPlan,
        store: impl FnOnce() -> Result<(Store, Option<Segments>), Failure>,
    ) -> Result<Self, Failure> {
        Self::open(lines::plan(plan)?, |now| first_marks(plan, now), store, plan.keyboard)
    }

    fn open(
        Lines { plans, last }: Lines,
        first: impl FnOnce(Stamp) -> Vec<Mark>,
        store: impl FnOnce() -> Result<(Store, Option<Segments>), Failure>,
        keyboard: bool,
    ) -> Result<Self, Failure> {
        let clock = Clock::start();
        let (events_in, events) = channel();
        let (entries, recorded) = channel();
        let (mut lines, mut infos) = (Vec::new(), Vec::new());
        for line in plans {
            let (line, info) = start_line(line, clock, entries.clone())?;
            lines.push(line);
            infos.push(info);
        }
        let interrupts = Interrupts::listen(events_in.clone())
            .map_err(|error| Failure::nothing(format!("no signals can be heard: {error}")))?;
        let (store, segments) = store()?;
        let path = store.path().map(Path::to_owned);
        let room = segments.as_ref().and_then(Segments::room);
        let first = first(clock.now());
        let recorder = Recorder::begin(clock, infos.clone(), store, first, events_in.clone(), segments)?;
        let recorder = std::thread::Builder::new()
            .name("recorder".into())
            .spawn(move || recorder.run(&recorded))
            .map_err(|error| Failure::nothing(format!("no thread for the capture: {error}")))?;
        if keyboard {
            person::listen(events_in);
        }
        Ok(Self {
            clock,
            infos,
            path,
            room,
            events,
            waiting: std::collections::VecDeque::new(),
            entries: Some(entries),
            lines,
            last,
            recorder: Some(recorder),
            _interrupts: interrupts,
        })
    }

    /// The next event, waiting for it until the deadline; then `Tick`.
    pub fn next(&mut self, deadline: Stamp) -> Event {
        match self.waiting.pop_front() {
            Some(event) => event,
            None => self.receive(deadline),
        }
    }

    fn receive(&self, deadline: Stamp) -> Event {
        let left = (deadline - self.clock.now()).max(Span::ZERO);
        match self.events.recv_timeout(Duration::from_nanos(left.nanos() as u64)) {
            Ok(event) => event,
            Err(RecvTimeoutError::Timeout) => Event::Tick,
            Err(RecvTimeoutError::Disconnected) => Event::Failed(Failure::nothing("the session has ended")),
        }
    }

    /// The session's time now.
    pub fn now(&self) -> Stamp {
        self.clock.now()
    }

    /// Writes a mark. It comes out of `next` among the records, in its place.
    pub fn mark(&self, mark: Mark) {
        if let Some(entries) = &self.entries {
            // A recorder that is gone has said so by `Failed`.
            let _ = entries.send(Entry::Mark(mark));
        }
    }

    /// The lines, in the order of their index in records.
    pub fn lines(&self) -> &[LineInfo] {
        &self.infos
    }

    /// What each line has done so far.
    pub fn stats(&self) -> Vec<LineStats> {
        self.lines
            .iter()
            .map(|line| line.stats.lock().map_or_else(|_| LineStats::default(), |stats| *stats))
            .collect()
    }

    /// Where the capture is, if one is kept.
    pub fn path(&self) -> Option<&Path> {
        self.path.as_deref()
    }

    /// The room a series takes, where that is bounded.
    pub fn room(&self) -> Option<&Room> {
        self.room.as_deref()
    }

    /// Stops asking: what is under way is settled, the meters' settings are read once more where that was wanted, and the
    /// lines are let go. Everything up to here is in the file, which reads as a capture; marks can still be written. What
    /// happened meanwhile comes out of `next`.
    pub fn stop(&mut self) {
        if self.lines.is_empty() {
            return;
        }
        // A session that only listens has no list of questions.
        if !self.last.is_empty() {
            for (line, questions) in self.lines.iter().zip(std::mem::take(&mut self.last)) {
                let _ = line.told.send(Told::Finish(questions));
            }
            let deadline = self.clock.now() + LAST_QUESTIONS;
            loop {
                match self.receive(deadline) {
                    Event::Done | Event::Tick | Event::Failed(_) => break,
                    event => self.waiting.push_back(event),
                }
            }
        }
        for line in &self.lines {
            let _ = line.told.send(Told::Stop);
        }
        for line in self.lines.drain(..) {
            // A thread that ended badly has said so by `Failed`.
            let _ = line.thread.join();
        }
        self.flush();
    }

    /// Waits until everything said so far is in the file.
    pub fn flush(&self) {
        let (done, wait) = channel();
        if let Some(entries) = &self.entries
            && entries.send(Entry::Flush(done)).is_ok()
        {
            let _ = wait.recv();
        }
    }

    /// Stops if that has not happened, finishes the block, syncs the file and hashes it.
    ///
    /// # Errors
    /// The disk did not take all of it; or no capture was kept.
    pub fn close(mut self) -> Result<ClosedCapture, Failure> {
        self.stop();
        self.end().unwrap_or_else(|| Err(Failure::nothing("the capture was not closed")))
    }

    fn end(&mut self) -> Option<Result<ClosedCapture, Failure>> {
        self.entries = None;
        self.recorder.take()?.join().ok()
    }
}

impl Drop for Session {
    fn drop(&mut self) {
        self.last.iter_mut().for_each(Vec::clear);
        self.stop();
        self.end();
    }
}

/// The first blocks of a capture: site and profiles, with their texts.
fn first_marks(plan: &SessionPlan, now: Stamp) -> Vec<Mark> {
    let mut site = Mark::new(now, MarkKind::Site, format!("site {}", plan.site.name));
    site.text = Some(plan.site.text.clone());
    let profiles = plan.site.meters.iter().zip(&plan.profiles).map(|(meter, profile)| {
        let mut mark =
            Mark::new(now, MarkKind::Profile, format!("profile {} of {}", profile.name, meter.name));
        mark.meter = Some(meter.name.clone());
        mark.text = Some(profile.text.clone());
        mark
    });
    std::iter::once(site).chain(profiles).collect()
}
