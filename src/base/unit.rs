//! Units a profile may use, and the ones every number inside the program is in (V, A, W, var, VA, Wh, varh, Hz, degrees, 1).

use std::fmt;

/// What a unit measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[expect(missing_docs, reason = "the names are the trade's own")]
pub enum Dimension {
    Voltage,
    Current,
    ActivePower,
    ReactivePower,
    ApparentPower,
    ActiveEnergy,
    ReactiveEnergy,
    Frequency,
    Angle,
    /// A plain ratio such as a power factor.
    Ratio,
}

impl Dimension {
    /// The unit used inside the program and in every document.
    pub const fn base(self) -> &'static str {
        match self {
            Self::Voltage => "V",
            Self::Current => "A",
            Self::ActivePower => "W",
            Self::ReactivePower => "var",
            Self::ApparentPower => "VA",
            Self::ActiveEnergy => "Wh",
            Self::ReactiveEnergy => "varh",
            Self::Frequency => "Hz",
            Self::Angle => "deg",
            Self::Ratio => "1",
        }
    }
}

/// A unit as a profile writes it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// As written in files.
    pub word: &'static str,
    /// What it measures.
    pub dimension: Dimension,
    /// What one of it is in the base unit.
    pub factor: f64,
}

const fn unit(word: &'static str, dimension: Dimension, factor: f64) -> Unit {
    Unit { word, dimension, factor }
}

impl Unit {
    /// Every unit a profile may name.
    pub const ALL: &'static [Self] = &[
        unit("V", Dimension::Voltage, 1.0),
        unit("mV", Dimension::Voltage, 1e-3),
        unit("kV", Dimension::Voltage, 1e3),
        unit("A", Dimension::Current, 1.0),
        unit("mA", Dimension::Current, 1e-3),
        unit("kA", Dimension::Current, 1e3),
        unit("W", Dimension::ActivePower, 1.0),
        unit("mW", Dimension::ActivePower, 1e-3),
        unit("kW", Dimension::ActivePower, 1e3),
        unit("MW", Dimension::ActivePower, 1e6),
        unit("var", Dimension::ReactivePower, 1.0),
        unit("kvar", Dimension::ReactivePower, 1e3),
        unit("Mvar", Dimension::ReactivePower, 1e6),
        unit("VA", Dimension::ApparentPower, 1.0),
        unit("kVA", Dimension::ApparentPower, 1e3),
        unit("MVA", Dimension::ApparentPower, 1e6),
        unit("Wh", Dimension::ActiveEnergy, 1.0),
        unit("kWh", Dimension::ActiveEnergy, 1e3),
        unit("MWh", Dimension::ActiveEnergy, 1e6),
        unit("varh", Dimension::ReactiveEnergy, 1.0),
        unit("kvarh", Dimension::ReactiveEnergy, 1e3),
        unit("Mvarh", Dimension::ReactiveEnergy, 1e6),
        unit("Hz", Dimension::Frequency, 1.0),
        unit("mHz", Dimension::Frequency, 1e-3),
        unit("deg", Dimension::Angle, 1.0),
        unit("rad", Dimension::Angle, 180.0 / std::f64::consts::PI),
        unit("1", Dimension::Ratio, 1.0),
        unit("%", Dimension::Ratio, 0.01),
    ];

    /// The unit of this name, exactly as written.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|unit| unit.word == word)
    }

    /// The base unit of a dimension.
    pub const fn base(dimension: Dimension) -> Self {
        Self { word: dimension.base(), dimension, factor: 1.0 }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word)
    }
}
