//! A scenario: how a site really is, where that differs from what its site file says. Everything left out is as the site
//! file has it: CTs right, loads at their stated power, plants without control.

use std::collections::BTreeMap;

use super::command::Command;
use super::line::LineRules;
use crate::base::{Span, Stamp};
use crate::profile::{Placement, Profile, Site};

mod line;
mod meter;
mod parse;
mod plant;
mod usual;

pub use parse::{is_scenario, parse_scenario, site_of};
pub use usual::rated_volts;

/// A site as it really is.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// What it shows, in a line.
    pub name: String,
    /// Chance starts here.
    pub seed: u64,
    /// When the world begins, in simulated time.
    pub start: Stamp,
    /// Length of a step of the world; a mains half-cycle by default.
    pub step: Span,
    /// The site as its file describes it.
    pub site: Site,
    /// The profile of each meter of the site, in the same order.
    pub profiles: Vec<Profile>,
    /// The network outside.
    pub supply: Supply,
    /// What always runs.
    pub base: Vec<Base>,
    /// What switches by itself.
    pub appliances: Vec<Appliance>,
    /// The site's known loads, in its order.
    pub loads: Vec<RealLoad>,
    /// The site's plants, in its order.
    pub plants: Vec<RealPlant>,
    /// The site's meters, in its order.
    pub meters: Vec<RealMeter>,
    /// How its serial lines behave.
    pub line: LineRules,
    /// What happens by itself, in order of time.
    pub events: Vec<Event>,
}

/// The network outside, as seen from the meter.
#[derive(Clone, Debug, PartialEq)]
pub struct Supply {
    /// Voltage without load on each line, as a share of the nominal one.
    pub level: [f64; 3],
    /// Standard deviation of its drift, in V.
    pub drift_v: f64,
    /// Correlation time of the drift, in s.
    pub drift_s: f64,
    /// Resistance and reactance of a line, in ohm.
    pub line_ohm: [f64; 2],
    /// Resistance and reactance of the neutral, in ohm.
    pub neutral_ohm: [f64; 2],
    /// Mean frequency, in Hz.
    pub frequency_hz: f64,
    /// Whether L2 leads L1, in place of following it.
    pub reversed_sequence: bool,
}

impl Default for Supply {
    /// The reference impedance of IEC TR 60725 (0.24 + j0.15 ohm a line, 0.16 + j0.10 ohm the neutral), 50 Hz.
    fn default() -> Self {
        Self {
            level: [1.0; 3],
            drift_v: 0.5,
            drift_s: 60.0,
            line_ohm: [0.24, 0.15],
            neutral_ohm: [0.16, 0.10],
            frequency_hz: 50.0,
            reversed_sequence: false,
        }
    }
}

/// A part of the household that always runs.
#[derive(Clone, Debug, PartialEq)]
pub struct Base {
    /// Where.
    pub placement: Placement,
    /// Mean power, in W.
    pub power_w: f64,
    /// cos φ, lagging.
    pub power_factor: f64,
    /// Standard deviation, in W.
    pub noise_w: f64,
    /// Correlation time of it, in s.
    pub noise_s: f64,
}

/// Something that switches by itself, such as a fridge.
#[derive(Clone, Debug, PartialEq)]
pub struct Appliance {
    /// Its name.
    pub name: String,
    /// Where.
    pub placement: Placement,
    /// Power while it runs, in W.
    pub power_w: f64,
    /// cos φ, lagging.
    pub power_factor: f64,
    /// Power at the start as a multiple.
    pub surge: f64,
    /// How long the start lasts, in s.
    pub surge_s: f64,
    /// How long it runs, on average, in s (each time 0.7 to 1.3 of it).
    pub on_s: f64,
    /// How long it rests, on average, in s.
    pub off_s: f64,
}

/// A known load as it really is.
#[derive(Clone, Debug, PartialEq)]
pub struct RealLoad {
    /// The site file's word.
    pub name: String,
    /// Active power, in W, at `rated_v` where it is resistive.
    pub active_w: f64,
    /// Reactive power, in var, positive lagging.
    pub reactive_var: f64,
    /// Voltage its power is stated at, in V (between the lines for a load between two).
    pub rated_v: f64,
    /// Whether power follows the square of the voltage.
    pub resistive: bool,
    /// Where it is connected.
    pub placement: Placement,
    /// Whether it runs at the start.
    pub on: bool,
}

/// A plant as it really is.
#[derive(Clone, Debug, PartialEq)]
pub struct RealPlant {
    /// The site file's word.
    pub name: String,
    /// Most it delivers, in W.
    pub rated_w: f64,
    /// Which lines it feeds, equally.
    pub lines: Vec<usize>,
    /// What the sun gives, as a share of `rated_w`.
    pub sun: f64,
    /// Clouds, where there are any.
    pub clouds: Option<Clouds>,
    /// A battery behind the same inverter.
    pub battery: Option<Battery>,
    /// The export control, where it works.
    pub control: Option<Control>,
    /// Whether it runs at the start.
    pub on: bool,
}

/// Clouds that pass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clouds {
    /// Share of the sun a cloud takes.
    pub depth: f64,
    /// Mean time between clouds, in s.
    pub every_s: f64,
    /// Mean length of one, in s.
    pub lasting_s: f64,
    /// Time of its edge, in s.
    pub edge_s: f64,
}

/// A battery.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Battery {
    /// In Wh.
    pub capacity_wh: f64,
    /// Most it takes, in W.
    pub charge_w: f64,
    /// Most it gives, in W.
    pub discharge_w: f64,
    /// How full it is at the start, 0 to 1.
    pub soc: f64,
}

/// How a plant's control works.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Control {
    /// Index of the meter it steers by.
    pub meter: usize,
    /// Export it allows, in W.
    pub limit_w: f64,
    /// Keeps this much below the limit, in W (above it where negative).
    pub bias_w: f64,
    /// Share of a deviation it corrects at once; above 2 it hunts.
    pub gain: f64,
    /// From reading the meter to acting, in s.
    pub dead_s: f64,
    /// From one reading to the next, in s; at least the dead time is waited.
    pub period_s: f64,
    /// How fast the output comes down, in W/s.
    pub ramp_w_per_s: f64,
    /// How fast it goes up, in W/s: many plants cut fast and come back slowly.
    pub ramp_up_w_per_s: f64,
    /// Without a reading for this long it stops delivering; `None`: it goes on as it was.
    pub stop_after_s: Option<f64>,
}

/// A conductor a CT may sit on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Conductor {
    /// A line, by index.
    Line(usize),
    /// The neutral.
    Neutral,
    /// None, or several that cancel.
    None,
}

/// One channel of a meter as it is wired.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Channel {
    /// Which line's voltage it has, by index.
    pub voltage: usize,
    /// What its CT sits on.
    pub conductor: Conductor,
    /// Whether the CT is turned round.
    pub reversed: bool,
    /// Factor on the current: wrong ratio, class error.
    pub gain: f64,
    /// Phase displacement of the CT, in degrees.
    pub angle_deg: f64,
}

impl Channel {
    /// Wired as it should be.
    pub const fn right(line: usize) -> Self {
        Self { voltage: line, conductor: Conductor::Line(line), reversed: false, gain: 1.0, angle_deg: 0.0 }
    }
}

/// Where a meter's CTs are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spot {
    /// At the grid connection.
    Grid,
    /// On the feed of a plant, by index.
    Plant(usize),
    /// On the feed of a known load, by index.
    Load(usize),
}

/// A meter as it really is.
#[derive(Clone, Debug, PartialEq)]
pub struct RealMeter {
    /// The site file's word.
    pub name: String,
    /// Where its CTs are.
    pub spot: Spot,
    /// Names of loads, appliances and plants connected upstream of its CTs, which it misses.
    pub misses: Vec<String>,
    /// One for each line.
    pub channels: [Channel; 3],
    /// How often it renews its values, where that is not what the profile says.
    pub update: Option<Span>,
    /// What it averages over, where that is not what the profile says.
    pub averaging: Option<Span>,
    /// Standard deviation of its own noise on each power, in W (or var).
    pub noise_w: f64,
    /// Power of ten it puts where the profile has an exponent.
    pub exponent: i8,
    /// Factor it puts where the profile has one to multiply by.
    pub factor: u16,
    /// What it shows under `settings` and `other`, by name.
    pub shows: BTreeMap<String, f64>,
    /// What its energy counters stand at when the world begins, in Wh: import, export.
    pub counted_wh: [f64; 2],
    /// From the end of a question to the start of the answer.
    pub turnaround: Span,
    /// Whether it answers at the start.
    pub on: bool,
}

/// Something that happens by itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// After the start of the world.
    pub at: Span,
    /// What.
    pub command: Command,
}

impl Scenario {
    /// Index of the meter of this name.
    pub fn meter_of(&self, name: &str) -> Option<usize> {
        self.meters.iter().position(|meter| meter.name == name)
    }

    /// Index of the load of this name.
    pub fn load_of(&self, name: &str) -> Option<usize> {
        self.loads.iter().position(|load| load.name == name)
    }

    /// Index of the plant of this name.
    pub fn plant_of(&self, name: &str) -> Option<usize> {
        self.plants.iter().position(|plant| plant.name == name)
    }
}
