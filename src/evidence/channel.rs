//! The channels of a meter: for each phase (or the total) its active power, and what else it says about it, as traces.
//! Power comes from its own registers, from one register for each direction, or from voltage, current and power factor.

use crate::base::{Phase, PointKey, Quantity, Stamp};
use crate::evidence::case::MeterCase;
use crate::evidence::trace::Trace;
use crate::profile::{Point, PowerFactorSign, Site, SiteRatio, Source, Type};
use crate::reading::Sample;

/// How many times the usual distance two samples may lie apart to be taken together.
const TOGETHER_PERIODS: f64 = 0.5;

/// One channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// L1, L2, L3, or the total.
    pub phase: Phase,
    /// In W, import positive.
    pub active: Trace,
    /// In var, inductive positive, where the meter says it with its sign.
    pub reactive: Option<Trace>,
    /// In A.
    pub current: Option<Trace>,
    /// The profile says that this power can go negative: `signed = true`, or a register for each direction.
    pub signed: bool,
    /// Smallest step of the active power it reports, in W.
    pub resolution_w: f64,
    /// Below this it reports 0, in W.
    pub floor_w: f64,
    /// How often the meter renews it, in s, where the profile says so.
    pub update_s: Option<f64>,
    /// What it averages over, in s; 0 where nobody says.
    pub averaging_s: f64,
}

/// Channels of a meter: the site's lines where each has its own power, else the total, else the lines there are.
pub fn channels(meter: &MeterCase, site: &Site, origin: Stamp) -> Vec<Channel> {
    let lines: Vec<Channel> =
        site.lines().iter().filter_map(|phase| channel(meter, *phase, origin)).collect();
    if lines.len() == site.lines().len() {
        return lines;
    }
    match channel(meter, Phase::Total, origin) {
        Some(total) => vec![total],
        None => lines,
    }
}

/// Voltage of each line of the site, where the meter reports it.
pub fn line_voltages(meter: &MeterCase, site: &Site, origin: Stamp) -> Vec<Option<Trace>> {
    let of = |phase| meter.series.of(Quantity::Voltage, phase);
    site.lines()
        .iter()
        .map(|phase| {
            let only = || of(Phase::Total).filter(|_| site.phases == 1);
            let series = of(*phase).or_else(only)?;
            Some(Trace::new(&series.samples, origin)).filter(|trace| !trace.is_empty())
        })
        .collect()
}

/// One channel, where the meter reports a power for this phase.
pub fn channel(meter: &MeterCase, phase: Phase, origin: Stamp) -> Option<Channel> {
    let power = power(meter, phase)?;
    let active = Trace::new(&power.samples, origin);
    if active.is_empty() {
        return None;
    }
    let trace = |quantity| meter.series.of(quantity, phase).map(|series| Trace::new(&series.samples, origin));
    let point = power.points.first().copied();
    let profile = &meter.profile;
    let averaging = point.map_or(meter.profile.read.averaging, |point| profile.averaging_of(point));
    let update = point
        .and_then(|point| point.update)
        .or_else(|| meter.profile.update_stated.then_some(meter.profile.read.update));
    Some(Channel {
        phase,
        resolution_w: resolution(meter, point, &active),
        floor_w: point.and_then(|point| point.floor_w).unwrap_or(0.0),
        reactive: reactive(meter, phase, &power.samples).map(|samples| Trace::new(&samples, origin)),
        current: trace(Quantity::Current),
        signed: power.both_ways || power.points.iter().any(|point| point.signed),
        update_s: update.map(crate::base::Span::seconds),
        averaging_s: averaging.seconds(),
        active,
    })
}

struct Power<'a> {
    samples: Vec<Sample>,
    points: Vec<&'a Point>,
    /// Export has a register of its own, so the profile says that this power can go negative.
    both_ways: bool,
}

fn power(meter: &MeterCase, phase: Phase) -> Option<Power<'_>> {
    let point = |quantity| meter.profile.point(&PointKey::Of(quantity, phase));
    let of = |quantity| meter.series.of(quantity, phase);
    let (import, export) = (Quantity::ActivePowerImport, Quantity::ActivePowerExport);
    if let Some(series) = of(Quantity::ActivePower) {
        let points = [Quantity::ActivePower, import, export].into_iter().filter_map(point).collect();
        let both_ways = point(Quantity::ActivePower).is_none() && point(export).is_some();
        return Some(Power { samples: series.samples.clone(), points, both_ways });
    }
    if let (Some(taken), Some(given)) = (of(import), of(export)) {
        let samples = together(&taken.samples, &[&given.samples], |value, others| value - others[0]);
        let points = [import, export].into_iter().filter_map(point).collect();
        return Some(Power { samples, points, both_ways: true });
    }
    let (voltage, current, factor) =
        (of(Quantity::Voltage)?, of(Quantity::Current)?, of(Quantity::PowerFactor)?);
    let factor_point = point(Quantity::PowerFactor);
    // A factor whose sign means lagging says nothing about the direction.
    let directed = factor_point.is_some_and(|point| point.power_factor_sign == PowerFactorSign::Iec);
    let samples = together(&current.samples, &[&voltage.samples, &factor.samples], |current, others| {
        let factor = if directed { others[1] } else { others[1].abs() };
        others[0] * current.abs() * factor
    });
    let points = if directed { factor_point.into_iter().collect() } else { Vec::new() };
    Some(Power { samples, points, both_ways: false })
}

/// Reactive power with its sign: its own registers, else from the angle, else from a power factor that tells lag from lead.
fn reactive(meter: &MeterCase, phase: Phase, active: &[Sample]) -> Option<Vec<Sample>> {
    let of = |quantity| meter.series.of(quantity, phase);
    if let Some(series) = of(Quantity::ReactivePower) {
        return Some(series.samples.clone());
    }
    let point = meter.profile.point(&PointKey::Of(Quantity::PowerFactor, phase));
    let tells_lag = point.is_some_and(|point| point.power_factor_sign == PowerFactorSign::LagLead);
    let factor = of(Quantity::PowerFactor).filter(|_| tells_lag);
    if let Some(angle) = of(Quantity::PhaseAngle) {
        // S = P / cos φ fails at 90°; V·I does not.
        let (voltage, current) = (of(Quantity::Voltage)?, of(Quantity::Current)?);
        return Some(together(&angle.samples, &[&voltage.samples, &current.samples], |angle, others| {
            others[0] * others[1].abs() * libm::sin(angle.to_radians())
        }));
    }
    let (factor, voltage, current) = (factor?, of(Quantity::Voltage)?, of(Quantity::Current)?);
    Some(together(active, &[&factor.samples, &voltage.samples, &current.samples], |active, others| {
        let apparent = others[1] * others[2].abs();
        let size = (apparent * apparent - active * active).max(0.0).sqrt();
        // Minus is lagging whatever way the power flows; lagging and importing, or leading and exporting, is Q > 0.
        -others[0].signum() * active.signum() * size
    }))
}

/// Each sample with the nearest one of the others, where all are near enough.
fn together(
    samples: &[Sample],
    others: &[&Vec<Sample>],
    combine: impl Fn(f64, &[f64]) -> f64,
) -> Vec<Sample> {
    let near = samples.windows(2).map(|two| (two[1].at - two[0].at).seconds()).collect::<Vec<f64>>();
    let reach = TOGETHER_PERIODS * if near.is_empty() { 1.0 } else { crate::base::uncertain::median(&near) };
    let mut result = Vec::with_capacity(samples.len());
    for sample in samples {
        let found: Option<Vec<f64>> = others.iter().map(|other| nearest(other, sample.at, reach)).collect();
        if let Some(found) = found {
            result.push(Sample { at: sample.at, value: combine(sample.value, &found) });
        }
    }
    result
}

fn nearest(samples: &[Sample], at: Stamp, reach_s: f64) -> Option<f64> {
    let index = samples.partition_point(|sample| sample.at < at);
    let candidates = [index.checked_sub(1), Some(index)];
    let distance = |sample: &Sample| (sample.at - at).seconds().abs();
    candidates
        .into_iter()
        .flatten()
        .filter_map(|index| samples.get(index))
        .min_by(|one, other| distance(one).total_cmp(&distance(other)))
        .filter(|sample| distance(sample) <= reach_s)
        .map(|sample| sample.value)
}

/// The smallest step of the power: as the site file says, else the unit of an integer register, else as seen.
fn resolution(meter: &MeterCase, point: Option<&Point>, active: &Trace) -> f64 {
    if let Some(resolution) = meter.meter.resolution_w {
        return resolution;
    }
    match point {
        Some(point) if is_integer(point) && point.exponent_at.is_none() && point.multiply_at.is_none() => {
            let factor = point.unit.map_or(1.0, |unit| unit.factor);
            (point.scale * factor).abs() * ratio(point, meter)
        }
        _ => active.smallest_step(),
    }
}

fn is_integer(point: &Point) -> bool {
    matches!(point.source, Source::Registers { kind, .. } if !matches!(kind, Type::F32 | Type::F64))
}

fn ratio(point: &Point, meter: &MeterCase) -> f64 {
    point.multiply.iter().fold(1.0, |product, ratio| {
        product
            * match ratio {
                SiteRatio::Ct => meter.meter.ct_ratio.unwrap_or(1.0),
                SiteRatio::Vt => meter.meter.vt_ratio.unwrap_or(1.0),
            }
    })
}

#[cfg(test)]
mod tests;
