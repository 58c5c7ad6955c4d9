//! The keys a point may have, and the words some of them take.

use crate::profile::{Order, Type};

/// What every point may have.
pub(super) const KEYS: &[&str] = &[
    "address",
    "register",
    "table",
    "type",
    "word_order",
    "byte_order",
    "bits",
    "scale",
    "offset",
    "unit",
    "positive",
    "signed",
    "direction",
    "exponent_at",
    "multiply_at",
    "multiply",
    "missing",
    "valid",
    "rollover",
    "update_ms",
    "averaging_ms",
    "floor_W",
    "sum",
    "sign",
];

/// What `each` may have on top.
pub(super) const EACH_KEYS: &[&str] = &[
    "address",
    "register",
    "stride",
    "table",
    "type",
    "word_order",
    "byte_order",
    "bits",
    "scale",
    "offset",
    "unit",
    "positive",
    "signed",
    "direction",
    "exponent_at",
    "multiply_at",
    "multiply",
    "missing",
    "valid",
    "rollover",
    "update_ms",
    "averaging_ms",
    "floor_W",
    "sign",
];

/// What a sum may not have, since its parts have it.
pub(super) const NOT_IN_SUM: &[&str] = &[
    "address",
    "register",
    "table",
    "type",
    "word_order",
    "byte_order",
    "bits",
    "scale",
    "offset",
    "positive",
    "direction",
    "exponent_at",
    "multiply_at",
    "multiply",
    "missing",
    "rollover",
];

/// The words for types.
pub(super) const TYPES: &[(&str, Type)] = &[
    ("u16", Type::U16),
    ("i16", Type::I16),
    ("u32", Type::U32),
    ("i32", Type::I32),
    ("u64", Type::U64),
    ("i64", Type::I64),
    ("f32", Type::F32),
    ("f64", Type::F64),
    ("sm16", Type::Sm16),
    ("sm32", Type::Sm32),
    ("bcd16", Type::Bcd16),
    ("bcd32", Type::Bcd32),
];

/// The words for orders.
pub(super) const ORDERS: &[(&str, Order)] =
    &[("high-first", Order::HighFirst), ("low-first", Order::LowFirst)];
