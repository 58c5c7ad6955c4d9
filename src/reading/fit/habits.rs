//! What the quantities of one meter say about each other's form: lines in step, one type, one order.

use std::collections::BTreeMap;

use crate::base::PointKey;
use crate::profile::{Order, Table, Type};

use super::score::Candidate;
use super::solve::{Case, LOOKED_AT};

/// Lines of one quantity stand at a fixed distance: what fits that is believed more.
pub(super) fn align(cases: &mut [Case]) {
    let tops: Vec<(PointKey, Vec<Candidate>)> = cases
        .iter()
        .map(|case| (case.key.clone(), case.candidates.iter().take(40).cloned().collect()))
        .collect();
    for case in cases {
        let PointKey::Of(quantity, phase) = case.key else { continue };
        let Some(line) = phase.line_index() else { continue };
        for candidate in case.candidates.iter_mut().take(LOOKED_AT) {
            let mut speaks = 0.0;
            for (key, others) in &tops {
                let PointKey::Of(other_quantity, other_phase) = key else { continue };
                let Some(other_line) = other_phase.line_index() else { continue };
                if *other_quantity == quantity
                    && other_line != line
                    && others.iter().any(|other| in_step(candidate, line, other, other_line))
                {
                    speaks += 2.0;
                }
            }
            candidate.weight += speaks;
        }
        case.sort();
    }
}

fn in_step(one: &Candidate, line: usize, other: &Candidate, other_line: usize) -> bool {
    let apart = i64::from(other.spot.at.address) - i64::from(one.spot.at.address);
    let lines = other_line as i64 - line as i64;
    let stride = apart / lines;
    one.spot.encoding == other.spot.encoding
        && one.power == other.power
        && one.spot.at.table == other.spot.at.table
        && apart % lines == 0
        && (i64::from(one.spot.at.count)..=24).contains(&stride)
}

/// A meter mostly keeps to one type and one order: what the other quantities show is believed more for each.
pub(super) fn habits(cases: &mut [Case]) {
    type Habit = (&'static str, u32);
    let habits_of = |candidate: &Candidate| -> Vec<(Habit, f64)> {
        let encoding = candidate.spot.encoding;
        let family = match encoding.kind {
            Type::U16 | Type::I16 => 0,
            Type::U32 | Type::I32 => 1,
            Type::U64 | Type::I64 => 2,
            Type::F32 => 3,
            Type::F64 => 4,
            Type::Sm16 | Type::Sm32 => 5,
            Type::Bcd16 | Type::Bcd32 => 6,
        };
        let mut habits = vec![
            (("family", family), 7.0),
            (("bytes", u32::from(encoding.byte_order == Order::LowFirst)), 2.0),
            (("table", u32::from(candidate.spot.at.table == Table::Holding)), 2.0),
        ];
        if encoding.kind.registers() > 1 {
            habits.push((("words", u32::from(encoding.word_order == Order::LowFirst)), 2.0));
        }
        habits
    };
    let mut shown: Vec<BTreeMap<Habit, f64>> = Vec::new();
    for case in cases.iter() {
        let mut counts: BTreeMap<Habit, f64> = BTreeMap::new();
        for (candidate, belief) in case.candidates.iter().zip(case.beliefs()) {
            for (habit, _) in habits_of(candidate) {
                *counts.entry(habit).or_default() += belief;
            }
        }
        shown.push(counts);
    }
    for (index, case) in cases.iter_mut().enumerate() {
        for candidate in &mut case.candidates {
            for (habit, kinds) in habits_of(candidate) {
                let others = shown.iter().enumerate().filter(|(other, _)| *other != index);
                let (mut same, mut all) = (0.0, 0.0);
                for (_, counts) in others {
                    same += counts.get(&habit).copied().unwrap_or(0.0);
                    all +=
                        counts.iter().filter(|((name, _), _)| *name == habit.0).map(|(_, n)| n).sum::<f64>();
                }
                candidate.weight += libm::log((0.3 + same) / (0.3 * kinds + all) * kinds);
            }
        }
        case.sort();
    }
}
