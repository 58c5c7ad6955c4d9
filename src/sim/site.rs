//! The electrical side of a site: the network's voltage behind its impedance, and the currents of everything connected.
//! A power on a conductor is V conj(I) with V from line to neutral, positive drawn from the network.

use super::loads::Item;
use super::phasor::Phasor;
use super::scenario::{Scenario, Supply};
use super::seed::{Seed, Wander};
use crate::base::Network;

/// How often the voltages are worked out again in a step: each time makes the remaining error smaller by
/// current times impedance over voltage, some 5 % in a bad household.
const ROUNDS: usize = 4;

/// The feed of a site.
#[derive(Clone, Debug, PartialEq)]
pub struct Feed {
    supply: Supply,
    /// Voltage to neutral without load, in V.
    unloaded_v: f64,
    angles_deg: [f64; 3],
    lines: usize,
    neutral: bool,
    drift: [Wander; 3],
    frequency: Wander,
    /// Voltage of each line to neutral at the meter, in V; nothing on lines the site does not have.
    pub volts: [Phasor; 3],
    /// Current of each line, into the site, in A.
    pub amps: [Phasor; 3],
}

impl Feed {
    /// Without load.
    pub fn new(scenario: &Scenario) -> Self {
        let site = &scenario.site;
        let lines = site.lines().len();
        let neutral = site.network == Network::Wye;
        let unloaded_v = if neutral { site.nominal_v } else { site.nominal_v / 3.0_f64.sqrt() };
        let turn = if scenario.supply.reversed_sequence { -1.0 } else { 1.0 };
        let angles_deg = if lines == 2 { [0.0, 180.0, 0.0] } else { [0.0, -120.0 * turn, 120.0 * turn] };
        let supply = scenario.supply.clone();
        let drift = std::array::from_fn(|line| {
            let seed = Seed::named(scenario.seed, &format!("voltage {line}"));
            Wander::new(seed, supply.drift_v, supply.drift_s)
        });
        let frequency = Wander::new(Seed::named(scenario.seed, "frequency"), 0.015, 30.0);
        let mut feed = Self {
            supply,
            unloaded_v,
            angles_deg,
            lines,
            neutral,
            drift,
            frequency,
            volts: [Phasor::ZERO; 3],
            amps: [Phasor::ZERO; 3],
        };
        feed.volts = feed.unloaded();
        feed
    }

    fn unloaded(&self) -> [Phasor; 3] {
        std::array::from_fn(|line| {
            if line >= self.lines {
                return Phasor::ZERO;
            }
            let size = self.unloaded_v * self.supply.level[line] + self.drift[line].value();
            Phasor::polar(size.max(0.0), self.angles_deg[line])
        })
    }

    /// Frequency now, in Hz.
    pub fn frequency_hz(&self) -> f64 {
        self.supply.frequency_hz + self.frequency.value()
    }

    /// Goes on by a step: the network drifts, then voltages and currents find their balance.
    pub fn step(&mut self, step_s: f64, items: &mut [Item]) {
        for drift in &mut self.drift {
            drift.step(step_s);
        }
        self.frequency.step(step_s);
        self.balance(items);
    }

    /// Voltages and currents for what is connected now.
    pub fn balance(&mut self, items: &mut [Item]) {
        let unloaded = self.unloaded();
        let line_ohm = Phasor::new(self.supply.line_ohm[0], self.supply.line_ohm[1]);
        let neutral_ohm = Phasor::new(self.supply.neutral_ohm[0], self.supply.neutral_ohm[1]);
        for _ in 0..ROUNDS {
            self.amps = [Phasor::ZERO; 3];
            for item in items.iter_mut() {
                item.work(&self.volts);
                for line in 0..3 {
                    self.amps[line] += item.amps[line];
                }
            }
            let sum = self.amps[0] + self.amps[1] + self.amps[2];
            let neutral = if self.neutral { neutral_ohm * sum } else { Phasor::ZERO };
            for (line, unloaded) in unloaded.iter().enumerate().take(self.lines) {
                self.volts[line] = *unloaded - line_ohm * self.amps[line] - neutral;
            }
        }
    }

    /// Power on each line, W + j var, positive into the site.
    pub fn powers(&self) -> [Phasor; 3] {
        std::array::from_fn(|line| self.volts[line] * self.amps[line].conj())
    }
}
