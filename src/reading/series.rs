//! Readings in order: one series for each point of a meter.

use std::collections::BTreeMap;

use crate::base::{Phase, PointKey, Quantity, Stamp};

/// Why a point has no value at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Absent {
    /// No answer came.
    NoAnswer,
    /// The meter answered with an exception of this code.
    Exception(u8),
    /// The registers hold the profile's 'not available' value, or a float that is no number.
    Missing,
    /// The value lies outside the profile's `valid`.
    Invalid,
    /// A register it needs (exponent, factor, flag, the other direction) was not there.
    Incomplete,
    /// BCD digits above 9, or an exponent out of range.
    Undecodable,
    /// The answer may belong to an earlier question.
    Suspect,
}

/// One value with the arrival of the answer that gave it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Arrival of the answer's first byte.
    pub at: Stamp,
    /// In the base unit and this program's signs (import positive).
    pub value: f64,
}

/// All values of one point in time order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Series {
    /// In time order, no two at the same instant.
    pub samples: Vec<Sample>,
    /// Times at which a value was due and absent, with the reason, in time order.
    pub absent: Vec<(Stamp, Absent)>,
}

/// Everything one meter said.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MeterSeries {
    /// By point.
    pub points: BTreeMap<PointKey, Series>,
}

impl MeterSeries {
    /// The series of a quantity on a phase; empty ones count as none.
    pub fn of(&self, quantity: Quantity, phase: Phase) -> Option<&Series> {
        self.points.get(&PointKey::Of(quantity, phase)).filter(|series| !series.samples.is_empty())
    }
}
