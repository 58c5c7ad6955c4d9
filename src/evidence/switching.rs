//! Marked switchings of known loads, gathered by load and placement.

use crate::base::Stamp;
use crate::profile::{Load, Placement, Site};
use crate::record::{Mark, MarkKind};

/// Tolerance of a load nobody described, as a fraction (ours: what rating plates of heaters allow).
const USUAL_TOLERANCE: f64 = 0.10;

/// One marked switching.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Switch {
    /// When it was marked.
    pub at: Stamp,
    /// The same in seconds since the origin.
    pub time_s: f64,
    /// On or off.
    pub on: bool,
}

/// All switchings of one load in one place.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadTest {
    /// The load, with what the marks say of its power.
    pub load: Load,
    /// Where it stood; `None` when nobody knows.
    pub placement: Option<Placement>,
    /// In time order.
    pub switches: Vec<Switch>,
}

impl LoadTest {
    /// First and last marked instant, in s; 0 where there is none.
    pub fn span_s(&self) -> (f64, f64) {
        let first = self.switches.first().map_or(0.0, |switch| switch.time_s);
        (first, self.switches.last().map_or(0.0, |switch| switch.time_s))
    }
}

/// What the marks amount to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Switchings {
    /// In the order of their first mark.
    pub tests: Vec<LoadTest>,
    /// Marks that could not be used, as sentences.
    pub unusable: Vec<String>,
}

/// Gathers `load-on` and `load-off` marks.
pub fn switchings(marks: &[Mark], site: &Site, origin: Stamp) -> Switchings {
    let mut found = Switchings::default();
    for mark in marks.iter().filter(|mark| matches!(mark.kind, MarkKind::LoadOn | MarkKind::LoadOff)) {
        let Some(load) = load_of(mark, site) else {
            let sentence = format!("A {} mark names no load with a known power.", mark.kind.word());
            if !found.unusable.contains(&sentence) {
                found.unusable.push(sentence);
            }
            continue;
        };
        let placement = placement_of(mark, &load, site);
        let switch =
            Switch { at: mark.at, time_s: mark.at.seconds_since(origin), on: mark.kind == MarkKind::LoadOn };
        let same = |test: &&mut LoadTest| {
            test.load.name == load.name && test.load.power_w == load.power_w && test.placement == placement
        };
        match found.tests.iter_mut().find(same) {
            Some(test) => test.switches.push(switch),
            None => found.tests.push(LoadTest { load, placement, switches: vec![switch] }),
        }
    }
    for test in &mut found.tests {
        test.switches.sort_by_key(|switch| switch.at);
    }
    found
}

/// The load a mark speaks of: its own power, with what the site file knows of a load of this name, or of the only one.
pub fn load_of(mark: &Mark, site: &Site) -> Option<Load> {
    let named = mark.load.as_deref().and_then(|name| site.loads.iter().find(|load| load.name == name));
    let only = || (mark.load.is_none() && site.loads.len() == 1).then(|| &site.loads[0]);
    let known = named.or_else(only);
    let stated = mark.load_w.as_deref().and_then(watts).filter(|power| *power > 0.0);
    match (known, stated) {
        (Some(known), Some(power_w)) => Some(Load { power_w, ..known.clone() }),
        (Some(known), None) => Some(known.clone()),
        (None, Some(power_w)) => Some(Load {
            name: mark.load.clone().unwrap_or_else(|| "load".to_owned()),
            power_w,
            rated_v: None,
            resistive: true,
            power_factor: 1.0,
            leading: false,
            tolerance: USUAL_TOLERANCE,
            phase: None,
        }),
        (None, None) => None,
    }
}

fn placement_of(mark: &Mark, load: &Load, site: &Site) -> Option<Placement> {
    let stated = mark.phase.as_deref().and_then(Placement::parse).or(load.phase);
    let fits = |placement: &Placement| match placement {
        Placement::Line(phase) => phase.line_index().is_some_and(|index| index < usize::from(site.phases)),
        Placement::Between(_) => site.phases > 1,
        Placement::Balanced => site.phases == 3,
    };
    match stated.filter(fits) {
        None if site.phases == 1 => Some(Placement::Line(crate::base::Phase::L1)),
        other => other,
    }
}

/// Reads `2000`, `2000 W`, `2kW`.
pub fn watts(text: &str) -> Option<f64> {
    let text = text.trim();
    let (number, factor) = match text.strip_suffix('W') {
        Some(head) => match head.strip_suffix('k') {
            Some(head) => (head, 1000.0),
            None => (head, 1.0),
        },
        None => (text, 1.0),
    };
    number.trim().parse::<f64>().ok().map(|value| value * factor).filter(|value| value.is_finite())
}
