//! Phases, quantities and the names of points. Signs are the import quadrant convention of IEC 62053-23: active power
//! is positive from the grid into the site, reactive power positive when the site draws inductive reactive power.

use std::fmt;

use super::unit::Dimension;

/// Where a quantity is taken: a phase, the neutral, the sum, or between two lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[expect(missing_docs, reason = "the names are the trade's own")]
pub enum Phase {
    L1,
    L2,
    L3,
    N,
    Total,
    L1L2,
    L2L3,
    L3L1,
}

impl Phase {
    /// All of them, in the order tables show them.
    pub const ALL: [Self; 8] =
        [Self::L1, Self::L2, Self::L3, Self::N, Self::Total, Self::L1L2, Self::L2L3, Self::L3L1];
    /// The three line conductors.
    pub const LINES: [Self; 3] = [Self::L1, Self::L2, Self::L3];

    /// The word used in files and documents.
    pub const fn word(self) -> &'static str {
        match self {
            Self::L1 => "L1",
            Self::L2 => "L2",
            Self::L3 => "L3",
            Self::N => "N",
            Self::Total => "total",
            Self::L1L2 => "L1-L2",
            Self::L2L3 => "L2-L3",
            Self::L3L1 => "L3-L1",
        }
    }

    /// Reads the word of files and documents.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|phase| phase.word() == word)
    }

    /// 0 for L1, 1 for L2, 2 for L3; nothing for the others.
    pub const fn line_index(self) -> Option<usize> {
        match self {
            Self::L1 => Some(0),
            Self::L2 => Some(1),
            Self::L3 => Some(2),
            _ => None,
        }
    }
}

impl fmt::Display for Phase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// How the site is fed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Network {
    /// With a neutral.
    #[default]
    Wye,
    /// Without a neutral.
    Delta,
}

/// What a point measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[expect(missing_docs, reason = "the names are the trade's own")]
pub enum Quantity {
    Voltage,
    Current,
    ActivePower,
    /// Power in the import direction only, never negative.
    ActivePowerImport,
    /// Power in the export direction only, never negative.
    ActivePowerExport,
    ReactivePower,
    ApparentPower,
    PowerFactor,
    PhaseAngle,
    Frequency,
    EnergyImport,
    EnergyExport,
    ReactiveEnergyImport,
    ReactiveEnergyExport,
}

impl Quantity {
    /// All of them, in the order tables show them.
    pub const ALL: [Self; 14] = [
        Self::Voltage,
        Self::Current,
        Self::ActivePower,
        Self::ActivePowerImport,
        Self::ActivePowerExport,
        Self::ReactivePower,
        Self::ApparentPower,
        Self::PowerFactor,
        Self::PhaseAngle,
        Self::Frequency,
        Self::EnergyImport,
        Self::EnergyExport,
        Self::ReactiveEnergyImport,
        Self::ReactiveEnergyExport,
    ];

    /// The word used in profiles and documents.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Voltage => "voltage",
            Self::Current => "current",
            Self::ActivePower => "active_power",
            Self::ActivePowerImport => "active_power_import",
            Self::ActivePowerExport => "active_power_export",
            Self::ReactivePower => "reactive_power",
            Self::ApparentPower => "apparent_power",
            Self::PowerFactor => "power_factor",
            Self::PhaseAngle => "phase_angle",
            Self::Frequency => "frequency",
            Self::EnergyImport => "energy_import",
            Self::EnergyExport => "energy_export",
            Self::ReactiveEnergyImport => "reactive_energy_import",
            Self::ReactiveEnergyExport => "reactive_energy_export",
        }
    }

    /// Reads the word of profiles and documents.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|quantity| quantity.word() == word)
    }

    /// What its unit must measure.
    pub const fn dimension(self) -> Dimension {
        match self {
            Self::Voltage => Dimension::Voltage,
            Self::Current => Dimension::Current,
            Self::ActivePower | Self::ActivePowerImport | Self::ActivePowerExport => Dimension::ActivePower,
            Self::ReactivePower => Dimension::ReactivePower,
            Self::ApparentPower => Dimension::ApparentPower,
            Self::PowerFactor => Dimension::Ratio,
            Self::PhaseAngle => Dimension::Angle,
            Self::Frequency => Dimension::Frequency,
            Self::EnergyImport | Self::EnergyExport => Dimension::ActiveEnergy,
            Self::ReactiveEnergyImport | Self::ReactiveEnergyExport => Dimension::ReactiveEnergy,
        }
    }

    /// Whether the meter accumulates it.
    pub const fn is_counter(self) -> bool {
        matches!(
            self,
            Self::EnergyImport | Self::EnergyExport | Self::ReactiveEnergyImport | Self::ReactiveEnergyExport
        )
    }

    /// Whether it needs a sign convention (`positive`) in the profile. Power in one direction only has none.
    pub const fn needs_sign(self) -> bool {
        matches!(self, Self::ActivePower)
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// The name of a point within one profile.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PointKey {
    /// A quantity on a phase: `active_power.L1`.
    Of(Quantity, Phase),
    /// A point under `[points.other]`, logged as it is: `other.state_of_charge`.
    Other(String),
    /// A setting of the meter: `settings.ct_ratio`.
    Setting(String),
}

impl PointKey {
    /// Reads `active_power.L1`, `other.name` or `settings.name`.
    pub fn parse(text: &str) -> Option<Self> {
        let (head, tail) = text.split_once('.')?;
        match head {
            "other" => Some(Self::Other(tail.to_owned())),
            "settings" => Some(Self::Setting(tail.to_owned())),
            _ => Some(Self::Of(Quantity::parse(head)?, Phase::parse(tail)?)),
        }
    }
}

impl fmt::Display for PointKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Of(quantity, phase) => f.pad(&format!("{}.{}", quantity.word(), phase.word())),
            Self::Other(name) => f.pad(&format!("other.{name}")),
            Self::Setting(name) => f.pad(&format!("settings.{name}")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn point_names_read_back_as_written() {
        for quantity in Quantity::ALL {
            for phase in Phase::ALL {
                let key = PointKey::Of(quantity, phase);
                assert_eq!(PointKey::parse(&key.to_string()), Some(key));
            }
        }
        assert_eq!(PointKey::parse("other.state_of_charge"), Some(PointKey::Other("state_of_charge".into())));
        assert_eq!(PointKey::parse("active_power"), None);
        assert_eq!(PointKey::parse("active_power.L4"), None);
    }
}
