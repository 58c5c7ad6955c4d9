//! Reading a scenario's `[[plant]]`: sun, clouds, battery, control.

use super::parse::{named, put};
use super::{Battery, Clouds, Control, Scenario};
use crate::profile::parse::tree::{Node, Value};
use crate::profile::parse::walk::{Bound, Desk, Section, choose};

const LINES: &[(&str, usize)] = &[("L1", 0), ("L2", 1), ("L3", 2)];

/// Reads one plant into the scenario.
pub(super) fn read(desk: &mut Desk, node: &Node, scenario: &mut Scenario) {
    const KEYS: &[&str] = &["name", "rated_W", "phases", "sun", "clouds", "battery", "control", "on"];
    let Some(section) = Section::plain(desk, node, "[[plant]]", KEYS) else { return };
    let names: Vec<String> = scenario.plants.iter().map(|plant| plant.name.clone()).collect();
    let Some(index) = named(desk, &section, "plant", &names) else { return };
    let meters: Vec<String> = scenario.meters.iter().map(|meter| meter.name.clone()).collect();
    let lines = scenario.site.lines().len();
    let plant = &mut scenario.plants[index];
    put(&mut plant.rated_w, section.bounded(desk, "rated_W", Bound::Positive));
    put(&mut plant.on, section.flag(desk, "on"));
    if let Some(percent) = section.bounded(desk, "sun", Bound::Within(0.0, 100.0)) {
        plant.sun = percent / 100.0;
    }
    if let Some(node) = section.node("phases") {
        let fed = phases(desk, node, lines);
        if !fed.is_empty() {
            plant.lines = fed;
        }
    }
    if let Some(node) = section.node("clouds") {
        plant.clouds = clouds(desk, node);
    }
    if let Some(node) = section.node("battery") {
        plant.battery = battery(desk, node, plant.rated_w);
    }
    if let Some(node) = section.node("control") {
        plant.control = control(desk, node, &meters, plant.rated_w);
    }
}

fn phases(desk: &mut Desk, node: &Node, lines: usize) -> Vec<usize> {
    let Value::List(items) = &node.value else {
        desk.error(&node.span, "`phases` is no list", "write the lines it feeds: `phases = [\"L1\"]`");
        return Vec::new();
    };
    let mut fed = Vec::new();
    for item in items {
        match choose(desk, item, "phase", LINES) {
            Some(line) if line >= lines => {
                desk.error(
                    &item.span,
                    "the site does not have this line",
                    "correct it, or `phases` of the site",
                );
            }
            Some(line) if !fed.contains(&line) => fed.push(line),
            _ => {}
        }
    }
    fed
}

fn clouds(desk: &mut Desk, node: &Node) -> Option<Clouds> {
    let section = Section::plain(desk, node, "clouds", &["depth", "every_s", "lasting_s", "edge_s"])?;
    Some(Clouds {
        depth: section.bounded(desk, "depth", Bound::Within(0.0, 1.0)).unwrap_or(0.6),
        every_s: section.bounded(desk, "every_s", Bound::Positive).unwrap_or(120.0),
        lasting_s: section.bounded(desk, "lasting_s", Bound::Positive).unwrap_or(40.0),
        edge_s: section.bounded(desk, "edge_s", Bound::Positive).unwrap_or(5.0),
    })
}

fn battery(desk: &mut Desk, node: &Node, rated_w: f64) -> Option<Battery> {
    let section =
        Section::plain(desk, node, "battery", &["capacity_Wh", "charge_W", "discharge_W", "charged"])?;
    Some(Battery {
        capacity_wh: section.bounded(desk, "capacity_Wh", Bound::Positive).unwrap_or(5000.0),
        charge_w: section.bounded(desk, "charge_W", Bound::NotNegative).unwrap_or(rated_w / 2.0),
        discharge_w: section.bounded(desk, "discharge_W", Bound::NotNegative).unwrap_or(rated_w / 2.0),
        soc: section.bounded(desk, "charged", Bound::Within(0.0, 100.0)).unwrap_or(50.0) / 100.0,
    })
}

fn control(desk: &mut Desk, node: &Node, meters: &[String], rated_w: f64) -> Option<Control> {
    const KEYS: &[&str] = &[
        "meter",
        "limit_W",
        "bias_W",
        "gain",
        "dead_s",
        "period_s",
        "ramp_W_per_s",
        "ramp_up_W_per_s",
        "stop_after_s",
    ];
    let section = Section::plain(desk, node, "control", KEYS)?;
    let mut meter = 0;
    if let Some(name) = section.text(desk, "meter") {
        let Some(index) = meters.iter().position(|meter| meter == name) else {
            let known = format!("the site file has {}", meters.join(", "));
            desk.error(&section.place("meter"), format!("no meter of the site is called `{name}`"), known);
            return None;
        };
        meter = index;
    }
    let ramp_w_per_s = section.bounded(desk, "ramp_W_per_s", Bound::Positive).unwrap_or(rated_w);
    Some(Control {
        meter,
        limit_w: section.bounded(desk, "limit_W", Bound::NotNegative).unwrap_or(0.0),
        bias_w: section.bounded(desk, "bias_W", Bound::Finite).unwrap_or(50.0),
        gain: section.bounded(desk, "gain", Bound::Within(0.0, 10.0)).unwrap_or(0.9),
        dead_s: section.bounded(desk, "dead_s", Bound::NotNegative).unwrap_or(0.5),
        period_s: section.bounded(desk, "period_s", Bound::Positive).unwrap_or(1.5),
        ramp_w_per_s,
        ramp_up_w_per_s: section.bounded(desk, "ramp_up_W_per_s", Bound::Positive).unwrap_or(ramp_w_per_s),
        stop_after_s: section.bounded(desk, "stop_after_s", Bound::Positive),
    })
}
