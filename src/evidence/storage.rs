//! Whether a battery could have absorbed what a challenge set free: then the control was not challenged.

use super::case::Case;
use crate::base::{PointKey, Span, Stamp};
use crate::profile::{Plant, Point};
use crate::reading::Sample;
use crate::record::MarkKind;

/// A state of charge counts as full from here, as a fraction (ours).
const FULL: f64 = 0.99;

/// A state of charge older than this says nothing.
const FRESH: Span = Span::from_millis(300_000);

/// Whether any storage of the site could absorb at `at`: it is there, no mark says that it is idle or off, and no state of
/// charge says that it is full.
pub fn could_absorb(case: &Case, at: Stamp) -> bool {
    let storages: Vec<&Plant> = case.site.plants.iter().filter(|plant| plant.storage).collect();
    if storages.is_empty() {
        return false;
    }
    // With several, nobody knows which one a state of charge belongs to.
    let full = storages.len() == 1 && full_by_charge(case, at);
    !full && !storages.iter().all(|plant| idle_by_mark(case, plant, at))
}

/// A `storage-idle` or `plant-off` mark in force: it names this plant or none, and no `plant-on` came after it.
fn idle_by_mark(case: &Case, plant: &Plant, at: Stamp) -> bool {
    let mut idle = false;
    for mark in case.marks.iter().take_while(|mark| mark.at <= at) {
        let named = mark.plant.as_deref().filter(|name| !name.is_empty());
        // `plant-off` without a name may mean another plant.
        match mark.kind {
            MarkKind::StorageIdle if named.is_none_or(|name| name == plant.name) => idle = true,
            MarkKind::PlantOff if named == Some(&plant.name) => idle = true,
            MarkKind::PlantOn if named.is_none_or(|name| name == plant.name) => idle = false,
            _ => {}
        }
    }
    idle
}

/// Whether a point of any meter here is a state of charge, by its name.
pub fn is_state_of_charge(key: &PointKey) -> bool {
    let PointKey::Other(name) = key else { return false };
    let name = name.to_ascii_lowercase();
    name.contains("state_of_charge") || name == "soc" || name.starts_with("soc_") || name.ends_with("_soc")
}

fn full_by_charge(case: &Case, at: Stamp) -> bool {
    case.meters.iter().any(|meter| {
        meter.series.points.iter().filter(|(key, _)| is_state_of_charge(key)).any(|(key, series)| {
            let known = series.samples.partition_point(|sample| sample.at <= at).checked_sub(1);
            let sample = known.and_then(|index| series.samples.get(index));
            let point = meter.profile.point(key);
            sample.zip(point).is_some_and(|(sample, point)| full_by_point(point, sample, at, &series.samples))
        })
    })
}

/// Whether a state of charge says full at an instant not long after it was read. `others` are values of the same point.
pub fn full_by_point(point: &Point, sample: &Sample, at: Stamp, others: &[Sample]) -> bool {
    if at - sample.at > FRESH {
        return false;
    }
    // Points of no quantity stay as they are. Without a unit 1 may be 1 % as well as full: it counts as nothing.
    let fraction = match point.unit_word.as_str() {
        "%" => sample.value / 100.0,
        "1" => sample.value,
        _ if others.iter().any(|sample| sample.value > 1.5) => sample.value / 100.0,
        _ => return false,
    };
    (FULL..=1.01).contains(&fraction)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::{Binding, MeterCase};
    use crate::profile::{parse_profile, parse_site};
    use crate::reading::{MeterSeries, Series};

    /// Could the battery absorb, when a point of this unit shows this charge?
    fn absorbs(unit: &str, charge: f64) -> bool {
        let text = format!("[points.other]\nstate_of_charge = {{ address = 0, type = \"u16\"{unit} }}\n");
        let (profile, _) = parse_profile("p", &text).unwrap();
        let text = "[[meter]]\nprofile = \"p\"\nline = { serial = \"x\" }\n[[plant]]\nrated_W = 5000\nstorage = true\n";
        let (site, _) = parse_site("s", text).unwrap();
        let sample = Sample { at: Stamp::from_nanos(0), value: charge };
        let mut series = MeterSeries::default();
        let points = Series { samples: vec![sample], absent: Vec::new() };
        series.points.insert(PointKey::Other("state_of_charge".into()), points);
        let meters = vec![MeterCase { meter: site.meters[0].clone(), profile, series }];
        let case = Case { site, meters, marks: Vec::new(), span: None, binding: Binding::default() };
        could_absorb(&case, Stamp::from_nanos(1_000_000_000))
    }

    #[test]
    fn a_battery_is_full_by_the_unit_its_profile_gives() {
        assert!(!absorbs(", unit = \"%\"", 100.0));
        assert!(absorbs(", unit = \"%\"", 81.0));
        // 1 % is not full, and 1 of nobody knows what may be 1 %.
        assert!(absorbs(", unit = \"%\"", 1.0));
        assert!(absorbs("", 1.0));
        assert!(!absorbs(", unit = \"1\"", 1.0));
        assert!(!absorbs("", 100.0));
    }
}
