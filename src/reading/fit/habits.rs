//! What the quantities of one meter say about each other's form: lines in step, one type, one order.

use std::collections::BTreeMap;

use crate::base::PointKey;
use crate::profile::{Order, Registers, Table, Type};

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

/// Where a quantity is believed to stand.
struct Held {
    key: PointKey,
    at: Registers,
    /// In one table, or in both: some meters show the same in either.
    tables: Vec<Table>,
    belief: f64,
}

/// Registers that surely hold one quantity hold no other: what reaches into them is believed less, the more so the surer
/// they are. A value can seem to stand across the end of one number and the head of the next.
pub(super) fn apart(cases: &mut [Case]) {
    let held: Vec<Held> = cases.iter().filter_map(held).collect();
    for case in cases {
        for candidate in &mut case.candidates {
            let reaches = held.iter().filter(|held| held.key != case.key && held.reached_by(candidate));
            let against: f64 = reaches.map(|held| libm::log((1.0 - held.belief).max(0.01))).sum();
            candidate.weight += against;
        }
        case.sort();
    }
}

fn held(case: &Case) -> Option<Held> {
    let best = case.candidates.first()?;
    let at = best.spot.at;
    let same = |one: &Candidate| {
        one.spot.at.address == at.address
            && one.spot.encoding == best.spot.encoding
            && one.power == best.power
    };
    let beliefs = case.beliefs();
    let all = case.candidates.iter().zip(&beliefs).filter(|(one, belief)| same(one) && **belief > 0.01);
    let (tables, shares): (Vec<Table>, Vec<f64>) =
        all.map(|(one, belief)| (one.spot.at.table, *belief)).unzip();
    Some(Held { key: case.key.clone(), at, tables, belief: shares.iter().sum() })
}

impl Held {
    /// Whether a reading shares a register and is not of the very same ones.
    fn reached_by(&self, one: &Candidate) -> bool {
        let (a, b) = (one.spot.at, self.at);
        let same_place = a.address == b.address && a.count == b.count;
        let shared = u32::from(a.address) < u32::from(b.address) + u32::from(b.count)
            && u32::from(b.address) < u32::from(a.address) + u32::from(a.count);
        shared && !same_place && self.tables.contains(&a.table)
    }
}
