//! Reading a scenario's `[line]`: how its serial lines misbehave.

use super::parse::put;
use crate::base::Span;
use crate::profile::parse::tree::Node;
use crate::profile::parse::walk::{Bound, Desk, Section};
use crate::sim::line::{LineRules, SecondMaster};

/// Reads the rules of all serial lines.
pub(super) fn read(desk: &mut Desk, node: &Node, rules: &mut LineRules) {
    const KEYS: &[&str] =
        &["jitter_ms", "lump_ms", "flip", "silent", "late", "late_ms", "echo", "noise", "second_master"];
    let Some(section) = Section::plain(desk, node, "[line]", KEYS) else { return };
    let ms = |value: Option<f64>| value.map(|ms| Span::from_seconds(ms / 1000.0));
    put(&mut rules.jitter, ms(section.bounded(desk, "jitter_ms", Bound::Within(0.0, 60_000.0))));
    put(&mut rules.lump, ms(section.bounded(desk, "lump_ms", Bound::Within(0.0, 1000.0))));
    put(&mut rules.late_by, ms(section.bounded(desk, "late_ms", Bound::Within(0.0, 60_000.0))));
    let share = Bound::Within(0.0, 1.0);
    put(&mut rules.flip, section.bounded(desk, "flip", share));
    put(&mut rules.silent, section.bounded(desk, "silent", share));
    put(&mut rules.late, section.bounded(desk, "late", share));
    put(&mut rules.noise, section.bounded(desk, "noise", share));
    put(&mut rules.echo, section.flag(desk, "echo"));
    if rules.late > 0.0 && rules.late_by <= Span::ZERO {
        let message = "answers are late by nothing";
        desk.error(&section.place("late"), message, "add `late_ms = 1500`, or leave `late` out");
    }
    if let Some(node) = section.node("second_master") {
        rules.second_master = second_master(desk, node);
    }
}

fn second_master(desk: &mut Desk, node: &Node) -> Option<SecondMaster> {
    const KEYS: &[&str] = &["every_ms", "unit", "function", "address", "count"];
    let section = Section::plain(desk, node, "second_master", KEYS)?;
    let every_ms = section.bounded(desk, "every_ms", Bound::Within(20.0, 600_000.0)).unwrap_or(1000.0);
    Some(SecondMaster {
        every: Span::from_seconds(every_ms / 1000.0),
        unit: section.within(desk, "unit", 1, 247).unwrap_or(1) as u8,
        function: section.within(desk, "function", 3, 4).unwrap_or(4) as u8,
        address: section.within(desk, "address", 0, 65_535).unwrap_or(0) as u16,
        count: section.within(desk, "count", 1, 125).unwrap_or(2) as u16,
    })
}
