//! The live session that every command uses: lines opened, asked and recorded; what happens comes out as events.
//!
//! ```text
//! line thread (one each): port -> chunks -> framer -> records -+
//!    ^ master: what to ask, when                               +-> store: capture written first -> events -> next()
//! person, command: mark() -------------------------------------+
//! ```

use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender};

use crate::base::{Failure, Span, Stamp};
use crate::link::Heard;
use crate::profile::{Profile, Site};
use crate::record::{LineInfo, Mark, Record};
use crate::rim::clock::Clock;

pub use crate::rim::store::ClosedCapture;

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
    /// The session cannot go on. Close it: what was recorded is kept.
    Failed(Failure),
}

/// A running session.
#[derive(Debug)]
pub struct Session {
    clock: Clock,
    lines: Vec<LineInfo>,
    path: PathBuf,
    events: Receiver<Event>,
    marks: Sender<Mark>,
}

impl Session {
    /// Opens the lines and starts. The first records out of `next` are the marks with the site and the profiles.
    ///
    /// # Errors
    /// A port that is not there, not permitted or in use; a host that does not answer; a capture that exists already or
    /// cannot be written.
    pub fn start(plan: &SessionPlan) -> Result<Self, Failure> {
        Err(Failure::nothing(format!("{}: lines cannot be opened yet", plan.site.name)))
    }

    /// The next event, waiting for it until the deadline; then `Tick`.
    pub fn next(&mut self, deadline: Stamp) -> Event {
        let left = (deadline - self.clock.now()).max(Span::ZERO);
        match self.events.recv_timeout(std::time::Duration::from_nanos(left.nanos() as u64)) {
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
        // A store that is gone has said so by `Failed`.
        let _ = self.marks.send(mark);
    }

    /// The lines, in the order of their index in records.
    pub fn lines(&self) -> &[LineInfo] {
        &self.lines
    }

    /// Where the capture is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Stops asking, finishes the block, syncs the file and hashes it.
    ///
    /// # Errors
    /// The disk did not take all of it.
    pub fn close(self) -> Result<ClosedCapture, Failure> {
        Err(Failure::nothing(format!("{} was never opened", self.path.display())))
    }
}
