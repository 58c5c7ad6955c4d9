//! Points: one quantity on one phase, where its registers are and how they become a number.

use crate::base::{PointKey, Span, Unit};

/// A Modbus table of registers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Table {
    /// Input registers, function 4.
    Input,
    /// Holding registers, function 3.
    Holding,
}

impl Table {
    /// The function code that reads it.
    pub const fn function(self) -> u8 {
        match self {
            Self::Input => 4,
            Self::Holding => 3,
        }
    }

    /// The word in profiles.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Input => "input",
            Self::Holding => "holding",
        }
    }
}

/// How registers hold a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[expect(missing_docs, reason = "the names are the profile's own words")]
pub enum Type {
    U16,
    I16,
    U32,
    I32,
    U64,
    I64,
    F32,
    F64,
    /// Sign and magnitude: the top bit is the sign.
    Sm16,
    Sm32,
    /// Four decimal digits to a register.
    Bcd16,
    Bcd32,
}

impl Type {
    /// All of them.
    pub const ALL: [Self; 12] = [
        Self::U16,
        Self::I16,
        Self::U32,
        Self::I32,
        Self::U64,
        Self::I64,
        Self::F32,
        Self::F64,
        Self::Sm16,
        Self::Sm32,
        Self::Bcd16,
        Self::Bcd32,
    ];

    /// The word in profiles.
    pub const fn word(self) -> &'static str {
        match self {
            Self::U16 => "u16",
            Self::I16 => "i16",
            Self::U32 => "u32",
            Self::I32 => "i32",
            Self::U64 => "u64",
            Self::I64 => "i64",
            Self::F32 => "f32",
            Self::F64 => "f64",
            Self::Sm16 => "sm16",
            Self::Sm32 => "sm32",
            Self::Bcd16 => "bcd16",
            Self::Bcd32 => "bcd32",
        }
    }

    /// How many registers it takes.
    pub const fn registers(self) -> u16 {
        match self {
            Self::U16 | Self::I16 | Self::Sm16 | Self::Bcd16 => 1,
            Self::U32 | Self::I32 | Self::F32 | Self::Sm32 | Self::Bcd32 => 2,
            Self::U64 | Self::I64 | Self::F64 => 4,
        }
    }
}

/// Which comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
pub enum Order {
    /// The most significant part comes first (Modbus' own order for the bytes of a register).
    #[default]
    HighFirst,
    /// The least significant part comes first.
    LowFirst,
}

/// What a positive power means to the meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Positive {
    /// Energy from the grid into the site.
    Import,
    /// Energy from the site into the grid.
    Export,
}

/// A run of registers in one table; address as on the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Registers {
    /// Which table.
    pub table: Table,
    /// First register, 0 to 65535.
    pub address: u16,
    /// How many.
    pub count: u16,
}

/// A flag that says which way an unsigned power flows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct DirectionFlag {
    /// The register it is in.
    pub register: Registers,
    /// Which bit, 0 the least significant.
    pub bit: u8,
    /// The value of the bit that means export.
    pub export_when: bool,
}

/// How a power factor carries a sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
pub enum PowerFactorSign {
    /// It follows the active power.
    #[default]
    Iec,
    /// Minus is lagging, plus leading, whatever way the power flows.
    LagLead,
}

/// Site values a point may be multiplied by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SiteRatio {
    /// The meter's `ct_ratio` of the site file.
    Ct,
    /// The meter's `vt_ratio` of the site file.
    Vt,
}

/// Where a point's number comes from.
#[derive(Clone, Debug, PartialEq)]
pub enum Source {
    /// Registers of the meter.
    Registers {
        /// Where.
        at: Registers,
        /// How they hold a number.
        kind: Type,
        /// Order of the registers.
        word_order: Order,
        /// Order of the two bytes within a register.
        byte_order: Order,
        /// A field inside: lowest and highest bit, both included, counted from the least significant.
        bits: Option<(u8, u8)>,
    },
    /// The sum of other points of the profile.
    Sum(Vec<PointKey>),
}

/// One point of a profile.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Its name.
    pub key: PointKey,
    /// Where the number comes from.
    pub source: Source,
    /// Multiplied.
    pub scale: f64,
    /// Added after scale, in the point's unit.
    pub offset: f64,
    /// The unit the scaled number is in; `None` under `other` and `settings`, whose numbers stay as they are.
    pub unit: Option<Unit>,
    /// The unit's name as written; empty where a point under `other` or `settings` has none.
    pub unit_word: String,
    /// What positive means; only powers have it.
    pub positive: Option<Positive>,
    /// Somebody has seen this power go negative.
    pub signed: bool,
    /// A flag that says which way an unsigned power flows.
    pub direction: Option<DirectionFlag>,
    /// A register with an i16 power of ten.
    pub exponent_at: Option<Registers>,
    /// A register (u16) with a factor.
    pub multiply_at: Option<Registers>,
    /// Site values to multiply by.
    pub multiply: Vec<SiteRatio>,
    /// Raw values, as unsigned numbers in the registers, that mean 'not available'.
    pub missing: Vec<u64>,
    /// Lowest and highest sensible value, in the point's unit.
    pub valid: Option<(f64, f64)>,
    /// A counter starts again from 0 after this much, in the raw number of the registers.
    pub rollover: Option<f64>,
    /// How often the meter renews it, where it differs from the profile's.
    pub update: Option<Span>,
    /// What the meter averages over, where it differs from the profile's.
    pub averaging: Option<Span>,
    /// Below this the meter reports 0, in W.
    pub floor_w: Option<f64>,
    /// How a power factor carries its sign.
    pub power_factor_sign: PowerFactorSign,
}

impl Point {
    /// A point that says no more than what it is and where it is read: its quantity's base unit, everything else as left out.
    pub fn plain(key: PointKey, source: Source) -> Self {
        let dimension = match &key {
            PointKey::Of(quantity, _) => Some(quantity.dimension()),
            PointKey::Other(_) | PointKey::Setting(_) => None,
        };
        Self {
            key,
            source,
            scale: 1.0,
            offset: 0.0,
            unit: dimension.map(Unit::base),
            unit_word: dimension.map_or_else(String::new, |dimension| dimension.base().to_owned()),
            positive: None,
            signed: false,
            direction: None,
            exponent_at: None,
            multiply_at: None,
            multiply: Vec::new(),
            missing: Vec::new(),
            valid: None,
            rollover: None,
            update: None,
            averaging: None,
            floor_w: None,
            power_factor_sign: PowerFactorSign::Iec,
        }
    }

    /// The register runs this point needs, its own first; empty for a sum.
    pub fn needs(&self) -> Vec<Registers> {
        let Source::Registers { at, .. } = &self.source else { return Vec::new() };
        let mut needs = vec![*at];
        needs.extend(self.direction.map(|flag| flag.register));
        needs.extend(self.exponent_at);
        needs.extend(self.multiply_at);
        needs
    }
}
