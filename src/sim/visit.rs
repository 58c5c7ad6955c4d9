//! Visits as a technician makes them: loads switched when asked to, a little late, at intervals nothing in the house keeps
//! step with. What is switched and marked is data, for [`super::run`].

use super::command::Command;
use super::run::{Act, Step};
use super::scenario::Scenario;
use super::seed::Seed;
use crate::base::Span;
use crate::record::MarkKind;

/// How the person goes about it; pairs are least and most, in s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Manner {
    /// On/off pairs of each load.
    pub pairs: usize,
    /// How long a load stays on, and off.
    pub hold_s: (f64, f64),
    /// How long after the mark the hand comes.
    pub hand_s: (f64, f64),
    /// Quiet before the first load, and between loads.
    pub rest_s: f64,
}

impl Default for Manner {
    /// Three pairs of some 8 to 14 s, the hand within 1.5 s.
    fn default() -> Self {
        Self { pairs: 3, hold_s: (8.0, 14.0), hand_s: (0.2, 1.5), rest_s: 12.0 }
    }
}

/// What a person does on a visit, with its end.
#[derive(Clone, Debug, PartialEq)]
pub struct Visit {
    /// In order of time.
    pub steps: Vec<Step>,
    /// When all is done.
    pub end: Span,
}

/// A CT check: plants off, then each of these loads (all known ones, where none are named) on and off.
pub fn ct(scenario: &Scenario, loads: &[&str], manner: &Manner) -> Visit {
    let mut chance = Seed::named(scenario.seed, "hands");
    let mut steps = Vec::new();
    for (plant, real) in scenario.plants.iter().enumerate() {
        let mut mark =
            crate::record::Mark::new(scenario.start, MarkKind::PlantOff, format!("{} off", real.name));
        mark.plant = Some(real.name.clone());
        steps.push(Step { at: Span::from_millis(200), act: Act::Do(Command::Plant(plant, false)) });
        steps.push(Step { at: Span::from_millis(1500), act: Act::Mark(Box::new(mark)) });
    }
    let named = scenario.loads.iter().enumerate();
    let chosen = named.filter(|(_, load)| loads.is_empty() || loads.contains(&load.name.as_str()));
    let mut at_s = manner.rest_s;
    for (load, _) in chosen {
        at_s = pairs(&mut steps, load, at_s, manner, &mut chance) + manner.rest_s;
    }
    Visit { steps, end: Span::from_seconds(at_s) }
}

/// An export limit check: a window, and in it one load switched on and off; each time it goes off the plant has to act.
pub fn limit(scenario: &Scenario, load: &str, manner: &Manner) -> Visit {
    let mut chance = Seed::named(scenario.seed, "hands");
    let window = |at_s: f64, kind: MarkKind, message: &str| Step {
        at: Span::from_seconds(at_s),
        act: Act::Note(kind, message.to_owned()),
    };
    let mut steps = vec![window(manner.rest_s, MarkKind::WindowStart, "window starts")];
    let load = scenario.load_of(load).unwrap_or(0);
    let done_s = pairs(&mut steps, load, 2.0 * manner.rest_s, manner, &mut chance);
    let end_s = done_s + manner.rest_s;
    steps.push(window(end_s, MarkKind::WindowEnd, "window ends"));
    Visit { steps, end: Span::from_seconds(end_s + 2.0) }
}

/// Switches a load on and off; gives the time after the last time off.
fn pairs(steps: &mut Vec<Step>, load: usize, from_s: f64, manner: &Manner, chance: &mut Seed) -> f64 {
    let mut at_s = from_s;
    for turn in 0..2 * manner.pairs {
        let hand = Span::from_seconds(chance.between(manner.hand_s.0, manner.hand_s.1));
        let act = Act::Switch { load, on: turn % 2 == 0, hand };
        steps.push(Step { at: Span::from_seconds(at_s), act });
        at_s += chance.between(manner.hold_s.0, manner.hold_s.1);
    }
    at_s
}
