//! An adapter that holds bytes back until its latency timer runs out: whatever it hands on comes at its ticks, so that answers
//! lie whole numbers of ticks apart.

use std::collections::{BTreeMap, BTreeSet};

use crate::base::{Span, Stamp};

/// What USB adapters are delivered with. Common practice.
pub(super) const TICK: Span = Span::from_millis(16);
/// How far from a tick an answer may lie, for what the computer adds. Ours.
const NEAR: Span = Span::from_millis(1);
/// Fewer answers tell nothing. Ours: by chance a share of 2 NEAR / TICK lies so.
const LEAST: u64 = 50;
/// The share of answers that must lie so. Ours.
const SHARE: f64 = 0.95;
/// A period of polling may be a whole number of ticks itself; so many different distances are no period. Ours.
const DISTANCES: usize = 5;

/// Distances of answers, line by line.
#[derive(Clone, Debug, Default)]
pub(super) struct Lumps {
    last: BTreeMap<u16, Stamp>,
    all: u64,
    near: u64,
    /// In ticks; a few are enough.
    distances: BTreeSet<i64>,
}

impl Lumps {
    /// An answer came on this line.
    pub(super) fn answer(&mut self, line: u16, at: Stamp) {
        let Some(last) = self.last.insert(line, at) else { return };
        let apart = (at - last).nanos();
        let ticks = (apart + TICK.nanos() / 2).div_euclid(TICK.nanos());
        // What lies between two ticks of one lump says nothing.
        if ticks == 0 {
            return;
        }
        self.all += 1;
        if (apart - ticks * TICK.nanos()).abs() <= NEAR.nanos() {
            self.near += 1;
            if self.distances.len() < DISTANCES {
                self.distances.insert(ticks);
            }
        }
    }

    /// How many answers of how many lay at ticks, where that is no accident.
    pub(super) fn found(&self) -> Option<(u64, u64)> {
        let most = self.near as f64 >= SHARE * self.all as f64;
        (self.all >= LEAST && most && self.distances.len() >= DISTANCES).then_some((self.near, self.all))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(micros: impl Iterator<Item = i64>) -> bool {
        let mut lumps = Lumps::default();
        micros.for_each(|at| lumps.answer(0, Stamp::from_micros(at)));
        lumps.found().is_some()
    }

    #[test]
    fn neither_a_period_of_whole_ticks_nor_answers_at_any_time_pass_for_a_timer() {
        // once in 400 ms, 25 ticks, within 0.3 ms
        assert!(!found((0..500).map(|turn| turn * 400_000 + turn % 7 * 50)));
        // answers that take 20 to 60 ms, evenly
        assert!(!found((0..500).map(|turn| turn * 1_000_000 + 20_000 + turn * turn * 7919 % 40_000)));
        // the same, each handed on at the next tick
        let tick = |at: i64| (at / 16_000 + 1) * 16_000;
        assert!(found((0..500).map(|turn| tick(turn * 1_000_000 + 20_000 + turn * turn * 7919 % 40_000))));
        // and with a timer of 1 ms
        let short = |at: i64| (at / 1000 + 1) * 1000;
        assert!(!found((0..500).map(|turn| short(turn * 1_000_000 + 20_000 + turn * turn * 7919 % 40_000))));
    }
}
