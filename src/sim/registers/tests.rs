//! Registers against worked bytes of the standards.

use super::*;
use crate::base::{Phase, Unit};
use crate::profile::{DirectionFlag, Registers};

const PLAIN: Makeup = Makeup { exponent: 0, factor: 1, ratios: 1.0 };

fn registers(address: u16, count: u16) -> Registers {
    Registers { table: Table::Input, address, count }
}

fn point(quantity: Quantity, kind: Type) -> Point {
    let source = Source::Registers {
        at: registers(0, kind.registers()),
        kind,
        word_order: Order::HighFirst,
        byte_order: Order::HighFirst,
        bits: None,
    };
    Point {
        positive: (quantity == Quantity::ActivePower).then_some(Positive::Import),
        signed: true,
        ..Point::plain(PointKey::Of(quantity, Phase::L1), source)
    }
}

fn orders(mut point: Point, word: Order, byte: Order) -> Point {
    if let Source::Registers { word_order, byte_order, .. } = &mut point.source {
        *word_order = word;
        *byte_order = byte;
    }
    point
}

fn words(point: &Point, value: f64) -> Vec<u16> {
    words_with(point, Some(value), PLAIN)
}

fn words_with(point: &Point, value: Option<f64>, makeup: Makeup) -> Vec<u16> {
    let mut image = Image::default();
    image.put(point, value, makeup);
    let Source::Registers { at, .. } = &point.source else { panic!("no registers") };
    (0..at.count).map(|i| image.word(Table::Input, at.address + i).unwrap()).collect()
}

/// IEEE 754 check bytes of facts 3.3 (computed there from the standard's definition).
#[test]
fn floats_have_the_bytes_of_ieee_754() {
    let volts = point(Quantity::Voltage, Type::F32);
    assert_eq!(words(&volts, 230.0), [0x4366, 0x0000]);
    assert_eq!(words(&volts, 50.0), [0x4248, 0x0000]);
    assert_eq!(words(&volts, 0.1), [0x3DCC, 0xCCCD]);
    let power = point(Quantity::ActivePower, Type::F32);
    assert_eq!(words(&power, -1234.5), [0xC49A, 0x5000]);
    assert_eq!(words(&orders(power.clone(), Order::LowFirst, Order::HighFirst), -1234.5), [0x5000, 0xC49A]);
    assert_eq!(words(&orders(power.clone(), Order::HighFirst, Order::LowFirst), -1234.5), [0x9AC4, 0x0050]);
    assert_eq!(words(&orders(power, Order::LowFirst, Order::LowFirst), -1234.5), [0x0050, 0x9AC4]);
    // 1.0 as binary64 is 3FF0000000000000 (IEEE 754, from memory)
    assert_eq!(words(&point(Quantity::Voltage, Type::F64), 1.0), [0x3FF0, 0, 0, 0]);
}

/// Scaling examples of facts 3.3: 2305 with 10^-1 is 230.5 V, FB2E is -1234 W, 4999 with 10^-2 is 49.99 Hz.
#[test]
fn integers_are_scaled_as_the_worked_examples() {
    let mut volts = point(Quantity::Voltage, Type::U16);
    volts.scale = 0.1;
    assert_eq!(words(&volts, 230.5), [2305]);
    assert_eq!(words(&point(Quantity::ActivePower, Type::I16), -1234.0), [0xFB2E]);
    let mut hertz = point(Quantity::Frequency, Type::U16);
    hertz.scale = 0.01;
    assert_eq!(words(&hertz, 49.99), [4999]);
    let mut factor = point(Quantity::ActivePower, Type::I16);
    factor.exponent_at = Some(registers(9, 1));
    let mut image = Image::default();
    image.put(&factor, Some(10_000.0), Makeup { exponent: 2, ..PLAIN });
    assert_eq!(image.word(Table::Input, 0), Some(100));
    assert_eq!(image.word(Table::Input, 9), Some(2));
    image.put(&factor, Some(230.5), Makeup { exponent: -1, ..PLAIN });
    assert_eq!((image.word(Table::Input, 0), image.word(Table::Input, 9)), (Some(2305), Some(0xFFFF)));
}

#[test]
fn thirty_two_bits_cross_the_register_boundary() {
    // two's complement: -1234 is FFFFFB2E, sign and magnitude 800004D2, decimal digits 12345678 are 12345678
    assert_eq!(words(&point(Quantity::ActivePower, Type::I32), -1234.0), [0xFFFF, 0xFB2E]);
    assert_eq!(words(&point(Quantity::ActivePower, Type::Sm32), -1234.0), [0x8000, 0x04D2]);
    assert_eq!(words(&point(Quantity::ActivePower, Type::Sm16), -1234.0), [0x84D2]);
    assert_eq!(words(&point(Quantity::EnergyImport, Type::Bcd32), 12_345_678.0), [0x1234, 0x5678]);
    assert_eq!(words(&point(Quantity::EnergyImport, Type::U32), 70_000.0), [0x0001, 0x1170]);
}

#[test]
fn power_is_turned_for_a_meter_that_counts_export_positive() {
    let mut power = point(Quantity::ActivePower, Type::I16);
    power.positive = Some(Positive::Export);
    assert_eq!(words(&power, -1234.0), [1234]);
    power.unit = Unit::parse("kW");
    power.scale = 0.01;
    assert_eq!(words(&power, -1230.0), [123]);
}

#[test]
fn a_direction_flag_says_export_and_leaves_its_neighbours_alone() {
    let mut power = point(Quantity::ActivePower, Type::U16);
    power.direction = Some(DirectionFlag { register: registers(5, 1), bit: 3, export_when: true });
    let mut other = power.clone();
    other.source = Source::Registers {
        at: registers(1, 1),
        kind: Type::U16,
        word_order: Order::HighFirst,
        byte_order: Order::HighFirst,
        bits: None,
    };
    other.direction = Some(DirectionFlag { register: registers(5, 1), bit: 0, export_when: false });
    let mut image = Image::default();
    image.put(&power, Some(-500.0), PLAIN);
    image.put(&other, Some(700.0), PLAIN);
    assert_eq!(image.word(Table::Input, 0), Some(500));
    assert_eq!(image.word(Table::Input, 1), Some(700));
    assert_eq!(image.word(Table::Input, 5), Some(0b1001));
    image.put(&power, Some(500.0), PLAIN);
    assert_eq!(image.word(Table::Input, 5), Some(0b0001));
}

#[test]
fn counters_wrap_and_other_numbers_stop_at_the_end_of_their_range() {
    assert_eq!(words(&point(Quantity::EnergyImport, Type::U16), 65_540.0), [4]);
    let mut counter = point(Quantity::EnergyImport, Type::U32);
    counter.rollover = Some(1_000_000.0);
    assert_eq!(words(&counter, 1_000_007.0), [0, 7]);
    assert_eq!(words(&point(Quantity::ActivePower, Type::I16), 40_000.0), [0x7FFF]);
    assert_eq!(words(&point(Quantity::ActivePower, Type::I16), -40_000.0), [0x8000]);
    assert_eq!(words(&point(Quantity::ActivePower, Type::U16), -3.0), [0]);
}

#[test]
fn a_field_shares_its_register() {
    let field = |low, high| {
        let mut point = point(Quantity::Voltage, Type::U16);
        if let Source::Registers { bits, .. } = &mut point.source {
            *bits = Some((low, high));
        }
        point
    };
    let mut image = Image::default();
    image.put(&field(0, 3), Some(5.0), PLAIN);
    image.put(&field(4, 11), Some(171.0), PLAIN);
    assert_eq!(image.word(Table::Input, 0), Some(0x0AB5));
    image.put(&field(0, 3), Some(200.0), PLAIN);
    assert_eq!(image.word(Table::Input, 0), Some(0x0ABF));
}

/// 'Not implemented' values of facts 3.3.
#[test]
fn what_is_not_there_shows_as_the_profile_says() {
    assert_eq!(words_with(&point(Quantity::Voltage, Type::F32), None, PLAIN), [0x7FC0, 0]);
    let mut power = point(Quantity::ActivePower, Type::I16);
    power.missing = vec![0x8000];
    assert_eq!(words_with(&power, None, PLAIN), [0x8000]);
}
