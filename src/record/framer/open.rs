//! Readings of the bytes that are not yet settled: which frame, begun where, wants another look at which place.
//! Fixed tables, so that the work per byte does not depend on the bytes.

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
}

impl Open {
    pub(super) fn new() -> Self {
        Self { due: Box::new([NONE; SIZE]), next: Box::new([NONE; 2 * SIZE]) }
    }

    /// Forgets all candidates.
    pub(super) fn clear(&mut self) {
        self.due.fill(NONE);
    }

    /// Notes that the candidate begun at `start` is to be looked at when the bytes reach `at` (less than 512 further).
    pub(super) fn note(&mut self, start: usize, part: Part, at: usize) {
        let node = 2 * (start % SIZE) + usize::from(part == Part::Response);
        self.next[node] = self.due[at % SIZE];
        self.due[at % SIZE] = node as u16;
    }

    /// Whether any candidate is due at `at`.
    pub(super) fn any(&self, at: usize) -> bool {
        self.due[at % SIZE] != NONE
    }

    /// Takes the list due at `at`.
    pub(super) fn take(&mut self, at: usize) -> Due {
        Due { node: std::mem::replace(&mut self.due[at % SIZE], NONE), at }
    }

    /// The next of a list taken.
    pub(super) fn step(&self, due: &mut Due) -> Option<(usize, Part)> {
        if due.node == NONE {
            return None;
        }
        let node = usize::from(due.node);
        due.node = self.next[node];
        let part = if node % 2 == 1 { Part::Response } else { Part::Request };
        let back = (due.at + SIZE - node / 2) % SIZE;
        Some((due.at - back, part))
    }
}

/// A list of candidates being looked at.
#[derive(Debug)]
pub(super) struct Due {
    node: u16,
    at: usize,
}
