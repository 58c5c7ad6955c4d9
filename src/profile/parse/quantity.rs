//! What a point's quantity allows: units, signs, fields, 'not available' values, parts of a sum.

use super::keys::{POSITIVES, RATIOS};
use super::point::{Defaults, quantity_of};
use super::tree::{Node, Value};
use super::walk::{Desk, Section, choose, real, whole};
use crate::base::{Phase, PointKey, Quantity, Unit};
use crate::profile::{Positive, SiteRatio, Type, suggest};

/// The unit of a point and its word. A quantity without one has its base unit; what is none of our quantities has none.
pub(super) fn unit(desk: &mut Desk, section: &Section<'_>, key: &PointKey) -> (Option<Unit>, String) {
    let Some(quantity) = quantity_of(key) else {
        // Logged as it is: a state of charge of 81 % stays 81.
        return (None, section.text(desk, "unit").unwrap_or("").to_owned());
    };
    let dimension = quantity.dimension();
    let base = Unit::base(dimension);
    let Some(word) = section.text(desk, "unit") else { return (Some(base), base.word.to_owned()) };
    let fitting = || Unit::ALL.iter().filter(|unit| unit.dimension == dimension).map(|unit| unit.word);
    match Unit::parse(word) {
        Some(unit) if unit.dimension == dimension => return (Some(unit), word.to_owned()),
        Some(_) => {
            let mend = format!("{quantity} is in {}", suggest::list(fitting(), "or"));
            desk.error(&section.place("unit"), format!("`{word}` is no unit of {quantity}"), mend);
        }
        None => {
            let same = fitting().find(|unit| unit.eq_ignore_ascii_case(word));
            let mend = match same.or_else(|| suggest::nearest(word, fitting())) {
                Some(near) => {
                    format!("did you mean `{near}`? {quantity} is in {}", suggest::list(fitting(), "or"))
                }
                None => format!("{quantity} is in {}", suggest::list(fitting(), "or")),
            };
            desk.error(&section.place("unit"), format!("unknown unit `{word}`"), mend);
        }
    }
    (Some(base), base.word.to_owned())
}

/// What a positive number means, for the powers that have a sign. An active power without one is found later, all of
/// them in one fault.
pub(super) fn positive(
    desk: &mut Desk,
    section: &Section<'_>,
    key: &PointKey,
    defaults: &Defaults,
    flagged: bool,
) -> Option<Positive> {
    let stated = section.word(desk, "positive", POSITIVES);
    match quantity_of(key) {
        Some(Quantity::ActivePower) if flagged => {
            if section.has("positive") {
                let message = "the `direction` flag says which way, so `positive` has nothing to say";
                desk.error(&section.place("positive"), message, "leave it out");
            }
            Some(Positive::Import)
        }
        Some(Quantity::ActivePower) => stated.or(defaults.positive),
        // Seen from the other side both powers change sign, so a meter that counts export positive counts both so.
        Some(Quantity::ReactivePower) => Some(stated.or(defaults.positive).unwrap_or(Positive::Import)),
        // A power factor that follows the power has the power's sign as this meter shows it.
        Some(Quantity::PowerFactor) => defaults.positive,
        _ => None,
    }
}

/// Whether somebody has seen this power go negative.
pub(super) fn signed(
    desk: &mut Desk,
    section: &Section<'_>,
    key: &PointKey,
    defaults: &Defaults,
    kind: Type,
    bits: Option<(u8, u8)>,
    offset: f64,
) -> bool {
    let stated = section.flag(desk, "signed");
    let place = section.place("signed");
    let quantity = quantity_of(key);
    if !matches!(quantity, Some(Quantity::ActivePower | Quantity::ReactivePower)) {
        return false;
    }
    if section.has("direction") {
        if stated == Some(true) {
            let message =
                "`signed` and `direction` contradict each other: with a flag the register itself has no sign";
            desk.error(
                &place,
                message,
                "leave `signed` out; a check sees the flag change as power flows out",
            );
        }
        return false;
    }
    let signed = stated.unwrap_or(defaults.signed && quantity == Some(Quantity::ActivePower));
    let unsigned = matches!(kind, Type::U16 | Type::U32 | Type::U64 | Type::Bcd16 | Type::Bcd32);
    if signed && unsigned && offset >= 0.0 {
        let what = if bits.is_some() { "a field of an unsigned register" } else { kind.word() };
        let message = format!("{key} is `signed`, but {what} can't hold a negative number");
        let place = if stated.is_some() { place } else { section.span.clone() };
        let mend = "correct `type` (i16, i32, sm16 …), or leave `signed` out";
        desk.error(&place, message, mend);
    }
    signed
}

/// `bits = [low, high]`: a field inside the registers.
pub(super) fn bits(desk: &mut Desk, section: &Section<'_>, kind: Type) -> Option<(u8, u8)> {
    let node = section.node("bits")?;
    let last = i128::from(kind.registers()) * 16 - 1;
    if !matches!(kind, Type::U16 | Type::I16 | Type::U32 | Type::I32 | Type::U64 | Type::I64) {
        let message = format!("`bits` cuts a field out of a whole number, and {} is none", kind.word());
        desk.error(&section.place("bits"), message, "add `type = \"u16\"` (or u32, u64)");
        return None;
    }
    let mend = format!("write `bits = [low, high]`, both from 0 to {last}, 0 the least significant");
    let (low, high) = two(desk, node, "bits", &mend)?;
    let (low, high) = (whole(desk, low, "bits")?, whole(desk, high, "bits")?);
    if low < 0 || high > last || low > high {
        let message = format!("there are no bits {low} to {high} in a {}", kind.word());
        desk.error(&section.place("bits"), message, mend);
        return None;
    }
    Some((low as u8, high as u8))
}

/// `valid = [low, high]`, in the point's unit.
pub(super) fn valid(desk: &mut Desk, section: &Section<'_>) -> Option<(f64, f64)> {
    let node = section.node("valid")?;
    let mend = "write `valid = [lowest, highest]`, in the point's own unit";
    let (low, high) = two(desk, node, "valid", mend)?;
    let (low, high) = (real(desk, low, "valid")?, real(desk, high, "valid")?);
    if !low.is_finite() || !high.is_finite() || low >= high {
        desk.error(&section.place("valid"), format!("nothing lies between {low} and {high}"), mend);
        return None;
    }
    Some((low, high))
}

fn two<'n>(desk: &mut Desk, node: &'n Node, key: &str, mend: &str) -> Option<(&'n Node, &'n Node)> {
    let message = match &node.value {
        Value::List(items) => match items.as_slice() {
            [low, high] => return Some((low, high)),
            _ => format!("`{key}` has {} numbers, not two", items.len()),
        },
        other => format!("`{key}` is {}, not a list of two numbers", other.noun()),
    };
    desk.error(&node.span, message, mend);
    None
}

/// `missing`: raw values that mean 'not available'; `None` when the key is not there.
pub(super) fn missing(desk: &mut Desk, section: &Section<'_>, kind: Type) -> Option<Vec<u64>> {
    let node = section.node("missing")?;
    let items = match &node.value {
        Value::List(items) => items.as_slice(),
        _ => std::slice::from_ref(node),
    };
    let raw: Vec<u64> = items.iter().filter_map(|item| raw(desk, item, kind)).collect();
    Some(raw)
}

fn raw(desk: &mut Desk, node: &Node, kind: Type) -> Option<u64> {
    let bits = u32::from(kind.registers()) * 16;
    let most = (1_i128 << bits) - 1;
    let number = match &node.value {
        Value::Text(text) => {
            let digits = text.trim().replace('_', "");
            let number = match digits.strip_prefix("0x").or_else(|| digits.strip_prefix("0X")) {
                Some(hex) => i128::from_str_radix(hex, 16).ok(),
                None => digits.parse().ok(),
            };
            if number.is_none() {
                let mend = "write a whole number, such as 65535, 0x8000 or \"0xFFFFFFFFFFFFFFFF\"";
                desk.error(&node.span, format!("`{text}` is no number of registers"), mend);
            }
            number?
        }
        _ => whole(desk, node, "missing")?,
    };
    if (0..=most).contains(&number) {
        return Some(number as u64);
    }
    let mend = if number < 0 && number >= -(1_i128 << (bits - 1)) {
        format!("write it as it stands in the registers: 0x{:X}", number + most + 1)
    } else {
        format!("{} holds 0 to 0x{most:X}", kind.word())
    };
    desk.error(&node.span, format!("{} can't hold the raw value {number}", kind.word()), mend);
    None
}

/// `multiply = ["ct_ratio", "vt_ratio"]`: site values.
pub(super) fn multiply(desk: &mut Desk, section: &Section<'_>) -> Vec<SiteRatio> {
    let Some(node) = section.node("multiply") else { return Vec::new() };
    let items = match &node.value {
        Value::List(items) => items.as_slice(),
        _ => std::slice::from_ref(node),
    };
    let mut ratios = Vec::new();
    for item in items {
        if let Value::Integer(_) | Value::Real(_) = item.value {
            let mend = "a fixed factor goes under `scale`; here stand names of the site file: [\"ct_ratio\"]";
            desk.error(&item.span, "`multiply` takes names, not numbers", mend);
            continue;
        }
        let Some(ratio) = choose(desk, item, "multiply", RATIOS) else { continue };
        if ratios.contains(&ratio) {
            desk.error(&item.span, "the same ratio twice", "keep one: it is multiplied once for each entry");
        } else {
            ratios.push(ratio);
        }
    }
    ratios
}

/// `sum = ["active_power.L1", …]`: names of other points. Whether they exist is looked at when all are known.
pub(super) fn parts(desk: &mut Desk, section: &Section<'_>) -> Option<Vec<PointKey>> {
    let node = section.node("sum")?;
    let mend = "write `sum = [\"active_power.L1\", \"active_power.L2\"]`, names of points of this profile";
    let Value::List(items) = &node.value else {
        desk.error(&node.span, format!("`sum` is {}, not a list", node.value.noun()), mend);
        return None;
    };
    if items.len() < 2 {
        desk.error(&node.span, "a sum has two points or more", mend);
        return None;
    }
    let mut parts = Vec::new();
    for item in items {
        let Value::Text(text) = &item.value else {
            desk.error(&item.span, format!("{} in a sum, not the name of a point", item.value.noun()), mend);
            return None;
        };
        let Some(key) = PointKey::parse(text) else {
            let (head, tail) = text.split_once('.').unwrap_or((text, ""));
            let head = suggest::nearest(head, Quantity::ALL.iter().map(|quantity| quantity.word()));
            let tail = suggest::nearest(tail, Phase::ALL.iter().map(|phase| phase.word()));
            let mend = match (head, tail) {
                (Some(head), Some(tail)) => format!("did you mean `{head}.{tail}`?"),
                _ => mend.to_owned(),
            };
            desk.error(&item.span, format!("`{text}` is no name of a point"), mend);
            return None;
        };
        if parts.contains(&key) {
            desk.error(&item.span, format!("{key} stands in the sum twice"), "keep one of them");
        } else {
            parts.push(key);
        }
    }
    Some(parts)
}
