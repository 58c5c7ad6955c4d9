//! Reading a scenario file: `docs/simulate.md` says what each key means. All faults come in one go, as with profiles.

use super::{Appliance, Base, Event, RealLoad, Scenario, Supply, line, meter, plant, rated_volts};
use crate::base::{Faults, Network, Span, Stamp};
use crate::profile::parse::tree::{Node, Value};
use crate::profile::parse::walk::{Bound, Desk, Section, real};
use crate::profile::{Placement, Profile, Site};
use crate::sim::command::Command;

const TOP: &[&str] = &["scenario", "supply", "line", "base", "appliance", "load", "plant", "meter", "event"];
const HEAD: &[&str] = &["name", "site", "seed", "start", "step_ms"];

/// Where keys belong that people put elsewhere.
const HOMES: &[(&str, &str)] = &[
    ("seed", "[scenario]"),
    ("site", "[scenario]"),
    ("step_ms", "[scenario]"),
    ("drift_V", "[supply]"),
    ("line_ohm", "[supply]"),
    ("profile", "the site file"),
    ("line", "the site file"),
    ("role", "the site file"),
    ("tolerance", "the site file"),
    ("limit_W", "the plant's control: `control = { limit_W = … }`"),
];

/// The site file a scenario names, relative to the scenario; nothing where it names none.
pub fn site_of(text: &str) -> Option<String> {
    let (mut desk, root) = Desk::open("", text, HOMES);
    let top = Section::plain(&mut desk, &root, "a scenario", TOP)?;
    let head = Section::plain(&mut desk, top.node("scenario")?, "[scenario]", HEAD)?;
    head.text(&mut desk, "site").map(str::to_owned)
}

/// Whether a text is a scenario, by its `[scenario]` heading; else it may be a site file, simulated as it stands.
pub fn is_scenario(text: &str) -> bool {
    text.lines().any(|line| line.trim() == "[scenario]")
}

/// Reads a scenario beside its site and the profiles of the site's meters, in the site's order.
///
/// # Errors
/// All faults of the file, in order of place, each with its mend.
pub fn parse_scenario(
    file: &str,
    text: &str,
    site: Site,
    profiles: Vec<Profile>,
) -> Result<(Scenario, Faults), Faults> {
    let (mut desk, root) = Desk::open(file, text, HOMES);
    let mut scenario = Scenario::of(site, profiles);
    if let Some(top) = Section::plain(&mut desk, &root, "a scenario", TOP) {
        read(&mut desk, &top, &mut scenario);
    }
    let faults = desk.close();
    if faults.any_error() { Err(faults) } else { Ok((scenario, faults)) }
}

fn read(desk: &mut Desk, top: &Section<'_>, scenario: &mut Scenario) {
    match top.node("scenario") {
        Some(node) => head(desk, node, scenario),
        None => desk.missing(
            &top.span,
            "this is no scenario",
            "add `[scenario]` and under it `site = \"site.toml\"`",
        ),
    }
    if let Some(node) = top.node("supply") {
        supply(desk, node, &mut scenario.supply);
    }
    if let Some(node) = top.node("line") {
        line::read(desk, node, &mut scenario.line);
    }
    if top.has("base") {
        scenario.base =
            items(desk, top, "base").into_iter().filter_map(|node| base(desk, node, scenario)).collect();
    }
    let appliances = items(desk, top, "appliance");
    scenario.appliances = appliances.into_iter().filter_map(|node| appliance(desk, node, scenario)).collect();
    for node in items(desk, top, "load") {
        load(desk, node, scenario);
    }
    for node in items(desk, top, "plant") {
        plant::read(desk, node, scenario);
    }
    for node in items(desk, top, "meter") {
        meter::read(desk, node, scenario);
    }
    for node in items(desk, top, "event") {
        let event = event(desk, node, scenario);
        scenario.events.extend(event);
    }
    scenario.events.sort_by_key(|event| event.at);
}

fn head(desk: &mut Desk, node: &Node, scenario: &mut Scenario) {
    let Some(section) = Section::plain(desk, node, "[scenario]", HEAD) else { return };
    if let Some(name) = section.text(desk, "name") {
        name.clone_into(&mut scenario.name);
    }
    if let Some(seed) = section.within(desk, "seed", 0, i64::MAX) {
        scenario.seed = seed as u64;
    }
    if let Some(step_ms) = section.bounded(desk, "step_ms", Bound::Within(1.0, 1000.0)) {
        scenario.step = Span::from_seconds(step_ms / 1000.0);
    }
    if let Some(start) = section.text(desk, "start") {
        match Stamp::parse(start) {
            Some(at) => scenario.start = at,
            None => desk.error(
                &section.place("start"),
                format!("`{start}` is no instant"),
                "write it as `\"2026-06-21T10:00:00Z\"`",
            ),
        }
    }
}

fn supply(desk: &mut Desk, node: &Node, supply: &mut Supply) {
    const KEYS: &[&str] =
        &["level", "drift_V", "drift_s", "line_ohm", "neutral_ohm", "frequency_Hz", "reversed_sequence"];
    let Some(section) = Section::plain(desk, node, "[supply]", KEYS) else { return };
    numbers(desk, &section, "level", Bound::Within(0.0, 2.0), &mut supply.level);
    numbers(desk, &section, "line_ohm", Bound::Within(0.0, 10.0), &mut supply.line_ohm);
    numbers(desk, &section, "neutral_ohm", Bound::Within(0.0, 10.0), &mut supply.neutral_ohm);
    put(&mut supply.drift_v, section.bounded(desk, "drift_V", Bound::NotNegative));
    put(&mut supply.drift_s, section.bounded(desk, "drift_s", Bound::Positive));
    put(&mut supply.frequency_hz, section.bounded(desk, "frequency_Hz", Bound::Within(10.0, 100.0)));
    put(&mut supply.reversed_sequence, section.flag(desk, "reversed_sequence"));
}

fn base(desk: &mut Desk, node: &Node, scenario: &Scenario) -> Option<Base> {
    const KEYS: &[&str] = &["phase", "power_W", "power_factor", "noise_W", "noise_s"];
    let section = Section::plain(desk, node, "[[base]]", KEYS)?;
    let power_w = section.bounded(desk, "power_W", Bound::NotNegative).unwrap_or(120.0);
    Some(Base {
        placement: needed_placement(desk, &section, scenario)?,
        power_w,
        power_factor: section.bounded(desk, "power_factor", Bound::Within(0.1, 1.0)).unwrap_or(0.95),
        noise_w: section.bounded(desk, "noise_W", Bound::NotNegative).unwrap_or(8.0),
        noise_s: section.bounded(desk, "noise_s", Bound::Positive).unwrap_or(3.0),
    })
}

fn appliance(desk: &mut Desk, node: &Node, scenario: &Scenario) -> Option<Appliance> {
    const KEYS: &[&str] = &["name", "phase", "power_W", "power_factor", "surge", "surge_s", "on_s", "off_s"];
    let section = Section::plain(desk, node, "[[appliance]]", KEYS)?;
    Some(Appliance {
        name: section.text(desk, "name").unwrap_or("fridge").to_owned(),
        placement: needed_placement(desk, &section, scenario)?,
        power_w: section.bounded(desk, "power_W", Bound::NotNegative).unwrap_or(120.0),
        power_factor: section.bounded(desk, "power_factor", Bound::Within(0.1, 1.0)).unwrap_or(0.8),
        surge: section.bounded(desk, "surge", Bound::Within(1.0, 20.0)).unwrap_or(4.0),
        surge_s: section.bounded(desk, "surge_s", Bound::NotNegative).unwrap_or(0.3),
        on_s: section.bounded(desk, "on_s", Bound::Positive).unwrap_or(600.0),
        off_s: section.bounded(desk, "off_s", Bound::Positive).unwrap_or(1800.0),
    })
}

fn load(desk: &mut Desk, node: &Node, scenario: &mut Scenario) {
    const KEYS: &[&str] = &["name", "power_W", "reactive_var", "rated_V", "resistive", "phase", "on"];
    let Some(section) = Section::plain(desk, node, "[[load]]", KEYS) else { return };
    let names: Vec<String> = scenario.loads.iter().map(|load| load.name.clone()).collect();
    let Some(index) = named(desk, &section, "load", &names) else { return };
    let placement = placement(desk, &section, scenario);
    let site = scenario.site.clone();
    let real: &mut RealLoad = &mut scenario.loads[index];
    if let Some(placement) = placement {
        real.placement = placement;
        real.rated_v = rated_volts(placement, &site);
    }
    put(&mut real.active_w, section.bounded(desk, "power_W", Bound::NotNegative));
    put(&mut real.reactive_var, section.bounded(desk, "reactive_var", Bound::Finite));
    put(&mut real.rated_v, section.bounded(desk, "rated_V", Bound::Positive));
    put(&mut real.resistive, section.flag(desk, "resistive"));
    put(&mut real.on, section.flag(desk, "on"));
}

fn event(desk: &mut Desk, node: &Node, scenario: &Scenario) -> Option<Event> {
    let section = Section::plain(desk, node, "[[event]]", &["at_s", "do"])?;
    for (key, example) in [("at_s", "at_s = 30"), ("do", "do = \"kettle on\"")] {
        if !section.has(key) {
            desk.missing(&section.span, format!("this event has no `{key}`"), format!("add `{example}`"));
        }
    }
    let at_s = section.bounded(desk, "at_s", Bound::NotNegative);
    let text = section.text(desk, "do")?;
    match Command::parse(text, scenario) {
        Ok(command) => Some(Event { at: Span::from_seconds(at_s?), command }),
        Err(message) => {
            desk.error(&section.place("do"), message, "write it as it is typed to `wattward simulate`");
            None
        }
    }
}

/// Puts a value where the file gives one.
pub(super) fn put<T>(place: &mut T, value: Option<T>) {
    if let Some(value) = value {
        *place = value;
    }
}

/// The tables of `[[name]]`.
fn items<'t>(desk: &mut Desk, top: &Section<'t>, key: &str) -> Vec<&'t Node> {
    let Some(node) = top.node(key) else { return Vec::new() };
    if let Value::List(items) = &node.value {
        return items.iter().collect();
    }
    let message = format!("`{key}` stands here in the wrong brackets");
    desk.error(&node.span, message, format!("write `[[{key}]]`"));
    Vec::new()
}

/// Index of the thing of the site file that a section is about.
pub(super) fn named(desk: &mut Desk, section: &Section<'_>, noun: &str, names: &[String]) -> Option<usize> {
    let known = if names.is_empty() {
        format!("the site file has no {noun}")
    } else {
        format!("the site file has {}", names.join(", "))
    };
    if !section.has("name") {
        // one alone needs no name
        if names.len() == 1 {
            return Some(0);
        }
        desk.missing(
            &section.span,
            format!("which {noun} this is, nothing says"),
            format!("add `name = \"…\"`; {known}"),
        );
        return None;
    }
    let name = section.text(desk, "name")?;
    let index = names.iter().position(|one| one == name);
    if index.is_none() {
        desk.error(&section.place("name"), format!("no {noun} of the site is called `{name}`"), known);
    }
    index
}

/// As many numbers as there are places.
pub(super) fn numbers(desk: &mut Desk, section: &Section<'_>, key: &str, bound: Bound, places: &mut [f64]) {
    let Some(node) = section.node(key) else { return };
    let Value::List(list) = &node.value else {
        desk.error(
            &node.span,
            format!("`{key}` is no list"),
            format!("write {} numbers in brackets", places.len()),
        );
        return;
    };
    if list.len() > places.len() || list.is_empty() {
        let message = format!("`{key}` has {} numbers", list.len());
        desk.error(&node.span, message, format!("write {} numbers in brackets", places.len()));
        return;
    }
    for (place, item) in places.iter_mut().zip(list) {
        if let Some(number) = real(desk, item, key) {
            if bound.admits(number) {
                *place = number;
            } else {
                desk.error(
                    &item.span,
                    format!("{number} is out of its range"),
                    format!("write {}", bound.words()),
                );
            }
        }
    }
}

fn needed_placement(desk: &mut Desk, section: &Section<'_>, scenario: &Scenario) -> Option<Placement> {
    if !section.has("phase") {
        desk.missing(&section.span, format!("{} has no `phase`", section.title), "add `phase = \"L1\"`");
    }
    placement(desk, section, scenario)
}

/// Where something is connected: on lines the site has.
pub(super) fn placement(desk: &mut Desk, section: &Section<'_>, scenario: &Scenario) -> Option<Placement> {
    let word = section.text(desk, "phase")?;
    let lines = scenario.site.lines();
    let delta = scenario.site.network == Network::Delta;
    let found = Placement::parse(word).filter(|placement| match placement {
        Placement::Line(phase) => lines.contains(phase) && !delta,
        Placement::Between(phase) => lines.len() == 3 || (lines.len() == 2 && phase.word() == "L1-L2"),
        Placement::Balanced => lines.len() == 3,
    });
    if found.is_none() {
        let mend = match (lines.len(), delta) {
            (1, _) => "this site has `L1` only",
            (2, _) => "this site has `L1`, `L2` and `L1-L2`",
            (_, true) => "this site has `L1-L2`, `L2-L3`, `L3-L1` and `L1+L2+L3`",
            _ => "this site has `L1`, `L2`, `L3`, `L1-L2` and so on, and `L1+L2+L3`",
        };
        desk.error(&section.place("phase"), format!("nothing can be connected to `{word}` here"), mend);
    }
    found
}

#[cfg(test)]
mod tests;
