//! The meter's own settings beside the site file, and at the end of a check beside its start.

use super::{Remark, Weight, plain};
use crate::base::{PointKey, Span, Stamp};
use crate::profile::{Meter, Profile};
use crate::reading::series::MeterSeries;

/// Judges the settings of one meter over all times they were read.
///
/// A ratio set in the meter and given in the site file as well must be the same: whoever multiplies twice, or by another
/// one, is off by that factor. Any setting must stay what it was.
pub fn judge_settings(profile: &Profile, meter: &Meter, series: &MeterSeries) -> Vec<Remark> {
    let mut remarks = Vec::new();
    for point in &profile.settings {
        let PointKey::Setting(name) = &point.key else { continue };
        let Some(samples) = series.points.get(&point.key).map(|series| series.samples.as_slice()) else {
            continue;
        };
        let (Some(first), Some(last)) = (samples.first(), samples.last()) else { continue };
        let stated = match name.as_str() {
            "ct_ratio" => meter.ct_ratio,
            "vt_ratio" => meter.vt_ratio,
            _ => None,
        };
        // A thousandth is less than any two ratios differ (ours).
        if let Some(stated) = stated.filter(|stated| (last.value / stated - 1.0).abs() > 1e-3) {
            remarks.push(Remark {
                weight: Weight::Contradiction,
                saw: format!("the meter has {name} set to {}", plain(last.value)),
                expected: format!(
                    "{}, as the site file says; one of the two is wrong, and every power with it",
                    plain(stated)
                ),
                points: vec![point.key.clone()],
            });
        }
        if let Some(other) = samples.iter().find(|sample| sample.value != first.value) {
            remarks.push(Remark {
                weight: Weight::Contradiction,
                saw: format!("{} was {} and is {}", point.key, plain(first.value), plain(other.value)),
                expected: "the same from start to end; readings from before and after the change are not of one kind"
                    .to_owned(),
                points: vec![point.key.clone()],
            });
        }
    }
    remarks
}

/// A setting is read before the evidence begins and after it has ended, give or take this (ours: a question asked again).
const BESIDE: Span = Span::from_millis(5000);

/// A setting of which it is not known that it stayed what it was.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnreadSetting {
    /// It was asked for: by whoever checks, or by another master.
    pub asked: bool,
    /// What is missing, as the end of a sentence: `ct_ratio was read at the start and not at the end`.
    pub missing: String,
}

/// Settings the profile names that were not read both before and after the evidence. `to` is left out while the check still
/// runs.
pub fn unread_settings(
    profile: &Profile,
    series: &MeterSeries,
    from: Stamp,
    to: Option<Stamp>,
) -> Vec<UnreadSetting> {
    let mut unread = Vec::new();
    for point in &profile.settings {
        let PointKey::Setting(name) = &point.key else { continue };
        let of = series.points.get(&point.key);
        let samples = of.map_or(&[][..], |series| &series.samples);
        let asked = of.is_some_and(|series| !series.samples.is_empty() || !series.absent.is_empty());
        let start = samples.first().is_some_and(|sample| sample.at <= from + BESIDE);
        let end = to.is_none_or(|to| samples.last().is_some_and(|sample| sample.at + BESIDE >= to));
        let missing = match (start, end) {
            (true, true) => continue,
            (true, false) => "was read at the start and not at the end",
            (false, true) if !samples.is_empty() => "was read at the end and not at the start",
            _ if samples.is_empty() => "was not read",
            _ => "was read neither at the start nor at the end",
        };
        unread.push(UnreadSetting { asked, missing: format!("{name} {missing}") });
    }
    unread
}
