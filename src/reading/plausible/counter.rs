//! Energy counters only rise, and agree with the integral of the power.

use super::{Remark, Weight, plain, slip, step};
use crate::base::{Phase, PointKey, Quantity, Span};
use crate::profile::{Netting, Point, Profile, Source, Type};
use crate::reading::series::{MeterSeries, Sample, Series};

/// Judges the counters of one meter over all readings so far. `netting` is the site file's.
pub fn judge_counters(profile: &Profile, netting: Netting, series: &MeterSeries) -> Vec<Remark> {
    let mut remarks = Vec::new();
    for (key, counter) in &series.points {
        let PointKey::Of(quantity, phase) = key else { continue };
        let Some(point) = profile.point(key).filter(|_| quantity.is_counter()) else { continue };
        let falls = falls(key, point, counter);
        let fell = !falls.is_empty();
        remarks.extend(falls.into_iter().take(1));
        // A sum that nets its phases is the only one that the integral of the total power stands beside; of a phase by
        // itself the power is that phase's own.
        if !fell && (*phase != Phase::Total || netting != Netting::Phase) {
            remarks.extend(against_power(profile, point, *quantity, *phase, counter, series));
        }
    }
    remarks.sort_by_key(|remark| remark.weight);
    remarks
}

/// What one count of the register is worth, in the base unit.
fn count(point: &Point) -> f64 {
    point.scale.abs() * point.unit.map_or(1.0, |unit| unit.factor)
}

/// Every fall that is no roll-over.
fn falls(key: &PointKey, point: &Point, counter: &Series) -> Vec<Remark> {
    let unit = point.unit.map_or("", |unit| unit.dimension.base());
    let mut remarks = Vec::new();
    for pair in counter.samples.windows(2) {
        let (before, after) = (pair[0].value, pair[1].value);
        // A float may lose its last bit on the way down from 64 bits inside the meter.
        let noise = if is_float(point) { before.abs() / f64::from(1 << 22) } else { 0.0 };
        if after >= before - noise || rolled_over(point, before, after) {
            continue;
        }
        remarks.push(Remark {
            weight: Weight::Contradiction,
            saw: format!("{key} fell from {} to {} {unit}", plain(before), plain(after)),
            expected: "counters only rise; check `type` and `word_order`, or give `rollover`. A counter that nets both \
                       directions is no energy_import or energy_export: log it under [points.other]"
                .to_owned(),
            points: vec![key.clone()],
        });
    }
    remarks
}

fn is_float(point: &Point) -> bool {
    matches!(&point.source, Source::Registers { kind: Type::F32, .. })
}

/// From the last tenth of the range to its first tenth (ours).
fn rolled_over(point: &Point, before: f64, after: f64) -> bool {
    point.rollover.is_some_and(|full| {
        let full = full * count(point);
        before > 0.9 * full && after < 0.1 * full
    })
}

/// The counter of a direction against the integral of the power in that direction.
fn against_power(
    profile: &Profile,
    point: &Point,
    quantity: Quantity,
    phase: Phase,
    counter: &Series,
    series: &MeterSeries,
) -> Option<Remark> {
    let (of_power, sign) = match quantity {
        Quantity::EnergyImport => (Quantity::ActivePower, 1.0),
        Quantity::EnergyExport => (Quantity::ActivePower, -1.0),
        Quantity::ReactiveEnergyImport => (Quantity::ReactivePower, 1.0),
        Quantity::ReactiveEnergyExport => (Quantity::ReactivePower, -1.0),
        _ => return None,
    };
    let power = series.of(of_power, phase)?;
    let (first, last) = (counter.samples.first()?, counter.samples.last()?);
    let counted = last.value - first.value;
    let summed = integral(&power.samples, sign, first, last)?;
    let size = if is_float(point) { last.value.abs() / f64::from(1 << 23) } else { 0.0 };
    let smallest = step(profile, point, last.value).max(size);
    // One step at either end; 10 % for class, gaps between readings and what turned round between two of them (ours).
    let room = 2.0 * smallest + 0.1 * summed.max(counted);
    if counted.max(summed) < 10.0 * smallest || (counted - summed).abs() <= room {
        return None;
    }
    let unit = quantity.dimension().base();
    let cause = match slip(counted / summed) {
        Some(words) => format!("the counter is {words}, or the power is"),
        None if counted < 0.5 * summed => {
            "the counter may be of the other direction, or the power has the wrong sign: check `positive`"
                .to_owned()
        }
        None => "check the units of both".to_owned(),
    };
    Some(Remark {
        weight: Weight::Unusual,
        saw: format!("{quantity}.{phase} rose by {} {unit} in {}", plain(counted), last.at - first.at),
        expected: format!("about {} {unit} by the power; {cause}", plain(summed)),
        points: vec![PointKey::Of(quantity, phase), PointKey::Of(of_power, phase)],
    })
}

/// Energy of one direction between two instants, in the unit of the power times hours; nothing where the power was not
/// read often enough. The mean of two neighbours stands for the time between them.
fn integral(power: &[Sample], sign: f64, first: &Sample, last: &Sample) -> Option<f64> {
    /// A gap longer than this hides too much (ours).
    const LONGEST: Span = Span::from_millis(60_000);
    let within: Vec<&Sample> =
        power.iter().filter(|sample| sample.at >= first.at && sample.at <= last.at).collect();
    let (start, end) = (within.first()?.at, within.last()?.at);
    if start - first.at > LONGEST || last.at - end > LONGEST || end <= start {
        return None;
    }
    let mut energy = 0.0;
    for pair in within.windows(2) {
        let time = pair[1].at - pair[0].at;
        if time > LONGEST {
            return None;
        }
        let one_way = |sample: &Sample| (sign * sample.value).max(0.0);
        energy += f64::midpoint(one_way(pair[0]), one_way(pair[1])) * time.seconds() / 3600.0;
    }
    // What is left at the ends goes on as the rest did.
    Some(energy * (last.at - first.at).seconds() / (end - start).seconds())
}
