//! A site: the place being checked, as the site file describes it.

use super::meter::{Parity, SerialSettings};
use crate::base::{Network, Phase};

/// What a meter is there for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
pub enum MeterRole {
    /// Independent of the plant.
    Reference,
    /// The plant's control follows it.
    #[default]
    Steering,
    /// Measures what a plant delivers.
    Generation,
    /// Measures a load.
    Load,
}

impl MeterRole {
    /// The word in files.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Reference => "reference",
            Self::Steering => "steering",
            Self::Generation => "generation",
            Self::Load => "load",
        }
    }
}

/// How a meter is reached.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Door {
    /// A serial port, by path or name.
    Serial(String),
    /// Modbus TCP, `host:port`.
    Tcp(String),
    /// RTU frames through a gateway, `host:port`.
    SerialOverTcp(String),
}

impl Door {
    /// The line's name in captures: the path, or `host:port`.
    pub fn name(&self) -> &str {
        match self {
            Self::Serial(name) | Self::Tcp(name) | Self::SerialOverTcp(name) => name,
        }
    }
}

/// Who switches the direction of an RS485 driver.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
pub enum DriverDirection {
    /// The adapter by itself.
    #[default]
    Adapter,
    /// The kernel's driver.
    Kernel,
}

/// A meter's line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MeterLine {
    /// How it is reached.
    pub door: Door,
    /// Overrides the profile.
    pub baud: Option<u32>,
    /// Overrides the profile.
    pub parity: Option<Parity>,
    /// Overrides the profile.
    pub stop_bits: Option<u8>,
    /// Who switches an RS485 driver.
    pub direction: DriverDirection,
}

impl MeterLine {
    /// The serial settings in force, with those of the profile where the site file says nothing.
    pub fn settings(&self, profile: SerialSettings) -> SerialSettings {
        SerialSettings {
            baud: self.baud.unwrap_or(profile.baud),
            parity: self.parity.unwrap_or(profile.parity),
            stop_bits: self.stop_bits.unwrap_or(profile.stop_bits),
        }
    }
}

/// Accuracy class of a meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[expect(missing_docs, reason = "the names are the standards' own")]
pub enum MeterClass {
    /// IEC 62053-22 class 0.2 (also 0.2S).
    C02,
    C05,
    C1,
    C2,
    /// EN 50470 class A.
    A,
    B,
    C,
}

impl MeterClass {
    /// The word in site files.
    pub const fn word(self) -> &'static str {
        match self {
            Self::C02 => "0.2",
            Self::C05 => "0.5",
            Self::C1 => "1",
            Self::C2 => "2",
            Self::A => "A",
            Self::B => "B",
            Self::C => "C",
        }
    }
}

/// Accuracy class of external CTs (IEC 61869-2).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[expect(missing_docs, reason = "the names are the standard's own")]
pub enum CtClass {
    C02,
    C02S,
    C05,
    C05S,
    C1,
    C3,
    C5,
}

impl CtClass {
    /// The word in site files.
    pub const fn word(self) -> &'static str {
        match self {
            Self::C02 => "0.2",
            Self::C02S => "0.2S",
            Self::C05 => "0.5",
            Self::C05S => "0.5S",
            Self::C1 => "1",
            Self::C3 => "3",
            Self::C5 => "5",
        }
    }
}

/// How energy counters treat phases.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
pub enum Netting {
    /// Phases are netted before counting.
    Sum,
    /// Each phase by itself.
    Phase,
    /// Nobody knows.
    #[default]
    Unknown,
}

/// One `[[meter]]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Meter {
    /// The user's word.
    pub name: String,
    /// What it is there for.
    pub role: MeterRole,
    /// Path of its profile, relative to the site file, as written.
    pub profile: String,
    /// Its line.
    pub line: MeterLine,
    /// Overrides the profile's unit address.
    pub unit: Option<u8>,
    /// Multiplied in only where the profile says so.
    pub ct_ratio: Option<f64>,
    /// Multiplied in only where the profile says so.
    pub vt_ratio: Option<f64>,
    /// Rated primary current; above 120 % of it nothing is judged.
    pub ct_primary_a: Option<f64>,
    /// Accuracy class; where left out, class 2 is assumed and said.
    pub class: Option<MeterClass>,
    /// Class of external CTs.
    pub ct_class: Option<CtClass>,
    /// The smallest step the meter reports; found from the data when left out.
    pub resolution_w: Option<f64>,
    /// How its counters treat phases.
    pub netting: Netting,
    /// Serial number, for the report.
    pub serial: Option<String>,
    /// Date of its last calibration, for the report.
    pub calibrated: Option<String>,
}

/// One `[[plant]]`: what generates or stores.
#[derive(Clone, Debug, PartialEq)]
pub struct Plant {
    /// The user's word.
    pub name: String,
    /// Rated power.
    pub rated_w: f64,
    /// Phases it feeds; empty when not stated.
    pub phases: Vec<Phase>,
    /// Whether it is, or has, a battery.
    pub storage: bool,
}

/// Where a known load is connected.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Placement {
    /// From one line to neutral.
    Line(Phase),
    /// Between two lines (`L1-L2`).
    Between(Phase),
    /// Balanced on all three.
    Balanced,
}

impl Placement {
    /// Reads `L1`, `L1-L2`, `L1+L2+L3`.
    pub fn parse(word: &str) -> Option<Self> {
        match Phase::parse(word) {
            Some(phase @ (Phase::L1 | Phase::L2 | Phase::L3)) => Some(Self::Line(phase)),
            Some(phase @ (Phase::L1L2 | Phase::L2L3 | Phase::L3L1)) => Some(Self::Between(phase)),
            Some(_) => None,
            None => (word == "L1+L2+L3").then_some(Self::Balanced),
        }
    }

    /// The word of files and marks.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Line(phase) | Self::Between(phase) => phase.word(),
            Self::Balanced => "L1+L2+L3",
        }
    }
}

/// One `[[load]]`: a known load for the CT check.
#[derive(Clone, Debug, PartialEq)]
pub struct Load {
    /// The user's word.
    pub name: String,
    /// Active power, at `rated_v` for a resistive load.
    pub power_w: f64,
    /// Voltage the power is stated at; `None`: the site's nominal voltage.
    pub rated_v: Option<f64>,
    /// Whether its power follows the square of the voltage.
    pub resistive: bool,
    /// cos φ for a load that is not resistive; 1 when left out.
    pub power_factor: f64,
    /// Whether it leads (capacitive).
    pub leading: bool,
    /// The true power lies within this fraction of `power_w`.
    pub tolerance: f64,
    /// Where it is connected; `None` when nobody knows.
    pub phase: Option<Placement>,
}

/// What a rule limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RuleLimit {
    /// `export_W`.
    Watts(f64),
    /// `export_A`, per phase, from power and voltage.
    Amps(f64),
    /// `percent` of the plants' rated power together.
    Percent(f64),
}

/// What a rule is applied to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
pub enum Per {
    /// The sum of the phases.
    #[default]
    Total,
    /// Each phase by itself.
    Phase,
}

/// One `[[limit.rule]]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Rule {
    /// The limit.
    pub limit: RuleLimit,
    /// What it is applied to.
    pub per: Per,
    /// Sliding mean that the rule applies to, in s.
    pub averaging_s: f64,
    /// How long it may stand above, in s; 0: never.
    pub longest_s: f64,
    /// A band the rule itself allows, in W.
    pub tolerance_w: f64,
    /// Share of the window all excursions together may take.
    pub share: Option<f64>,
}

/// `[limit]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Limit {
    /// Length of the test window, in s.
    pub window_s: f64,
    /// How many challenges the window must hold.
    pub challenges: u32,
    /// Ten-minute mean at which a review speaks of voltage rise, in V.
    pub overvoltage_v: Option<f64>,
    /// Each rule must hold.
    pub rules: Vec<Rule>,
}

/// A site.
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    /// Its name.
    pub name: String,
    /// 1, 2 (split phase) or 3. Where the file does not say, 3 until `resolve` has seen the profiles.
    pub phases: u8,
    /// How it is fed.
    pub network: Network,
    /// Phase to neutral; delta: between phases. In V.
    pub nominal_v: f64,
    /// IANA name, for reports.
    pub time_zone: String,
    /// At least one.
    pub meters: Vec<Meter>,
    /// What generates or stores.
    pub plants: Vec<Plant>,
    /// Known loads.
    pub loads: Vec<Load>,
    /// The export limit, where one is to be checked.
    pub limit: Option<Limit>,
    /// What the file says by itself, and what is assumed.
    pub stated: Stated,
    /// The text it was read from, for the capture.
    pub text: String,
}

/// What the site file says by itself; the rest is assumed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Stated {
    /// `phases` stands in the file.
    pub phases: bool,
    /// `nominal_V` stands in the file.
    pub nominal: bool,
}

impl Default for Stated {
    /// Everything is stated: right for a site made in code.
    fn default() -> Self {
        Self { phases: true, nominal: true }
    }
}

impl Site {
    /// The line conductors of the site: L1; L1, L2; or L1, L2, L3.
    pub fn lines(&self) -> &'static [Phase] {
        &Phase::LINES[..usize::from(self.phases.clamp(1, 3))]
    }

    /// Rated power of all plants together, in W.
    pub fn rated_w(&self) -> f64 {
        self.plants.iter().map(|plant| plant.rated_w).sum()
    }

    /// Whether any plant can store.
    pub fn has_storage(&self) -> bool {
        self.plants.iter().any(|plant| plant.storage)
    }
}
