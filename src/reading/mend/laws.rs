//! How far the values of one meter are from what physics allows, as a number that grows with the distance: 0 where all is
//! well, 1 and more for each law that is broken. The laws are those of `plausible`, with a measure in place of a sentence,
//! and those that need no sentence of their own: current and power factor against power, lines against each other.

use std::collections::BTreeMap;

use crate::base::{Network, Phase, PointKey, Quantity};
use crate::profile::{Profile, Site, Source, Type};
use crate::reading::plausible::step;

/// A law that the values break.
#[derive(Clone, Debug, PartialEq)]
pub struct Misfit {
    /// 1 and more.
    pub size: f64,
    /// Which law, as a fragment.
    pub law: &'static str,
    /// The points it is about.
    pub points: Vec<PointKey>,
}

/// Below this many VA nothing is compared (ours, as in `plausible`).
const LEAST: f64 = 20.0;

pub(super) type Values = BTreeMap<PointKey, f64>;

/// One reading on the bench.
pub(super) struct Bench<'a> {
    pub(super) profile: &'a Profile,
    pub(super) site: &'a Site,
    pub(super) values: &'a Values,
    pub(super) found: Vec<Misfit>,
    /// What is within its room counts a little, so that of two that fit the better one wins.
    pub(super) rest: f64,
}

impl Bench<'_> {
    fn value(&self, quantity: Quantity, phase: Phase) -> Option<f64> {
        self.values.get(&PointKey::Of(quantity, phase)).copied()
    }

    /// The smallest step of a point, 0 where it is a difference or a sum of others.
    fn step(&self, quantity: Quantity, phase: Phase) -> f64 {
        let key = PointKey::Of(quantity, phase);
        let value = self.values.get(&key).copied().unwrap_or(0.0);
        self.profile.point(&key).map_or(1.0, |point| step(self.profile, point, value))
    }

    fn law(&mut self, law: &'static str, off: f64, room: f64, points: &[(Quantity, Phase)]) {
        let ratio = if off.is_finite() { off.max(0.0) / room.max(1e-9) } else { 1e9 };
        if ratio <= 1.0 {
            self.rest += 0.05 * ratio;
            return;
        }
        let size = (1.0 + libm::log10(ratio)).min(3.0);
        let points = points.iter().map(|(quantity, phase)| PointKey::Of(*quantity, *phase)).collect();
        self.found.push(Misfit { size, law, points });
    }

    /// What is seldom and possible: one of them is no disagreement yet, several are.
    fn hint(&mut self, law: &'static str, off: f64, room: f64, points: &[(Quantity, Phase)]) {
        let before = self.found.len();
        self.law(law, off, room, points);
        for misfit in &mut self.found[before..] {
            misfit.size = 0.45;
        }
    }

    /// Volts times amperes much above the active power: possible where generation takes it away, hardly to this degree.
    fn far_above(&mut self, product: f64, active: f64, room: f64, points: &[(Quantity, Phase)]) {
        let law = "V I is not many times P";
        if 0.04 * product - active.abs() > room {
            self.law(law, 0.04 * product - active.abs(), room, points);
        } else {
            self.hint(law, 0.12 * product - active.abs(), room, points);
        }
    }

    /// All laws.
    pub(super) fn judge(&mut self) {
        self.sizes();
        self.voltages();
        for quantity in [Quantity::ActivePower, Quantity::ReactivePower] {
            self.sum(quantity);
        }
        for phase in self.site.lines().iter().copied().chain([Phase::Total]) {
            self.triangle(phase);
            self.power_factor(phase);
            self.angle(phase);
        }
        for phase in self.site.lines() {
            self.volts_amps(*phase);
        }
        self.total_amps();
    }

    /// Numbers that nothing has.
    fn sizes(&mut self) {
        let all: Vec<(PointKey, f64)> =
            self.values.iter().map(|(key, value)| (key.clone(), *value)).collect();
        for (key, value) in all {
            let PointKey::Of(quantity, phase) = key else { continue };
            let point = [(quantity, phase)];
            let most = match quantity {
                Quantity::Voltage => 1e4,
                Quantity::Current => 5e3,
                Quantity::Frequency => 65.0,
                Quantity::PowerFactor => 1.02 + self.step(quantity, phase),
                Quantity::PhaseAngle => 361.0,
                Quantity::EnergyImport
                | Quantity::EnergyExport
                | Quantity::ReactiveEnergyImport
                | Quantity::ReactiveEnergyExport => 1e12,
                _ => 1e7,
            };
            self.law("of a size that something has", value.abs(), most, &point);
            let positive = matches!(
                quantity,
                Quantity::Voltage | Quantity::Current | Quantity::ApparentPower | Quantity::Frequency
            ) || quantity.is_counter();
            if positive && value < 0.0 {
                self.law("never below zero", 2.0, 1.0, &point);
            }
            let float = self.profile.point(&PointKey::Of(quantity, phase)).is_some_and(|point| {
                matches!(&point.source, Source::Registers { kind: Type::F32 | Type::F64, .. })
            });
            if float && value != 0.0 && value.abs() < 1e-9 {
                self.law("of a size that something has", 100.0, 1.0, &point);
            }
            if quantity == Quantity::Frequency {
                let off = (value - 50.0).abs().min((value - 60.0).abs());
                self.law("near 50 or 60 Hz", off, 1.0 + self.step(quantity, phase), &point);
            }
        }
    }

    fn voltages(&mut self) {
        const ROOT_3: f64 = 1.732_050_807_568_877_2;
        let nominal = self.site.nominal_v;
        let lines: Vec<Phase> = self.site.lines().to_vec();
        for phase in Phase::ALL {
            let Some(value) = self.value(Quantity::Voltage, phase) else { continue };
            let between = matches!(phase, Phase::L1L2 | Phase::L2L3 | Phase::L3L1);
            let expected: &[f64] = match (self.site.network, between) {
                (Network::Delta, false) => &[nominal / ROOT_3, nominal],
                (Network::Wye, true) => &[nominal * if self.site.phases == 2 { 2.0 } else { ROOT_3 }],
                (Network::Wye, false) if phase == Phase::Total => &[nominal, nominal * ROOT_3],
                _ => &[nominal],
            };
            let off = expected.iter().map(|one| (value / one - 1.0).abs()).fold(f64::MAX, f64::min);
            self.law("near the nominal voltage", off, 0.17, &[(Quantity::Voltage, phase)]);
        }
        // The lines of one supply keep together more closely than each to the nominal voltage.
        let known: Vec<(Phase, f64)> =
            lines.iter().filter_map(|phase| Some((*phase, self.value(Quantity::Voltage, *phase)?))).collect();
        if known.len() > 1 {
            let mean = known.iter().map(|(_, value)| value).sum::<f64>() / known.len() as f64;
            for (phase, value) in known {
                let off = (value / mean - 1.0).abs();
                self.law("like the other lines", off, 0.08, &[(Quantity::Voltage, phase)]);
            }
        }
    }

    fn sum(&mut self, quantity: Quantity) {
        let lines: Vec<Phase> = self.site.lines().to_vec();
        let parts: Option<Vec<f64>> = lines.iter().map(|phase| self.value(quantity, *phase)).collect();
        let (Some(total), Some(parts)) = (self.value(quantity, Phase::Total), parts) else { return };
        if lines.len() < 2 && parts == [total] {
            return;
        }
        let sizes = parts.iter().map(|part| part.abs()).sum::<f64>();
        let steps: f64 = lines.iter().chain([&Phase::Total]).map(|phase| self.step(quantity, *phase)).sum();
        let off = (parts.iter().sum::<f64>() - total).abs();
        let room = 0.02 * sizes.max(total.abs()) + steps + 3.0;
        let points: Vec<(Quantity, Phase)> =
            lines.iter().chain([&Phase::Total]).map(|phase| (quantity, *phase)).collect();
        self.law("the phases add up to the total", off, room, &points);
    }

    fn triangle(&mut self, phase: Phase) {
        let of = |quantity| self.value(quantity, phase);
        let (Some(apparent), Some(active), Some(reactive)) =
            (of(Quantity::ApparentPower), of(Quantity::ActivePower), of(Quantity::ReactivePower))
        else {
            // Without reactive power S is no less than P all the same.
            if let (Some(apparent), Some(active)) = (of(Quantity::ApparentPower), of(Quantity::ActivePower)) {
                let steps =
                    self.step(Quantity::ApparentPower, phase) + self.step(Quantity::ActivePower, phase);
                let room = 0.03 * active.abs() + steps + 5.0;
                let points = [(Quantity::ApparentPower, phase), (Quantity::ActivePower, phase)];
                self.law("S is no less than P", active.abs() - apparent, room, &points);
                if apparent > 100.0 && (phase != Phase::Total || self.site.lines().len() == 1) {
                    self.hint("S is not many times P", 0.12 * apparent - active.abs(), room, &points);
                }
            }
            return;
        };
        let least = libm::hypot(active, reactive);
        let steps: f64 = [Quantity::ApparentPower, Quantity::ActivePower, Quantity::ReactivePower]
            .into_iter()
            .map(|quantity| self.step(quantity, phase))
            .sum();
        let room = 0.03 * least.max(apparent) + steps + 5.0;
        let points = [
            (Quantity::ApparentPower, phase),
            (Quantity::ActivePower, phase),
            (Quantity::ReactivePower, phase),
        ];
        let off = (least - apparent).max(0.5 * apparent - least);
        // Harmonics and unlike phases make S larger; of two that hold, the one that is nearer wins.
        self.rest += 0.02 * ((apparent - least).abs() / room).min(5.0);
        self.law("S² = P² + Q²", off, room, &points);
    }

    /// Volts times amperes where the meter has both, with the step they leave open.
    fn product(&self, phase: Phase) -> Option<(f64, f64)> {
        let (volts, amps) = (self.value(Quantity::Voltage, phase)?, self.value(Quantity::Current, phase)?);
        let steps = volts.abs() * self.step(Quantity::Current, phase)
            + amps.abs() * self.step(Quantity::Voltage, phase);
        Some((volts * amps.abs(), steps))
    }

    fn volts_amps(&mut self, phase: Phase) {
        if self.site.network == Network::Delta {
            return;
        }
        let Some((product, steps)) = self.product(phase) else { return };
        let own = [(Quantity::Voltage, phase), (Quantity::Current, phase)];
        let with = |quantity| [own[0], own[1], (quantity, phase)];
        let room = 0.04 * product.abs() + steps + 8.0;
        if let Some(apparent) = self.value(Quantity::ApparentPower, phase) {
            let room = room + self.step(Quantity::ApparentPower, phase);
            self.law("S = V I", (apparent - product).abs(), room, &with(Quantity::ApparentPower));
        }
        let (active, reactive) =
            (self.value(Quantity::ActivePower, phase), self.value(Quantity::ReactivePower, phase));
        for (quantity, value) in [(Quantity::ActivePower, active), (Quantity::ReactivePower, reactive)] {
            let Some(value) = value else { continue };
            let room = room + self.step(quantity, phase);
            self.law("no power above V I", value.abs() - product, room, &with(quantity));
        }
        let Some(active) = active else { return };
        // Loads of little power factor are seldom, and with the reactive power beside it there is next to nothing left.
        if product > 5.0 * LEAST {
            let room = room + self.step(Quantity::ActivePower, phase);
            let points = with(Quantity::ActivePower);
            match reactive {
                Some(reactive) => {
                    let seen = libm::hypot(active, reactive);
                    self.law("V I is not many times P and Q", 0.5 * product - seen, room, &points);
                }
                // Generation may take all active power away and leave the reactive.
                None => self.far_above(product, active, room, &points),
            }
        }
    }

    /// A total without phases of its own, against all volts times amperes.
    fn total_amps(&mut self) {
        let lines = self.site.lines().to_vec();
        let products: Option<Vec<(f64, f64)>> = lines.iter().map(|phase| self.product(*phase)).collect();
        let Some(products) = products else { return };
        let (sum, steps) = products.iter().fold((0.0, 0.0), |all, one| (all.0 + one.0, all.1 + one.1));
        for quantity in [Quantity::ReactivePower, Quantity::ApparentPower] {
            let Some(total) = self.value(quantity, Phase::Total) else { continue };
            let room = 0.04 * sum + steps + 8.0 + self.step(quantity, Phase::Total);
            let mut points = vec![(quantity, Phase::Total)];
            points.extend(lines.iter().map(|phase| (Quantity::Current, *phase)));
            self.law("no power above V I", total.abs() - sum, room, &points);
        }
        let Some(total) = self.value(Quantity::ActivePower, Phase::Total) else { return };
        let room = 0.04 * sum + steps + 8.0 + self.step(Quantity::ActivePower, Phase::Total);
        let mut points = vec![(Quantity::ActivePower, Phase::Total)];
        points.extend(lines.iter().map(|phase| (Quantity::Current, *phase)));
        self.law("no power above V I", total.abs() - sum, room, &points);
        // Of one line there is nothing that phases could take away from each other.
        if lines.len() == 1 && sum > 5.0 * LEAST {
            self.far_above(sum, total, room, &points);
            if let Some(apparent) = self.value(Quantity::ApparentPower, Phase::Total) {
                let room = room + self.step(Quantity::ApparentPower, Phase::Total);
                points[0].0 = Quantity::ApparentPower;
                self.law("S = V I", (apparent - sum).abs(), room, &points);
            }
        }
    }

    fn power_factor(&mut self, phase: Phase) {
        let Some(factor) = self.value(Quantity::PowerFactor, phase) else { return };
        let Some(active) = self.value(Quantity::ActivePower, phase).or_else(|| {
            // One line has all the power there is.
            (self.site.lines().len() == 1).then(|| self.value(Quantity::ActivePower, Phase::Total)).flatten()
        }) else {
            return;
        };
        let whole = self
            .value(Quantity::ApparentPower, phase)
            .or_else(|| self.product(phase).map(|(product, _)| product))
            .unwrap_or(0.0)
            .abs();
        if whole < 5.0 * LEAST {
            return;
        }
        let steps =
            (self.step(Quantity::ActivePower, phase) + self.step(Quantity::ApparentPower, phase)) / whole;
        let room = 0.06 + self.step(Quantity::PowerFactor, phase) + steps;
        let mut points = vec![(Quantity::PowerFactor, phase), (Quantity::ActivePower, phase)];
        if self.value(Quantity::ApparentPower, phase).is_some() {
            points.push((Quantity::ApparentPower, phase));
        } else {
            points.extend([(Quantity::Voltage, phase), (Quantity::Current, phase)]);
        }
        self.law("the power factor is P / S", (factor.abs() - active.abs() / whole).abs(), room, &points);
    }

    fn angle(&mut self, phase: Phase) {
        let of = |quantity| self.value(quantity, phase);
        let (Some(angle), Some(active), Some(reactive)) =
            (of(Quantity::PhaseAngle), of(Quantity::ActivePower), of(Quantity::ReactivePower))
        else {
            return;
        };
        if libm::hypot(active, reactive) < 5.0 * LEAST {
            return;
        }
        let off = libm::fabs(libm::remainder(angle - libm::atan2(reactive, active).to_degrees(), 360.0));
        let points = [(Quantity::PhaseAngle, phase), (Quantity::ActivePower, phase)];
        self.law("the angle is that of P and Q", off, 10.0, &points);
    }
}
