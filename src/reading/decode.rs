//! Registers to value: types, orders, scale, sign.

use super::series::Absent;
use crate::base::Quantity;
use crate::profile::{Order, Point, Positive, PowerFactorSign, Registers, SiteRatio, Source, Type};
use crate::{base::PointKey, profile::Meter};

/// What the site says about a meter's transformers; 1 where it says nothing (then no profile multiplies by it).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ratios {
    /// Current transformer ratio.
    pub ct: f64,
    /// Voltage transformer ratio.
    pub vt: f64,
}

impl Ratios {
    /// Those of a meter.
    pub fn of(meter: &Meter) -> Self {
        Self { ct: meter.ct_ratio.unwrap_or(1.0), vt: meter.vt_ratio.unwrap_or(1.0) }
    }
}

/// The number a point's registers hold, in the base unit and this program's signs (import positive).
///
/// `fetch` gives the registers of a run, or nothing where they were not read. Value = raw × 10^exponent × scale ×
/// factors + offset, then to the base unit, then to import positive.
///
/// # Errors
/// The reason why there is no number.
pub fn decode(
    point: &Point,
    ratios: Ratios,
    fetch: &dyn Fn(Registers) -> Option<Vec<u16>>,
) -> Result<f64, Absent> {
    let Source::Registers { at, kind, word_order, byte_order, bits } = &point.source else {
        return Err(Absent::Incomplete);
    };
    let words = fetch(*at).ok_or(Absent::Incomplete)?;
    let raw = assemble(&words, *word_order, *byte_order);
    if point.missing.contains(&raw) {
        return Err(Absent::Missing);
    }
    let mut value = number(raw, *kind, *bits)?;
    if let Some(run) = point.exponent_at {
        let exponent = fetch(run).and_then(|words| words.first().copied()).ok_or(Absent::Incomplete)?;
        value = times_power_of_ten(value, exponent as i16).ok_or(Absent::Undecodable)?;
    }
    value *= point.scale;
    if let Some(run) = point.multiply_at {
        value *= f64::from(fetch(run).and_then(|words| words.first().copied()).ok_or(Absent::Incomplete)?);
    }
    for ratio in &point.multiply {
        value *= match ratio {
            SiteRatio::Ct => ratios.ct,
            SiteRatio::Vt => ratios.vt,
        };
    }
    value += point.offset;
    if let Some(flag) = point.direction {
        let word = fetch(flag.register).and_then(|words| words.first().copied()).ok_or(Absent::Incomplete)?;
        if ((word >> flag.bit.min(15)) & 1 == 1) == flag.export_when {
            value = -value;
        }
    }
    if !value.is_finite() {
        return Err(Absent::Missing);
    }
    if point.valid.is_some_and(|(low, high)| value < low || value > high) {
        return Err(Absent::Invalid);
    }
    Ok(signed_for_import(point, value * point.unit.map_or(1.0, |unit| unit.factor)))
}

/// The plain number that registers hold, nothing multiplied or turned round; `None` where they hold none of this type.
pub fn plain_number(words: &[u16], kind: Type, word_order: Order, byte_order: Order) -> Option<f64> {
    if words.len() != usize::from(kind.registers()) {
        return None;
    }
    number(assemble(words, word_order, byte_order), kind, None).ok()
}

/// Turns a value that counts export as positive round. Powers flip, and a power factor whose sign follows the power;
/// a power with a direction flag has its sign from the flag.
fn signed_for_import(point: &Point, value: f64) -> f64 {
    let PointKey::Of(quantity, _) = &point.key else { return value };
    let flips = match quantity {
        Quantity::ActivePower => point.direction.is_none(),
        Quantity::ReactivePower => true,
        Quantity::PowerFactor => point.power_factor_sign == PowerFactorSign::Iec,
        _ => false,
    };
    if flips && point.positive == Some(Positive::Export) { -value } else { value }
}

/// The registers as one unsigned number, most significant part first.
fn assemble(words: &[u16], word_order: Order, byte_order: Order) -> u64 {
    let join = |raw: u64, word: &u16| {
        let word = if byte_order == Order::LowFirst { word.swap_bytes() } else { *word };
        (raw << 16) | u64::from(word)
    };
    match word_order {
        Order::HighFirst => words.iter().take(4).fold(0, join),
        Order::LowFirst => words.iter().take(4).rev().fold(0, join),
    }
}

fn number(raw: u64, kind: Type, bits: Option<(u8, u8)>) -> Result<f64, Absent> {
    let width = u32::from(kind.registers()) * 16;
    let (raw, width) = match bits {
        Some((low, high)) => {
            let width = u32::from(high.saturating_sub(low)) + 1;
            let mask = if width >= 64 { u64::MAX } else { (1 << width) - 1 };
            ((raw >> u32::from(low).min(63)) & mask, width)
        }
        None => (raw, width),
    };
    let value = match kind {
        Type::U16 | Type::U32 | Type::U64 => raw as f64,
        Type::I16 | Type::I32 | Type::I64 => {
            let spare = 64u32.saturating_sub(width);
            (((raw << spare) as i64) >> spare) as f64
        }
        Type::F32 => f64::from(f32::from_bits(raw as u32)),
        Type::F64 => f64::from_bits(raw),
        Type::Sm16 | Type::Sm32 => {
            let sign = 1u64 << (width - 1).min(63);
            let size = (raw & (sign - 1)) as f64;
            if raw & sign == 0 { size } else { -size }
        }
        Type::Bcd16 | Type::Bcd32 => bcd(raw, width / 4).ok_or(Absent::Undecodable)?,
    };
    if value.is_finite() { Ok(value) } else { Err(Absent::Missing) }
}

/// Binary coded decimal: one digit to four bits.
fn bcd(raw: u64, digits: u32) -> Option<f64> {
    (0..digits).rev().try_fold(0.0, |value, index| {
        let digit = (raw >> (4 * index)) & 0xF;
        (digit <= 9).then_some(value * 10.0 + digit as f64)
    })
}

/// Times 10^exponent. The open register model limits exponents to ±10 (from memory); beyond that the register is none.
fn times_power_of_ten(value: f64, exponent: i16) -> Option<f64> {
    const TENS: [f64; 11] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10];
    let size = TENS.get(usize::from(exponent.unsigned_abs()))?;
    // Dividing keeps 2305 × 10^-1 the nearest number to 230.5, which multiplying by 0.1 would not.
    Some(if exponent < 0 { value / size } else { value * size })
}

#[cfg(test)]
mod tests;
