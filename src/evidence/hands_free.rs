//! Switchings nobody marked: a person switched a known load on and off a few times, and the pattern is found by itself.
//!
//! What is looked for is a change that repeats and is undone as often, in turn: on, off, on, off, in one lane or several, of
//! about the size a known load may show through any connection. Each such pattern becomes a test of its own; what stood
//! where is left to the check.

use super::step::Board;
use super::step::consensus::{Event, alike, events};
use super::switching::{LoadTest, Switch};
use crate::base::{Span, Stamp};
use crate::profile::Load;

/// A pattern needs as many on/off pairs as a verdict does.
const PAIRS: usize = 3;

/// Shortest and longest time between two switchings of one person's test, in s (ours).
const HOLD_S: (f64, f64) = (3.0, 180.0);

/// Sizes looked at, as fractions of the load's power: half of it shows through a wrong phase.
const SIZES: (f64, f64) = (0.4, 1.6);

/// The patterns in a record that a known load may have left, in time order.
pub fn patterns(board: &Board, loads: &[Load], origin: Stamp) -> Vec<LoadTest> {
    let (Some(first), Some(last)) = (board.first_s(), board.last_s()) else { return Vec::new() };
    let all = events(board, first, last);
    let mut taken = vec![false; all.len()];
    let mut found: Vec<LoadTest> = Vec::new();
    for load in loads {
        loop {
            let mut best: Option<Vec<(usize, bool)>> = None;
            for seed in (0..all.len()).filter(|index| !taken[*index]) {
                let size = board.size(&all[seed]);
                if size < SIZES.0 * load.power_w || size > SIZES.1 * load.power_w {
                    continue;
                }
                let run = in_turn(board, &all, &taken, seed);
                if run.len() >= 2 * PAIRS && best.as_ref().is_none_or(|best| run.len() > best.len()) {
                    best = Some(run);
                }
            }
            let Some(run) = best else { break };
            for (index, _) in &run {
                taken[*index] = true;
            }
            found.push(test(load, &all, &run, origin));
        }
    }
    found.sort_by(|one, other| one.span_s().0.total_cmp(&other.span_s().0));
    found
}

/// How many changes are of the size that one of these loads may show.
pub fn load_like(board: &Board, loads: &[Load]) -> usize {
    let (Some(first), Some(last)) = (board.first_s(), board.last_s()) else { return 0 };
    let of = |size: f64| {
        loads.iter().any(|load| (SIZES.0 * load.power_w..=SIZES.1 * load.power_w).contains(&size))
    };
    events(board, first, last).iter().filter(|event| of(board.size(event))).count()
}

fn test(load: &Load, all: &[Event], run: &[(usize, bool)], origin: Stamp) -> LoadTest {
    let switches = run
        .iter()
        .map(|(index, on)| {
            let time_s = f64::midpoint(all[*index].from_s, all[*index].to_s);
            Switch { at: (origin + Span::from_seconds(time_s)).cut_to_micros(), time_s, on: *on }
        })
        .collect();
    LoadTest { load: load.clone(), placement: load.phase, switches }
}

/// The longest run of events like the seed that undo each other in turn, each with whether it is an "on" (the first is).
fn in_turn(board: &Board, all: &[Event], taken: &[bool], seed: usize) -> Vec<(usize, bool)> {
    let like = |index: usize, sign: f64| alike(board, &all[seed], &all[index], sign);
    let mut best: Vec<(usize, bool)> = Vec::new();
    let mut run: Vec<(usize, bool)> = Vec::new();
    let mut with: Option<(bool, f64)> = None;
    for index in (0..all.len()).filter(|index| !taken[*index]) {
        let way = match (like(index, 1.0), like(index, -1.0)) {
            (true, _) => true,
            (_, true) => false,
            _ => continue,
        };
        let at = f64::midpoint(all[index].from_s, all[index].to_s);
        let follows =
            with.is_some_and(|(last, time)| last != way && (HOLD_S.0..=HOLD_S.1).contains(&(at - time)));
        if !follows {
            run.clear();
        }
        let on = run.len().is_multiple_of(2);
        run.push((index, on));
        with = Some((way, at));
        if run.len() > best.len() {
            best.clone_from(&run);
        }
    }
    best.truncate(best.len() / 2 * 2);
    best
}
