//! One point: every key it may have, checked against each other.

use std::ops::Range;

use super::flag::direction;
use super::keys::{LONGEST_MS, NOT_IN_SUM, ONE, ORDERS, SIGNS, TABLES, TYPES};
use super::place::{Counting, Place, beside, place_of};
use super::quantity::{bits, missing, multiply, positive, signed, unit, valid};
use super::shape::all;
use super::tree::Node;
use super::walk::{Desk, Section};
use crate::base::{PointKey, Quantity, Span};
use crate::profile::{Order, Point, Positive, Registers, Source, Table, Type};

/// What points are when they do not say otherwise.
#[derive(Clone)]
pub(super) struct Defaults {
    pub(super) table: Table,
    pub(super) kind: Type,
    pub(super) word_order: Order,
    pub(super) byte_order: Order,
    pub(super) positive: Option<Positive>,
    pub(super) counting: Counting,
    pub(super) signed: bool,
    pub(super) scale: f64,
    pub(super) missing: Vec<u64>,
}

impl Default for Defaults {
    fn default() -> Self {
        Self {
            table: Table::Input,
            kind: Type::F32,
            word_order: Order::HighFirst,
            byte_order: Order::HighFirst,
            positive: None,
            counting: Counting { first: 0 },
            signed: false,
            scale: 1.0,
            missing: Vec::new(),
        }
    }
}

/// A point with the text it came from.
#[derive(Clone)]
pub(super) struct Placed {
    pub(super) point: Point,
    /// The whole of it.
    pub(super) span: Range<usize>,
    /// Its address, its sum, or the whole of it.
    pub(super) at: Range<usize>,
}

/// The quantity of a point, where it has one of ours.
pub(super) fn quantity_of(key: &PointKey) -> Option<Quantity> {
    match key {
        PointKey::Of(quantity, _) => Some(*quantity),
        PointKey::Other(_) | PointKey::Setting(_) => None,
    }
}

/// What stays the same in every phase of `each`, with the places that move.
pub(super) struct Pattern {
    pub(super) placed: Placed,
    pub(super) place: Option<Place>,
    pub(super) flag_place: Option<(Place, i64)>,
}

/// Reads one point that stands by itself.
pub(super) fn point(desk: &mut Desk, node: &Node, key: &PointKey, defaults: &Defaults) -> Option<Placed> {
    let section = Section::open(desk, node, format!("the point {key}"), ONE)?;
    if section.has("sum") {
        return sum(desk, &section, key, defaults);
    }
    pattern(desk, &section, key, defaults).map(|pattern| pattern.placed)
}

/// Reads what a point says; the address may move afterwards.
pub(super) fn pattern(
    desk: &mut Desk,
    section: &Section<'_>,
    key: &PointKey,
    defaults: &Defaults,
) -> Option<Pattern> {
    belongs(desk, section, key);
    let counting = defaults.counting;
    let stated_table = section.word(desk, "table", TABLES);
    let stated_kind = section.word(desk, "type", TYPES);
    let kind = stated_kind.unwrap_or(defaults.kind);
    let place = place_of(desk, section, counting, stated_table, defaults.table);
    if !section.has("address") && !section.has("register") {
        let message = format!("{} has no address", section.title);
        desk.missing(&section.span, message, "add `address = …`, the register's address on the wire");
    }
    let word_order = section.word(desk, "word_order", ORDERS).unwrap_or(defaults.word_order);
    let byte_order = section.word(desk, "byte_order", ORDERS).unwrap_or(defaults.byte_order);
    let at = place.as_ref().and_then(|place| place.run(desk, kind.registers(), kind.word()));
    let bits = bits(desk, section, kind);
    let scale = scale(desk, section, key, defaults);
    let offset = section.number(desk, "offset").unwrap_or(0.0);
    let mut flag_place = None;
    let direction = direction(desk, section, kind, counting, place.as_ref(), &mut flag_place);
    let aside =
        |desk: &mut Desk, name| place.as_ref().and_then(|own| beside(desk, section, name, own, counting));
    let exponent_at = aside(desk, "exponent_at");
    let multiply_at = aside(desk, "multiply_at");
    let (unit, unit_word) = unit(desk, section, key);
    let positive = positive(desk, section, key, defaults, direction.is_some());
    let signed = signed(desk, section, key, defaults, kind, bits, offset);
    let missing = missing(desk, section, kind).unwrap_or_else(|| {
        // A default value for 'not available' belongs to the default type: 0x8000 is no sign of absence in a u32.
        if kind == defaults.kind { defaults.missing.clone() } else { Vec::new() }
    });
    let point = Point {
        key: key.clone(),
        source: Source::Registers {
            at: at.unwrap_or(Registers { table: defaults.table, address: 0, count: kind.registers() }),
            kind,
            word_order,
            byte_order,
            bits,
        },
        scale,
        offset,
        unit,
        unit_word,
        positive,
        signed,
        direction,
        exponent_at,
        multiply_at,
        multiply: multiply(desk, section),
        missing,
        valid: valid(desk, section),
        rollover: rollover(desk, section, kind),
        update: millis(desk, section, "update_ms"),
        averaging: millis(desk, section, "averaging_ms"),
        floor_w: section.number(desk, "floor_W"),
        power_factor_sign: section.word(desk, "sign", SIGNS).unwrap_or_default(),
    };
    let own = if section.has("register") { section.place("register") } else { section.place("address") };
    // Without an address there is nothing to compare with the other points; the fault is noted.
    at?;
    Some(Pattern { placed: Placed { point, span: section.span.clone(), at: own }, place, flag_place })
}

/// Says which keys have no business in a point of this quantity.
fn belongs(desk: &mut Desk, section: &Section<'_>, key: &PointKey) {
    for known in section.present() {
        let Some(only) = known.only else { continue };
        if !quantity_of(key).map_or(only.named, |quantity| only.quantities.contains(&quantity)) {
            let message = format!("`{}` belongs to {}, not to {key}", known.name, only.word);
            desk.error(&section.place(known.name), message, "leave it out");
        }
    }
}

fn sum(desk: &mut Desk, section: &Section<'_>, key: &PointKey, defaults: &Defaults) -> Option<Placed> {
    belongs(desk, section, key);
    for name in all(NOT_IN_SUM).map(|key| key.name).filter(|name| section.has(name)) {
        let message = format!("`{name}` has no place in a sum");
        let mend = format!("leave it out: the points it adds up have their own `{name}`");
        desk.error(&section.place(name), message, mend);
    }
    let parts = super::quantity::parts(desk, section)?;
    let (unit, unit_word) = unit(desk, section, key);
    let power = quantity_of(key) == Some(Quantity::ActivePower);
    let point = Point {
        unit,
        unit_word,
        // Its parts carry this program's signs already.
        positive: power.then_some(Positive::Import),
        signed: signed(desk, section, key, defaults, Type::F64, None, 0.0),
        valid: valid(desk, section),
        update: millis(desk, section, "update_ms"),
        averaging: millis(desk, section, "averaging_ms"),
        floor_w: section.number(desk, "floor_W"),
        power_factor_sign: section.word(desk, "sign", SIGNS).unwrap_or_default(),
        ..Point::plain(key.clone(), Source::Sum(parts))
    };
    Some(Placed { point, span: section.span.clone(), at: section.place("sum") })
}

fn scale(desk: &mut Desk, section: &Section<'_>, key: &PointKey, defaults: &Defaults) -> f64 {
    let scale = section.number(desk, "scale").unwrap_or(defaults.scale);
    if scale == 0.0 && section.has("scale") {
        desk.error(
            &section.place("scale"),
            "`scale` is 0, which makes every value 0",
            "write what one count is worth",
        );
    }
    let power = quantity_of(key).is_some_and(|quantity| {
        matches!(
            quantity,
            Quantity::ActivePower
                | Quantity::ActivePowerImport
                | Quantity::ActivePowerExport
                | Quantity::ReactivePower
                | Quantity::ApparentPower
        )
    });
    if scale < 0.0 && power && section.has("scale") {
        let message = format!("a negative `scale` would turn the sign of {key} in silence");
        let mend =
            format!("write `scale = {}` and say which way counts with `positive = \"export\"`", -scale);
        desk.error(&section.place("scale"), message, mend);
    }
    scale
}

fn rollover(desk: &mut Desk, section: &Section<'_>, kind: Type) -> Option<f64> {
    let rollover = section.number(desk, "rollover")?;
    // 2 to the width in bits; for decimal digits 10 to their number. Floats hold more than they count exactly.
    let full = match kind {
        Type::U16 | Type::I16 | Type::Sm16 => 65536.0,
        Type::U32 | Type::I32 | Type::Sm32 => 4_294_967_296.0,
        Type::U64 | Type::I64 => 18_446_744_073_709_551_616.0,
        Type::Bcd16 => 1e4,
        Type::Bcd32 => 1e8,
        Type::F32 | Type::F64 => f64::MAX,
    };
    if rollover > full {
        let message = format!("{} never gets to {rollover}: it starts again at {full}", kind.word());
        desk.error(
            &section.place("rollover"),
            message,
            "give it in raw counts, before `scale`, or correct `type`",
        );
    }
    Some(rollover)
}

/// A length of time in milliseconds.
pub(super) fn millis(desk: &mut Desk, section: &Section<'_>, key: &str) -> Option<Span> {
    let millis = section.number_or(desk, key, |number| {
        let mend = format!("write milliseconds, {LONGEST_MS} (a day) at most");
        (number > LONGEST_MS).then(|| (format!("`{key}` is {number}, longer than a day"), mend))
    });
    millis.map(|millis| Span::from_seconds(millis / 1000.0))
}
