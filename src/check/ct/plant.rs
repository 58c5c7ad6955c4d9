//! The plant: whether it is shown idle while a load is tested, and whether it moves this meter.

use crate::base::{PointKey, Quantity, Stamp};
use crate::evidence::channel::Channel;
use crate::evidence::trace::Trace;
use crate::evidence::{Case, MeterCase};
use crate::profile::{MeterRole, Plant};
use crate::record::{Mark, MarkKind};

/// A generation meter reads nothing below this, in W, or this share of the plant's rated power, whichever is more (ours).
const NOTHING_W: f64 = 15.0;
const NOTHING_SHARE: f64 = 0.01;

/// How long before and after a plant's mark its step is looked for, in s.
const AROUND_S: f64 = 10.0;

/// Whether every plant of the site is shown idle from `from` to `to`.
pub fn idle(case: &Case, from: Stamp, to: Stamp) -> bool {
    case.site.plants.iter().all(|plant| {
        marked_off(&case.marks, plant, from, to)
            || generation(case).is_some_and(|meters| reads_nothing(&meters, plant, from, to))
    })
}

/// Generation meters, where there are enough of them to stand for every plant.
fn generation(case: &Case) -> Option<Vec<&MeterCase>> {
    let meters: Vec<&MeterCase> =
        case.meters.iter().filter(|meter| meter.meter.role == MeterRole::Generation).collect();
    (!meters.is_empty() && meters.len() >= case.site.plants.len()).then_some(meters)
}

fn concerns(mark: &Mark, plant: &Plant) -> bool {
    mark.plant.as_deref().is_none_or(|name| name == plant.name)
}

/// A plant marked off stays off until it is marked on. Where the check was left meanwhile, nobody knows until it is marked off
/// again; nothing but the loads switched before that suffers from it.
fn marked_off(marks: &[Mark], plant: &Plant, from: Stamp, to: Stamp) -> bool {
    let (mut off, mut doubtful) = (false, false);
    for mark in marks.iter().filter(|mark| concerns(mark, plant) && mark.at <= to) {
        match mark.kind {
            MarkKind::PlantOff => {
                off |= mark.at <= from;
                doubtful = false;
            }
            MarkKind::PlantOn => off = false,
            MarkKind::LoadOn | MarkKind::LoadOff if mark.at >= from => off &= !doubtful,
            _ => doubtful |= mark.resumes().is_some(),
        }
    }
    off && !doubtful
}

fn reads_nothing(meters: &[&MeterCase], plant: &Plant, from: Stamp, to: Stamp) -> bool {
    let limit = NOTHING_W.max(NOTHING_SHARE * plant.rated_w);
    meters.iter().all(|meter| {
        let mut any = false;
        for (key, series) in &meter.series.points {
            if !matches!(key, PointKey::Of(Quantity::ActivePower, _)) {
                continue;
            }
            for sample in series.samples.iter().filter(|sample| sample.at >= from && sample.at <= to) {
                any = true;
                if sample.value.abs() > limit {
                    return false;
                }
            }
        }
        any
    })
}

/// What a plant's own evidence says about the meter judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seen {
    /// It moves the meter.
    Moves,
    /// It stepped and the meter did not move.
    Outside,
    /// It was switched and the meter did not move; nothing shows that it produced anything.
    Unmoved,
    /// Nobody tried.
    Untried,
}

/// Whether a plant moves the meter, from its `plant-off` and `plant-on` marks and its own meter.
pub fn seen(case: &Case, plant: &Plant, channels: &[Channel], origin: Stamp) -> Seen {
    let own = generation(case).filter(|_| case.site.plants.len() == 1).unwrap_or_default();
    let (mut moved, mut still, mut stepped_still) = (0, 0, 0);
    for mark in case.marks.iter().filter(|mark| concerns(mark, plant)) {
        if !matches!(mark.kind, MarkKind::PlantOff | MarkKind::PlantOn) || near_load_mark(case, mark.at) {
            continue;
        }
        let at = mark.at.seconds_since(origin);
        let around = around(case, at, origin);
        let Some(change) = total_change(channels, around) else { continue };
        let produced = own.iter().find_map(|meter| {
            let channels = crate::evidence::channel::channels(meter, &case.site, origin);
            total_change(&channels, around).map(|(change, _)| change)
        });
        let stated = stated_w(case, plant, mark.at);
        let size = produced.map_or(stated.unwrap_or(0.0), f64::abs);
        let clear = 4.0 * change.1 + 0.02 * plant.rated_w + 10.0;
        if change.0.abs() > clear.max(0.3 * size) {
            moved += 1;
        } else if size > 3.0 * clear && change.0.abs() < 0.15 * size {
            stepped_still += 1;
        } else if produced.is_none() {
            still += 1;
        }
    }
    if moved > 0 && moved >= stepped_still {
        Seen::Moves
    } else if stepped_still > 0 && moved == 0 {
        Seen::Outside
    } else if still >= 2 && moved == 0 {
        Seen::Unmoved
    } else {
        Seen::Untried
    }
}

fn near_load_mark(case: &Case, at: Stamp) -> bool {
    case.marks.iter().any(|mark| {
        matches!(mark.kind, MarkKind::LoadOn | MarkKind::LoadOff) && (mark.at - at).seconds().abs() < 4.0
    })
}

/// What a person read off the plant before switching it, in W.
fn stated_w(case: &Case, plant: &Plant, at: Stamp) -> Option<f64> {
    let speaks = |mark: &&Mark| {
        mark.kind == MarkKind::Seen
            && mark.plant.as_deref() == Some(plant.name.as_str())
            && mark.at <= at
            && (at - mark.at).seconds() < 120.0
    };
    let mark = case.marks.iter().rev().find(speaks)?;
    crate::evidence::switching::watts(mark.value.as_deref()?).map(f64::abs)
}

/// The times before and after a plant's mark that no switching of a load disturbs, in s.
fn around(case: &Case, at: f64, origin: Stamp) -> [(f64, f64); 2] {
    let loads = case.marks.iter().filter(|mark| matches!(mark.kind, MarkKind::LoadOn | MarkKind::LoadOff));
    let (mut before, mut after) = ((at - AROUND_S, at - 1.0), (at + 3.0, at + 3.0 + AROUND_S));
    for time in loads.map(|mark| mark.at.seconds_since(origin)) {
        if time <= at {
            before.0 = before.0.max(time + 3.0);
        } else {
            after.1 = after.1.min(time - 2.0);
        }
    }
    [before, after]
}

/// Change of the power of all channels together over a mark, with its standard uncertainty.
fn total_change(channels: &[Channel], around: [(f64, f64); 2]) -> Option<(f64, f64)> {
    let (mut value, mut square) = (0.0, 0.0);
    for channel in channels {
        let (change, standard) = change_around(&channel.active, around)?;
        value += change;
        square += standard * standard;
    }
    (!channels.is_empty()).then_some((value, square.sqrt()))
}

fn change_around(trace: &Trace, [before, after]: [(f64, f64); 2]) -> Option<(f64, f64)> {
    let pick = |(from, to): (f64, f64)| {
        let (first, last) = (trace.first_from(from)?, trace.last_by(to)?);
        (last >= first + 2).then(|| trace.values[first..=last].to_vec())
    };
    let (before, after) = (pick(before)?, pick(after)?);
    let median = crate::base::uncertain::median;
    let scatter = crate::base::uncertain::robust_deviation;
    Some((median(&after) - median(&before), libm::hypot(scatter(&before), scatter(&after)) / 2.0))
}
