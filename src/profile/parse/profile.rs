//! A profile file: contracts 3, key by key.

use super::cross;
use super::keys::{
    DEFAULTS, EACH, HEADER, LINE, ONE, ORDERS, PARITIES, POSITIVES, PROFILE, READ, TABLES, TYPES, phases_of,
};
use super::place::Counting;
use super::point::{Defaults, Placed, millis, pattern, point};
use super::quantity::missing;
use super::shape::all;
use super::tree::{FileKind, Node, Value, file_kind};
use super::walk::{Desk, Section};
use crate::base::{Faults, Phase, PointKey, Quantity, Span};
use crate::profile::{Profile, ReadRules, SerialSettings, Source, suggest};

/// Where keys belong that people put elsewhere.
const HOMES: &[(&str, &str)] = &[
    ("baud", "[line]"),
    ("parity", "[line]"),
    ("stop_bits", "[line]"),
    ("max_registers", "[read]"),
    ("span_unlisted", "[read]"),
    ("pause_ms", "[read]"),
    ("first", "[defaults]"),
    ("stride", "`each = { address = …, stride = … }`"),
    ("update_ms", "[read], or in a point"),
    ("averaging_ms", "[read], or in a point"),
    ("address", "a point: `total = { address = … }`"),
    ("ct_ratio", "[settings], or in the site file"),
    ("vt_ratio", "[settings], or in the site file"),
    ("rated_W", "the site file"),
    ("nominal_V", "the site file"),
    ("phases", "the site file"),
    ("role", "the site file"),
    ("class", "the site file"),
    ("serial", "the site file"),
    ("site", "the site file"),
    ("meter", "the site file"),
    ("plant", "the site file"),
    ("load", "the site file"),
    ("limit", "the site file"),
];

/// Reads a profile. With it come warnings; without it, everything that is wrong with the file.
///
/// # Errors
/// All faults of the file, in order of place, each with its mend.
pub fn parse_profile(file_name: &str, text: &str) -> Result<(Profile, Faults), Faults> {
    let (mut desk, root) = Desk::open(file_name, text, HOMES);
    let profile = if file_kind(text) == FileKind::Site {
        let message = "this is a site file, and a profile is wanted here";
        desk.error(&(0..first_line(text)), message, "a site file names its profiles: `profile = \"…\"`");
        None
    } else {
        read(&mut desk, &root, text)
    };
    let faults = desk.close();
    match profile {
        Some(profile) if !faults.any_error() => Ok((profile, faults)),
        _ => Err(faults),
    }
}

/// Length of the first line.
pub(super) fn first_line(text: &str) -> usize {
    text.lines().next().map_or(0, str::len)
}

fn read(desk: &mut Desk, root: &Node, text: &str) -> Option<Profile> {
    let top = Section::open(desk, root, "a profile", PROFILE)?;
    let (name, notes) = header(desk, &top);
    let (line, unit) = line(desk, &top);
    let (read, update_stated) = read_rules(desk, &top);
    let defaults = defaults(desk, &top);
    let mut points = Vec::new();
    match top.node("points") {
        Some(node) => points_of(desk, node, &defaults, &mut points),
        None => desk.missing(
            &top.span,
            "this profile has no points",
            "add a heading `[points.active_power]` and under it `total = { address = … }`",
        ),
    }
    let mut settings = Vec::new();
    if let Some(node) = top.node("settings") {
        named(desk, node, "[settings]", &defaults, PointKey::Setting, &mut settings);
    }
    cross::check(desk, &mut points, &settings, read);
    // In the order of quantity and phase, then `other` in the order of the file.
    points.sort_by_key(|placed| match &placed.point.key {
        PointKey::Of(quantity, phase) => (0, Some((*quantity, *phase)), 0),
        _ => (1, None, placed.span.start),
    });
    Some(Profile {
        name,
        notes,
        line,
        unit,
        read,
        update_stated,
        points: points.into_iter().map(|placed| placed.point).collect(),
        settings: settings.into_iter().map(|placed| placed.point).collect(),
        text: text.to_owned(),
    })
}

fn header(desk: &mut Desk, top: &Section<'_>) -> (String, String) {
    let unnamed = "unnamed meter".to_owned();
    let Some(node) = top.node("profile") else { return (unnamed, String::new()) };
    let Some(section) = Section::open(desk, node, "[profile]", &[HEADER]) else {
        return (unnamed, String::new());
    };
    let name = section.text(desk, "name").map_or(unnamed, str::to_owned);
    let notes = match section.node("notes").map(|node| &node.value) {
        Some(Value::Text(text)) => text.clone(),
        Some(_) => section.text(desk, "notes").unwrap_or("").to_owned(),
        None => String::new(),
    };
    (name, notes)
}

/// Baud, as written in `[line]` or in a site's line.
pub(super) fn baud(desk: &mut Desk, section: &Section<'_>) -> Option<u32> {
    /// Speeds that are set in the field (facts 1.2, and the rates a common UART divides to).
    const COMMON: [i64; 13] =
        [300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115_200];
    let baud = section.integer(desk, "baud")?;
    if !COMMON.contains(&baud) && baud <= 115_200 {
        let near = COMMON.iter().min_by_key(|common| (*common - baud).abs()).copied().unwrap_or(9600);
        let message = format!("{baud} is no usual speed of a serial line");
        desk.warn(&section.place("baud"), message, format!("did you mean {near}?"));
    }
    Some(baud as u32)
}

/// Stop bits.
pub(super) fn stop_bits(desk: &mut Desk, section: &Section<'_>) -> Option<u8> {
    section.integer(desk, "stop_bits").map(|bits| bits as u8)
}

fn line(desk: &mut Desk, top: &Section<'_>) -> (SerialSettings, u8) {
    let default = SerialSettings::default();
    let Some(node) = top.node("line") else { return (default, 1) };
    let Some(section) = Section::open(desk, node, "[line]", &[LINE]) else {
        return (default, 1);
    };
    let settings = SerialSettings {
        baud: baud(desk, &section).unwrap_or(default.baud),
        parity: section.word(desk, "parity", PARITIES).unwrap_or(default.parity),
        stop_bits: stop_bits(desk, &section).unwrap_or(default.stop_bits),
    };
    let unit = section.integer(desk, "unit").unwrap_or(1);
    (settings, unit as u8)
}

fn read_rules(desk: &mut Desk, top: &Section<'_>) -> (ReadRules, bool) {
    let default = ReadRules::default();
    let Some(section) = top.node("read").and_then(|node| Section::open(desk, node, "[read]", &[READ])) else {
        return (default, false);
    };
    let max_registers = section.integer(desk, "max_registers").map_or(125, |count| count as u16);
    let rules = ReadRules {
        max_registers,
        span_unlisted: section.flag(desk, "span_unlisted").unwrap_or(default.span_unlisted),
        pause: millis(desk, &section, "pause_ms").unwrap_or(Span::ZERO),
        update: millis(desk, &section, "update_ms").unwrap_or(default.update),
        averaging: millis(desk, &section, "averaging_ms").unwrap_or(Span::ZERO),
    };
    (rules, section.has("update_ms"))
}

fn defaults(desk: &mut Desk, top: &Section<'_>) -> Defaults {
    let plain = Defaults::default();
    let Some(section) =
        top.node("defaults").and_then(|node| Section::open(desk, node, "[defaults]", &[DEFAULTS]))
    else {
        return plain;
    };
    let kind = section.word(desk, "type", TYPES).unwrap_or(plain.kind);
    let scale = section.number(desk, "scale").unwrap_or(plain.scale);
    Defaults {
        table: section.word(desk, "table", TABLES).unwrap_or(plain.table),
        kind,
        word_order: section.word(desk, "word_order", ORDERS).unwrap_or(plain.word_order),
        byte_order: section.word(desk, "byte_order", ORDERS).unwrap_or(plain.byte_order),
        positive: section.word(desk, "positive", POSITIVES),
        counting: Counting { first: section.integer(desk, "first").unwrap_or(0) as u16 },
        signed: section.flag(desk, "signed").unwrap_or(false),
        scale,
        missing: missing(desk, &section, kind).unwrap_or_default(),
    }
}

fn points_of(desk: &mut Desk, node: &Node, defaults: &Defaults, points: &mut Vec<Placed>) {
    let words = || Quantity::ALL.iter().map(|quantity| quantity.word()).chain(["other"]);
    let Value::Table(entries) = &node.value else {
        desk.error(&node.span, "`points` is not a table", "write headings such as [points.active_power]");
        return;
    };
    if entries.is_empty() {
        let mend = "add a heading `[points.active_power]` and under it `total = { address = … }`";
        desk.missing(&node.span, "[points] has no quantity", mend);
    }
    for entry in entries {
        if let Some(quantity) = Quantity::parse(&entry.key) {
            by_phase(desk, &entry.node, quantity, defaults, points);
        } else if entry.key == "other" {
            named(desk, &entry.node, "[points.other]", defaults, PointKey::Other, points);
        } else {
            let mend = match suggest::nearest(&entry.key, words()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!(
                    "quantities are {}; anything else goes under [points.other]",
                    suggest::list(words(), "and")
                ),
            };
            desk.error(&entry.key_span, format!("unknown quantity `{}`", entry.key), mend);
        }
    }
}

/// The points of one quantity: a phase each, or `each` for L1 to L3.
fn by_phase(desk: &mut Desk, node: &Node, quantity: Quantity, defaults: &Defaults, points: &mut Vec<Placed>) {
    let title = format!("[points.{quantity}]");
    let Value::Table(entries) = &node.value else {
        let mend = format!("write the heading {title} and under it `total = {{ address = … }}`");
        desk.error(&node.span, format!("{title} is {}, not a table", node.value.noun()), mend);
        return;
    };
    if entries.is_empty() {
        desk.missing(&node.span, format!("{title} has no points"), "add `total = { address = … }`");
    }
    for entry in entries {
        let before = points.len();
        if entry.key == "each" {
            each(desk, &entry.node, quantity, defaults, points);
        } else if let Some(phase) = Phase::parse(&entry.key) {
            belongs(desk, quantity, phase, &entry.key_span);
            let key = PointKey::Of(quantity, phase);
            if address_alone(desk, &entry.node, &entry.key) {
                points.extend(point(desk, &entry.node, &key, defaults));
            }
        } else {
            not_a_phase(desk, entry, &title);
        }
        for at in before..points.len() {
            if points[..before].iter().any(|other| other.point.key == points[at].point.key) {
                let message = format!("{} is given twice", points[at].point.key);
                desk.error(&entry.key_span, message, "keep it in `each`, or by itself, not both");
            }
        }
    }
}

/// Says that a bare number is no point; true when the node may be read on.
fn address_alone(desk: &mut Desk, node: &Node, key: &str) -> bool {
    let Value::Integer(Some(number)) = node.value else { return true };
    let message = format!("`{key}` is a bare number");
    desk.error(&node.span, message, format!("write `{key} = {{ address = {number} }}`"));
    false
}

fn not_a_phase(desk: &mut Desk, entry: &super::tree::Entry, title: &str) {
    let names = || Phase::ALL.iter().map(|phase| phase.word()).chain(["each"]);
    let mend = if all(ONE).any(|key| key.name == entry.key) {
        "say on which phase: `total = { … }`, `L1 = { … }` or `each = { …, stride = … }`".to_owned()
    } else {
        match suggest::nearest(&entry.key, names()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("phases are {}", suggest::list(names(), "and")),
        }
    };
    desk.error(&entry.key_span, format!("`{}` is no phase, in {title}", entry.key), mend);
}

/// Says where a quantity has no such phase.
fn belongs(desk: &mut Desk, quantity: Quantity, phase: Phase, span: &std::ops::Range<usize>) {
    if phases_of(quantity).any(|known| known == phase) {
        return;
    }
    let (what, only) = match phase {
        Phase::N => ("of the neutral", "only current and voltage"),
        _ => ("between two lines", "only voltage goes between lines"),
    };
    let message = format!("{quantity} {what} is nothing a check could use");
    desk.error(span, message, format!("{only}; put this under [points.other] to log it"));
}

/// `each = { address, stride, … }`: L1, L2 and L3 at a fixed distance. A site with fewer phases leaves the others out.
fn each(desk: &mut Desk, node: &Node, quantity: Quantity, defaults: &Defaults, points: &mut Vec<Placed>) {
    let first = PointKey::Of(quantity, Phase::L1);
    if !address_alone(desk, node, "each") {
        return;
    }
    let title = format!("`each` of [points.{quantity}]");
    let Some(section) = Section::open(desk, node, title, EACH) else { return };
    if !section.has("stride") {
        let message = format!("{} has no `stride`", section.title);
        let mend = "add `stride = 2`: how many registers lie from L1 to L2, and from L2 to L3";
        desk.missing(&section.span, message, mend);
    }
    let stride = section.integer(desk, "stride");
    let Some(pattern) = pattern(desk, &section, &first, defaults) else { return };
    let (Some(stride), Some(place)) = (stride, &pattern.place) else { return };
    let Source::Registers { at, kind, .. } = &pattern.placed.point.source else { return };
    if stride.unsigned_abs() < u64::from(at.count) && pattern.placed.point_bits().is_none() {
        let message = format!("`stride` is {stride}, but one {} takes {} registers", kind.word(), at.count);
        let mend = format!("the distance is {} or more; or correct `type`", at.count);
        desk.error(&section.place("stride"), message, mend);
        return;
    }
    for (index, phase) in Phase::LINES.into_iter().enumerate() {
        let mut placed = pattern.placed.clone();
        placed.point.key = PointKey::Of(quantity, phase);
        let Some(run) = place.shifted(desk, stride * index as i64, at.count, phase.word()) else { return };
        if let Source::Registers { at, .. } = &mut placed.point.source {
            *at = run;
        }
        if let (Some(flag), Some((place, flag_stride))) = (&mut placed.point.direction, &pattern.flag_place) {
            let Some(run) = place.shifted(desk, flag_stride * index as i64, 1, "the flag") else { return };
            flag.register = run;
        }
        points.push(placed);
    }
}

/// Points under names of the user's own: `[points.other]` and `[settings]`.
fn named(
    desk: &mut Desk,
    node: &Node,
    title: &str,
    defaults: &Defaults,
    key: fn(String) -> PointKey,
    points: &mut Vec<Placed>,
) {
    let Value::Table(entries) = &node.value else {
        desk.error(
            &node.span,
            format!("{title} is not a table"),
            "write `name = { address = … }` under the heading",
        );
        return;
    };
    for entry in entries {
        let key = key(entry.key.clone());
        if let (PointKey::Setting(name), Value::Integer(Some(number))) = (&key, &entry.node.value) {
            let mend = format!(
                "[settings] names registers: `{name} = {{ address = {number} }}` if {number} is its address; the value itself goes \
                 into the site file"
            );
            desk.error(&entry.node.span, format!("`{name}` is a bare number"), mend);
            continue;
        }
        if !address_alone(desk, &entry.node, &entry.key) {
            continue;
        }
        if let Some(placed) = point(desk, &entry.node, &key, defaults) {
            points.push(placed);
        }
    }
}
