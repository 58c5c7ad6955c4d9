//! A profile's text from a definition and the place where the model stands.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::definition::{DefinedPoint, Definition, Kind, Scale, not_implemented};
use super::names::{is_meter, key_of};
use crate::base::{PointKey, Quantity, Unit};
use crate::profile::compose::{comment, line_section, quoted};
use crate::profile::{Positive, SerialSettings, Type};

/// What the meter itself says of the model.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// Registers of data that it states.
    pub length: u16,
    /// The model's registers from its number on, as far as they were read.
    pub image: Vec<u16>,
}

/// What stands beside the points.
#[derive(Clone, Debug, PartialEq)]
pub struct ImportTerms {
    /// The profile's name.
    pub name: String,
    /// How the model came to stand where it does, in a sentence.
    pub origin: String,
    /// Address of the register with the model's number.
    pub address: u16,
    /// What the meter said; nothing where none was asked.
    pub found: Option<Found>,
    /// How the line was set; nothing on TCP.
    pub line: Option<SerialSettings>,
    /// The unit that was read.
    pub unit: Option<u8>,
    /// What a positive power means, where the user says so.
    pub positive: Option<Positive>,
    /// Also what has no quantity of its own, under `[points.other]`.
    pub everything: bool,
}

/// A profile made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Imported {
    /// The file's text.
    pub text: String,
    /// Points written.
    pub points: usize,
    /// Names of points that this meter does not have.
    pub not_implemented: Vec<String>,
    /// Names of numbers that the profile leaves out.
    pub left_out: Vec<String>,
}

/// One line of the profile.
struct Line<'d> {
    point: &'d DefinedPoint,
    kind: Type,
    phase: String,
    unit: Option<String>,
    absent: bool,
}

/// Makes the profile.
///
/// # Errors
/// Why there is none: no number with a name that a profile knows, a power whose sign nobody states, no room for it.
pub fn import(definition: &Definition, terms: &ImportTerms) -> Result<Imported, String> {
    if u32::from(terms.address) + u32::from(definition.registers()) > 0x1_0000 {
        return Err(format!("model {} does not fit behind address {}", definition.id, terms.address));
    }
    let mut sections: BTreeMap<(Option<Quantity>, u16), Vec<Line<'_>>> = BTreeMap::new();
    let mut left_out = Vec::new();
    for point in &definition.points[2..] {
        let (Kind::Number(kind) | Kind::Accumulator(kind) | Kind::Flags(kind)) = point.kind else { continue };
        let absent = terms.found.as_ref().is_some_and(|found| absent(definition, point, found));
        let known = key_of(&point.name).and_then(|key| match key {
            PointKey::Of(quantity, phase) => Some((quantity, phase, unit(quantity, &point.unit)?)),
            _ => None,
        });
        let line = |phase: String, unit| Line { point, kind, phase, unit, absent };
        match known {
            Some((quantity, phase, word)) => {
                // In the order of phases, as tables show them.
                let lines = sections.entry((Some(quantity), 0)).or_default();
                let word = (word != quantity.dimension().base()).then(|| word.to_owned());
                lines.push(line(phase.word().to_owned(), word));
            }
            None if terms.everything => {
                let unit = (!point.unit.is_empty()).then(|| point.unit.clone());
                sections.entry((None, 1)).or_default().push(line(point.name.clone(), unit));
            }
            None => left_out.push(point.name.clone()),
        }
    }
    let powers = sections
        .get(&(Some(Quantity::ActivePower), 0))
        .is_some_and(|lines| lines.iter().any(|line| !line.absent));
    let positive = match terms.positive {
        Some(positive) => Some(positive),
        None if powers && !is_meter(definition.id) => {
            return Err(format!(
                "model {} is none of a meter, and nothing says what a positive power means in it",
                definition.id
            ));
        }
        None => powers.then_some(Positive::Import),
    };
    let written: Vec<&Line<'_>> = sections.values().flatten().filter(|line| !line.absent).collect();
    if written.is_empty() {
        return Err(format!(
            "model {} has no number that a profile knows and the meter implements",
            definition.id
        ));
    }
    let common = most(&written);
    let mut text = head(definition, terms, positive);
    let _ = write!(text, "\n[defaults]\ntable = \"holding\"\ntype = \"{}\"\n", common.word());
    if let Some(raw) = not_implemented(Kind::Number(common)) {
        let _ = writeln!(text, "missing = [{}]   # not implemented", hexadecimal(raw));
    }
    if let Some(positive) = positive {
        let word = if positive == Positive::Import { "import" } else { "export" };
        let _ = writeln!(text, "positive = \"{word}\"");
    }
    let points = written.len();
    // What has no quantity comes last.
    let (own, other): (Vec<_>, Vec<_>) = sections.iter().partition(|((quantity, _), _)| quantity.is_some());
    for ((quantity, _), lines) in own.into_iter().chain(other) {
        section(&mut text, *quantity, lines, definition, terms.address, common);
    }
    if !left_out.is_empty() {
        let _ = write!(
            text,
            "\n{}",
            comment(&format!("Left out, for no check needs them: {}.", left_out.join(", ")))
        );
    }
    let not_implemented = sections.values().flatten().filter(|line| line.absent);
    let not_implemented = not_implemented.map(|line| line.point.name.clone()).collect();
    Ok(Imported { text, points, not_implemented, left_out })
}

fn head(definition: &Definition, terms: &ImportTerms, positive: Option<Positive>) -> String {
    let (id, label) = (definition.id, &definition.label);
    let of = if label.is_empty() { format!("model {id}") } else { format!("model {id} ({label})") };
    let mut text = comment(&format!(
        "Made by `wattward profile import` from the definition of {of} of the open register model. {}",
        terms.origin
    ));
    if positive.is_some() && terms.positive.is_none() {
        text.push_str(&comment(
            "The model does not say what a positive power means. \"import\" is the usual meaning for a meter, and an \
             assumption here: compare with the meter's display, and prove it with `wattward ct`.",
        ));
    }
    let expected = definition.registers().saturating_sub(2);
    if let Some(found) = terms.found.as_ref().filter(|found| found.length != expected) {
        text.push_str(&comment(&format!(
            "The meter states {} registers for this model, the definition has {expected}{}.",
            found.length,
            if definition.groups { " before its groups, which are not read here" } else { "" }
        )));
    }
    let notes = format!("From the definition of {of} of the open register model.");
    let _ = write!(text, "\n[profile]\nname = {}\nnotes = {}\n", quoted(&terms.name), quoted(&notes));
    text + &line_section(terms.line, terms.unit)
}

/// Whether this meter says that it has no such point, or no power of ten to go with it.
fn absent(definition: &Definition, point: &DefinedPoint, found: &Found) -> bool {
    let words = |point: &DefinedPoint| {
        let (from, to) = (usize::from(point.offset), usize::from(point.offset + point.size));
        found.image.get(from..to)
    };
    let beyond = |point: &DefinedPoint| u32::from(point.offset + point.size) > u32::from(found.length) + 2;
    let none = |point: &DefinedPoint| {
        words(point).is_some_and(|words| {
            let raw = words.iter().take(4).fold(0_u64, |raw, word| (raw << 16) | u64::from(*word));
            match point.kind {
                Kind::Number(Type::F32) => !f32::from_bits(raw as u32).is_finite(),
                Kind::Number(Type::F64) => !f64::from_bits(raw).is_finite(),
                // Nothing counted so far, or never: it may begin.
                Kind::Accumulator(_) => false,
                kind => not_implemented(kind) == Some(raw),
            }
        })
    };
    let exponent = match &point.scale {
        Scale::Named(name) => definition.point(name),
        _ => None,
    };
    let gone = |point: &DefinedPoint| beyond(point) || none(point);
    gone(point) || exponent.is_some_and(gone)
}

/// The unit of a profile that the definition's word stands for; nothing where it is none of this quantity.
fn unit(quantity: Quantity, word: &str) -> Option<&'static str> {
    if quantity == Quantity::PowerFactor {
        return Some(if matches!(word, "Pct" | "%") { "%" } else { "1" });
    }
    let base = quantity.dimension().base();
    if word.is_empty() || word.eq_ignore_ascii_case(base) {
        return Some(base);
    }
    Unit::ALL
        .iter()
        .find(|unit| unit.word == word && unit.dimension == quantity.dimension())
        .map(|unit| unit.word)
}

/// The type most lines have.
fn most(lines: &[&Line<'_>]) -> Type {
    let count = |kind: Type| lines.iter().filter(|line| line.kind == kind).count();
    Type::ALL.into_iter().rev().max_by_key(|kind| count(*kind)).unwrap_or(Type::I16)
}

fn section(
    text: &mut String,
    quantity: Option<Quantity>,
    lines: &[Line<'_>],
    definition: &Definition,
    address: u16,
    common: Type,
) {
    let heading = quantity.map_or("other", Quantity::word);
    let mark = if lines.iter().any(|line| !line.absent) { "" } else { "# " };
    let _ = write!(text, "\n{mark}[points.{heading}]\n");
    let order = |line: &&Line<'_>| crate::base::Phase::parse(&line.phase);
    let mut lines: Vec<&Line<'_>> = lines.iter().collect();
    lines.sort_by_key(order);
    for line in lines {
        let keys = keys(line, definition, address, common);
        let label =
            if line.point.label.is_empty() { String::new() } else { format!(", {}", line.point.label) };
        let (mark, why) = if line.absent { ("# ", "; not implemented by this meter") } else { ("", "") };
        let _ = writeln!(text, "{mark}{} = {{ {keys} }}   # {}{label}{why}", line.phase, line.point.name);
    }
}

fn keys(line: &Line<'_>, definition: &Definition, address: u16, common: Type) -> String {
    let point = line.point;
    let mut keys = format!("address = {}", address + point.offset);
    if line.kind != common {
        let _ = write!(keys, ", type = \"{}\"", line.kind.word());
    }
    match &point.scale {
        Scale::One | Scale::Fixed(0) => {}
        Scale::Fixed(power) => {
            let _ = write!(keys, ", scale = {}", libm::pow(10.0, f64::from(*power)));
        }
        Scale::Named(name) => {
            let offset = definition.point(name).map_or(0, |exponent| exponent.offset);
            let _ = write!(keys, ", exponent_at = {}", address + offset);
        }
    }
    if let Some(unit) = &line.unit {
        let _ = write!(keys, ", unit = {}", quoted(unit));
    }
    let inherited = (line.kind == common).then(|| not_implemented(Kind::Number(common))).flatten();
    match (not_implemented(point.kind), inherited) {
        (Some(raw), inherited) if inherited != Some(raw) => {
            let _ = write!(keys, ", missing = [{}]", hexadecimal(raw));
        }
        _ => {}
    }
    // A counter starts again when its registers are full (from memory of the standard's accumulators).
    if let Kind::Accumulator(kind @ (Type::U16 | Type::U32)) = point.kind
        && key_of(&point.name).is_some()
    {
        let _ = write!(keys, ", rollover = {}", 1_u64 << (16 * kind.registers()));
    }
    keys
}

/// As a profile writes it: text where TOML's integers end.
fn hexadecimal(raw: u64) -> String {
    match raw {
        0 => "0".to_owned(),
        _ if i64::try_from(raw).is_ok() => format!("0x{raw:X}"),
        _ => format!("\"0x{raw:X}\""),
    }
}

#[cfg(test)]
mod tests;
