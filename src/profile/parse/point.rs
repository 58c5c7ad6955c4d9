//! One point: every key it may have, checked against each other.

use std::ops::Range;

use super::flag::direction;
use super::keys::{KEYS, NOT_IN_SUM, ORDERS, TYPES};
use super::place::{Counting, Place, TABLES, beside, place_of};
use super::quantity::{bits, missing, multiply, positive, signed, unit, valid};
use super::tree::Node;
use super::walk::{Bound, Desk, Section, choose, real};
use crate::base::{PointKey, Quantity, Span};
use crate::profile::{Order, Point, Positive, PowerFactorSign, Registers, Source, Table, Type};

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
    let section = Section::open(desk, node, format!("the point {key}"), KEYS)?;
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
    let offset = section.number(desk, "offset", Bound::Finite).unwrap_or(0.0);
    let mut flag_place = None;
    let direction = direction(desk, section, key, kind, counting, place.as_ref(), &mut flag_place);
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
        rollover: rollover(desk, section, key, kind),
        update: millis(desk, section, "update_ms", Bound::Positive),
        averaging: millis(desk, section, "averaging_ms", Bound::NotNegative),
        floor_w: floor(desk, section, key),
        power_factor_sign: sign(desk, section, key),
    };
    let own = if section.has("register") { section.place("register") } else { section.place("address") };
    // Without an address there is nothing to compare with the other points; the fault is noted.
    at?;
    Some(Pattern { placed: Placed { point, span: section.span.clone(), at: own }, place, flag_place })
}

fn sum(desk: &mut Desk, section: &Section<'_>, key: &PointKey, defaults: &Defaults) -> Option<Placed> {
    for name in NOT_IN_SUM.iter().filter(|name| section.has(name)) {
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
        update: millis(desk, section, "update_ms", Bound::Positive),
        averaging: millis(desk, section, "averaging_ms", Bound::NotNegative),
        floor_w: floor(desk, section, key),
        power_factor_sign: sign(desk, section, key),
        ..Point::plain(key.clone(), Source::Sum(parts))
    };
    Some(Placed { point, span: section.span.clone(), at: section.place("sum") })
}

fn scale(desk: &mut Desk, section: &Section<'_>, key: &PointKey, defaults: &Defaults) -> f64 {
    let scale = section.number(desk, "scale", Bound::Finite).unwrap_or(defaults.scale);
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

fn rollover(desk: &mut Desk, section: &Section<'_>, key: &PointKey, kind: Type) -> Option<f64> {
    let rollover = section.number(desk, "rollover", Bound::Positive)?;
    if let Some(quantity) = quantity_of(key)
        && !quantity.is_counter()
    {
        let message = format!("`rollover` is for counters, and {quantity} is none");
        desk.error(&section.place("rollover"), message, "leave it out");
        return None;
    }
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

fn floor(desk: &mut Desk, section: &Section<'_>, key: &PointKey) -> Option<f64> {
    let floor = section.number(desk, "floor_W", Bound::NotNegative)?;
    let power = matches!(
        quantity_of(key),
        Some(Quantity::ActivePower | Quantity::ActivePowerImport | Quantity::ActivePowerExport)
    );
    if !power {
        desk.error(
            &section.place("floor_W"),
            format!("`floor_W` belongs to a power, not to {key}"),
            "leave it out",
        );
    }
    Some(floor)
}

fn sign(desk: &mut Desk, section: &Section<'_>, key: &PointKey) -> PowerFactorSign {
    const SIGNS: &[(&str, PowerFactorSign)] =
        &[("iec", PowerFactorSign::Iec), ("lag-lead", PowerFactorSign::LagLead)];
    let Some(node) = section.node("sign") else { return PowerFactorSign::default() };
    if quantity_of(key) != Some(Quantity::PowerFactor) {
        let message = format!("`sign` belongs to power_factor, not to {key}");
        desk.error(&section.place("sign"), message, "leave it out; a power says `positive`");
    }
    choose(desk, node, "sign", SIGNS).unwrap_or_default()
}

/// A length of time in milliseconds.
pub(super) fn millis(desk: &mut Desk, section: &Section<'_>, key: &str, bound: Bound) -> Option<Span> {
    /// A day: no meter takes longer to renew a value.
    const LONGEST: f64 = 86_400_000.0;
    let node = section.node(key)?;
    let number = section.number(desk, key, bound)?;
    if number > LONGEST {
        let mend = "write milliseconds, 86400000 (a day) at most";
        desk.error(&node.span, format!("`{key}` is {number}, longer than a day"), mend);
        return None;
    }
    real(desk, node, key).map(|millis| Span::from_seconds(millis / 1000.0))
}
