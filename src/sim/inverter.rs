//! A plant: sun, clouds, a battery, and the control that steers by what its meter shows. With a CT turned round at that
//! meter it pushes the wrong way and runs off, as real ones do.

use std::collections::VecDeque;

use super::scenario::{Control, RealPlant};
use super::seed::Seed;

/// A plant at work.
#[derive(Clone, Debug, PartialEq)]
pub struct Inverter {
    plant: RealPlant,
    /// Whether it is switched on.
    pub on: bool,
    /// Whether the steering signal reaches it.
    pub signal: bool,
    /// Whether its control works.
    pub controlled: bool,
    /// The share the sun gives.
    pub sun: f64,
    /// How full the battery is, 0 to 1; 0 without one.
    pub soc: f64,
    /// Power delivered now, in W; negative while it charges from the network.
    pub output_w: f64,
    target_w: f64,
    sky: Sky,
    pending: VecDeque<(f64, f64)>,
    /// What it delivered, with the time, as far back as a meter may average.
    past: VecDeque<(f64, f64)>,
    next_look_s: f64,
    last_seen_s: f64,
}

/// What a steering meter shows, and what that is a mean over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Steering {
    /// Power of all lines, import positive by the meter's own wiring, in W.
    pub shown_w: f64,
    /// When the mean begins, in s since the world began.
    pub from_s: f64,
    /// When it ends.
    pub to_s: f64,
}

/// How far back outputs are kept, in s.
const MEMORY_S: f64 = 20.0;

/// Clouds passing.
#[derive(Clone, Debug, PartialEq)]
struct Sky {
    seed: Seed,
    covered: bool,
    until_s: f64,
    shade: f64,
}

impl Inverter {
    /// A plant at the start of its world, already delivering what the sun gives where nothing limits it.
    pub fn new(plant: &RealPlant, seed: u64) -> Self {
        let mut chance = Seed::named(seed, &format!("clouds {}", plant.name));
        let until_s = plant.clouds.map_or(f64::INFINITY, |clouds| exponential(&mut chance, clouds.every_s));
        let output_w = if plant.on && plant.control.is_none() { plant.sun * plant.rated_w } else { 0.0 };
        Self {
            on: plant.on,
            signal: true,
            controlled: plant.control.is_some(),
            sun: plant.sun,
            soc: plant.battery.map_or(0.0, |battery| battery.soc),
            output_w,
            target_w: output_w,
            sky: Sky { seed: chance, covered: false, until_s, shade: 0.0 },
            pending: VecDeque::new(),
            past: VecDeque::new(),
            next_look_s: 0.0,
            last_seen_s: 0.0,
            plant: plant.clone(),
        }
    }

    /// The meter it steers by.
    pub fn steers_by(&self) -> Option<usize> {
        self.plant.control.map(|control| control.meter)
    }

    /// Goes on by a step. `now_s` is the time since the world began; `shown` what the steering meter shows, or
    /// nothing where it is silent.
    pub fn step(&mut self, now_s: f64, step_s: f64, shown: Option<Steering>) {
        let sun_w = self.sun * self.plant.rated_w * (1.0 - self.shade(now_s, step_s));
        if !self.on {
            self.output_w = 0.0;
            self.target_w = 0.0;
            self.pending.clear();
            return;
        }
        let (charge_w, discharge_w) = self.battery_room();
        let highest_w = (sun_w + discharge_w).min(self.plant.rated_w);
        let lowest_w = -charge_w;
        match self.plant.control.filter(|_| self.controlled) {
            Some(control) => self.steer(&control, (now_s, step_s), shown, sun_w),
            None => self.target_w = sun_w,
        }
        let ramps = self.plant.control.map(|control| (control.ramp_w_per_s, control.ramp_up_w_per_s));
        let (down, up) = ramps.unwrap_or((f64::INFINITY, f64::INFINITY));
        let move_w = (self.target_w - self.output_w).clamp(-down * step_s, up * step_s);
        self.output_w = (self.output_w + move_w).clamp(lowest_w, highest_w);
        self.past.push_back((now_s, self.output_w));
        while self.past.front().is_some_and(|(at_s, _)| *at_s < now_s - MEMORY_S) {
            self.past.pop_front();
        }
        self.store(sun_w, step_s);
    }

    /// Looks at the meter when it is time, and acts on what it saw a dead time ago.
    fn steer(&mut self, control: &Control, (now_s, step_s): (f64, f64), shown: Option<Steering>, sun_w: f64) {
        if now_s + step_s / 2.0 >= self.next_look_s {
            self.next_look_s = now_s + control.period_s.max(step_s);
            if let Some(shown) = shown.filter(|_| self.signal) {
                self.last_seen_s = now_s;
                self.pending.push_back((now_s + control.dead_s, self.wanted(control, shown, sun_w)));
            }
        }
        while self.pending.front().is_some_and(|(due_s, _)| *due_s <= now_s + step_s / 2.0) {
            if let Some((_, target_w)) = self.pending.pop_front() {
                self.target_w = target_w;
            }
        }
        if control.stop_after_s.is_some_and(|stop_s| now_s - self.last_seen_s > stop_s) {
            self.target_w = self.target_w.min(0.0);
            self.pending.clear();
        }
    }

    /// The output that would put the shown power where it should be: with a battery to nothing, as far as that can charge and
    /// discharge; without one, or with more sun than it takes, to the export limit at most.
    fn wanted(&self, control: &Control, shown: Steering, sun_w: f64) -> f64 {
        let delivered_w = self.delivered(shown.from_s, shown.to_s);
        let shown_w = shown.shown_w;
        let at_limit_w = delivered_w + control.gain * (shown_w + control.limit_w - control.bias_w);
        let (charge_w, discharge_w) = self.battery_room();
        if self.plant.battery.is_none() {
            return at_limit_w.clamp(0.0, sun_w);
        }
        let balanced_w = delivered_w + control.gain * shown_w;
        let surplus_w = sun_w - charge_w;
        if balanced_w < surplus_w {
            at_limit_w.clamp(-charge_w, surplus_w.max(-charge_w))
        } else {
            balanced_w.min((sun_w + discharge_w).min(self.plant.rated_w))
        }
    }

    /// What it delivered while the meter looked, in W: what the meter shows now already holds what it did since.
    fn delivered(&self, from_s: f64, to_s: f64) -> f64 {
        let then = self.past.iter().filter(|(at_s, _)| (from_s..=to_s).contains(at_s));
        let (count, sum) = then.fold((0_usize, 0.0), |(count, sum), (_, watts)| (count + 1, sum + watts));
        if count == 0 { self.output_w } else { sum / count as f64 }
    }

    /// What the battery can take and give now, in W.
    fn battery_room(&self) -> (f64, f64) {
        self.plant.battery.map_or((0.0, 0.0), |battery| {
            let charge_w = if self.soc >= 1.0 { 0.0 } else { battery.charge_w };
            let discharge_w = if self.soc <= 0.0 { 0.0 } else { battery.discharge_w };
            (charge_w, discharge_w)
        })
    }

    /// What the sun gives and the site does not take goes into the battery, the rest is curtailed.
    fn store(&mut self, sun_w: f64, step_s: f64) {
        let Some(battery) = self.plant.battery else { return };
        let (charge_w, discharge_w) = self.battery_room();
        let into_w = (sun_w - self.output_w).clamp(-discharge_w, charge_w);
        self.soc = (self.soc + into_w * step_s / 3600.0 / battery.capacity_wh.max(1e-9)).clamp(0.0, 1.0);
    }

    fn shade(&mut self, now_s: f64, step_s: f64) -> f64 {
        let Some(clouds) = self.plant.clouds else { return 0.0 };
        if now_s >= self.sky.until_s {
            self.sky.covered = !self.sky.covered;
            let mean_s = if self.sky.covered { clouds.lasting_s } else { clouds.every_s };
            self.sky.until_s = now_s + exponential(&mut self.sky.seed, mean_s);
        }
        let goal = if self.sky.covered { clouds.depth } else { 0.0 };
        let most = clouds.depth * step_s / clouds.edge_s.max(step_s);
        self.sky.shade += (goal - self.sky.shade).clamp(-most, most);
        self.sky.shade
    }
}

fn exponential(seed: &mut Seed, mean_s: f64) -> f64 {
    -mean_s * libm::log(1.0 - seed.unit())
}
