//! A draft profile: every point with its confidence and what to measure next, in the file itself.

use std::fmt::Write as _;

use crate::base::{PointKey, Quantity, Unit};
use crate::profile::compose::{comment, line_section, quoted};
use crate::profile::{Order, SerialSettings, Table, Type};

use super::next::{basis, next};
use super::score::Candidate;
use super::snapshot::Snapshot;
use super::solve::{Fit, Found};

/// Below this a point stands in the draft as a comment only.
const WRITTEN: f64 = 0.5;

/// What the draft says beside its points.
#[derive(Clone, Debug, PartialEq)]
pub struct DraftTerms {
    /// The profile's name.
    pub name: String,
    /// Where it comes from.
    pub notes: String,
    /// How the line was set; nothing on TCP.
    pub line: Option<SerialSettings>,
    /// The unit that was read.
    pub unit: Option<u8>,
    /// Registers in one request, where the meter answered no more.
    pub max_registers: Option<u16>,
}

/// The text of the profile; nothing where no point is settled enough to stand in it.
pub fn draft(fit: &Fit, snapshots: &[Snapshot], terms: &DraftTerms) -> Option<String> {
    let written = written(fit);
    if written.is_empty() {
        return None;
    }
    let common = Common::of(&written);
    let looks = snapshots.iter().filter(|snapshot| !snapshot.seen.is_empty()).count();
    let mut text = format!(
        "# A draft, found by `wattward profile fit` from {looks} {}. The number before each point is the chance that it\n\
         # reads what it says, at most 0.99. Compare each with the meter's display before you rely on it.\n\n\
         [profile]\nname = {}\nnotes = {}\n",
        if looks == 1 { "snapshot" } else { "snapshots" },
        quoted(&terms.name),
        quoted(&terms.notes)
    );
    text.push_str(&line_section(terms.line, terms.unit));
    if let Some(most) = terms.max_registers {
        let _ = write!(text, "\n[read]\nmax_registers = {most}\n");
    }
    let _ = write!(
        text,
        "\n[defaults]\ntable = \"{}\"\ntype = \"{}\"\n",
        common.table.word(),
        common.kind.word()
    );
    if common.kind.registers() > 1 || common.word_order == Order::LowFirst {
        let _ = writeln!(text, "word_order = \"{}\"", word(common.word_order));
    }
    if let Some(turned) = common.turned {
        let _ = writeln!(text, "positive = \"{}\"", if turned { "export" } else { "import" });
    }
    let mut heading = None;
    for found in &fit.found {
        let PointKey::Of(quantity, _) = found.key else { continue };
        if heading != Some(quantity) {
            // A heading with nothing but comments under it would be a fault.
            let of_it = |one: &&Found| matches!(one.key, PointKey::Of(other, _) if other == quantity);
            let mark = if written.iter().any(of_it) { "" } else { "# " };
            let _ = write!(text, "\n{mark}[points.{quantity}]\n");
            heading = Some(quantity);
        }
        point(&mut text, found, &common, written.iter().any(|one| one.key == found.key), snapshots);
    }
    for key in &fit.missed {
        let _ =
            write!(text, "\n# {key}: nothing that was read fits what was seen. {}\n", super::next::MISSED);
    }
    Some(text)
}

/// The points that stand in the draft: believed enough, and on registers of their own.
fn written(fit: &Fit) -> Vec<&Found> {
    let mut order: Vec<&Found> = fit.found.iter().filter(|found| found.confidence >= WRITTEN).collect();
    order.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    let mut written: Vec<&Found> = Vec::new();
    for found in order {
        let at = found.candidate.spot.at;
        let overlaps = |other: &&Found| {
            let other = other.candidate.spot.at;
            at.table == other.table
                && u32::from(at.address) < u32::from(other.address) + u32::from(other.count)
                && u32::from(other.address) < u32::from(at.address) + u32::from(at.count)
        };
        if !written.iter().any(overlaps) {
            written.push(found);
        }
    }
    written
}

/// What most points have in common, for `[defaults]`.
struct Common {
    table: Table,
    kind: Type,
    word_order: Order,
    turned: Option<bool>,
}

impl Common {
    fn of(written: &[&Found]) -> Self {
        let most = |count: &dyn Fn(&Candidate) -> bool| {
            written.iter().filter(|found| count(&found.candidate)).count()
        };
        let kind = Type::ALL
            .into_iter()
            .rev()
            .max_by_key(|kind| most(&|candidate| candidate.spot.encoding.kind == *kind))
            .unwrap_or(Type::F32);
        let holding = most(&|candidate| candidate.spot.at.table == Table::Holding);
        let wide = |order: Order| {
            most(&|candidate| candidate.spot.at.count > 1 && candidate.spot.encoding.word_order == order)
        };
        let powers: Vec<bool> = written
            .iter()
            .filter(|found| signed_quantity(&found.key))
            .map(|found| found.candidate.turned)
            .collect();
        let turned = powers.iter().filter(|turned| **turned).count() * 2 > powers.len();
        Self {
            table: if holding * 2 > written.len() { Table::Holding } else { Table::Input },
            kind,
            word_order: if wide(Order::LowFirst) > wide(Order::HighFirst) {
                Order::LowFirst
            } else {
                Order::HighFirst
            },
            turned: (!powers.is_empty()).then_some(turned),
        }
    }
}

fn signed_quantity(key: &PointKey) -> bool {
    matches!(key, PointKey::Of(Quantity::ActivePower | Quantity::ReactivePower, _))
}

fn point(text: &mut String, found: &Found, common: &Common, written: bool, snapshots: &[Snapshot]) {
    let PointKey::Of(_, phase) = found.key else { return };
    let mut words = format!("{:.2}: {}", found.confidence, basis(found));
    if !written {
        words.push_str("; not settled");
    }
    if let Some(next) = next(found, snapshots) {
        let _ = write!(words, ". Next: {next}");
    }
    text.push_str(&comment(&words));
    let name = phase.word();
    let _ = writeln!(
        text,
        "{}{} = {{ {} }}",
        if written { "" } else { "# " },
        if name.contains('-') { quoted(name) } else { name.to_owned() },
        keys(found, common)
    );
}

/// The keys of a point, without those the defaults say.
fn keys(found: &Found, common: &Common) -> String {
    let candidate = &found.candidate;
    let (at, encoding) = (candidate.spot.at, candidate.spot.encoding);
    let mut keys = format!("address = 0x{:04X}", at.address);
    if at.table != common.table {
        let _ = write!(keys, ", table = \"{}\"", at.table.word());
    }
    if encoding.kind != common.kind {
        let _ = write!(keys, ", type = \"{}\"", encoding.kind.word());
    }
    if at.count > 1 && encoding.word_order != common.word_order {
        let _ = write!(keys, ", word_order = \"{}\"", word(encoding.word_order));
    }
    if encoding.byte_order == Order::LowFirst {
        let _ = write!(keys, ", byte_order = \"{}\"", word(encoding.byte_order));
    }
    match unit(&found.key, candidate) {
        Some(unit) => {
            let _ = write!(keys, ", unit = \"{unit}\"");
        }
        None if candidate.power != 0 => {
            let _ = write!(keys, ", scale = {}", candidate.count());
        }
        None => {}
    }
    if signed_quantity(&found.key) && common.turned != Some(candidate.turned) {
        let _ = write!(keys, ", positive = \"{}\"", if candidate.turned { "export" } else { "import" });
    }
    let signed_type = !matches!(encoding.kind, Type::U16 | Type::U32 | Type::U64 | Type::Bcd16 | Type::Bcd32);
    if matches!(found.key, PointKey::Of(Quantity::ActivePower, _)) && found.below_zero && signed_type {
        keys.push_str(", signed = true");
    }
    keys
}

/// A float in another unit than the base unit: kW rather than a scale of 1000.
fn unit(key: &PointKey, candidate: &Candidate) -> Option<&'static str> {
    let PointKey::Of(quantity, _) = key else { return None };
    let unit = Unit::ALL.iter().find(|unit| {
        unit.dimension == quantity.dimension() && (unit.factor / candidate.count() - 1.0).abs() < 1e-9
    })?;
    (candidate.power != 0 && candidate.spot.encoding.is_float()).then_some(unit.word)
}

const fn word(order: Order) -> &'static str {
    match order {
        Order::HighFirst => "high-first",
        Order::LowFirst => "low-first",
    }
}
