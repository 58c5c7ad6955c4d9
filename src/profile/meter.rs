//! A whole profile: the register map a user writes for one kind of meter.

use super::point::Point;
use crate::base::{PointKey, Span};

/// Parity of a serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
#[expect(missing_docs, reason = "the words are the trade's")]
pub enum Parity {
    #[default]
    None,
    Even,
    Odd,
}

impl Parity {
    /// The word in files.
    pub const fn word(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Even => "even",
            Self::Odd => "odd",
        }
    }
}

/// Settings of a serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct SerialSettings {
    /// Bits a second.
    pub baud: u32,
    /// Parity bit.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
}

impl Default for SerialSettings {
    /// 9600 8N1, the widespread field setting (facts 1.2).
    fn default() -> Self {
        Self { baud: 9600, parity: Parity::None, stop_bits: 1 }
    }
}

impl std::fmt::Display for SerialSettings {
    /// Speed, data bits, parity and stop bits as the trade writes them: `9600 8N1`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        write!(f, "{} 8{parity}{}", self.baud, self.stop_bits)
    }
}

impl SerialSettings {
    /// Bits of one character: start, eight data, parity if any, stop.
    pub const fn bits_per_character(self) -> u32 {
        9 + self.stop_bits as u32 + if matches!(self.parity, Parity::None) { 0 } else { 1 }
    }

    /// How long `count` characters take on the line.
    pub fn characters(self, count: usize) -> Span {
        let bits = i64::from(self.bits_per_character()) * count as i64;
        Span::from_nanos(bits * 1_000_000_000 / i64::from(self.baud.max(1)))
    }

    /// The silence that ends a frame: 3.5 characters, and 1.75 ms above 19200 (Modbus over Serial Line V1.02, 2.5.1.1).
    pub fn silence(self) -> Span {
        if self.baud > 19200 {
            Span::from_micros(1750)
        } else {
            Span::from_nanos(self.characters(7).nanos().div_euclid(2))
        }
    }
}

/// How a meter wants to be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReadRules {
    /// Registers in one request at most, 1 to 125.
    pub max_registers: u16,
    /// Whether a request may cover addresses that no point names.
    pub span_unlisted: bool,
    /// Rest between requests, on top of the 3.5 characters.
    pub pause: Span,
    /// How often the meter renews its values.
    pub update: Span,
    /// What it averages over before it reports; zero when not stated.
    pub averaging: Span,
}

impl Default for ReadRules {
    fn default() -> Self {
        Self {
            max_registers: 125,
            span_unlisted: true,
            pause: Span::ZERO,
            update: Span::from_millis(1000),
            averaging: Span::ZERO,
        }
    }
}

/// A profile.
#[derive(Clone, Debug, PartialEq)]
pub struct Profile {
    /// Its name.
    pub name: String,
    /// Where it came from.
    pub notes: String,
    /// How the meter is set when new.
    pub line: SerialSettings,
    /// Its unit address when new.
    pub unit: u8,
    /// How it wants to be read.
    pub read: ReadRules,
    /// Whether the file itself says `update_ms` (else the default is a guess, to be checked against the data).
    pub update_stated: bool,
    /// Its points, in the order of quantity and phase, then `other` in file order.
    pub points: Vec<Point>,
    /// Its settings, read at the start and end of a check.
    pub settings: Vec<Point>,
    /// The text it was read from, for the capture.
    pub text: String,
}

impl Profile {
    /// The point of this name.
    pub fn point(&self, key: &PointKey) -> Option<&Point> {
        self.points.iter().chain(&self.settings).find(|point| point.key == *key)
    }

    /// How often a point is renewed.
    pub fn update_of(&self, point: &Point) -> Span {
        point.update.unwrap_or(self.read.update)
    }

    /// What a point is averaged over.
    pub fn averaging_of(&self, point: &Point) -> Span {
        point.averaging.unwrap_or(self.read.averaging)
    }
}
