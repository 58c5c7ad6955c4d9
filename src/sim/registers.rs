//! Numbers into registers, as a meter would: by its own code, so that a mistake in the checks' decoding cannot hide.

use std::collections::BTreeMap;

use crate::base::{PointKey, Quantity};
use crate::profile::{Order, Point, Positive, PowerFactorSign, Source, Table, Type};

/// The registers a meter shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Image {
    words: BTreeMap<(Table, u16), u16>,
}

/// What the meter itself adds to a number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Makeup {
    /// Power of ten it puts where the profile has an exponent.
    pub exponent: i8,
    /// Factor it puts where the profile has one to multiply by.
    pub factor: u16,
    /// CT and VT ratio, where a point is multiplied by them: the registers hold the secondary value.
    pub ratios: f64,
}

impl Image {
    /// The word at an address, where the meter has one.
    pub fn word(&self, table: Table, address: u16) -> Option<u16> {
        self.words.get(&(table, address)).copied()
    }

    /// First and last address of a table.
    pub fn reach(&self, table: Table) -> Option<(u16, u16)> {
        let mut addresses =
            self.words.range((table, 0)..=(table, u16::MAX)).map(|((_, address), _)| *address);
        let first = addresses.next()?;
        Some((first, addresses.next_back().unwrap_or(first)))
    }

    /// Puts a value (base unit, import positive) where the point has it; `None` puts the point's 'not available'.
    pub fn put(&mut self, point: &Point, value: Option<f64>, makeup: Makeup) {
        let Source::Registers { at, kind, word_order, byte_order, bits } = &point.source else { return };
        if let Some(register) = point.exponent_at {
            self.words.insert((register.table, register.address), i16::from(makeup.exponent) as u16);
        }
        if let Some(register) = point.multiply_at {
            self.words.insert((register.table, register.address), makeup.factor);
        }
        let mut shown = value;
        if let Some(flag) = point.direction {
            let exporting = value.is_some_and(|value| value < 0.0);
            let key = (flag.register.table, flag.register.address);
            let word = self.words.entry(key).or_insert(0);
            let mask = 1_u16 << flag.bit.min(15);
            *word = if exporting == flag.export_when { *word | mask } else { *word & !mask };
            shown = value.map(f64::abs);
        }
        let width = 16 * u32::from(at.count);
        let field =
            bits.map_or((0, width - 1), |(low, high)| (u32::from(low), u32::from(high).min(width - 1)));
        let raw = match shown {
            Some(value) => pack(*kind, point, number(point, value, makeup), field),
            None => point.missing.first().copied().unwrap_or_else(|| not_a_number(*kind)),
        };
        self.write(point, raw, field, *word_order, *byte_order);
    }

    /// Lays the bits of a field into the registers of a point, leaving the rest of them as they are.
    fn write(
        &mut self,
        point: &Point,
        raw: u64,
        (low, high): (u32, u32),
        word_order: Order,
        byte_order: Order,
    ) {
        let Source::Registers { at, bits, .. } = &point.source else { return };
        let count = u32::from(at.count);
        for place in 0..count {
            // `place` counts words from the most significant
            let shift = 16 * (count - 1 - place);
            let offset = match word_order {
                Order::HighFirst => place,
                Order::LowFirst => count - 1 - place,
            };
            let key = (at.table, at.address.wrapping_add(offset as u16));
            let swap = |word: u16| if byte_order == Order::LowFirst { word.swap_bytes() } else { word };
            let word = if bits.is_some() {
                let old = swap(self.words.get(&key).copied().unwrap_or(0));
                let mask = (ones(high - low + 1) << low >> shift) as u16;
                (old & !mask) | ((raw << low >> shift) as u16 & mask)
            } else {
                (raw >> shift) as u16
            };
            self.words.insert(key, swap(word));
        }
    }
}

fn ones(bits: u32) -> u64 {
    if bits >= 64 { u64::MAX } else { (1_u64 << bits) - 1 }
}

/// The number the registers hold, before rounding: unit, sign, offset, scale, exponent and factors taken out.
fn number(point: &Point, value: f64, makeup: Makeup) -> f64 {
    let mut x = value;
    if let Some(unit) = point.unit {
        x /= unit.factor;
    }
    if point.positive == Some(Positive::Export) && has_sign(point) {
        x = -x;
    }
    x -= point.offset;
    if point.exponent_at.is_some() {
        x /= libm::pow(10.0, f64::from(makeup.exponent));
    }
    if point.multiply_at.is_some() {
        x /= f64::from(makeup.factor);
    }
    if !point.multiply.is_empty() {
        x /= makeup.ratios;
    }
    // dividing by 0.1 gives rounder numbers than multiplying by its inverse, and 0 is refused by profiles
    x / point.scale
}

/// Whether the sign of the register follows the direction of the power: a flag, a pair of registers for the two directions or
/// a power factor that says lag or lead has no such sign.
fn has_sign(point: &Point) -> bool {
    match point.key {
        PointKey::Of(Quantity::ActivePower, _) => point.direction.is_none(),
        PointKey::Of(Quantity::ReactivePower, _) => true,
        PointKey::Of(Quantity::PowerFactor, _) => point.power_factor_sign == PowerFactorSign::Iec,
        _ => false,
    }
}

fn not_a_number(kind: Type) -> u64 {
    match kind {
        Type::F32 => 0x7FC0_0000,
        Type::F64 => 0x7FF8_0000_0000_0000,
        _ => 0,
    }
}

/// The bits of a number in a type; out of range it stops at the end of the range, counters wrap.
fn pack(kind: Type, point: &Point, x: f64, (low, high): (u32, u32)) -> u64 {
    let width = high - low + 1;
    let counter = matches!(&point.key, PointKey::Of(quantity, _) if quantity.is_counter());
    let unsigned = |x: f64| -> u64 {
        let top = ones(width);
        let mut x = x.round();
        if counter {
            // the power of two is exact, and so is the remainder
            let turn = point.rollover.unwrap_or_else(|| libm::pow(2.0, f64::from(width)));
            x = libm::fmod(x, turn);
        }
        // a cast of a float stops at the ends of the integer
        (x.max(0.0) as u64).min(top)
    };
    let signed = |x: f64| -> u64 {
        let most = (ones(width) >> 1) as i64;
        ((x.round() as i64).clamp(-most - 1, most) as u64) & ones(width)
    };
    let sign_and_size = |x: f64| -> u64 {
        let size = (x.abs().round() as u64).min(ones(width) >> 1);
        if x < 0.0 && size > 0 { size | (1 << (width - 1)) } else { size }
    };
    match kind {
        Type::U16 | Type::U32 | Type::U64 => unsigned(x),
        Type::I16 | Type::I32 | Type::I64 => signed(x),
        Type::Sm16 | Type::Sm32 => sign_and_size(x),
        Type::Bcd16 => decimal(x, 4, point, counter),
        Type::Bcd32 => decimal(x, 8, point, counter),
        Type::F32 => u64::from((x as f32).to_bits()),
        Type::F64 => x.to_bits(),
    }
}

/// Decimal digits, four bits each.
fn decimal(x: f64, digits: u32, point: &Point, counter: bool) -> u64 {
    let turn = 10_u64.pow(digits);
    let mut rest = x.round().max(0.0) as u64;
    rest = if counter {
        rest % point.rollover.map_or(turn, |rollover| (rollover as u64).clamp(1, turn))
    } else {
        rest.min(turn - 1)
    };
    let mut raw = 0;
    for place in 0..digits {
        raw |= (rest % 10) << (4 * place);
        rest /= 10;
    }
    raw
}

#[cfg(test)]
mod tests;
