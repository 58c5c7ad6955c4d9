//! A site file: contracts 4, key by key. Everything but a meter's profile and line has a default.

use std::ops::Range;

use super::bus::meter;
use super::limit::limit;
use super::profile::first_line;
use super::rated::{load, plant};
use super::site_keys::{HEADER, NETWORKS, SITE};
use super::tree::{FileKind, Node, Value, file_kind, names_points};
use super::walk::{Desk, Section};
use crate::base::{Faults, Network, Phase};
use crate::profile::{Load, Meter, Placement, Plant, Site, Stated, suggest};

/// Where keys belong that people put elsewhere.
const HOMES: &[(&str, &str)] = &[
    ("nominal_V", "[site]"),
    ("time_zone", "[site]"),
    ("network", "[site]"),
    ("window_s", "[limit]"),
    ("challenges", "[limit]"),
    ("overvoltage_V", "[limit]"),
    ("export_W", "[[limit.rule]]"),
    ("export_A", "[[limit.rule]]"),
    ("averaging_s", "[[limit.rule]]"),
    ("longest_s", "[[limit.rule]]"),
    ("tolerance_W", "[[limit.rule]]"),
    ("share", "[[limit.rule]]"),
    ("rated_W", "[[plant]]"),
    ("storage", "[[plant]]"),
    ("power_W", "[[load]]"),
    ("rated_V", "[[load]]"),
    ("resistive", "[[load]]"),
    ("baud", "the meter's line: `line = { serial = \"…\", baud = … }`"),
    ("parity", "the meter's line: `line = { serial = \"…\", parity = … }`"),
    ("stop_bits", "the meter's line: `line = { serial = \"…\", stop_bits = … }`"),
    ("tcp", "the meter's line: `line = { tcp = \"…\" }`"),
    ("ct_ratio", "[[meter]]"),
    ("class", "[[meter]]"),
    ("ct_class", "[[meter]]"),
    ("role", "[[meter]]"),
    ("points", "the profile"),
    ("positive", "the profile"),
    ("max_registers", "the profile"),
];

/// Names in backticks.
pub(super) fn listed(words: &[&str]) -> String {
    suggest::list(words.iter().copied(), "and")
}

/// Reads a site file. With it come warnings; without it, everything that is wrong with the file. What the file leaves
/// to the profiles is filled in by `resolve`.
///
/// # Errors
/// All faults of the file, in order of place, each with its mend.
pub fn parse_site(file_name: &str, text: &str) -> Result<(Site, Faults), Faults> {
    let (mut desk, root) = Desk::open(file_name, text, HOMES);
    let site = if file_kind(text) == FileKind::Profile && names_points(text) {
        let message = "this is a profile, and a site file is wanted here";
        let mend =
            "write a site file that names it: `[[meter]]`, under it `profile = \"…\"` and `line = { … }`";
        desk.error(&(0..first_line(text)), message, mend);
        None
    } else {
        read(&mut desk, &root, text)
    };
    let faults = desk.close();
    match site {
        Some(site) if !faults.any_error() => Ok((site, faults)),
        _ => Err(faults),
    }
}

fn read(desk: &mut Desk, root: &Node, text: &str) -> Option<Site> {
    let top = Section::open(desk, root, "a site file", SITE)?;
    let mut site = header(desk, &top, text);
    let meters = items(desk, &top, "meter");
    for node in &meters {
        site.meters.extend(meter(desk, node));
    }
    let listed =
        top.node("meter").is_some_and(|node| !matches!(&node.value, Value::List(items) if items.is_empty()));
    if !listed {
        let mend = "add `[[meter]]`, and under it `profile = \"…\"` and `line = { serial = \"…\" }`";
        desk.missing(&top.span, "this site has no meter", mend);
    }
    let plants = items(desk, &top, "plant");
    for (index, node) in plants.iter().enumerate() {
        site.plants.extend(plant(desk, node, numbered("plant", index), top.has("limit")));
    }
    let loads = items(desk, &top, "load");
    for (index, node) in loads.iter().enumerate() {
        site.loads.extend(load(desk, node, numbered("load", index)));
    }
    site.limit = top.node("limit").and_then(|node| limit(desk, node, top.has("plant")));
    unique(desk, &meters, site.meters.iter().map(|meter| meter.name.as_str()), "meters");
    unique(desk, &plants, site.plants.iter().map(|plant| plant.name.as_str()), "plants");
    unique(desk, &loads, site.loads.iter().map(|load| load.name.as_str()), "loads");
    one_setting(desk, &meters, &site.meters);
    on_the_site(desk, &site, &plants, &loads);
    Some(site)
}

/// `load`, `load 2`, `load 3`: names for what the file does not name.
fn numbered(noun: &str, index: usize) -> String {
    if index == 0 { noun.to_owned() } else { format!("{noun} {}", index + 1) }
}

/// The tables of `[[name]]`.
fn items<'t>(desk: &mut Desk, top: &Section<'t>, key: &str) -> Vec<&'t Node> {
    let Some(node) = top.node(key) else { return Vec::new() };
    match &node.value {
        Value::List(items) => items.iter().collect(),
        other => {
            let stands = if let Value::Table(_) = other { "in single brackets" } else { "without brackets" };
            let message = format!("`{key}` stands here {stands}");
            let known =
                desk.faults.list.iter().any(|fault| fault.span == node.span && fault.message == message);
            if !known {
                desk.error(&node.span, message, format!("write `[[{key}]]`: there may be several"));
            }
            Vec::new()
        }
    }
}

fn header(desk: &mut Desk, top: &Section<'_>, text: &str) -> Site {
    let mut site = Site {
        name: "site".to_owned(),
        // More phases than there are can only make a check ask for too much; fewer would let it pass untested.
        phases: 3,
        network: Network::Wye,
        nominal_v: 230.0,
        time_zone: "UTC".to_owned(),
        meters: Vec::new(),
        plants: Vec::new(),
        loads: Vec::new(),
        limit: None,
        stated: Stated { phases: false, nominal: false },
        text: text.to_owned(),
    };
    let Some(section) = top.node("site").and_then(|node| Section::open(desk, node, "[site]", &[HEADER]))
    else {
        return site;
    };
    if let Some(name) = section.text(desk, "name") {
        name.clone_into(&mut site.name);
    }
    if let Some(phases) = section.integer(desk, "phases") {
        site.phases = phases as u8;
        site.stated.phases = true;
    }
    site.network = section.word(desk, "network", NETWORKS).unwrap_or_default();
    if site.network == Network::Delta && site.stated.phases && site.phases != 3 {
        let message = format!("a delta network with `phases = {}`", site.phases);
        desk.error(
            &section.place("network"),
            message,
            "delta means three lines without a neutral: `phases = 3`",
        );
    }
    site.nominal_v = nominal_default(site.phases, site.network);
    if let Some(nominal) = section.number(desk, "nominal_V") {
        site.nominal_v = nominal;
        site.stated.nominal = true;
    }
    if let Some(zone) = section.text(desk, "time_zone") {
        zone.clone_into(&mut site.time_zone);
        if jiff::tz::TimeZone::get(zone).is_err() {
            let known: Vec<String> = jiff::tz::db().available().map(|name| name.to_string()).collect();
            let mend = match suggest::nearest(zone, known.iter().map(String::as_str)) {
                Some(near) => format!("did you mean `{near}`?"),
                None => {
                    "write a name of the time zone database, such as `Europe/London`, or `UTC`".to_owned()
                }
            };
            desk.error(&section.place("time_zone"), format!("no time zone is called `{zone}`"), mend);
        }
    }
    site
}

/// Nominal voltage where the file does not say (IEC 60038, from memory): 230 V to neutral and 400 V between lines; 120 V
/// from either line of a split-phase supply.
pub(super) fn nominal_default(phases: u8, network: Network) -> f64 {
    match (phases, network) {
        (_, Network::Delta) => 400.0,
        (2, Network::Wye) => 120.0,
        _ => 230.0,
    }
}

/// Marks and options name things, so names must tell them apart.
fn unique<'n>(desk: &mut Desk, nodes: &[&Node], names: impl Iterator<Item = &'n str>, what: &str) {
    let names: Vec<&str> = names.collect();
    if names.len() != nodes.len() {
        return;
    }
    for (index, name) in names.iter().enumerate() {
        if names[..index].contains(name) {
            let message = format!("two {what} are called `{name}`");
            desk.error(&name_place(nodes[index]), message, "give each its own `name`");
        }
    }
}

fn name_place(node: &Node) -> Range<usize> {
    value_of(node, "name").map_or_else(|| node.span.clone(), |name| name.span.clone())
}

fn value_of<'n>(node: &'n Node, key: &str) -> Option<&'n Node> {
    let Value::Table(entries) = &node.value else { return None };
    entries.iter().find(|entry| entry.key == key).map(|entry| &entry.node)
}

/// One serial port has one setting.
fn one_setting(desk: &mut Desk, nodes: &[&Node], meters: &[Meter]) {
    if nodes.len() != meters.len() {
        return;
    }
    for (index, late) in meters.iter().enumerate() {
        for early in &meters[..index] {
            let (a, b) = (&early.line, &late.line);
            let differs = |a: Option<u32>, b: Option<u32>| a.is_some() && b.is_some() && a != b;
            let clash = differs(a.baud, b.baud)
                || differs(a.parity.map(|parity| parity as u32), b.parity.map(|parity| parity as u32))
                || differs(a.stop_bits.map(u32::from), b.stop_bits.map(u32::from));
            if a.door == b.door && clash {
                let message =
                    format!("`{}` and `{}` hang on one line with different settings", early.name, late.name);
                let at = value_of(nodes[index], "line")
                    .map_or_else(|| nodes[index].span.clone(), |n| n.span.clone());
                desk.error(&at, message, "meters on one line share baud, parity and stop bits");
            }
        }
    }
}

/// Plants and loads sit on lines the site has.
fn on_the_site(desk: &mut Desk, site: &Site, plants: &[&Node], loads: &[&Node]) {
    if site.plants.len() != plants.len() || site.loads.len() != loads.len() {
        return;
    }
    let lines = site.lines();
    let lacks = |phases: &[Phase]| phases.iter().copied().find(|phase| !lines.contains(phase));
    let mend = format!("this site has {}; correct the phase, or `phases` under [site]", listed_phases(lines));
    for (Plant { name, phases, .. }, node) in site.plants.iter().zip(plants) {
        if let Some(phase) = lacks(phases) {
            let at = value_of(node, "phases").map_or_else(|| node.span.clone(), |node| node.span.clone());
            desk.error(
                &at,
                format!("the plant `{name}` feeds {phase}, which this site does not have"),
                mend.as_str(),
            );
        }
    }
    for (Load { name, phase, .. }, node) in site.loads.iter().zip(loads) {
        let Some(placement) = phase else { continue };
        let at = value_of(node, "phase").map_or_else(|| node.span.clone(), |node| node.span.clone());
        if let Some(phase) = lacks(placement_lines(*placement)) {
            desk.error(
                &at,
                format!("the load `{name}` needs {phase}, which this site does not have"),
                mend.as_str(),
            );
        }
        if site.network == Network::Delta && matches!(placement, Placement::Line(_)) {
            let message =
                format!("the load `{name}` sits between a line and a neutral that a delta network lacks");
            desk.warn(&at, message, "write the two lines: `phase = \"L1-L2\"`");
        }
    }
}

fn listed_phases(lines: &[Phase]) -> String {
    match lines {
        [only] => format!("{only} only"),
        _ => lines.iter().map(|phase| phase.word()).collect::<Vec<_>>().join(", "),
    }
}

/// The lines a load is connected to.
pub(super) fn placement_lines(placement: Placement) -> &'static [Phase] {
    match placement {
        Placement::Line(Phase::L1) => &[Phase::L1],
        Placement::Line(Phase::L2) => &[Phase::L2],
        Placement::Line(_) => &[Phase::L3],
        Placement::Between(Phase::L1L2) => &[Phase::L1, Phase::L2],
        Placement::Between(Phase::L2L3) => &[Phase::L2, Phase::L3],
        Placement::Between(_) => &[Phase::L3, Phase::L1],
        Placement::Balanced => &[Phase::L1, Phase::L2, Phase::L3],
    }
}

/// The place of the meter of this index in a site's text, for faults that show only beside its profile.
pub(super) fn meter_place(desk: &mut Desk, root: &Node, index: usize, key: &str) -> Range<usize> {
    let end = root.span.clone();
    let Some(top) = Section::open(desk, root, "a site file", SITE) else { return end };
    let Some(Value::List(items)) = top.node("meter").map(|node| &node.value) else { return end };
    let Some(node) = items.get(index) else { return end };
    value_of(node, key).map_or_else(|| node.span.clone(), |node| node.span.clone())
}
