//! What a found point rests on, and what to measure next to settle it.

use crate::base::{Phase, PointKey, Quantity};

use super::score::Candidate;
use super::snapshot::Snapshot;
use super::solve::{Basis, Found};
use super::structure::is_power;

/// For what was not found.
pub(super) const MISSED: &str = "Read more addresses (`--range`), or check the display's unit; a value times a CT ratio \
                                 or an offset is not found";
/// Above this nothing more is asked for.
const SETTLED: f64 = 0.95;

/// In words, why this line is believed.
pub(super) fn basis(found: &Found) -> String {
    match found.basis {
        Basis::Seen => {
            let times = match found.looks {
                1 => "once".to_owned(),
                2 => "twice".to_owned(),
                looks => format!("{looks} times"),
            };
            let mut words = format!("read as seen {times}");
            if found.stride.is_some() {
                words.push_str(", three phases alike");
            }
            if found.sums {
                words.push_str(", the phases add up to it");
            }
            words
        }
        Basis::NextTo(quantity) => format!("not seen; the next {quantity} of three alike"),
        Basis::SumOf(quantity) => format!("not seen; with two others it adds up to {quantity}.total"),
        Basis::Triangle => "not seen; S² = P² + Q² holds with it".to_owned(),
    }
}

/// What to measure next for this point; nothing where it is settled.
pub fn next(found: &Found, snapshots: &[Snapshot]) -> Option<String> {
    let PointKey::Of(quantity, phase) = found.key else { return None };
    if quantity == Quantity::ReactivePower && found.basis == Basis::Triangle {
        return Some(
            "run a motor: reactive power should then be positive; if not, `positive = \"export\"`".to_owned(),
        );
    }
    if found.basis != Basis::Seen && found.confidence < SETTLED {
        return Some(format!("show {}=… in a snapshot", found.key));
    }
    if found.confidence >= SETTLED {
        let unproven = quantity == Quantity::ActivePower && !found.below_zero;
        return unproven.then(|| "look once while the site exports: no value below zero was seen".to_owned());
    }
    if found.looks < 2 {
        return Some("give two more snapshots, each with other loads".to_owned());
    }
    if !varied(found, snapshots) && quantity != Quantity::Frequency {
        return Some(match quantity {
            Quantity::Voltage => {
                "its digits hardly changed: switch 2 kW or more on this phase, which lowers its voltage, and look again"
                    .to_owned()
            }
            _ => format!("switch a load of 1 kW or more, so that {} changes, and look again", found.key),
        });
    }
    let Some(rival) = found.rivals.first() else {
        return Some("look again with other loads; it may also stand elsewhere".to_owned());
    };
    let place = format!(
        "{} 0x{:04X} as {}",
        rival.candidate.spot.at.table.word(),
        rival.candidate.spot.at.address,
        rival.candidate.spot.encoding.kind.word()
    );
    Some(if quantity == Quantity::Voltage && phase.line_index().is_some() {
        format!("{place} reads alike: switch 2 kW or more on {phase} alone, which lowers its voltage")
    } else if quantity == Quantity::Frequency {
        format!("{place} reads alike: look again some minutes later with two decimals, the frequency moves")
    } else if is_power(quantity) && never_less(&rival.candidate, &found.candidate) {
        format!(
            "{place} is as large or larger: switch on a motor or electronics, where active and apparent power part"
        )
    } else if phase == Phase::Total {
        format!("{place} reads alike: put a load on one phase and another on a second, then look again")
    } else {
        format!("{place} reads alike: put the load on {phase} alone and look again")
    })
}

fn varied(found: &Found, snapshots: &[Snapshot]) -> bool {
    let seen = snapshots.iter().flat_map(|snapshot| &snapshot.seen).filter(|seen| seen.key == found.key);
    let values: Vec<f64> = seen.map(|seen| seen.value).collect();
    let most = values.iter().copied().fold(f64::MIN, f64::max);
    let least = values.iter().copied().fold(f64::MAX, f64::min);
    let share = if matches!(found.key, PointKey::Of(Quantity::Voltage, _)) { 0.01 } else { 0.1 };
    most - least > share * most.abs().max(least.abs())
}

fn never_less(one: &Candidate, other: &Candidate) -> bool {
    one.values.iter().zip(&other.values).all(|pair| match pair {
        (Some(one), Some(other)) => one.abs() >= other.abs() * 0.999,
        _ => true,
    })
}
