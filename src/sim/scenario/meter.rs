//! Reading a scenario's `[[meter]]`: how it is really wired, and how it really renews its values.

use super::parse::{named, numbers, put};
use super::{Channel, Conductor, Scenario, Spot};
use crate::base::{Phase, Span};
use crate::profile::parse::tree::{Node, Value};
use crate::profile::parse::walk::{Bound, Desk, Section, choose, real};

const KEYS: &[&str] = &[
    "name",
    "at",
    "misses",
    "channels",
    "update_ms",
    "averaging_ms",
    "noise_W",
    "exponent",
    "factor",
    "shows",
    "counted_Wh",
    "turnaround_ms",
    "on",
];
const LINES: &[(&str, usize)] = &[("L1", 0), ("L2", 1), ("L3", 2)];
const CONDUCTORS: &[(&str, Conductor)] = &[
    ("L1", Conductor::Line(0)),
    ("L2", Conductor::Line(1)),
    ("L3", Conductor::Line(2)),
    ("N", Conductor::Neutral),
    ("none", Conductor::None),
];

/// Reads one meter into the scenario.
pub(super) fn read(desk: &mut Desk, node: &Node, scenario: &mut Scenario) {
    let Some(section) = Section::plain(desk, node, "[[meter]]", KEYS) else { return };
    let names: Vec<String> = scenario.meters.iter().map(|meter| meter.name.clone()).collect();
    let Some(index) = named(desk, &section, "meter", &names) else { return };
    let spot = spot(desk, &section, scenario);
    let misses = misses(desk, &section, scenario);
    let lines = scenario.site.lines().len();
    let meter = &mut scenario.meters[index];
    put(&mut meter.spot, spot);
    put(&mut meter.misses, misses);
    put(&mut meter.on, section.flag(desk, "on"));
    put(&mut meter.noise_w, section.bounded(desk, "noise_W", Bound::NotNegative));
    numbers(desk, &section, "counted_Wh", Bound::NotNegative, &mut meter.counted_wh);
    let ms = |span: Option<f64>| span.map(|ms| Span::from_seconds(ms / 1000.0));
    meter.update = ms(section.bounded(desk, "update_ms", Bound::Within(1.0, 3_600_000.0))).or(meter.update);
    meter.averaging =
        ms(section.bounded(desk, "averaging_ms", Bound::Within(0.0, 600_000.0))).or(meter.averaging);
    put(&mut meter.turnaround, ms(section.bounded(desk, "turnaround_ms", Bound::Within(0.0, 60_000.0))));
    put(&mut meter.exponent, section.within(desk, "exponent", -10, 10).map(|power| power as i8));
    put(&mut meter.factor, section.within(desk, "factor", 1, 65_535).map(|factor| factor as u16));
    if let Some(node) = section.node("shows") {
        shows(desk, node, &mut meter.shows);
    }
    if let Some(node) = section.node("channels") {
        channels(desk, node, lines, &mut meter.channels);
    }
}

fn spot(desk: &mut Desk, section: &Section<'_>, scenario: &Scenario) -> Option<Spot> {
    let name = section.text(desk, "at")?;
    if name == "grid" {
        return Some(Spot::Grid);
    }
    let plant = scenario.plant_of(name).map(Spot::Plant);
    let found = plant.or_else(|| scenario.load_of(name).map(Spot::Load));
    if found.is_none() {
        let mend = "write `grid`, or the name of a plant or a load of the site file";
        desk.error(&section.place("at"), format!("there is no place called `{name}`"), mend);
    }
    found
}

fn misses(desk: &mut Desk, section: &Section<'_>, scenario: &Scenario) -> Option<Vec<String>> {
    let node = section.node("misses")?;
    let Value::List(items) = &node.value else {
        desk.error(&node.span, "`misses` is no list", "write names in brackets: `misses = [\"roof\"]`");
        return None;
    };
    let appliance = |name: &str| scenario.appliances.iter().any(|one| one.name == name);
    let known =
        |name: &str| scenario.plant_of(name).is_some() || scenario.load_of(name).is_some() || appliance(name);
    let mut names = Vec::new();
    for item in items {
        match &item.value {
            Value::Text(name) if known(name) => names.push(name.clone()),
            _ => desk.error(
                &item.span,
                "nothing here has this name",
                "write the name of a plant, a load or an appliance, in quotes",
            ),
        }
    }
    Some(names)
}

fn shows(desk: &mut Desk, node: &Node, shows: &mut std::collections::BTreeMap<String, f64>) {
    let Value::Table(entries) = &node.value else {
        desk.error(&node.span, "`shows` is no table", "write `shows = { state_of_charge = 80 }`");
        return;
    };
    for entry in entries {
        if let Some(number) = real(desk, &entry.node, &entry.key) {
            shows.insert(entry.key.clone(), number);
        }
    }
}

fn channels(desk: &mut Desk, node: &Node, lines: usize, channels: &mut [Channel; 3]) {
    const CHANNELS: &[&str] = &["L1", "L2", "L3"];
    const WIRES: &[&str] = &["ct", "voltage", "reversed", "gain", "angle_deg"];
    let Some(section) = Section::plain(desk, node, "channels", CHANNELS) else { return };
    for (line, word) in CHANNELS.iter().enumerate() {
        let Some(node) = section.node(word) else { continue };
        if line >= lines {
            let mend = "correct it, or `phases` of the site";
            desk.error(&section.place(word), format!("the site does not have {}", Phase::LINES[line]), mend);
            continue;
        }
        let Some(wires) = Section::plain(desk, node, format!("the channel {word}"), WIRES) else { continue };
        let channel = &mut channels[line];
        if let Some(node) = wires.node("ct") {
            put(&mut channel.conductor, choose(desk, node, "conductor", CONDUCTORS));
        }
        if let Some(node) = wires.node("voltage") {
            put(&mut channel.voltage, choose(desk, node, "line", LINES));
        }
        put(&mut channel.reversed, wires.flag(desk, "reversed"));
        put(&mut channel.gain, wires.bounded(desk, "gain", Bound::Within(0.0, 1000.0)));
        put(&mut channel.angle_deg, wires.bounded(desk, "angle_deg", Bound::Within(-180.0, 180.0)));
        let absent = matches!(channel.conductor, Conductor::Line(other) if other >= lines);
        if absent || channel.voltage >= lines {
            desk.error(&wires.span, "this channel is on a line the site does not have", "correct it");
        }
    }
}
