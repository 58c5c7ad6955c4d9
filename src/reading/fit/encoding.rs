//! The ways registers may hold a number, and how common each is before anything was seen. The shares are common practice;
//! what decides is the evidence, they only break ties.

use crate::base::{Dimension, Quantity};
use crate::profile::{Order, Registers, Table, Type};
use crate::reading::decode::plain_number;

use super::snapshot::RegisterMap;

/// A type with its orders.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Encoding {
    /// How registers hold the number.
    pub kind: Type,
    /// Order of the registers.
    pub word_order: Order,
    /// Order of the bytes within one.
    pub byte_order: Order,
}

/// A place with an encoding.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spot {
    /// Where.
    pub at: Registers,
    /// How.
    pub encoding: Encoding,
}

impl Encoding {
    /// All there are: every type in every order.
    pub fn all() -> Vec<Self> {
        let orders = [Order::HighFirst, Order::LowFirst];
        let mut all = Vec::new();
        for kind in Type::ALL {
            for byte_order in orders {
                for word_order in orders {
                    // One register has no order of registers.
                    if kind.registers() > 1 || word_order == Order::HighFirst {
                        all.push(Self { kind, word_order, byte_order });
                    }
                }
            }
        }
        all
    }

    /// The number at an address, where all its registers were read and hold one.
    pub fn number(self, map: &RegisterMap, table: Table, address: u16) -> Option<f64> {
        let words = map.run(self.spot(table, address).at)?;
        plain_number(&words, self.kind, self.word_order, self.byte_order)
    }

    /// This encoding at an address.
    pub const fn spot(self, table: Table, address: u16) -> Spot {
        Spot { at: Registers { table, address, count: self.kind.registers() }, encoding: self }
    }

    /// Whether a value is a float.
    pub const fn is_float(self) -> bool {
        matches!(self.kind, Type::F32 | Type::F64)
    }

    /// How common it is among meters for a quantity. Sums to about 1.
    pub fn share(self, quantity: Quantity) -> f64 {
        let can_fall_below_zero = matches!(
            quantity,
            Quantity::ActivePower | Quantity::ReactivePower | Quantity::PowerFactor | Quantity::PhaseAngle
        );
        let (unsigned, signed) = if can_fall_below_zero { (0.15, 0.85) } else { (0.7, 0.3) };
        let kind = match self.kind {
            Type::U16 | Type::U32 => 0.28 * unsigned,
            Type::I16 | Type::I32 => 0.28 * signed,
            Type::U64 => 0.02 * unsigned,
            Type::I64 => 0.02 * signed,
            Type::F32 => 0.34,
            Type::F64 => 0.02,
            Type::Sm16 | Type::Sm32 => 0.02 * if can_fall_below_zero { 1.0 } else { 0.3 },
            Type::Bcd16 | Type::Bcd32 => 0.01,
        };
        let words = if self.kind.registers() == 1 {
            1.0
        } else if self.word_order == Order::HighFirst {
            0.7
        } else {
            0.3
        };
        let bytes = if self.byte_order == Order::HighFirst { 0.97 } else { 0.03 };
        kind * words * bytes
    }

    /// Largest number it can hold before scaling.
    pub fn most(self) -> f64 {
        match self.kind {
            Type::U16 => 65_535.0,
            Type::I16 | Type::Sm16 => 32_767.0,
            Type::Bcd16 => 9_999.0,
            Type::U32 => 4_294_967_295.0,
            Type::I32 | Type::Sm32 => 2_147_483_647.0,
            Type::Bcd32 => 99_999_999.0,
            Type::U64 | Type::I64 => 9.2e18,
            Type::F32 => 3.4e38,
            Type::F64 => 1.7e308,
        }
    }

    /// Range of sizes, as a natural logarithm, over which numbers of no known meaning spread in it (ours: whole numbers
    /// over all they can hold in 32 bits at most, floats over the sizes of site quantities and a good deal beyond).
    pub fn spread(self) -> f64 {
        match self.kind.registers() {
            1 => 11.0,
            _ => 20.0,
        }
    }
}

/// How common a power of ten is: what one count is worth in the base unit is 10^`power`.
pub(super) fn power_share(quantity: Quantity, encoding: Encoding, power: i8) -> f64 {
    let table: &[(i8, f64)] = if encoding.is_float() {
        match quantity.dimension() {
            Dimension::ActivePower | Dimension::ReactivePower | Dimension::ApparentPower => {
                &[(0, 0.7), (3, 0.27)]
            }
            Dimension::ActiveEnergy | Dimension::ReactiveEnergy => &[(3, 0.65), (0, 0.28), (6, 0.03)],
            Dimension::Ratio => &[(0, 0.9), (-2, 0.08)],
            _ => &[(0, 0.95), (-3, 0.02), (3, 0.02)],
        }
    } else {
        match quantity.dimension() {
            Dimension::Voltage => &[(-1, 0.5), (-2, 0.2), (0, 0.15), (-3, 0.1)],
            Dimension::Current => &[(-2, 0.3), (-3, 0.4), (-1, 0.2), (0, 0.05)],
            Dimension::Frequency => &[(-2, 0.5), (-1, 0.25), (-3, 0.15), (0, 0.08)],
            Dimension::ActivePower | Dimension::ReactivePower | Dimension::ApparentPower => {
                &[(0, 0.4), (-1, 0.28), (1, 0.12), (-2, 0.06), (-3, 0.05), (2, 0.04), (3, 0.04)]
            }
            Dimension::ActiveEnergy | Dimension::ReactiveEnergy => {
                &[(3, 0.2), (2, 0.2), (1, 0.25), (0, 0.25), (-1, 0.05), (6, 0.02)]
            }
            Dimension::Ratio => &[(-3, 0.6), (-2, 0.3), (-4, 0.08)],
            Dimension::Angle => &[(-1, 0.4), (-2, 0.4), (0, 0.15)],
        }
    };
    let usual = table.iter().find(|(known, _)| *known == power).map(|(_, share)| *share);
    // What nobody would choose is possible all the same, within reason; what is far beyond it is not.
    usual.unwrap_or(if (-6..=6).contains(&power) { 0.003 } else { 0.0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_type_is_tried_in_every_order_once() {
        let all = Encoding::all();
        assert_eq!(all.len(), 4 * 2 + 8 * 4);
        for quantity in Quantity::ALL {
            let sum: f64 = all.iter().map(|encoding| encoding.share(quantity)).sum();
            assert!((0.9..=1.1).contains(&sum), "{quantity}: {sum}");
        }
    }
}
