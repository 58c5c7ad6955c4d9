//! What the master is told and what it says.

use super::super::heard::Heard;
use super::super::pair::Earlier;
use super::super::timeout::TimeoutBounds;
use crate::base::{Span, Stamp};
use crate::profile::SerialSettings;
use crate::record::{Medium, Record};
use crate::wire::Request;

/// A question to one unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Question {
    /// Unit address.
    pub unit: u8,
    /// What is asked.
    pub request: Request,
}

/// What one unit is asked in every cycle.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnitPlan {
    /// Unit address.
    pub unit: u8,
    /// In this order.
    pub questions: Vec<Request>,
    /// Rest after each of its answers, on top of the 3.5 characters.
    pub pause: Span,
}

/// Everything the master needs to know of a line.
#[derive(Clone, Debug)]
pub struct MasterPlan {
    /// How frames are wrapped.
    pub medium: Medium,
    /// Speed and parity, for the times of characters.
    pub settings: SerialSettings,
    /// How long the adapter may hold bytes back.
    pub latency: Span,
    /// Who is asked what in every cycle.
    pub units: Vec<UnitPlan>,
    /// Asked once, before the first cycle.
    pub once: Vec<Question>,
    /// One cycle each so often; `None`: one after the other.
    pub every: Option<Span>,
    /// Stop after so many cycles.
    pub cycles: Option<u64>,
    /// How often a question is put before it is given up, at least 1.
    pub attempts: u8,
    /// How long to listen first; on TCP there is nothing to hear.
    pub listen_first: Span,
    /// Go on though another master speaks.
    pub share_line: bool,
    /// Bounds of the time-outs.
    pub bounds: TimeoutBounds,
    /// What was said when the line was open before, where it was: its answers may come yet.
    pub earlier: Option<Earlier>,
}

/// What happened.
#[derive(Clone, Copy, Debug)]
pub enum Input<'a> {
    /// Time passed.
    Tick,
    /// The question went out, its first byte now.
    Sent(&'a [u8]),
    /// Bytes came in just now.
    Heard(&'a [u8]),
    /// The framer made this of them.
    Record(&'a Record),
    /// The line is gone.
    Lost,
    /// The line is there (again); the master starts with this.
    Back,
}

/// What the master wants.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Output {
    /// Send this now, on TCP with this transaction number, and say `Sent`.
    Ask {
        /// The question.
        question: Question,
        /// Number of the MBAP message.
        transaction: u16,
    },
    /// Close the connection and open it again, and say `Lost` and `Back`.
    Reconnect,
    /// Somebody else is master here: stop, say what was heard. Nothing will be asked any more.
    Refuse(Heard),
    /// Nothing to do before then (`None`: until something happens).
    Wait(Option<Stamp>, Why),
    /// All cycles are done, or `finish` was called and its questions are settled.
    Done,
}

/// What is waited for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// The line, to be there.
    Line,
    /// Traffic of others, before the first request.
    Listening,
    /// Confirmation that the question went out.
    Sending,
    /// The answer.
    Answer,
    /// Quiet after trouble.
    Drain,
    /// The silence between frames, or the schedule.
    Rest,
    /// Nothing, for good.
    Over,
}

/// What came of all questions so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counters {
    /// Questions sent, repeats and separators included.
    pub asked: u64,
    /// Questions sent only to part later answers from those still owed.
    pub separators: u64,
    /// Answers in time, exceptions not included.
    pub answered: u64,
    /// Exception answers.
    pub exceptions: u64,
    /// Nothing in time.
    pub timeouts: u64,
    /// Something frame-like with a bad CRC in place of an answer.
    pub damaged: u64,
    /// Frames from a unit of ours that answer something else.
    pub unexpected: u64,
    /// Answers after the time-out.
    pub late: u64,
    /// Connections opened anew after lost answers.
    pub reconnects: u64,
}
