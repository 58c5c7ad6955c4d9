//! The world: everything of a scenario, stepped through time. It depends on the scenario, its seed and the commands given, and
//! on nothing else; how the time is cut into calls of [`World::advance`] makes no difference.

use std::collections::VecDeque;

use super::command::Command;
use super::inverter::{Inverter, Steering};
use super::loads::{BaseLoad, Cycling, Draw, Hookup, Item, known};
use super::meter::SimMeter;
use super::phasor::Phasor;
use super::scenario::{Event, Scenario, Spot};
use super::site::Feed;
use crate::base::{Span, Stamp};
use crate::profile::Door;

/// What is true at an instant: the model that verdicts are checked against.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// When.
    pub at: Stamp,
    /// Voltage of each line to neutral, in V.
    pub volts: [f64; 3],
    /// Active power of each line at the grid connection, import positive, in W.
    pub active_w: [f64; 3],
    /// Reactive power of each line, inductive positive, in var.
    pub reactive_var: [f64; 3],
    /// What each plant delivers, in W.
    pub plants_w: Vec<f64>,
}

impl Truth {
    /// Power of all lines, import positive, in W.
    pub fn total_w(&self) -> f64 {
        self.active_w[0] + self.active_w[1] + self.active_w[2]
    }

    /// Export of all lines together, in W.
    pub fn export_w(&self) -> f64 {
        (-self.total_w()).max(0.0)
    }
}

/// A simulated site.
#[derive(Clone, Debug, PartialEq)]
pub struct World {
    scenario: Scenario,
    now: Stamp,
    feed: Feed,
    base: Vec<BaseLoad>,
    cycling: Vec<Cycling>,
    loads_on: Vec<bool>,
    plants: Vec<Inverter>,
    meters: Vec<SimMeter>,
    /// Base loads, appliances, known loads, plants, in this order.
    items: Vec<Item>,
    events: VecDeque<Event>,
    lines: Vec<Door>,
    trace: Option<(Span, Stamp, Vec<Truth>)>,
}

impl World {
    /// The scenario at its start, with another seed than its own where one is given.
    pub fn new(scenario: &Scenario, seed: Option<u64>) -> Self {
        let scenario = Scenario { seed: seed.unwrap_or(scenario.seed), ..scenario.clone() };
        let lines = scenario.site.lines().len();
        let start = scenario.start;
        let numbered = scenario.base.iter().enumerate();
        let base = numbered.map(|(n, base)| BaseLoad::new(base, scenario.seed, n)).collect();
        let cycling = scenario.appliances.iter().map(|one| Cycling::new(one, scenario.seed)).collect();
        let plants = scenario.plants.iter().map(|plant| Inverter::new(plant, scenario.seed)).collect();
        let described = scenario.meters.iter().zip(&scenario.site.meters).zip(&scenario.profiles);
        let meters = described
            .map(|((real, meter), profile)| {
                SimMeter::new(real, meter, profile, lines, (scenario.seed, start, scenario.step))
            })
            .collect();
        let mut doors: Vec<Door> = Vec::new();
        for meter in &scenario.site.meters {
            if !doors.contains(&meter.line.door) {
                doors.push(meter.line.door.clone());
            }
        }
        let mut world = Self {
            now: start,
            feed: Feed::new(&scenario),
            base,
            cycling,
            loads_on: scenario.loads.iter().map(|load| load.on).collect(),
            plants,
            meters,
            items: items_of(&scenario, lines),
            events: scenario.events.iter().cloned().collect(),
            lines: doors,
            trace: None,
            scenario,
        };
        world.tick();
        world
    }

    /// The scenario it was made from.
    pub const fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// The instant it stands at.
    pub const fn now(&self) -> Stamp {
        self.now
    }

    /// The lines its meters hang on, in the order of the site file.
    pub fn lines(&self) -> &[Door] {
        &self.lines
    }

    /// Goes on to the last whole step before an instant; never back.
    pub fn advance(&mut self, to: Stamp) {
        while self.now + self.scenario.step <= to {
            self.now += self.scenario.step;
            self.tick();
        }
    }

    /// Keeps what is true, from now on, as often as this.
    pub fn keep_truth(&mut self, every: Span) {
        self.trace = Some((every.max(self.scenario.step), self.now, Vec::new()));
    }

    /// What was kept.
    pub fn kept_truth(&self) -> &[Truth] {
        self.trace.as_ref().map_or(&[], |(_, _, kept)| kept)
    }

    /// What is true now.
    pub fn truth(&self) -> Truth {
        let powers = self.feed.powers();
        Truth {
            at: self.now,
            volts: self.feed.volts.map(Phasor::size),
            active_w: powers.map(|power| power.re),
            reactive_var: powers.map(|power| power.im),
            plants_w: self.plants.iter().map(|plant| plant.output_w).collect(),
        }
    }

    /// Switches a known load, by name; whether there is one.
    pub fn switch(&mut self, load: &str, on: bool) -> bool {
        match self.scenario.load_of(load) {
            Some(index) => {
                self.command(&Command::Load(index, on));
                true
            }
            None => false,
        }
    }

    /// Does something to it; it shows in the next step.
    pub fn command(&mut self, command: &Command) {
        match *command {
            Command::Load(load, on) => set(&mut self.loads_on, load, |state| *state = on),
            Command::Plug(load, place) => {
                let first = self.items.len() - self.scenario.plants.len() - self.scenario.loads.len();
                let hookup = Hookup::of(place, self.scenario.site.lines().len());
                set(&mut self.items, first + load, |item| item.hookup = hookup);
            }
            Command::Plant(plant, on) => set(&mut self.plants, plant, |plant| plant.on = on),
            Command::Signal(plant, on) => set(&mut self.plants, plant, |plant| plant.signal = on),
            Command::Control(plant, on) => set(&mut self.plants, plant, |plant| plant.controlled = on),
            Command::Sun(plant, share) => set(&mut self.plants, plant, |plant| plant.sun = share),
            Command::Charge(plant, share) => set(&mut self.plants, plant, |plant| plant.soc = share),
            Command::Meter(meter, on) => set(&mut self.meters, meter, |meter| meter.on = on),
            Command::Turn(meter, channel) => self.rewire(meter, |wires| {
                set(wires, channel, |wire| wire.reversed = !wire.reversed);
            }),
            Command::Put(meter, channel, place) => {
                self.rewire(meter, |wires| set(wires, channel, |wire| wire.conductor = place));
            }
            Command::Swap(meter, one, other) => self.rewire(meter, |wires| {
                if let (Some(a), Some(b)) = (wires.get(one).copied(), wires.get(other).copied()) {
                    set(wires, one, |wire| *wire = super::scenario::Channel { voltage: a.voltage, ..b });
                    set(wires, other, |wire| *wire = super::scenario::Channel { voltage: b.voltage, ..a });
                }
            }),
        }
    }

    fn rewire(&mut self, meter: usize, change: impl FnOnce(&mut [super::scenario::Channel])) {
        if let Some(meter) = self.meters.get_mut(meter) {
            change(&mut meter.real.channels);
        }
    }

    /// Whether a known load runs.
    pub fn is_on(&self, load: usize) -> bool {
        self.loads_on.get(load).copied().unwrap_or(false)
    }

    /// The answer of the meter with this unit address on a line to a question (function code and data), out of the
    /// registers as they stand. Nothing where no meter answers.
    pub fn answer(&self, line: usize, unit: u8, pdu: &[u8]) -> Option<Vec<u8>> {
        let meter = self.meter_at(line, unit)?;
        meter.on.then(|| super::answer::answer(meter, pdu))
    }

    /// Whether a meter of this unit address hangs on a line, answering or not.
    pub fn has_unit(&self, line: usize, unit: u8) -> bool {
        self.meter_at(line, unit).is_some()
    }

    /// From the end of a question to the start of the answer of that meter.
    pub fn turnaround(&self, line: usize, unit: u8) -> Span {
        self.meter_at(line, unit).map_or(Span::ZERO, |meter| meter.real.turnaround)
    }

    /// The meters, in the order of the site file.
    pub fn meters(&self) -> &[SimMeter] {
        &self.meters
    }

    /// The plants, in the order of the site file.
    pub fn plants(&self) -> &[Inverter] {
        &self.plants
    }

    fn meter_at(&self, line: usize, unit: u8) -> Option<&SimMeter> {
        let door = self.lines.get(line)?;
        let described = self.meters.iter().zip(&self.scenario.site.meters);
        described
            .filter(|(meter, site)| meter.unit == unit && site.line.door == *door)
            .map(|(meter, _)| meter)
            .next()
    }

    fn tick(&mut self) {
        let step = self.scenario.step;
        let step_s = step.seconds();
        let since = self.now - self.scenario.start;
        while self.events.front().is_some_and(|event| event.at <= since) {
            if let Some(event) = self.events.pop_front() {
                self.command(&event.command);
            }
        }
        let mut draws: Vec<Draw> = self.base.iter_mut().map(|base| base.step(step_s)).collect();
        draws.extend(self.cycling.iter_mut().map(|one| one.step(step_s)));
        draws.extend(self.scenario.loads.iter().zip(&self.loads_on).map(|(load, on)| known(load, *on)));
        for plant in &mut self.plants {
            let steering = plant.steers_by().and_then(|index| self.meters.get(index));
            let start = self.scenario.start;
            let shown = steering.filter(|meter| meter.on).map(|meter| {
                let (shown_w, to, window) = meter.shown_total();
                let to_s = to.seconds_since(start);
                // half a step of room, so that no rounding loses one
                Steering {
                    shown_w,
                    from_s: to_s - window.seconds() - step_s / 2.0,
                    to_s: to_s + step_s / 2.0,
                }
            });
            plant.step(since.seconds(), step_s, shown);
            draws.push(Draw::Power(Phasor::new(-plant.output_w, 0.0)));
        }
        for (item, draw) in self.items.iter_mut().zip(draws) {
            item.draw = draw;
        }
        self.feed.step(step_s, &mut self.items);
        let charge = self.plants.iter().map(|plant| plant.soc).fold(0.0, f64::max);
        for meter in &mut self.meters {
            let seen =
                seen_by(&meter.real, &self.items, self.scenario.loads.len(), self.scenario.plants.len());
            meter.step(self.now, step, &self.feed, &seen, charge);
        }
        self.note_truth();
    }

    fn note_truth(&mut self) {
        let Some((every, due, mut kept)) = self.trace.take() else { return };
        if self.now >= due {
            kept.push(self.truth());
            self.trace = Some((every, due + every, kept));
        } else {
            self.trace = Some((every, due, kept));
        }
    }
}

fn set<T>(list: &mut [T], index: usize, change: impl FnOnce(&mut T)) {
    if let Some(one) = list.get_mut(index) {
        change(one);
    }
}

fn items_of(scenario: &Scenario, lines: usize) -> Vec<Item> {
    let base = scenario.base.iter().map(|base| Item::new("", Hookup::of(base.placement, lines)));
    let cycling =
        scenario.appliances.iter().map(|one| Item::new(&*one.name, Hookup::of(one.placement, lines)));
    let loads = scenario.loads.iter().map(|load| Item::new(&*load.name, Hookup::of(load.placement, lines)));
    let plants = scenario.plants.iter().map(|plant| Item::new(&*plant.name, Hookup::on(&plant.lines)));
    base.chain(cycling).chain(loads).chain(plants).collect()
}

/// The things whose current goes through a meter's CTs; the last of the items are loads and plants.
fn seen_by<'a>(
    real: &super::scenario::RealMeter,
    items: &'a [Item],
    loads: usize,
    plants: usize,
) -> Vec<&'a Item> {
    let first_plant = items.len() - plants;
    match real.spot {
        Spot::Plant(index) => items.get(first_plant + index).into_iter().collect(),
        Spot::Load(index) => items.get(first_plant - loads + index).into_iter().collect(),
        Spot::Grid => {
            items.iter().filter(|item| item.name.is_empty() || !real.misses.contains(&item.name)).collect()
        }
    }
}

#[cfg(test)]
mod tests;
