//! From points to requests: what to ask so that a poll cycle takes the least time on the line.
//!
//! A request costs 8 characters out, 5 + 2n back, two silences of 3.5 characters and the meter's turnaround, so asking
//! once for a few registers too many is mostly cheaper than asking twice. The best set of requests is found by dynamic
//! programming over the sorted runs of registers.

use super::meter::{Profile, ReadRules, SerialSettings};
use super::parse::narrow;
use super::point::{Point, Registers, Table};
use crate::base::{Phase, PointKey, Quantity, Span};

/// The requests of one poll cycle.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Plan {
    /// In the order they are sent.
    pub requests: Vec<Registers>,
    /// How long all of them take, with answers, silences, turnaround and pauses.
    pub line_time: Span,
}

/// What requests cost on a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LineCost {
    /// Speed and character format.
    pub settings: SerialSettings,
    /// From the end of a request to the first byte of its answer.
    pub turnaround: Span,
    /// The profile's rest between requests.
    pub pause: Span,
}

impl LineCost {
    /// How long a request for `count` registers keeps the line: 8 characters out, 5 + 2n back (MODBUS Application
    /// Protocol V1.1b3, 6.3, with address and CRC), the silence after each, turnaround and pause.
    pub fn of(self, count: u16) -> Span {
        let characters = 8 + 5 + 2 * usize::from(count);
        self.settings.characters(characters) + self.settings.silence() * 2 + self.turnaround + self.pause
    }
}

/// The requests that read every point of a profile on a site with these lines. Settings are not among them.
pub fn plan(profile: &Profile, site_lines: &[Phase], settings: SerialSettings, turnaround: Span) -> Plan {
    let narrowed = narrow(profile, site_lines);
    let cost = LineCost { settings, turnaround, pause: profile.read.pause };
    requests(&groups(&narrowed.points), &listed(profile), profile.read, cost)
}

/// The requests that read the meter's own settings, at the start and end of a check.
pub fn plan_settings(profile: &Profile, settings: SerialSettings, turnaround: Span) -> Plan {
    let cost = LineCost { settings, turnaround, pause: profile.read.pause };
    requests(&groups(&profile.settings), &listed(profile), profile.read, cost)
}

/// Every address that a point names, in order, without overlap.
fn listed(profile: &Profile) -> Vec<Run> {
    union(profile.points.iter().chain(&profile.settings).flat_map(Point::needs).map(Run::from).collect())
}

/// Runs that belong to one moment: those of one point, and the two directions of one power.
fn groups(points: &[Point]) -> Vec<Vec<Registers>> {
    let mut groups = Vec::new();
    for point in points {
        match point.key {
            PointKey::Of(Quantity::ActivePowerExport, _) => {}
            PointKey::Of(Quantity::ActivePowerImport, phase) => {
                let export = PointKey::Of(Quantity::ActivePowerExport, phase);
                let mut group = point.needs();
                group.extend(points.iter().filter(|other| other.key == export).flat_map(Point::needs));
                groups.push(group);
            }
            _ => groups.push(point.needs()),
        }
    }
    let import = |phase| PointKey::Of(Quantity::ActivePowerImport, phase);
    for point in points {
        // An export without its import is a fault of the profile; it is read all the same.
        if let PointKey::Of(Quantity::ActivePowerExport, phase) = point.key
            && points.iter().all(|other| other.key != import(phase))
        {
            groups.push(point.needs());
        }
    }
    groups
}

/// A run of registers without the limit of 65,535, for reckoning.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Run {
    table: Table,
    start: u32,
    end: u32,
}

impl From<Registers> for Run {
    fn from(registers: Registers) -> Self {
        let start = u32::from(registers.address);
        Self { table: registers.table, start, end: start + u32::from(registers.count) }
    }
}

impl Run {
    fn registers(self) -> Registers {
        Registers { table: self.table, address: self.start as u16, count: (self.end - self.start) as u16 }
    }

    fn holds(&self, other: &Self) -> bool {
        self.table == other.table && self.start <= other.start && other.end <= self.end
    }
}

/// Runs put together where they touch or overlap.
fn union(mut runs: Vec<Run>) -> Vec<Run> {
    runs.sort_unstable();
    let mut joined: Vec<Run> = Vec::new();
    for run in runs {
        match joined.last_mut() {
            Some(last) if last.table == run.table && run.start <= last.end => {
                last.end = last.end.max(run.end);
            }
            _ => joined.push(run),
        }
    }
    joined
}

/// Whether one request may cover this run.
fn allowed(run: &Run, listed: &[Run], rules: ReadRules) -> bool {
    run.end - run.start <= u32::from(rules.max_registers)
        && (rules.span_unlisted || listed.iter().any(|known| known.holds(run)))
}

/// The least time that covers every group, each in one request where that is allowed.
fn requests(groups: &[Vec<Registers>], listed: &[Run], rules: ReadRules, cost: LineCost) -> Plan {
    let mut atoms: Vec<Run> = Vec::new();
    for group in groups {
        let runs: Vec<Run> = group.iter().copied().map(Run::from).collect();
        for table in [Table::Input, Table::Holding] {
            let of_table: Vec<Run> = runs.iter().copied().filter(|run| run.table == table).collect();
            let start = of_table.iter().map(|run| run.start).min();
            let end = of_table.iter().map(|run| run.end).max();
            let (Some(start), Some(end)) = (start, end) else { continue };
            let whole = Run { table, start, end };
            if allowed(&whole, listed, rules) { atoms.push(whole) } else { atoms.extend(of_table) }
        }
    }
    // What lies inside another comes along with it. Of the rest both ends rise, so a request covers neighbours.
    atoms.sort_unstable_by_key(|run| (run.table, run.start, u32::MAX - run.end));
    let mut outer: Vec<Run> = Vec::new();
    for atom in atoms {
        if outer.last().is_none_or(|last| !last.holds(&atom)) {
            outer.push(atom);
        }
    }
    let chosen = cheapest(&outer, listed, rules, cost);
    let line_time = chosen.iter().fold(Span::ZERO, |sum, request| sum + cost.of(request.count));
    Plan { requests: apart(chosen), line_time }
}

/// Dynamic programming: the best way to cover the first `n` runs ends with one request over the last few of them.
fn cheapest(runs: &[Run], listed: &[Run], rules: ReadRules, cost: LineCost) -> Vec<Registers> {
    // Time, number of requests (fewer is better when the time is the same), where the last request begins.
    let mut best: Vec<(Span, usize, usize)> = vec![(Span::ZERO, 0, 0)];
    for last in 0..runs.len() {
        let mut choice: Option<(Span, usize, usize)> = None;
        for first in (0..=last).rev() {
            let whole = Run { end: runs[last].end, ..runs[first] };
            let alone = first == last;
            if whole.table != runs[last].table || !(alone || allowed(&whole, listed, rules)) {
                break;
            }
            let (time, count, _) = best[first];
            let candidate = (time + cost.of(whole.registers().count), count + 1, first);
            if choice.is_none_or(|least| (candidate.0, candidate.1) < (least.0, least.1)) {
                choice = Some(candidate);
            }
        }
        best.extend(choice);
    }
    let mut requests = Vec::new();
    let mut end = runs.len();
    while end > 0 {
        let first = best[end].2;
        requests.push(Run { end: runs[end - 1].end, ..runs[first] }.registers());
        end = first;
    }
    requests.reverse();
    requests
}

/// Puts requests of the same function and count apart where it can be done, so that an answer that comes too late does
/// not fit the request after it (RTU answers carry no number of their own).
fn apart(requests: Vec<Registers>) -> Vec<Registers> {
    let shape = |request: &Registers| (request.table, request.count);
    let clashes = |order: &[Registers]| {
        let after = order.iter().cycle().skip(1);
        order.iter().zip(after).filter(|(one, next)| shape(one) == shape(next)).count()
    };
    if requests.len() < 3 || clashes(&requests) == 0 {
        return requests;
    }
    let mut left = requests.clone();
    let mut order: Vec<Registers> = Vec::new();
    while !left.is_empty() {
        let many = |request: &Registers| left.iter().filter(|other| shape(other) == shape(request)).count();
        let free = |request: &Registers| order.last().is_none_or(|last| shape(last) != shape(request));
        // The most frequent shape that differs from the last one; the first in order of address among equals.
        let next = (0..left.len())
            .max_by_key(|index| (free(&left[*index]), many(&left[*index]), left.len() - index))
            .unwrap_or(0);
        order.push(left.remove(next));
    }
    if clashes(&order) < clashes(&requests) { order } else { requests }
}

#[cfg(test)]
mod tests;
