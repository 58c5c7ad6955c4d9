//! The meter's own settings beside the site file, and at the end of a check beside its start.

use super::{Remark, Weight, plain};
use crate::base::PointKey;
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
