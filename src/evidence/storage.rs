//! Whether a battery could have absorbed what a challenge set free: then the control was not challenged.

use super::case::Case;
use crate::base::{PointKey, Span, Stamp, Unit};
use crate::profile::Plant;
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
            let Some(sample) = series
                .samples
                .partition_point(|sample| sample.at <= at)
                .checked_sub(1)
                .and_then(|index| series.samples.get(index))
                .filter(|sample| at - sample.at <= FRESH)
            else {
                return false;
            };
            // A percentage is a fraction inside the program; a unit of the user's own leaves the number as it came.
            let percent = Unit::parse("%");
            let fraction = match meter.profile.point(key).and_then(|point| point.unit) {
                Some(unit) if Some(unit) == percent => sample.value,
                _ if series.samples.iter().any(|sample| sample.value > 1.5) => sample.value / 100.0,
                _ => sample.value,
            };
            (FULL..=1.01).contains(&fraction)
        })
    })
}
