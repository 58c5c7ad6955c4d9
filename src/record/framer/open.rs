//! Readings of the bytes that are not yet settled: which frame, begun where, wants another look at which place.
//! Fixed tables, so that the work per byte does not depend on the bytes. Candidates that came to nothing meanwhile stay
//! until they are due; whoever takes them knows by where they start.

use crate::wire::Part;

/// More than twice the longest frame.
const SIZE: usize = 512;
const NONE: u16 = u16::MAX;

/// Candidates by the place at which they are to be looked at.
#[derive(Debug)]
pub(super) struct Open {
    /// First candidate due at each place, as start and part.
    due: Box<[u16; SIZE]>,
    /// The one behind each candidate in the same list.
    next: Box<[u16; 2 * SIZE]>,
    /// Whether each candidate is whole when it is due.
    whole: Box<[bool; 2 * SIZE]>,
}

/// A candidate that is due.
#[derive(Clone, Copy, Debug)]
pub(super) struct Candidate {
    pub(super) start: usize,
    pub(super) part: Part,
    pub(super) whole: bool,
}

impl Open {
    pub(super) fn new() -> Self {
        Self {
            due: Box::new([NONE; SIZE]),
            next: Box::new([NONE; 2 * SIZE]),
            whole: Box::new([false; 2 * SIZE]),
        }
    }

    /// Notes that the candidate begun at `start` is to be looked at when the bytes reach `at` (less than 512 further),
    /// and whether it is whole then.
    #[inline]
    pub(super) fn note(&mut self, start: usize, part: Part, at: usize, whole: bool) {
        let node = 2 * (start % SIZE) + usize::from(part == Part::Response);
        self.whole[node] = whole;
        self.next[node] = self.due[at % SIZE];
        self.due[at % SIZE] = node as u16;
    }

    /// Whether any candidate is due at `at`.
    #[inline]
    pub(super) fn any(&self, at: usize) -> bool {
        self.due[at % SIZE] != NONE
    }

    /// Takes the list due at `at`.
    #[inline]
    pub(super) fn take(&mut self, at: usize) -> Due {
        Due { node: std::mem::replace(&mut self.due[at % SIZE], NONE), at }
    }

    /// The next of a list taken.
    #[inline]
    pub(super) fn step(&self, due: &mut Due) -> Option<Candidate> {
        if due.node == NONE {
            return None;
        }
        let node = usize::from(due.node) % (2 * SIZE);
        due.node = self.next[node];
        let part = if node % 2 == 1 { Part::Response } else { Part::Request };
        let back = due.at.wrapping_sub(node / 2) % SIZE;
        Some(Candidate { start: due.at - back, part, whole: self.whole[node] })
    }
}

/// A list of candidates being looked at.
#[derive(Debug)]
pub(super) struct Due {
    node: u16,
    at: usize,
}
