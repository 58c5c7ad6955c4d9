//! What is legal and seldom meant: said as a warning, so that a slip of the pen is seen before a meter is read. The bounds are
//! ours, wide enough for what low-voltage sites have.

use std::ops::Range;

use super::point::{Placed, quantity_of};
use super::walk::Desk;
use crate::base::{Phase, PointKey, Quantity};
use crate::profile::{Order, Source, Type};

/// Registers between a total and its phases that no list we know of has.
const FAR: u32 = 1000;

/// Warns of everything unlikely, one line of the file once.
pub(super) fn check(desk: &mut Desk, points: &[Placed]) {
    let mut told: Vec<Range<usize>> = Vec::new();
    let mut warn = |at: &Range<usize>, message: String, mend: &str| {
        if !told.contains(at) {
            told.push(at.clone());
            desk.warn(at, message, mend);
        }
    };
    for placed in points {
        let Some((message, mend)) = unit(placed).or_else(|| reach(placed)).or_else(|| valid(placed)) else {
            continue;
        };
        warn(&placed.at, message, mend);
    }
    for quantity in Quantity::ALL {
        let of = |phase| points.iter().find(|placed| placed.point.key == PointKey::Of(quantity, phase));
        let lines: Vec<&Placed> = Phase::LINES.into_iter().filter_map(of).collect();
        if let Some((at, message)) = odd_one(&lines) {
            warn(&at, message, "check that this is meant, and not one line copied and another changed");
        }
        if let Some((at, message)) = uneven(&lines) {
            warn(&at, message, "check the three addresses; where they do lie so, leave it");
        }
        if let Some((at, message)) = of(Phase::Total).and_then(|total| far(total, &lines)) {
            warn(&at, message, "check the address for a digit too many or a wrong one, and the table");
        }
    }
}

/// Units in which a meter at a house or a workshop would hardly show anything.
fn unit(placed: &Placed) -> Option<(String, &'static str)> {
    let key = &placed.point.key;
    let mend = match placed.point.unit_word.as_str() {
        "kA" => "mostly it is A or mA; a count of 0.001 A is `unit = \"mA\"`",
        "mW" => "mostly it is W; megawatts are `MW`",
        "mV" => "mostly it is V; tenths of a volt are `scale = 0.1`",
        _ => return None,
    };
    quantity_of(key).map(|_| (format!("{key} in {}", placed.point.unit_word), mend))
}

/// What whole numbers of one or two registers can show at this scale.
fn reach(placed: &Placed) -> Option<(String, &'static str)> {
    let point = &placed.point;
    let (quantity, Source::Registers { kind, bits: None, .. }) = (quantity_of(&point.key)?, &point.source)
    else {
        return None;
    };
    if point.exponent_at.is_some()
        || point.multiply_at.is_some()
        || !point.multiply.is_empty()
        || point.offset != 0.0
    {
        return None;
    }
    let most = match kind {
        Type::U16 => 65_535.0,
        Type::I16 | Type::Sm16 => 32_767.0,
        Type::Bcd16 => 9999.0,
        Type::U32 | Type::I32 | Type::Sm32 | Type::Bcd32 => f64::INFINITY,
        _ => return None,
    };
    let count = point.scale * point.unit?.factor;
    // Coarsest step, and least reach, in the base unit.
    let (step, least) = match quantity {
        Quantity::Voltage => (10.0, 90.0),
        Quantity::Current => (10.0, 0.0),
        Quantity::Frequency => (1.0, 45.0),
        Quantity::ActivePower | Quantity::ReactivePower | Quantity::ApparentPower => (1000.0, 100.0),
        _ => return None,
    };
    let (key, base) = (&point.key, quantity.dimension().base());
    if count > step {
        return Some((
            format!("one count of {key} is worth {count} {base}"),
            "check `scale` and `unit`: one of them may be doing the other's work",
        ));
    }
    (most * count < least).then(|| {
        (
            format!("{key} can show {} {base} at most", libm::round(most * count * 1e3) / 1e3),
            "check `scale`, `unit` and `type`",
        )
    })
}

/// A range of sensible values that leaves out what every grid has.
fn valid(placed: &Placed) -> Option<(String, &'static str)> {
    let point = &placed.point;
    let ((low, high), unit) = (point.valid?, point.unit?);
    let (low, high) = (low * unit.factor, high * unit.factor);
    let key = &point.key;
    match quantity_of(key)? {
        Quantity::Frequency if !(low..=high).contains(&50.0) && !(low..=high).contains(&60.0) => Some((
            format!("`valid` of {key} leaves out 50 Hz and 60 Hz"),
            "it is in the point's own unit, after `scale`",
        )),
        Quantity::Voltage if high < 90.0 => Some((
            format!("`valid` of {key} ends at {high} V"),
            "it is in the point's own unit, after `scale`",
        )),
        _ => None,
    }
}

/// How a point is read, where phases mostly do not differ.
fn manner(placed: &Placed) -> Option<(Type, Order, Order, f64, String)> {
    let Source::Registers { kind, word_order, byte_order, .. } = placed.point.source else { return None };
    let order = if kind.registers() > 1 { word_order } else { Order::HighFirst };
    Some((kind, order, byte_order, placed.point.scale, placed.point.unit_word.clone()))
}

/// One phase of three that is read in another way than both others.
fn odd_one(lines: &[&Placed]) -> Option<(Range<usize>, String)> {
    let manners: Vec<_> = lines.iter().map(|placed| manner(placed)).collect::<Option<_>>()?;
    let [a, b, c] = manners.as_slice() else { return None };
    let odd = match (a == b, b == c, a == c) {
        (true, false, false) => 2,
        (false, true, false) => 0,
        (false, false, true) => 1,
        _ => return None,
    };
    let (own, other) = (&manners[odd], &manners[(odd + 1) % 3]);
    let what = match () {
        () if own.0 != other.0 => format!("type {}, the other phases {}", own.0.word(), other.0.word()),
        () if own.4 != other.4 => format!("unit {}, the other phases {}", own.4, other.4),
        () if own.3 != other.3 => format!("scale {}, the other phases {}", own.3, other.3),
        () => "another order of words or bytes than the other phases".to_owned(),
    };
    Some((lines[odd].at.clone(), format!("{} has {what}", lines[odd].point.key)))
}

/// Three phases whose distances differ.
fn uneven(lines: &[&Placed]) -> Option<(Range<usize>, String)> {
    let runs: Vec<_> = lines.iter().map(|placed| placed.registers()).collect::<Option<_>>()?;
    let [a, b, c] = runs.as_slice() else { return None };
    if a.table != b.table || b.table != c.table {
        let key = &lines[2].point.key;
        return Some((lines[2].at.clone(), format!("the phases up to {key} are in different tables")));
    }
    let (first, second) =
        (i32::from(b.address) - i32::from(a.address), i32::from(c.address) - i32::from(b.address));
    (first != second && first != 0 && second != 0).then(|| {
        let key = &lines[2].point.key;
        (lines[2].at.clone(), format!("{key} lies {second} from L2, and L2 {first} from L1"))
    })
}

/// A total that lies where its phases do not.
fn far(total: &Placed, lines: &[&Placed]) -> Option<(Range<usize>, String)> {
    let own = total.registers()?;
    let runs: Vec<_> = lines.iter().filter_map(|placed| placed.registers()).collect();
    let (low, high) = (runs.iter().map(|run| run.address).min()?, runs.iter().map(|run| run.address).max()?);
    let key = &total.point.key;
    if runs.iter().all(|run| run.table != own.table) {
        return Some((total.at.clone(), format!("{key} is in another table than its phases")));
    }
    let away = u32::from(low.saturating_sub(own.address).max(own.address.saturating_sub(high)));
    (away > FAR).then(|| {
        (
            total.at.clone(),
            format!(
                "{key} (register {} on the wire) stands far from its phases ({low} to {high})",
                own.address
            ),
        )
    })
}
