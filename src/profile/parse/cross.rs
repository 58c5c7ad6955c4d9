//! What only shows when all points of a profile are known: signs, pairs, sums, overlaps.

use std::ops::Range;

use super::point::Placed;
use super::unlikely;
use super::walk::Desk;
use crate::base::{Phase, PointKey, Quantity, Severity};
use crate::profile::{ReadRules, Registers, Source, suggest};

impl Placed {
    /// The point's own registers; nothing for a sum.
    pub(super) fn registers(&self) -> Option<Registers> {
        match &self.point.source {
            Source::Registers { at, .. } => Some(*at),
            Source::Sum(_) => None,
        }
    }

    /// The field inside the registers.
    pub(super) fn point_bits(&self) -> Option<(u8, u8)> {
        match &self.point.source {
            Source::Registers { bits, .. } => *bits,
            Source::Sum(_) => None,
        }
    }
}

/// Checks the points against each other.
pub(super) fn check(desk: &mut Desk, points: &mut [Placed], settings: &[Placed], read: ReadRules) {
    signs(desk, points);
    pairs(desk, points, read);
    sums(desk, points);
    let all: Vec<&Placed> = points.iter().chain(settings).collect();
    overlaps(desk, &all);
    reach(desk, &all, read);
    if !desk.faults.any_error() {
        unlikely::check(desk, points);
    }
    let powered = |placed: &Placed| {
        matches!(
            placed.point.key,
            PointKey::Of(
                Quantity::ActivePower | Quantity::ActivePowerImport | Quantity::ActivePowerExport,
                _
            )
        )
    };
    if !points.is_empty() && !points.iter().any(powered) && !desk.faults.any_error() {
        let at = points.first().map_or(0..0, |placed| placed.at.clone());
        let message =
            "no point is an active power: this profile serves `read` and `log`, but neither `ct` nor `limit`";
        desk.warn(&at, message, "add [points.active_power] if the meter has it");
    }
}

/// All powers without a sign convention in one fault: they have one cause and one mend.
fn signs(desk: &mut Desk, points: &[Placed]) {
    let bare: Vec<&Placed> = points
        .iter()
        .filter(|placed| {
            let power = matches!(placed.point.key, PointKey::Of(quantity, _) if quantity.needs_sign());
            power && placed.point.positive.is_none()
        })
        .collect();
    let Some(first) = bare.first() else { return };
    // Somebody said it, in a word we do not know: that is the one fault.
    if desk.faults.list.iter().any(|fault| fault.message.ends_with("is no value of `positive`")) {
        return;
    }
    let names = bare.iter().map(|placed| placed.point.key.to_string()).collect::<Vec<_>>().join(", ");
    desk.error(
        &first.at,
        format!("nothing says what a positive power means to this meter ({names})"),
        "add `positive = \"import\"` to [defaults] if the meter shows a positive number while the house draws from the \
         grid, `positive = \"export\"` if it shows a negative one; for want of a manual, look at its display",
    );
}

fn find<'p>(points: &'p [Placed], key: &PointKey) -> Option<&'p Placed> {
    points.iter().find(|placed| placed.point.key == *key)
}

/// Import and export in registers of their own make one power: both must be there, and fit one request.
fn pairs(desk: &mut Desk, points: &[Placed], read: ReadRules) {
    let (import, export) = (Quantity::ActivePowerImport, Quantity::ActivePowerExport);
    for phase in Phase::ALL {
        let of = |quantity| find(points, &PointKey::Of(quantity, phase));
        let (one, other) = match (of(import), of(export)) {
            (Some(one), Some(other)) => (one, other),
            (Some(lone), None) | (None, Some(lone)) => {
                let absent = if of(import).is_some() { export } else { import };
                let message = format!("{} stands alone", lone.point.key);
                let mend = format!(
                    "add {absent}.{phase}: the power is the difference of the two. A meter with one signed power goes \
                     under [points.active_power]"
                );
                desk.missing(&lone.at, message, mend);
                continue;
            }
            (None, None) => continue,
        };
        if let Some(signed) = of(Quantity::ActivePower) {
            let message = format!("{} is there, and its two directions besides", signed.point.key);
            let mend = "keep one way to read this power; log the other under [points.other]";
            desk.error(&signed.at, message, mend);
        }
        let (Some(a), Some(b)) = (one.registers(), other.registers()) else {
            let mend = "give each direction its own address";
            desk.error(&one.at, format!("a direction of {phase} is a sum"), mend);
            continue;
        };
        if !one_request(&[a, b], points, read) {
            let message = format!("{} and {} can't be read in one request", one.point.key, other.point.key);
            desk.error(
                &other.at,
                message,
                "taken at two times they make a power that never was: check addresses, tables, and `max_registers` and \
                 `span_unlisted` under [read]",
            );
        }
    }
}

/// Whether a power comes from registers of its two directions.
fn is_difference(points: &[Placed], key: &PointKey) -> bool {
    let PointKey::Of(Quantity::ActivePower, phase) = key else { return false };
    let both = [Quantity::ActivePowerImport, Quantity::ActivePowerExport];
    both.into_iter().all(|quantity| find(points, &PointKey::Of(quantity, *phase)).is_some())
}

/// Whether one request may cover all these runs.
fn one_request(runs: &[Registers], points: &[Placed], read: ReadRules) -> bool {
    let Some(first) = runs.first() else { return true };
    let start = runs.iter().map(|run| u32::from(run.address)).min().unwrap_or(0);
    let end = runs.iter().map(|run| u32::from(run.address) + u32::from(run.count)).max().unwrap_or(0);
    if runs.iter().any(|run| run.table != first.table) || end - start > u32::from(read.max_registers) {
        return false;
    }
    let listed = |address: u32| {
        points.iter().flat_map(|placed| placed.point.needs()).any(|run| {
            let from = u32::from(run.address);
            run.table == first.table && (from..from + u32::from(run.count)).contains(&address)
        })
    };
    read.span_unlisted || (start..end).all(listed)
}

/// A value and the register that says what it means belong to one moment.
fn reach(desk: &mut Desk, points: &[&Placed], read: ReadRules) {
    for placed in points {
        if placed.registers().is_some_and(|run| run.count > read.max_registers) {
            let message = format!(
                "{} takes more registers than `max_registers` lets one request have",
                placed.point.key
            );
            desk.error(
                &placed.at,
                message,
                "a value read in two halves is none: raise `max_registers` under [read]",
            );
        }
    }
}

fn sums(desk: &mut Desk, points: &mut [Placed]) {
    for index in 0..points.len() {
        let Source::Sum(parts) = points[index].point.source.clone() else { continue };
        let at = points[index].at.clone();
        let own = points[index].point.key.clone();
        let dimension = points[index].point.unit.map(|unit| unit.dimension);
        let mut all_signed = true;
        for part in &parts {
            if *part == own {
                desk.error(&at, format!("{own} is a part of its own sum"), "name the parts only");
                continue;
            }
            if is_difference(points, part) {
                all_signed = false;
                continue;
            }
            let Some(found) = find(points, part) else {
                let names: Vec<String> = points.iter().map(|placed| placed.point.key.to_string()).collect();
                let near = suggest::nearest(&part.to_string(), names.iter().map(String::as_str));
                let mend = match near {
                    Some(near) if near != own.to_string() => format!("did you mean `{near}`?"),
                    _ => "add this point, or take it out of the sum".to_owned(),
                };
                desk.missing(&at, format!("{part} is in this sum, but not in the profile"), mend);
                continue;
            };
            if matches!(found.point.source, Source::Sum(_)) {
                let message = format!("{part} is a sum itself");
                desk.error(&at, message, "name the points it adds up");
            }
            if found.point.unit.map(|unit| unit.dimension) != dimension {
                let message = format!("{part} is of another kind than {own}, and can't be added to it");
                desk.error(&at, message, "a sum adds up like things, such as powers");
            }
            all_signed &= found.point.signed;
        }
        let power = matches!(own, PointKey::Of(Quantity::ActivePower, _));
        points[index].point.signed |= power && all_signed;
    }
}

/// Runs that overlap in part can't both be meant. The very same run twice is legal (a register of flags, or `total` and
/// `L1` of a single-phase meter), but without `bits` it is more often a line copied and not changed.
fn overlaps(desk: &mut Desk, points: &[&Placed]) {
    let mut runs: Vec<Run<'_>> = points.iter().flat_map(|placed| runs_of(placed)).collect();
    // By place in the file, so that of two the later one is at fault.
    runs.sort_by_key(|run| (run.owner.span.start, run.owner.point.key.clone()));
    let mut told: Vec<Range<usize>> = Vec::new();
    for (index, late) in runs.iter().enumerate() {
        // One line of the file, one fault, however many of its phases overlap.
        let clash = runs[..index].iter().find_map(|early| clash(early, late));
        if let Some((severity, message, mend)) = clash.filter(|_| !told.contains(&late.owner.at)) {
            match severity {
                Severity::Error => desk.error(&late.owner.at, message, mend),
                Severity::Warning => desk.warn(&late.owner.at, message, mend),
            }
            told.push(late.owner.at.clone());
        }
    }
}

/// A run of registers and the point that needs it.
struct Run<'p> {
    registers: Registers,
    owner: &'p Placed,
    /// The point's own number, not its exponent, factor or flag.
    own: bool,
    /// Only some bits of it are used.
    field: bool,
}

fn runs_of(placed: &Placed) -> Vec<Run<'_>> {
    let Some(own) = placed.registers() else { return Vec::new() };
    let run = |registers, own, field| Run { registers, owner: placed, own, field };
    let flag = placed.point.direction.map(|flag| run(flag.register, false, true));
    let beside = [placed.point.exponent_at, placed.point.multiply_at].into_iter().flatten();
    let mut runs = vec![run(own, true, placed.point_bits().is_some())];
    runs.extend(beside.map(|registers| run(registers, false, false)));
    runs.extend(flag);
    runs
}

fn clash(early: &Run<'_>, late: &Run<'_>) -> Option<(Severity, String, &'static str)> {
    let (a, b) = (early.registers, late.registers);
    if a.table != b.table
        || !meet(&span(a), &span(b))
        || !(early.own || late.own)
        || early.field
        || late.field
    {
        return None;
    }
    let (first, second) = (&early.owner.point.key, &late.owner.point.key);
    if std::ptr::eq(early.owner, late.owner) {
        let message = format!("{second} keeps its exponent or factor in its own registers");
        Some((Severity::Error, message, "check both addresses"))
    } else if a != b {
        let message = format!("{second} ({} on the wire) overlaps {first} ({})", words(b), words(a));
        Some((Severity::Error, message, "check both addresses and types"))
    } else if early.own && late.own {
        let message = format!("{first} and {second} are the same register");
        Some((Severity::Warning, message, "check that this is meant, and not a line copied and not changed"))
    } else {
        None
    }
}

fn words(run: Registers) -> String {
    match run.count {
        1 => format!("register {}", run.address),
        _ => format!("registers {} to {}", run.address, u32::from(run.address) + u32::from(run.count) - 1),
    }
}

fn span(run: Registers) -> Range<u32> {
    u32::from(run.address)..u32::from(run.address) + u32::from(run.count)
}

fn meet(a: &Range<u32>, b: &Range<u32>) -> bool {
    a.start < b.end && b.start < a.end
}
