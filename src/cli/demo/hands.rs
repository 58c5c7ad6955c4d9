//! Hands that do in the simulated house what the instrument asks for, a little late, as people are.

use super::super::hands::{Ask, Hands, Prompt, Reply};
use super::super::out::Out;
use crate::base::{Span, Stamp};
use crate::rim::serve::Stage;
use crate::sim::{Command, Scenario, Seed};

/// From a prompt to the hand on the switch, least and most, in s.
const REACTION_S: (f64, f64) = (0.08, 0.22);

/// The hands, and what they are about to do.
pub(super) struct SimulatedHands<'a> {
    stage: &'a Stage,
    scenario: &'a Scenario,
    out: Out,
    chance: Seed,
    doing: Option<Doing>,
}

struct Doing {
    at: Stamp,
    command: Option<Command>,
    reply: Reply,
    words: String,
}

impl<'a> SimulatedHands<'a> {
    /// Hands in this house.
    pub(super) fn new(stage: &'a Stage, scenario: &'a Scenario, out: Out) -> Self {
        Self { stage, scenario, out, chance: Seed::named(scenario.seed, "hands"), doing: None }
    }

    /// What a prompt means in this house: a command, and how the hands put it. Nothing where there is no such thing.
    fn means(&self, ask: &Ask) -> Option<(Option<Command>, String)> {
        let state = |on: bool| if on { "on" } else { "off" };
        Some(match ask {
            Ask::Ready => (None, "ready".to_owned()),
            Ask::Load { name, on } => {
                (Some(Command::Load(self.scenario.load_of(name)?, *on)), format!("{name} {}", state(*on)))
            }
            Ask::Plant { name, on } => {
                (Some(Command::Plant(self.scenario.plant_of(name)?, *on)), format!("{name} {}", state(*on)))
            }
            Ask::Signal { plant, on } => {
                let index = self.scenario.plant_of(plant)?;
                (Some(Command::Signal(index, *on)), format!("steering signal of {plant} {}", state(*on)))
            }
            Ask::StorageIdle { plant } => {
                let index = self.scenario.plant_of(plant)?;
                (Some(Command::Charge(index, 1.0)), format!("{plant} is full"))
            }
        })
    }
}

impl Hands for SimulatedHands<'_> {
    fn types(&self) -> bool {
        false
    }

    fn ask(&mut self, now: Stamp, prompt: &Prompt) {
        self.out.note(&format!("  instrument   {}", prompt.text));
        let at = now + Span::from_seconds(self.chance.between(REACTION_S.0, REACTION_S.1));
        self.doing = Some(match self.means(&prompt.ask) {
            Some((command, words)) => Doing { at, command, reply: Reply::Done, words },
            None => Doing { at, command: None, reply: Reply::Skip, words: "cannot do that".to_owned() },
        });
    }

    fn reply(&mut self, now: Stamp, _typed: Option<&str>) -> Option<Reply> {
        let doing = self.doing.take_if(|doing| doing.at <= now)?;
        if let Some(command) = &doing.command {
            self.stage.command(command);
        }
        self.out.note(&format!("  hands        {}", doing.words));
        Some(doing.reply)
    }

    fn tell(&mut self, text: &str) {
        self.out.note(&format!("  instrument   {}", text.trim_start_matches([' ', '-'])));
    }
}
