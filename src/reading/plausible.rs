//! Does this reading make sense? Checks by physics that catch a wrong profile before it misleads.
//!
//! Nothing here is a verdict. All values of a reading come from one meter and its CTs, so errors of ratio cancel in most
//! comparisons: what is left is rounding (the profile's resolution), the meter's own class, and the time between answers.

mod counter;
mod power;
mod setting;
mod volts;

use std::collections::BTreeMap;

use super::series::Sample;
use crate::base::{Phase, PointKey, Quantity};
use crate::profile::{Meter, MeterClass, Point, Profile, Site, Source, Type};

pub use counter::judge_counters;
pub use setting::{UnreadSetting, judge_settings, unread_settings};

/// How much a remark weighs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Weight {
    /// Physics does not allow it: the profile, the wiring or the meter is wrong.
    Contradiction,
    /// Possible, and seldom right.
    Unusual,
    /// Something to look at, no more.
    Hint,
}

impl Weight {
    /// The word on screens and in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Contradiction => "contradiction",
            Self::Unusual => "unusual",
            Self::Hint => "hint",
        }
    }
}

/// What a reading shows that it should not.
#[derive(Clone, Debug, PartialEq)]
pub struct Remark {
    /// How much it weighs.
    pub weight: Weight,
    /// What was seen, as a fragment.
    pub saw: String,
    /// What was expected, and what the likely cause is.
    pub expected: String,
    /// The points concerned.
    pub points: Vec<PointKey>,
}

/// Judges the latest values of one meter. `site` is resolved, `profile` the meter's own.
///
/// Contradictions come first; of one weight, powers before voltages.
pub fn judge(
    profile: &Profile,
    site: &Site,
    meter: &Meter,
    latest: &BTreeMap<PointKey, Sample>,
) -> Vec<Remark> {
    let view = View { profile, site, meter, latest };
    let mut remarks = volts::sizes(&view);
    // A number that is no number at all would fail every other check too.
    let wild: Vec<PointKey> = remarks.iter().flat_map(|remark| remark.points.clone()).collect();
    let tame: BTreeMap<PointKey, Sample> =
        latest.iter().filter(|(key, _)| !wild.contains(key)).map(|(key, at)| (key.clone(), *at)).collect();
    let view = View { latest: &tame, ..view };
    for check in [
        power::sums,
        power::apparent,
        power::volts_times_amps,
        power::power_factor,
        power::angle,
        power::export,
        volts::voltages,
        volts::frequency,
    ] {
        remarks.extend(check(&view));
    }
    remarks.sort_by_key(|remark| remark.weight);
    remarks
}

/// One reading with what is needed to judge it.
#[derive(Clone, Copy)]
struct View<'a> {
    profile: &'a Profile,
    site: &'a Site,
    meter: &'a Meter,
    latest: &'a BTreeMap<PointKey, Sample>,
}

/// A value with the room its last digit leaves.
#[derive(Clone, Copy)]
struct Value {
    sample: Sample,
    /// Half the smallest step, in the base unit.
    half_step: f64,
}

impl View<'_> {
    fn value(&self, quantity: Quantity, phase: Phase) -> Option<Value> {
        let sample = *self.latest.get(&PointKey::Of(quantity, phase))?;
        Some(Value { sample, half_step: self.half_step(quantity, phase, sample.value) })
    }

    /// Half the smallest step a point can show. Whole numbers step by their scale; floats by what their digits hold; a
    /// power by what the site file says, where it says it.
    fn half_step(&self, quantity: Quantity, phase: Phase, value: f64) -> f64 {
        let power =
            matches!(quantity, Quantity::ActivePower | Quantity::ReactivePower | Quantity::ApparentPower);
        let stated = self.meter.resolution_w.filter(|_| power);
        let own = match quantity {
            // The difference of two registers: found under the name of the one.
            Quantity::ActivePower if self.profile.point(&PointKey::Of(quantity, phase)).is_none() => {
                Quantity::ActivePowerImport
            }
            _ => quantity,
        };
        let point = self.profile.point(&PointKey::Of(own, phase));
        let step = point.map_or(0.0, |point| step(self.profile, point, value));
        stated.map_or(step, |stated| stated.max(step)) / 2.0
    }

    /// The share of a value that class and time leave open between two values of this meter.
    ///
    /// Class: the limit at reference conditions, doubled for currents below its range (ours), and 1 % since instantaneous
    /// registers carry no class guarantee (common practice). Values of different answers were taken at different times,
    /// in which a load may have come or gone: only gross differences count then.
    fn share(&self, values: &[Value]) -> f64 {
        let together = values.windows(2).all(|pair| pair[0].sample.at == pair[1].sample.at);
        if !together {
            return 0.5;
        }
        0.01 + 2.0
            * match self.meter.class.unwrap_or(MeterClass::C2) {
                MeterClass::C02 => 0.002,
                MeterClass::C05 => 0.005,
                MeterClass::C1 | MeterClass::C => 0.01,
                MeterClass::C2 | MeterClass::B => 0.02,
                MeterClass::A => 0.035,
            }
    }
}

/// The smallest step of a point in its base unit.
pub(in crate::reading) fn step(profile: &Profile, point: &Point, value: f64) -> f64 {
    match &point.source {
        Source::Sum(parts) => {
            parts.iter().filter_map(|part| profile.point(part)).map(|part| plain_step(part, value)).sum()
        }
        Source::Registers { .. } => plain_step(point, value),
    }
}

fn plain_step(point: &Point, value: f64) -> f64 {
    let unit = point.unit.map_or(1.0, |unit| unit.factor);
    let Source::Registers { kind, .. } = &point.source else { return 0.0 };
    match kind {
        // 24 bits of a single float.
        Type::F32 => value.abs() / f64::from(1 << 23),
        Type::F64 => 0.0,
        // A power of ten or a factor read from the meter is not known here: three digits are taken for granted (ours).
        _ if point.exponent_at.is_some() || point.multiply_at.is_some() || !point.multiply.is_empty() => {
            (value.abs() / 100.0).max(point.scale.abs() * unit)
        }
        _ => point.scale.abs() * unit,
    }
}

/// A number for people: as many digits as it needs, no more.
fn plain(value: f64) -> String {
    let size = value.abs();
    if size != 0.0 && !(1e-3..1e7).contains(&size) {
        format!("{value:.2e}")
    } else if size >= 100.0 || value.fract() == 0.0 {
        format!("{value:.0}")
    } else if size >= 10.0 {
        format!("{value:.1}")
    } else {
        format!("{value:.3}")
    }
}

/// Whether a ratio is near a factor that a slip of the profile makes, and which.
fn slip(ratio: f64) -> Option<&'static str> {
    const SLIPS: [(f64, &str); 7] = [
        (10.0, "ten times too large: check `scale`"),
        (100.0, "a hundred times too large: check `scale`"),
        (1000.0, "a thousand times too large: check `unit` (W or kW) and `scale`"),
        (0.1, "ten times too small: check `scale`"),
        (0.01, "a hundred times too small: check `scale`"),
        (0.001, "a thousand times too small: check `unit` (W or kW) and `scale`"),
        (-1.0, "of the wrong sign: check `positive`"),
    ];
    SLIPS.iter().find(|(factor, _)| (ratio / factor - 1.0).abs() < 0.05).map(|(_, words)| *words)
}

#[cfg(test)]
mod tests;
