//! A meter as it is wired: channels, averaging, renewal, counters, and the register image it shows.

use std::collections::VecDeque;

use super::loads::Item;
use super::phasor::Phasor;
use super::registers::{Image, Makeup};
use super::scenario::{Channel, Conductor, RealMeter};
use super::seed::Seed;
use super::site::Feed;
use crate::base::{Phase, PointKey, Quantity, Span, Stamp};
use crate::profile::{Meter, Netting, Point, PowerFactorSign, Profile, SiteRatio};

/// What the channels see in one step.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Sight {
    /// Squares of the voltages to neutral.
    volts2: [f64; 3],
    /// Squares of the voltages between lines: L1-L2, L2-L3, L3-L1.
    between2: [f64; 3],
    /// Squares of the currents, and of their sum in the neutral.
    amps2: [f64; 4],
    /// Powers, W + j var.
    power: [Phasor; 3],
    hertz: f64,
}

/// Values averaged over a window, as the meter knows them: signed, import positive by its own wiring.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shown {
    /// To neutral, in V.
    pub volts: [f64; 3],
    /// L1-L2, L2-L3, L3-L1, in V.
    pub between: [f64; 3],
    /// Lines and neutral, in A.
    pub amps: [f64; 4],
    /// W + j var.
    pub power: [Phasor; 3],
    /// In Hz.
    pub hertz: f64,
}

/// Energy counted by one channel or by the whole meter, in Wh and varh: import, export.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Counters {
    active: [f64; 2],
    reactive: [f64; 2],
}

/// A meter at work.
#[derive(Clone, Debug, PartialEq)]
pub struct SimMeter {
    /// How it is wired; commands change it.
    pub real: RealMeter,
    /// Whether it answers.
    pub on: bool,
    /// Its unit address.
    pub unit: u8,
    /// What it shows.
    pub image: Image,
    profile: Profile,
    lines: usize,
    netting: Netting,
    makeup_ratios: [f64; 2],
    seed: Seed,
    past: VecDeque<Sight>,
    keep: usize,
    due: Vec<(Span, Stamp)>,
    channels: [Counters; 3],
    total: Counters,
    shown_total: (f64, Stamp, Span),
    charge: f64,
    started: bool,
}

impl SimMeter {
    /// Before its first step. Its renewals fall where its chance puts them.
    pub fn new(
        real: &RealMeter,
        meter: &Meter,
        profile: &Profile,
        lines: usize,
        world: (u64, Stamp, Span),
    ) -> Self {
        let (seed, start, step) = world;
        let mut seed = Seed::named(seed, &format!("meter {}", real.name));
        let mut spans: Vec<Span> = profile.points.iter().map(|point| renewal(real, profile, point)).collect();
        spans.sort();
        spans.dedup();
        let due = spans
            .into_iter()
            .map(|span| (span, start + Span::from_seconds(span.seconds() * seed.unit())))
            .collect();
        let longest = profile.points.iter().map(|point| window(real, profile, point)).max().unwrap_or(step);
        let mut made = Self {
            real: real.clone(),
            on: real.on,
            unit: meter.unit.unwrap_or(profile.unit),
            image: Image::default(),
            profile: profile.clone(),
            lines,
            netting: meter.netting,
            makeup_ratios: [meter.ct_ratio.unwrap_or(1.0), meter.vt_ratio.unwrap_or(1.0)],
            seed,
            past: VecDeque::new(),
            keep: steps(longest, step),
            due,
            channels: [Counters::default(); 3],
            total: Counters { active: real.counted_wh, reactive: [0.0; 2] },
            shown_total: (0.0, start, Span::ZERO),
            charge: 0.0,
            started: false,
        };
        for counters in made.channels.iter_mut().take(lines) {
            counters.active = real.counted_wh.map(|wh| wh / lines as f64);
        }
        made.put_settings();
        made
    }

    /// Power it shows in sum, import positive by its own wiring, in W; when it was renewed, and what it is a mean over.
    pub const fn shown_total(&self) -> (f64, Stamp, Span) {
        self.shown_total
    }

    /// How the profile says it wants to be read and what it is called.
    pub const fn profile(&self) -> &Profile {
        &self.profile
    }

    /// Sees what stands on its conductors in this step, counts, and renews what is due.
    pub fn step(&mut self, now: Stamp, step: Span, feed: &Feed, items: &[&Item], charge: f64) {
        self.charge = charge;
        let sight = self.look(feed, items);
        self.count(&sight, step);
        if self.past.len() >= self.keep {
            self.past.pop_front();
        }
        self.past.push_back(sight);
        let mut renew = Vec::new();
        let first = !std::mem::replace(&mut self.started, true);
        for (span, at) in &mut self.due {
            // at its very start it shows what it sees at once
            if first || *at <= now {
                renew.push(*span);
                while *at <= now {
                    *at += (*span).max(step);
                }
            }
        }
        if !renew.is_empty() {
            self.renew(&renew, now, step);
        }
    }

    fn look(&self, feed: &Feed, items: &[&Item]) -> Sight {
        let mut lines = [Phasor::ZERO; 3];
        for item in items {
            for (sum, amps) in lines.iter_mut().zip(item.amps) {
                *sum += amps;
            }
        }
        let neutral = -(lines[0] + lines[1] + lines[2]);
        let mut sight = Sight { hertz: feed.frequency_hz(), ..Sight::default() };
        let mut leads = [Phasor::ZERO; 3];
        let mut sum = Phasor::ZERO;
        for (j, channel) in self.real.channels.iter().enumerate().take(self.lines) {
            let volts = feed.volts[channel.voltage.min(2)];
            let amps = through(channel, &lines, neutral);
            sum += amps;
            leads[j] = volts;
            sight.volts2[j] = volts.square();
            sight.amps2[j] = amps.square();
            sight.power[j] = volts * amps.conj();
        }
        sight.amps2[3] = sum.square();
        for (k, (one, other)) in [(0, 1), (1, 2), (2, 0)].into_iter().enumerate() {
            sight.between2[k] = (leads[one] - leads[other]).square();
        }
        sight
    }

    fn count(&mut self, sight: &Sight, step: Span) {
        let hours = step.seconds() / 3600.0;
        let add = |counters: &mut Counters, power: Phasor| {
            counters.active[usize::from(power.re < 0.0)] += power.re.abs() * hours;
            counters.reactive[usize::from(power.im < 0.0)] += power.im.abs() * hours;
        };
        for j in 0..self.lines {
            add(&mut self.channels[j], sight.power[j]);
            if self.netting == Netting::Phase {
                add(&mut self.total, sight.power[j]);
            }
        }
        if self.netting != Netting::Phase {
            add(&mut self.total, sight.power[0] + sight.power[1] + sight.power[2]);
        }
    }

    /// Puts new values into the registers of all points that are renewed at one of these spans.
    fn renew(&mut self, spans: &[Span], now: Stamp, step: Span) {
        let points: Vec<Point> = self
            .profile
            .points
            .iter()
            .filter(|point| spans.contains(&renewal(&self.real, &self.profile, point)))
            .cloned()
            .collect();
        let mut known: Vec<(usize, Shown)> = Vec::new();
        for point in &points {
            let count = steps(window(&self.real, &self.profile, point), step);
            let shown = known.iter().find(|(other, _)| *other == count).map(|(_, shown)| *shown);
            let shown = shown.unwrap_or_else(|| {
                let shown = self.average(count);
                known.push((count, shown));
                shown
            });
            if is_power(point) {
                let total_w = shown.power.iter().map(|power| power.re).sum();
                self.shown_total = (total_w, now, step * count.saturating_sub(1) as i64);
            }
            let value = self.value(point, &shown).map(|value| floored(point, value));
            let makeup = self.makeup(point);
            self.image.put(point, value, makeup);
        }
    }

    fn average(&mut self, count: usize) -> Shown {
        let count = count.clamp(1, self.past.len().max(1));
        let mut sum = Sight::default();
        for sight in self.past.iter().rev().take(count) {
            for j in 0..3 {
                sum.volts2[j] += sight.volts2[j];
                sum.between2[j] += sight.between2[j];
                sum.power[j] += sight.power[j];
            }
            for j in 0..4 {
                sum.amps2[j] += sight.amps2[j];
            }
            sum.hertz += sight.hertz;
        }
        let share = 1.0 / count as f64;
        let root = |square: f64| (square * share).sqrt();
        let mut shown = Shown {
            volts: sum.volts2.map(root),
            between: sum.between2.map(root),
            amps: sum.amps2.map(root),
            power: sum.power.map(|power| power.scaled(share)),
            hertz: sum.hertz * share,
        };
        if self.real.noise_w > 0.0 {
            for power in shown.power.iter_mut().take(self.lines) {
                *power += Phasor::new(self.seed.normal(), self.seed.normal()).scaled(self.real.noise_w);
            }
        }
        shown
    }

    fn value(&self, point: &Point, shown: &Shown) -> Option<f64> {
        let (quantity, phase) = match &point.key {
            PointKey::Of(quantity, phase) => (*quantity, *phase),
            PointKey::Other(name) if !self.real.shows.contains_key(name) && name.contains("charge") => {
                return Some(self.charge * if point.unit_word == "%" { 100.0 } else { 1.0 });
            }
            PointKey::Other(name) | PointKey::Setting(name) => return self.real.shows.get(name).copied(),
        };
        let counters = match phase.line_index() {
            Some(line) => self.channels[line],
            None => self.total,
        };
        match quantity {
            Quantity::EnergyImport => return Some(counters.active[0]),
            Quantity::EnergyExport => return Some(counters.active[1]),
            Quantity::ReactiveEnergyImport => return Some(counters.reactive[0]),
            Quantity::ReactiveEnergyExport => return Some(counters.reactive[1]),
            _ => {}
        }
        if phase.line_index().is_some_and(|line| line >= self.lines) {
            return None;
        }
        shown_value(quantity, phase, point.power_factor_sign, shown, self.lines)
    }

    fn makeup(&self, point: &Point) -> Makeup {
        let ratio = |ratio: &SiteRatio| match ratio {
            SiteRatio::Ct => self.makeup_ratios[0],
            SiteRatio::Vt => self.makeup_ratios[1],
        };
        Makeup {
            exponent: self.real.exponent,
            factor: self.real.factor,
            ratios: point.multiply.iter().map(ratio).product(),
        }
    }

    fn put_settings(&mut self) {
        for point in self.profile.settings.clone() {
            let value = match &point.key {
                PointKey::Setting(name) => self.real.shows.get(name).copied(),
                _ => None,
            };
            let makeup = self.makeup(&point);
            self.image.put(&point, Some(value.unwrap_or(1.0)), makeup);
        }
    }
}

/// The current of a channel's CT.
fn through(channel: &Channel, lines: &[Phasor; 3], neutral: Phasor) -> Phasor {
    let amps = match channel.conductor {
        Conductor::Line(line) => lines[line.min(2)],
        Conductor::Neutral => neutral,
        Conductor::None => Phasor::ZERO,
    };
    let sign = if channel.reversed { -1.0 } else { 1.0 };
    amps * Phasor::polar(channel.gain * sign, channel.angle_deg)
}

fn shown_value(
    quantity: Quantity,
    phase: Phase,
    sign: PowerFactorSign,
    shown: &Shown,
    lines: usize,
) -> Option<f64> {
    let power = match phase.line_index() {
        Some(line) => shown.power[line],
        None => shown.power[0] + shown.power[1] + shown.power[2],
    };
    let line = phase.line_index();
    let mean = |values: &[f64]| values.iter().take(lines).sum::<f64>() / lines as f64;
    match quantity {
        Quantity::Voltage => match phase {
            Phase::L1L2 => Some(shown.between[0]),
            Phase::L2L3 => Some(shown.between[1]),
            Phase::L3L1 => Some(shown.between[2]),
            _ => Some(line.map_or_else(|| mean(&shown.volts), |line| shown.volts[line])),
        },
        Quantity::Current if phase == Phase::N => Some(shown.amps[3]),
        Quantity::Current => {
            Some(line.map_or_else(|| shown.amps.iter().take(lines).sum(), |line| shown.amps[line]))
        }
        Quantity::ActivePower => Some(power.re),
        Quantity::ActivePowerImport => Some(power.re.max(0.0)),
        Quantity::ActivePowerExport => Some((-power.re).max(0.0)),
        Quantity::ReactivePower => Some(power.im),
        Quantity::ApparentPower => Some(power.size()),
        Quantity::PowerFactor => Some(power_factor(power, sign)),
        Quantity::PhaseAngle => Some(libm::atan2(power.im, power.re).to_degrees()),
        Quantity::Frequency => Some(shown.hertz),
        _ => None,
    }
}

/// P / S: with the sign of P, or minus lagging and plus leading whatever way the power flows (facts 4.4).
fn power_factor(power: Phasor, sign: PowerFactorSign) -> f64 {
    let size = power.size();
    if size < 1e-9 {
        return 1.0;
    }
    let cos = power.re / size;
    match sign {
        PowerFactorSign::Iec => cos,
        // lagging: quadrants I and III, where P and Q have the same sign
        PowerFactorSign::LagLead if power.re * power.im > 0.0 => -cos.abs(),
        PowerFactorSign::LagLead => cos.abs(),
    }
}

fn floored(point: &Point, value: f64) -> f64 {
    if point.floor_w.is_some_and(|floor_w| is_power(point) && value.abs() < floor_w) { 0.0 } else { value }
}

fn is_power(point: &Point) -> bool {
    matches!(
        point.key,
        PointKey::Of(Quantity::ActivePower | Quantity::ActivePowerImport | Quantity::ActivePowerExport, _)
    )
}

fn renewal(real: &RealMeter, profile: &Profile, point: &Point) -> Span {
    real.update.unwrap_or_else(|| profile.update_of(point)).max(Span::from_millis(1))
}

fn window(real: &RealMeter, profile: &Profile, point: &Point) -> Span {
    real.averaging.unwrap_or_else(|| profile.averaging_of(point))
}

/// How many steps a window takes, at least one.
fn steps(window: Span, step: Span) -> usize {
    (window.nanos() / step.nanos().max(1)).max(1) as usize
}

#[cfg(test)]
mod tests;
