//! One load carried from socket to socket without a word of the phase: its marks are parted by what they moved.

use super::consensus::{Choice, Event, candidate, events, score, windows};
use super::{Board, Kind};
use crate::evidence::switching::Switch;

/// Marks a part needs: two on/off pairs.
const LEAST_MARKS: usize = 4;

/// Parts of a list of marks, each with what moved alike, in time order. Marks that moved nothing are a part of their own
/// where there are enough of them, else they go to the part they stand nearest to.
pub fn parts(board: &Board, switches: &[Switch], least: f64) -> Vec<Vec<Switch>> {
    let around = windows(switches);
    let near: Vec<Vec<Event>> = around.iter().map(|(from, to)| events(board, *from, *to)).collect();
    let lanes: Vec<usize> =
        (0..board.lanes.len()).filter(|lane| board.lanes[*lane].kind != Kind::Voltage).collect();
    let mut left: Vec<usize> = (0..switches.len()).collect();
    let mut parts: Vec<Vec<usize>> = Vec::new();
    loop {
        let some: Vec<Switch> = left.iter().map(|mark| switches[*mark]).collect();
        let some_near: Vec<Vec<Event>> = left.iter().map(|mark| near[*mark].clone()).collect();
        let some_around: Vec<(f64, f64)> = left.iter().map(|mark| around[*mark]).collect();
        let mut best: Option<(f64, Choice)> = None;
        for (place, list) in some_near.iter().enumerate() {
            let sign = if some[place].on { 1.0 } else { -1.0 };
            for event in list {
                let Some(candidate) = candidate(event, sign, &lanes, least) else { continue };
                let found = score(&candidate, &some, &some_near, &some_around, &lanes);
                if best.as_ref().is_none_or(|best| found.0 > best.0) {
                    best = Some(found);
                }
            }
        }
        let Some((_, choice)) = best else { break };
        let part: Vec<usize> =
            left.iter().zip(&choice).filter(|(_, event)| event.is_some()).map(|(mark, _)| *mark).collect();
        if part.len() < LEAST_MARKS {
            break;
        }
        left.retain(|mark| !part.contains(mark));
        parts.push(part);
    }
    if left.len() >= LEAST_MARKS || parts.is_empty() {
        parts.push(left);
    } else {
        for mark in left {
            let away = |part: &Vec<usize>| {
                part.iter()
                    .map(|other| (switches[*other].time_s - switches[mark].time_s).abs())
                    .fold(f64::INFINITY, f64::min)
            };
            if let Some(part) = parts.iter_mut().min_by(|one, other| away(one).total_cmp(&away(other))) {
                part.push(mark);
            }
        }
    }
    for part in &mut parts {
        part.sort_unstable();
    }
    parts.sort();
    parts.into_iter().map(|part| part.into_iter().map(|mark| switches[mark]).collect()).collect()
}
