//! Energy counters over a slice: what they rose by, roll-overs counted through, resets found and dated.

use super::slice::MeterSlice;
use crate::base::{PointKey, Stamp};
use crate::profile::{Point, Source, Type};

/// A counter that fell without rolling over.
#[derive(Clone, Debug, PartialEq)]
pub struct Reset {
    /// First reading after it.
    pub at: Stamp,
    /// Which counter.
    pub point: PointKey,
    /// What it stood at before, in Wh.
    pub from_wh: f64,
    /// And after, in Wh.
    pub to_wh: f64,
}

/// What a counter did in a slice, in Wh.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Counted {
    /// It rose by so much while readings came.
    pub rise_wh: f64,
    /// Resets.
    pub resets: Vec<Reset>,
    /// Whether it was read.
    pub read: bool,
}

/// Follows a counter through a slice, from the last reading before it.
pub fn counted(slice: &MeterSlice, point: &Point, gap_s: f64) -> Counted {
    let mut counted = Counted::default();
    let samples = slice.series.points.get(&point.key).map_or(&[][..], |series| &series.samples);
    counted.read = !samples.is_empty();
    let mut last = slice.before.get(&point.key).copied();
    for sample in samples {
        if let Some(before) = last {
            let rise = rise(point, before.value, sample.value).unwrap_or_else(|| {
                counted.resets.push(Reset {
                    at: sample.at,
                    point: point.key.clone(),
                    from_wh: before.value,
                    to_wh: sample.value,
                });
                0.0
            });
            // Over a gap nothing is compared: `whole.rs` asks the counter what was exported meanwhile.
            if sample.at.seconds_since(before.at) <= gap_s {
                counted.rise_wh += rise;
            }
        }
        last = Some(*sample);
    }
    counted
}

/// What a counter rose by from one reading to the next; nothing where it fell and did not roll over.
fn rise(point: &Point, before: f64, after: f64) -> Option<f64> {
    if after >= before {
        return Some(after - before);
    }
    // A float may lose its last bit on the way down from 64 bits inside the meter.
    let float = matches!(&point.source, Source::Registers { kind: Type::F32, .. });
    if float && before - after <= before.abs() / f64::from(1 << 22) {
        return Some(0.0);
    }
    // From the last tenth of the range to its first tenth (ours).
    let full = point.rollover? * point.scale.abs() * point.unit.map_or(1.0, |unit| unit.factor);
    (before > 0.9 * full && after < 0.1 * full).then_some(full - before + after)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Span;
    use crate::profile::parse_profile;
    use crate::reading::{Sample, Series};

    fn follow(counts_wh: &[(i64, f64)]) -> Counted {
        let text = "[defaults]\npositive = \"import\"\n[points.energy_export]\n\
            total = { address = 0, type = \"u32\", unit = \"Wh\", rollover = 100000 }\n";
        let (profile, _) = parse_profile("p", text).expect("a profile");
        let samples = counts_wh
            .iter()
            .map(|(second, value)| Sample {
                at: Stamp::from_nanos(0) + Span::from_millis(second * 1000),
                value: *value,
            })
            .collect();
        let key = profile.points[0].key.clone();
        let mut slice = MeterSlice::default();
        slice.series.points.insert(key, Series { samples, absent: Vec::new() });
        counted(&slice, &profile.points[0], 10.0)
    }

    #[test]
    fn a_roll_over_is_counted_through_and_a_reset_is_dated() {
        let counted = follow(&[(0, 99_990.0), (1, 5.0), (2, 9.0), (100, 30.0), (101, 2.0), (102, 3.0)]);
        assert!((counted.rise_wh - (15.0 + 4.0 + 1.0)).abs() < 1e-9, "{counted:?}");
        assert_eq!(counted.resets.len(), 1);
        assert_eq!((counted.resets[0].from_wh, counted.resets[0].to_wh), (30.0, 2.0));
        assert_eq!(counted.resets[0].at.seconds_since(Stamp::from_nanos(0)), 101.0);
    }
}
