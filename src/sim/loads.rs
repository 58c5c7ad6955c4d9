//! Everything that draws current: how it is connected, and what it draws at which voltage.

use super::phasor::Phasor;
use super::scenario::{Appliance, Base, RealLoad};
use super::seed::{Seed, Wander};
use crate::base::Phase;
use crate::profile::Placement;

/// How something is connected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hookup {
    /// From these lines to neutral (without a neutral: in star), in equal parts.
    Lines([bool; 3]),
    /// Between two lines.
    Between(usize, usize),
}

impl Hookup {
    /// From a placement of the site's files; balanced means all `lines` of the site.
    pub fn of(placement: Placement, lines: usize) -> Self {
        match placement {
            Placement::Line(phase) => {
                let at = phase.line_index().unwrap_or(0);
                Self::Lines(std::array::from_fn(|line| line == at))
            }
            Placement::Between(Phase::L2L3) => Self::Between(1, 2),
            Placement::Between(Phase::L3L1) => Self::Between(2, 0),
            Placement::Between(_) => Self::Between(0, 1),
            Placement::Balanced => Self::Lines(std::array::from_fn(|line| line < lines)),
        }
    }

    /// Those lines, by index.
    pub fn on(lines: &[usize]) -> Self {
        Self::Lines(std::array::from_fn(|line| lines.contains(&line)))
    }
}

/// What something draws at a moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Draw {
    /// The same power at any voltage, W + j var, positive drawn.
    Power(Phasor),
    /// A power stated at a voltage (V across it), following its square.
    Impedance(Phasor, f64),
}

/// Something with a current of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    /// Its name; meters may miss it by that.
    pub name: String,
    /// How it is connected.
    pub hookup: Hookup,
    /// What it draws now.
    pub draw: Draw,
    /// Its current on each line, out of the network, in A.
    pub amps: [Phasor; 3],
}

impl Item {
    /// Connected, drawing nothing.
    pub fn new(name: impl Into<String>, hookup: Hookup) -> Self {
        Self { name: name.into(), hookup, draw: Draw::Power(Phasor::ZERO), amps: [Phasor::ZERO; 3] }
    }

    /// Works out its currents at these line voltages (to neutral, in V).
    pub fn work(&mut self, volts: &[Phasor; 3]) {
        self.amps = [Phasor::ZERO; 3];
        match self.hookup {
            Hookup::Lines(on) => {
                let share = 1.0 / on.iter().filter(|on| **on).count().max(1) as f64;
                for line in 0..3 {
                    if on[line] {
                        self.amps[line] = self.draw.at(volts[line]).scaled(share).current_at(volts[line]);
                    }
                }
            }
            Hookup::Between(one, other) => {
                let across = volts[one] - volts[other];
                let amps = self.draw.at(across).current_at(across);
                self.amps[one] = amps;
                self.amps[other] = -amps;
            }
        }
    }
}

impl Draw {
    fn at(self, across: Phasor) -> Phasor {
        match self {
            Self::Power(power) => power,
            Self::Impedance(power, rated_v) => power.scaled(across.square() / (rated_v * rated_v)),
        }
    }
}

/// Reactive power of a lagging load, in var.
fn lagging(active_w: f64, power_factor: f64) -> f64 {
    let cos = power_factor.clamp(0.01, 1.0);
    active_w * (1.0 - cos * cos).sqrt() / cos
}

/// The part of the household that always runs.
#[derive(Clone, Debug, PartialEq)]
pub struct BaseLoad {
    base: Base,
    noise: Wander,
}

impl BaseLoad {
    /// With its own chance.
    pub fn new(base: &Base, seed: u64, number: usize) -> Self {
        let seed = Seed::named(seed, &format!("base {number}"));
        Self { noise: Wander::new(seed, base.noise_w, base.noise_s), base: base.clone() }
    }

    /// Goes on by a step; never below nothing.
    pub fn step(&mut self, step_s: f64) -> Draw {
        let active = (self.base.power_w + self.noise.step(step_s)).max(0.0);
        Draw::Power(Phasor::new(active, lagging(active, self.base.power_factor)))
    }
}

/// Something that switches by itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Cycling {
    appliance: Appliance,
    seed: Seed,
    on: bool,
    since_s: f64,
    until_s: f64,
}

impl Cycling {
    /// With its own chance, somewhere in its cycle.
    pub fn new(appliance: &Appliance, seed: u64) -> Self {
        let mut seed = Seed::named(seed, &format!("appliance {}", appliance.name));
        let cycle_s = appliance.on_s + appliance.off_s;
        let on = seed.happens(appliance.on_s / cycle_s.max(1e-9));
        let length_s = if on { appliance.on_s } else { appliance.off_s };
        let since_s = seed.between(appliance.surge_s.min(length_s), length_s);
        Self { appliance: appliance.clone(), until_s: length_s, since_s, on, seed }
    }

    /// Goes on by a step.
    pub fn step(&mut self, step_s: f64) -> Draw {
        self.since_s += step_s;
        if self.since_s >= self.until_s {
            self.on = !self.on;
            self.since_s = 0.0;
            let mean_s = if self.on { self.appliance.on_s } else { self.appliance.off_s };
            self.until_s = mean_s * self.seed.between(0.7, 1.3);
        }
        if !self.on {
            return Draw::Power(Phasor::ZERO);
        }
        let surge = if self.since_s < self.appliance.surge_s { self.appliance.surge } else { 1.0 };
        let active = self.appliance.power_w * surge;
        Draw::Power(Phasor::new(active, lagging(active, self.appliance.power_factor)))
    }
}

/// What a known load draws.
pub fn known(load: &RealLoad, on: bool) -> Draw {
    let power = if on { Phasor::new(load.active_w, load.reactive_var) } else { Phasor::ZERO };
    if load.resistive { Draw::Impedance(power, load.rated_v) } else { Draw::Power(power) }
}
