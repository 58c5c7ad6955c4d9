//! What can be done to a world, and how it is typed: `kettle on`, `roof off`, `sun roof 40`, `turn connection L2`.
//! The events of a scenario use the same words.

use super::scenario::{Conductor, Scenario};
use crate::base::Phase;
use crate::profile::Placement;

/// One thing done to the world. Indices are those of the scenario.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Command {
    /// A known load goes on or off.
    Load(usize, bool),
    /// A known load is carried to a socket on another phase.
    Plug(usize, Placement),
    /// A plant goes on or off.
    Plant(usize, bool),
    /// A meter answers or falls silent.
    Meter(usize, bool),
    /// The steering signal of a plant comes or is taken away.
    Signal(usize, bool),
    /// The export control of a plant works or is switched off.
    Control(usize, bool),
    /// What the sun gives a plant, as a share of its rated power.
    Sun(usize, f64),
    /// How full a plant's battery is, 0 to 1.
    Charge(usize, f64),
    /// A CT is turned round: meter, channel.
    Turn(usize, usize),
    /// Two CTs change places: meter, channels.
    Swap(usize, usize, usize),
    /// A CT is put on a conductor: meter, channel.
    Put(usize, usize, Conductor),
}

/// The forms, for help and for the words of a refusal.
pub const FORMS: &[(&str, &str)] = &[
    ("NAME on | NAME off", "switch a load or a plant; a meter that is off does not answer"),
    ("plug LOAD L1|L2|L3", "carry a load to a socket on that phase"),
    ("signal PLANT on | off", "connect or take away the plant's steering signal"),
    ("control PLANT on | off", "switch the plant's export control"),
    ("sun PLANT PERCENT", "what the sun gives, of the rated power"),
    ("charge PLANT PERCENT", "how full the battery is"),
    ("turn METER CHANNEL", "turn a CT round (L1, L2, L3)"),
    ("swap METER CHANNEL CHANNEL", "let two CTs change places"),
    ("put METER CHANNEL L1|L2|L3|N|none", "put a CT on another conductor"),
];

impl Command {
    /// Reads a command as it is typed.
    ///
    /// # Errors
    /// A sentence that names what exists.
    pub fn parse(text: &str, scenario: &Scenario) -> Result<Self, String> {
        let words: Vec<&str> = text.split_whitespace().collect();
        match words.as_slice() {
            ["signal", name @ .., state] => {
                Ok(Self::Signal(plant(&name.join(" "), scenario)?, on_off(state)?))
            }
            ["control", name @ .., state] => {
                Ok(Self::Control(plant(&name.join(" "), scenario)?, on_off(state)?))
            }
            ["sun", name @ .., share] => Ok(Self::Sun(plant(&name.join(" "), scenario)?, percent(share)?)),
            ["charge", name @ .., share] => {
                Ok(Self::Charge(plant(&name.join(" "), scenario)?, percent(share)?))
            }
            ["plug", name @ .., phase] => {
                let name = name.join(" ");
                let load = scenario.load_of(&name);
                let load = load.ok_or_else(|| format!("no load is called `{name}`; {}", known(scenario)))?;
                Ok(Self::Plug(load, Placement::Line(Phase::LINES[line(phase, scenario)?])))
            }
            ["turn", name @ .., channel] => {
                Ok(Self::Turn(meter(&name.join(" "), scenario)?, line(channel, scenario)?))
            }
            ["swap", name @ .., one, other] => Ok(Self::Swap(
                meter(&name.join(" "), scenario)?,
                line(one, scenario)?,
                line(other, scenario)?,
            )),
            ["put", name @ .., channel, place] => {
                let place = match *place {
                    "none" => Conductor::None,
                    "N" => Conductor::Neutral,
                    word => Conductor::Line(line(word, scenario)?),
                };
                Ok(Self::Put(meter(&name.join(" "), scenario)?, line(channel, scenario)?, place))
            }
            [name @ .., state @ ("on" | "off")] => named(&name.join(" "), *state == "on", scenario),
            _ => Err(format!("`{}` is no command; {}", text.trim(), known(scenario))),
        }
    }

    /// The command as it would be typed.
    pub fn words(&self, scenario: &Scenario) -> String {
        let state = |on: bool| if on { "on" } else { "off" };
        let load = |i: usize| scenario.loads.get(i).map_or("?", |load| load.name.as_str());
        let plant = |i: usize| scenario.plants.get(i).map_or("?", |plant| plant.name.as_str());
        let meter = |i: usize| scenario.meters.get(i).map_or("?", |meter| meter.name.as_str());
        let line = |i: usize| Phase::LINES.get(i).map_or("?", |phase| phase.word());
        match *self {
            Self::Load(i, on) => format!("{} {}", load(i), state(on)),
            Self::Plug(i, place) => format!("plug {} {}", load(i), place.word()),
            Self::Plant(i, on) => format!("{} {}", plant(i), state(on)),
            Self::Meter(i, on) => format!("{} {}", meter(i), state(on)),
            Self::Signal(i, on) => format!("signal {} {}", plant(i), state(on)),
            Self::Control(i, on) => format!("control {} {}", plant(i), state(on)),
            Self::Sun(i, share) => format!("sun {} {}", plant(i), share * 100.0),
            Self::Charge(i, share) => format!("charge {} {}", plant(i), share * 100.0),
            Self::Turn(i, channel) => format!("turn {} {}", meter(i), line(channel)),
            Self::Swap(i, one, other) => format!("swap {} {} {}", meter(i), line(one), line(other)),
            Self::Put(i, channel, place) => {
                let place = match place {
                    Conductor::Line(index) => line(index),
                    Conductor::Neutral => "N",
                    Conductor::None => "none",
                };
                format!("put {} {} {}", meter(i), line(channel), place)
            }
        }
    }
}

fn named(name: &str, on: bool, scenario: &Scenario) -> Result<Command, String> {
    let load = scenario.load_of(name).map(|i| Command::Load(i, on));
    let plant = || scenario.plant_of(name).map(|i| Command::Plant(i, on));
    let meter = || scenario.meter_of(name).map(|i| Command::Meter(i, on));
    load.or_else(plant)
        .or_else(meter)
        .ok_or_else(|| format!("nothing here is called `{name}`; {}", known(scenario)))
}

fn plant(name: &str, scenario: &Scenario) -> Result<usize, String> {
    scenario.plant_of(name).ok_or_else(|| format!("no plant is called `{name}`; {}", known(scenario)))
}

fn meter(name: &str, scenario: &Scenario) -> Result<usize, String> {
    scenario.meter_of(name).ok_or_else(|| format!("no meter is called `{name}`; {}", known(scenario)))
}

fn line(word: &str, scenario: &Scenario) -> Result<usize, String> {
    let lines = scenario.site.lines();
    lines.iter().position(|phase| phase.word() == word).ok_or_else(|| {
        let words: Vec<&str> = lines.iter().map(|phase| phase.word()).collect();
        format!("`{word}` is no line of this site, which has {}", words.join(", "))
    })
}

fn on_off(word: &str) -> Result<bool, String> {
    match word {
        "on" => Ok(true),
        "off" => Ok(false),
        _ => Err(format!("`{word}` is neither on nor off")),
    }
}

fn percent(word: &str) -> Result<f64, String> {
    match word.trim_end_matches('%').parse::<f64>() {
        Ok(value) if (0.0..=100.0).contains(&value) => Ok(value / 100.0),
        _ => Err(format!("`{word}` is no percentage from 0 to 100")),
    }
}

/// What there is to switch.
fn known(scenario: &Scenario) -> String {
    let list = |title: &str, names: Vec<&str>| {
        if names.is_empty() { String::new() } else { format!("{title}: {}; ", names.join(", ")) }
    };
    let text = [
        list("loads", scenario.loads.iter().map(|load| load.name.as_str()).collect()),
        list("plants", scenario.plants.iter().map(|plant| plant.name.as_str()).collect()),
        list("meters", scenario.meters.iter().map(|meter| meter.name.as_str()).collect()),
    ]
    .concat();
    text.trim_end_matches("; ").to_owned()
}
