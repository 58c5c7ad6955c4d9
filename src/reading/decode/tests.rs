//! Sources: IEEE 754 bytes and scaling examples of the open register model (facts 3.3, computed); Modbus' byte order
//! within a register (application protocol V1.1b3, 4.2).

use super::*;
use crate::base::{Phase, Unit};
use crate::profile::{DirectionFlag, Table};

fn point(quantity: Quantity, kind: Type) -> Point {
    let source = Source::Registers {
        at: Registers { table: Table::Input, address: 10, count: kind.registers() },
        kind,
        word_order: Order::HighFirst,
        byte_order: Order::HighFirst,
        bits: None,
    };
    Point::plain(PointKey::Of(quantity, Phase::L1), source)
}

const fn run(address: u16) -> Registers {
    Registers { table: Table::Input, address, count: 1 }
}

fn value(point: &Point, words: &[u16]) -> Result<f64, Absent> {
    with_others(point, words, &[])
}

/// The point's own registers, and single ones elsewhere as (address, word).
fn with_others(point: &Point, words: &[u16], others: &[(u16, u16)]) -> Result<f64, Absent> {
    decode(point, Ratios { ct: 40.0, vt: 1.0 }, &|run: Registers| {
        if run.address == 10 {
            return (words.len() >= usize::from(run.count)).then(|| words.to_vec());
        }
        others.iter().find(|(address, _)| *address == run.address).map(|(_, word)| vec![*word])
    })
}

fn orders(mut point: Point, word: Order, byte: Order) -> Point {
    if let Source::Registers { word_order, byte_order, .. } = &mut point.source {
        *word_order = word;
        *byte_order = byte;
    }
    point
}

#[test]
fn floats_in_all_four_orders() {
    let plain = point(Quantity::Voltage, Type::F32);
    assert_eq!(value(&plain, &[0x4366, 0x0000]), Ok(230.0));
    assert_eq!(value(&plain, &[0xC49A, 0x5000]), Ok(-1234.5));
    let low_words = orders(plain.clone(), Order::LowFirst, Order::HighFirst);
    assert_eq!(value(&low_words, &[0x0000, 0x4366]), Ok(230.0));
    let low_bytes = orders(plain.clone(), Order::HighFirst, Order::LowFirst);
    assert_eq!(value(&low_bytes, &[0x6643, 0x0000]), Ok(230.0));
    let both = orders(plain.clone(), Order::LowFirst, Order::LowFirst);
    assert_eq!(value(&both, &[0x0050, 0x9AC4]), Ok(-1234.5));
    assert_eq!(value(&plain, &[0x7FC0, 0x0000]), Err(Absent::Missing));
    assert_eq!(value(&plain, &[0x7F80, 0x0000]), Err(Absent::Missing));
    let wide = point(Quantity::Voltage, Type::F64);
    assert_eq!(value(&wide, &[0x406C, 0xC000, 0, 0]), Ok(230.0));
    assert_eq!(value(&orders(wide, Order::LowFirst, Order::HighFirst), &[0, 0, 0xC000, 0x406C]), Ok(230.0));
}

#[test]
fn integers_sign_magnitude_and_bcd() {
    let of = |kind| point(Quantity::Voltage, kind);
    assert_eq!(value(&of(Type::I16), &[0xFB2E]), Ok(-1234.0));
    assert_eq!(value(&of(Type::U16), &[0xFB2E]), Ok(64302.0));
    assert_eq!(value(&of(Type::I32), &[0xFFFF, 0xFB2E]), Ok(-1234.0));
    assert_eq!(value(&of(Type::U32), &[0x0001, 0x0000]), Ok(65536.0));
    assert_eq!(value(&of(Type::I64), &[0xFFFF, 0xFFFF, 0xFFFF, 0xFFFE]), Ok(-2.0));
    assert_eq!(value(&of(Type::U64), &[0, 1, 0, 0]), Ok(4_294_967_296.0));
    assert_eq!(value(&of(Type::Sm16), &[0x84D2]), Ok(-1234.0));
    assert_eq!(value(&of(Type::Sm32), &[0x8000, 0x04D2]), Ok(-1234.0));
    assert_eq!(value(&of(Type::Bcd16), &[0x2305]), Ok(2305.0));
    assert_eq!(value(&of(Type::Bcd32), &[0x0012, 0x3456]), Ok(123_456.0));
    assert_eq!(value(&of(Type::Bcd16), &[0x230A]), Err(Absent::Undecodable));
}

#[test]
fn exponent_registers_scale_and_refuse_nonsense() {
    let mut point = point(Quantity::Voltage, Type::I16);
    point.exponent_at = Some(run(20));
    assert_eq!(with_others(&point, &[2305], &[(20, 0xFFFF)]), Ok(230.5));
    assert_eq!(with_others(&point, &[4999], &[(20, 0xFFFE)]), Ok(49.99));
    assert_eq!(with_others(&point, &[100], &[(20, 2)]), Ok(10_000.0));
    assert_eq!(with_others(&point, &[100], &[(20, 0x8000)]), Err(Absent::Undecodable));
    assert_eq!(with_others(&point, &[100], &[]), Err(Absent::Incomplete));
}

#[test]
fn missing_is_the_raw_number_and_valid_is_in_the_points_unit() {
    let mut point = point(Quantity::ActivePower, Type::I16);
    point.missing = vec![0x8000];
    point.unit = Unit::parse("kW");
    point.scale = 0.01;
    point.valid = Some((-50.0, 50.0));
    assert_eq!(value(&point, &[0x8000]), Err(Absent::Missing));
    assert_eq!(value(&point, &[123]), Ok(1230.0));
    assert_eq!(value(&point, &[5001]), Err(Absent::Invalid));
    point.positive = Some(Positive::Export);
    assert_eq!(value(&point, &[123]), Ok(-1230.0));
}

#[test]
fn a_direction_flag_signs_an_unsigned_power() {
    let mut point = point(Quantity::ActivePower, Type::U16);
    point.direction = Some(DirectionFlag { register: run(30), bit: 2, export_when: true });
    assert_eq!(with_others(&point, &[700], &[(30, 0b100)]), Ok(-700.0));
    assert_eq!(with_others(&point, &[700], &[(30, 0b011)]), Ok(700.0));
    assert_eq!(with_others(&point, &[700], &[]), Err(Absent::Incomplete));
}

#[test]
fn fields_inside_a_register_and_site_ratios() {
    let mut point = point(Quantity::Current, Type::U16);
    if let Source::Registers { bits, .. } = &mut point.source {
        *bits = Some((4, 11));
    }
    assert_eq!(value(&point, &[0xABCD]), Ok(f64::from(0xBC)));
    point.multiply = vec![SiteRatio::Ct];
    assert_eq!(value(&point, &[0xABCD]), Ok(f64::from(0xBC) * 40.0));
    let mut signed = point.clone();
    signed.multiply.clear();
    if let Source::Registers { kind, .. } = &mut signed.source {
        *kind = Type::I16;
    }
    assert_eq!(value(&signed, &[0xABCD]), Ok(f64::from(0xBC) - 256.0));
}

#[test]
fn offset_is_added_after_scale_and_factor() {
    let mut point = point(Quantity::Frequency, Type::U16);
    point.scale = 0.1;
    point.offset = 40.0;
    point.multiply_at = Some(run(21));
    assert_eq!(with_others(&point, &[50], &[(21, 2)]), Ok(50.0));
}
