//! Speed and parity of a line found by ear: one setting after the other is listened to until frames come.
//!
//! Traffic at another speed is still heard, as bytes that form no frame, so silence says nothing about a setting and is
//! waited out where it stands; bytes without frames do, and the next setting has its turn. One stop bit or two cannot be
//! told apart by listening, since receivers look at the first only; and where the driver does not mark bad bytes, a
//! receiver without parity takes a parity bit for a stop bit and hears every byte right, so that only the speed is found.
//!
//! The framer holds bytes back that may yet be a frame's: a turn that is over is closed first, and what was held back
//! counts before the next one begins.

use crate::base::{Span, Stamp};
use crate::profile::SerialSettings;
use crate::record::{Record, StrayWhy};

/// Frames that settle it: a question and its answer. The framer tells neither before they fit each other.
const FRAMES: usize = 2;
/// How long a setting is listened to, in the first round and in the second, which is for masters that ask seldom. Ours.
const TRIES: [Span; 2] = [Span::from_millis(4000), Span::from_millis(12_000)];
/// How long a line may be silent before it counts as dead. Ours.
const SILENCE: Span = Span::from_millis(30_000);
/// So many bytes with a quarter of them marked as bad by the driver: not this setting. Ours.
const ENOUGH_BAD: usize = 16;
/// So many bytes without a frame: not this setting; twice the longest question and answer. Ours.
const ENOUGH: usize = 600;

/// The search by ear.
#[derive(Clone, Debug)]
pub struct Auto {
    candidates: Vec<SerialSettings>,
    place: usize,
    round: usize,
    turn: Turn,
    /// Bytes heard at any setting.
    heard: u64,
    /// Turns without a byte, one after the other, together.
    silent: Span,
}

/// One setting's turn.
#[derive(Clone, Copy, Debug, Default)]
struct Turn {
    since: Stamp,
    frames: usize,
    bytes: usize,
    bad: usize,
}

/// What to do now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ear {
    /// Go on listening.
    Stay,
    /// Close this turn, `take` what was held back, and ask `after`.
    Over,
    /// Set the line as `settings` says, and say `begin`.
    Next,
    /// Frames come at this setting.
    Found(SerialSettings),
    /// No frame at any setting.
    NoFrame,
    /// Not a byte.
    Silent,
}

impl Auto {
    /// Tries these, in their order.
    pub fn new(candidates: Vec<SerialSettings>) -> Self {
        Self { candidates, place: 0, round: 0, turn: Turn::default(), heard: 0, silent: Span::ZERO }
    }

    /// What the line has to be set to; the default where there are no candidates.
    pub fn settings(&self) -> SerialSettings {
        self.candidates.get(self.place).copied().unwrap_or_default()
    }

    /// The line is set so, and listened to from now on.
    pub fn begin(&mut self, now: Stamp) {
        self.turn = Turn { since: now, ..Turn::default() };
    }

    /// Takes what was heard.
    pub fn take(&mut self, record: &Record) {
        let (bytes, bad) = match record {
            Record::Frame(frame) => {
                self.turn.frames += 1;
                (frame.bytes.len(), 0)
            }
            Record::Stray(stray) if matches!(stray.why, StrayWhy::Marked(_)) => {
                (stray.bytes.len(), stray.bytes.len())
            }
            Record::Stray(stray) => (stray.bytes.len(), 0),
            Record::Mark(_) => return,
        };
        self.heard += bytes as u64;
        self.turn.bytes += bytes;
        self.turn.bad += bad;
    }

    /// What to do at this time.
    pub fn decide(&self, now: Stamp) -> Ear {
        let turn = self.turn;
        if turn.frames >= FRAMES {
            return Ear::Found(self.settings());
        }
        let bad = turn.bytes >= ENOUGH_BAD && turn.bad * 4 >= turn.bytes;
        let over = now - turn.since >= TRIES[self.round.min(1)];
        if bad || over || turn.bytes >= ENOUGH { Ear::Over } else { Ear::Stay }
    }

    /// What to do after a turn that was closed at this time.
    pub fn after(&mut self, now: Stamp) -> Ear {
        if self.turn.frames >= FRAMES {
            return Ear::Found(self.settings());
        }
        if self.turn.bytes == 0 {
            self.silent = self.silent + (now - self.turn.since);
            if self.silent < SILENCE {
                return Ear::Next;
            }
            if self.heard == 0 {
                return Ear::Silent;
            }
        }
        self.silent = Span::ZERO;
        self.place += 1;
        if self.place >= self.candidates.len() {
            self.place = 0;
            self.round += 1;
        }
        if self.round >= TRIES.len() { Ear::NoFrame } else { Ear::Next }
    }
}
