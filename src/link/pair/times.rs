//! How long things take on a line: frames by their characters, answers by what was seen.

use crate::base::{Span, Stamp};
use crate::link::timeout::TimeoutBounds;
use crate::record::{LineInfo, Medium};

/// Slowest usual line, assumed where the baud is unknown and a length of time must not be too short.
const SLOW: u32 = 1200;

/// Slowest answer learnt from; what takes longer is an accident, not a habit. Our figure.
const SLOWEST: Span = Span::from_millis(10_000);

/// Silence after which nothing owed will come: a gateway may keep a question for many seconds before its unit gets it, and
/// what is asked meanwhile costs no more than a separator. Our figure.
pub(super) const SILENCE: Span = Span::from_millis(60_000);

/// Character and answer times of one line.
#[derive(Clone, Debug)]
pub(super) struct Times {
    /// On the wire; none on TCP.
    character: Span,
    /// Whether `character` is known.
    known: bool,
    worst: Option<Span>,
    /// The slowest of the answers that are beyond doubt.
    usual: Option<Span>,
    /// The fastest of those.
    fastest: Option<Span>,
}

impl Times {
    pub(super) fn new(line: &LineInfo) -> Self {
        if line.medium == Medium::Tcp {
            return Self { character: Span::ZERO, known: true, worst: None, usual: None, fastest: None };
        }
        // ten bits (8N1), as the capture does not tell parity; with eleven a question takes a character less than 1 ms
        // longer at 9600 baud
        let baud = line.baud.unwrap_or(SLOW).max(1);
        Self {
            character: Span::from_nanos(10_000_000_000 / i64::from(baud)),
            known: line.baud.is_some(),
            worst: None,
            usual: None,
            fastest: None,
        }
    }

    /// When the last of so many bytes is through, the first having come at `at`.
    pub(super) fn end(&self, at: Stamp, bytes: usize) -> Stamp {
        at + self.character * i64::try_from(bytes).unwrap_or(i64::MAX)
    }

    /// End of the question to first byte of the answer; bytes that came in one lump may make it negative, which is
    /// told as zero.
    pub(super) fn latency(&self, asked: Stamp, answered: Stamp) -> Option<Span> {
        self.known.then(|| (answered - asked).max(Span::ZERO))
    }

    /// What an answer took at most: without the baud the question's own time cannot be taken off.
    pub(super) fn took(&self, asked: Stamp, end: Stamp, answered: Stamp) -> Span {
        answered - if self.known { end } else { asked }
    }

    /// An answer took so long.
    pub(super) fn learn(&mut self, latency: Span) {
        self.worst = self.worst.max(Some(latency.min(SLOWEST)));
    }

    /// An answer beyond doubt took so long.
    pub(super) fn learn_usual(&mut self, latency: Span) {
        self.usual = self.usual.max(Some(latency.min(SLOWEST)));
        self.fastest = Some(self.fastest.map_or(latency, |fastest| fastest.min(latency)));
    }

    /// Whether an answer took what answers beyond doubt have taken.
    pub(super) fn is_usual(&self, latency: Span) -> bool {
        matches!((self.fastest, self.usual), (Some(fastest), Some(usual)) if (fastest..=usual).contains(&latency))
    }

    /// Silence after an answer that counts as the clean end of a cycle: three times what answers usually take, for a unit
    /// goes on at once with a question that waits. What once came late is no measure: after it, no cycle of a second
    /// would ever be clean.
    pub(super) fn pause(&self) -> Span {
        let usual = self.usual.or(self.worst).unwrap_or(Span::from_millis(1000));
        (usual * 3).max(Span::from_millis(100))
    }

    /// The longest that answers beyond doubt have taken.
    pub(super) fn service(&self) -> Span {
        self.usual.unwrap_or(SLOWEST)
    }

    /// How long after a question of ours an answer still tells of now: the master's time-out, and that of a first contact
    /// at least, since the slowest answer so far may have been another unit's.
    pub(super) fn in_time(&self) -> Span {
        let bounds = TimeoutBounds::default();
        bounds.after(self.worst).max(bounds.first)
    }

    /// How long a question on TCP waits.
    pub(super) fn patience(&self) -> Span {
        self.times_worst(3).max(Span::from_millis(3000))
    }

    /// How long after a question heard on a serial line an answer is believed to be its own. Our figure.
    pub(super) fn belief(&self) -> Span {
        self.times_worst(3).max(Span::from_millis(5000))
    }

    fn times_worst(&self, factor: i64) -> Span {
        self.worst.map_or(Span::from_millis(3000), |worst| worst * factor)
    }
}
