//! Energy: exported by integration, and what an export counter says about a stretch without readings.

use super::coverage::Gap;
use super::mean::Line;
use super::power::Channel;
use crate::base::{Phase, PointKey, Quantity, Stamp};
use crate::evidence::case::MeterCase;
use crate::profile::{Netting, Profile, Site, Source, Type};
use crate::reading::Sample;

/// Exported energy in Wh: the part of the line below 0 from `from` to `to`, gaps left out.
pub fn exported_wh(channel: &Channel, from: f64, to: f64, gaps: &[Gap]) -> f64 {
    let line = Line::new(channel.at.iter().copied().zip(channel.active_w.iter().copied()));
    let unknown = gaps.iter().fold(0.0, |sum, gap| sum + line.area_below(0.0, gap.start, gap.end));
    ((line.area_below(0.0, from, to) - unknown) / 3600.0).max(0.0)
}

/// The most that may have been exported from `from` to `to` by the readings, uncertainty added, in Wh.
pub fn possibly_exported_wh(channel: &Channel, from: f64, to: f64) -> f64 {
    let low = channel.active_w.iter().zip(&channel.expanded_w).map(|(power, expanded)| power - expanded);
    Line::new(channel.at.iter().copied().zip(low)).area_below(0.0, from, to) / 3600.0
}

/// An export counter that bounds what a channel exported.
#[derive(Clone, Debug, PartialEq)]
pub struct Counter {
    /// Times in s since the origin, with the count in Wh; rising times.
    readings: Vec<(f64, f64)>,
    /// Its smallest step, in Wh.
    pub step_wh: f64,
    /// How much later than the power it may count, in s.
    lag_s: f64,
    /// Whether it counts just the channel's own export, so that the two can be compared.
    pub own: bool,
}

impl Counter {
    /// The counter that bounds the export of this channel, where the site's `netting` allows it: a counter that counts each
    /// phase by itself never counts less than the sum, and one that nets them says nothing about a phase.
    pub fn of(case: &MeterCase, site: &Site, channel: Phase, origin: Stamp) -> Option<Self> {
        Self::chosen(site.phases, case.meter.netting, channel, |phase: Phase| {
            let samples = &case.series.of(Quantity::EnergyExport, phase)?.samples;
            Self::read(&case.profile, phase, samples, origin)
        })
    }

    /// The same from wherever a phase's counter is read.
    pub fn chosen(
        phases: u8,
        netting: Netting,
        channel: Phase,
        mut read: impl FnMut(Phase) -> Option<Self>,
    ) -> Option<Self> {
        let netting = if phases == 1 { Netting::Sum } else { netting };
        match (channel, netting) {
            (_, Netting::Unknown) => None,
            (Phase::Total, Netting::Sum) => {
                read(Phase::Total).or_else(|| if phases == 1 { read(Phase::L1) } else { None })
            }
            (Phase::Total, Netting::Phase) => {
                read(Phase::Total).map(|counter| Self { own: false, ..counter })
            }
            (phase, Netting::Phase) => {
                read(phase).or_else(|| read(Phase::Total).map(|counter| Self { own: false, ..counter }))
            }
            (phase, Netting::Sum) if phases == 1 => read(phase).or_else(|| read(Phase::Total)),
            (phase, Netting::Sum) => read(phase).filter(|_| phase != Phase::Total),
        }
    }

    /// From the samples of a phase's export counter; nothing where no step of it is known.
    pub fn read(profile: &Profile, phase: Phase, samples: &[Sample], origin: Stamp) -> Option<Self> {
        Self::stepping(profile, phase, samples, origin, smallest_step(samples))
    }

    /// The same with the smallest step that is known from elsewhere: a rise over a gap is none.
    pub fn stepping(
        profile: &Profile,
        phase: Phase,
        samples: &[Sample],
        origin: Stamp,
        seen_wh: Option<f64>,
    ) -> Option<Self> {
        let point = profile.point(&PointKey::Of(Quantity::EnergyExport, phase))?;
        let factor = (point.scale * point.unit.map_or(1.0, |unit| unit.factor)).abs();
        let largest = samples.iter().fold(0.0_f64, |largest, sample| largest.max(sample.value.abs()));
        let register = match &point.source {
            // A float of 24 bits of mantissa steps by its last one.
            Source::Registers { kind: Type::F32, .. } => largest / f64::from(1 << 23),
            Source::Registers { kind: Type::F64, .. } | Source::Sum(_) => 0.0,
            Source::Registers { .. } => factor,
        };
        // A counter that never moved has shown no step: for floats nothing is known then, for whole numbers the register's
        // step stands.
        let step_wh = seen_wh.map(|seen| seen.max(register)).or((register > 0.0).then_some(register))?;
        let lag_s = profile.update_of(point).seconds() + profile.averaging_of(point).seconds();
        Some(Self {
            readings: samples.iter().map(|one| (one.at.seconds_since(origin), one.value)).collect(),
            step_wh,
            lag_s,
            own: true,
        })
    }

    /// The most that can have been exported between two instants, in Wh: what the counter rose by, and one step of it for
    /// each end. Nothing where it was not read on both sides, or fell.
    pub fn most_wh(&self, from: f64, to: f64) -> Option<f64> {
        let before = self.readings.partition_point(|(at, _)| *at <= from).checked_sub(1)?;
        let after = self.readings.partition_point(|(at, _)| *at < to + self.lag_s);
        let rise = self.readings.get(after)?.1 - self.readings[before].1;
        // Never falls while in order; the class of the meter is far below a step for such short stretches.
        (rise >= 0.0).then_some(rise + self.step_wh)
    }

    /// What was exported at least between two instants with no reading of the power between them, in Wh: what the counter
    /// rose by from the last reading before to the first one after, less a step, and less what it may have counted of the
    /// time before and after at `around_w` of export. Nothing where it was not read on both sides, or fell.
    pub fn least_unseen_wh(&self, from: f64, to: f64, around_w: f64) -> Option<f64> {
        let before = self.readings.partition_point(|(at, _)| *at <= from).checked_sub(1)?;
        let after = self.readings.partition_point(|(at, _)| *at < to);
        let (first, last) = (self.readings[before], self.readings.get(after)?);
        let rise = last.1 - first.1;
        let around_s = self.lag_s + (from - first.0) + (last.0 - to);
        (rise >= 0.0).then(|| (rise - self.step_wh - around_w * around_s / 3600.0).max(0.0))
    }

    /// What it counted at least between two instants, in Wh.
    pub fn least_wh(&self, from: f64, to: f64) -> Option<f64> {
        let before = self.readings.partition_point(|(at, _)| *at < from + self.lag_s);
        let after = self.readings.partition_point(|(at, _)| *at <= to).checked_sub(1)?;
        let rise = self.readings.get(after)?.1 - self.readings.get(before)?.1;
        (after > before && rise >= 0.0).then_some((rise - self.step_wh).max(0.0))
    }
}

/// The smallest step seen.
pub fn smallest_step(samples: &[Sample]) -> Option<f64> {
    let steps = samples.windows(2).map(|pair| (pair[1].value - pair[0].value).abs());
    steps.filter(|step| *step > 1e-9).min_by(f64::total_cmp)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counter(readings: &[(f64, f64)], step_wh: f64) -> Counter {
        Counter { readings: readings.to_vec(), step_wh, lag_s: 1.0, own: true }
    }

    #[test]
    fn ten_watt_hours_over_five_seconds_hide_seven_kilowatts() {
        let still = counter(&[(0.0, 340_000.0), (10.0, 340_000.0), (20.0, 340_000.0)], 10.0);
        let hidden_w = still.most_wh(10.0, 15.0).unwrap() * 3600.0 / 5.0;
        assert!((hidden_w - 7200.0).abs() < 1e-9);
    }

    #[test]
    fn a_counter_bounds_from_both_sides_and_a_fall_bounds_nothing() {
        let rising = counter(&[(0.0, 100.0), (10.0, 101.0), (20.0, 104.0), (30.0, 104.0)], 0.5);
        assert_eq!(rising.most_wh(10.0, 15.0), Some(3.5));
        assert_eq!(rising.least_wh(0.0, 30.0), Some(2.5));
        assert_eq!(rising.most_wh(10.0, 40.0), None);
        assert_eq!(counter(&[(0.0, 100.0), (10.0, 2.0)], 0.5).most_wh(0.0, 5.0), None);
        // 3 Wh counted from 10 s to 20 s; a step and what 360 W bring in the lag of 1 s are taken off.
        let least = rising.least_unseen_wh(10.0, 20.0, 360.0).unwrap();
        assert!((least - (3.0 - 0.5 - 0.1)).abs() < 1e-12);
    }
}
