//! Voltages, frequency, and numbers that are of no size anything has.

use super::{Remark, View, Weight, plain, slip};
use crate::base::{Network, Phase, PointKey, Quantity};
use crate::profile::{Source, Type};

/// Numbers no site has. They come from a wrong type or word order, and would fail every other check too.
pub(super) fn sizes(view: &View<'_>) -> Vec<Remark> {
    let mut remarks = Vec::new();
    for (key, sample) in view.latest {
        let PointKey::Of(quantity, _) = key else { continue };
        // Far beyond low voltage and what hangs on it (ours).
        let most = match quantity {
            Quantity::Voltage | Quantity::Current => 1e5,
            Quantity::ActivePower
            | Quantity::ActivePowerImport
            | Quantity::ActivePowerExport
            | Quantity::ReactivePower
            | Quantity::ApparentPower => 1e8,
            Quantity::Frequency | Quantity::PowerFactor => 1e6,
            Quantity::PhaseAngle => 360.5,
            Quantity::EnergyImport
            | Quantity::EnergyExport
            | Quantity::ReactiveEnergyImport
            | Quantity::ReactiveEnergyExport => 1e15,
        };
        let size = sample.value.abs();
        let float = view.profile.point(key).is_some_and(|point| {
            matches!(&point.source, Source::Registers { kind: Type::F32 | Type::F64, .. })
        });
        // An integer read as a float, or halves in the wrong order, give numbers next to nothing.
        let tiny = float && size > 0.0 && size < 1e-20;
        if size > most || tiny {
            let cause = if float {
                "check `word_order` and `type`: this is what the other order, or a whole number, looks like as a float"
            } else {
                "check `type`, `word_order` and `scale`"
            };
            remarks.push(Remark {
                weight: Weight::Contradiction,
                saw: format!("{key} is {} {}", plain(sample.value), quantity.dimension().base()),
                expected: format!("a size that a site can have; {cause}"),
                points: vec![key.clone()],
            });
        }
    }
    remarks
}

/// Voltages lie near the site's nominal voltage.
pub(super) fn voltages(view: &View<'_>) -> Vec<Remark> {
    let key = |phase| PointKey::Of(Quantity::Voltage, phase);
    let voltage = |phase| view.value(Quantity::Voltage, phase).map(|value| (phase, value.sample.value));
    let mut remarks = Vec::new();
    let between = [Phase::L1L2, Phase::L2L3, Phase::L3L1];
    let lines = view.site.lines().iter().copied();
    for (phase, seen) in lines.chain(between).chain([Phase::Total]).filter_map(voltage) {
        let expected = expected(view, phase);
        if expected.iter().any(|nominal| near(seen, *nominal)) {
            continue;
        }
        let Some(nominal) = expected.first().copied() else { continue };
        let (weight, cause) = cause(view, phase, seen, nominal);
        remarks.push(Remark {
            weight,
            saw: format!("{phase}: {} V", plain(seen)),
            expected: format!("about {} V; {cause}", plain(nominal)),
            points: vec![key(phase)],
        });
    }
    remarks
}

/// Within what a supply is allowed for any ten minutes, +10 % and -15 % (EN 50160, from a secondary text), and 5 % more
/// either way for the moment of a reading (ours).
fn near(seen: f64, nominal: f64) -> bool {
    (0.80 * nominal..=1.15 * nominal).contains(&seen.abs())
}

const ROOT_3: f64 = 1.732_050_807_568_877_2;

/// What a voltage between these conductors is nominally; the first is the one named to the user.
fn expected(view: &View<'_>, phase: Phase) -> Vec<f64> {
    let nominal = view.site.nominal_v;
    let between = matches!(phase, Phase::L1L2 | Phase::L2L3 | Phase::L3L1);
    match (view.site.network, between) {
        // Without a neutral `nominal_V` is between phases; many meters make themselves a star point.
        (Network::Delta, false) => vec![nominal / ROOT_3, nominal],
        (Network::Wye, true) => vec![nominal * if view.site.phases == 2 { 2.0 } else { ROOT_3 }],
        // A mean of three may be that of the voltages between lines.
        (Network::Wye, false) if phase == Phase::Total => vec![nominal, nominal * ROOT_3],
        (Network::Delta, true) | (Network::Wye, false) => vec![nominal],
    }
}

fn cause(view: &View<'_>, phase: Phase, seen: f64, nominal: f64) -> (Weight, String) {
    let ratio = seen / nominal;
    if seen.abs() < 0.05 * nominal {
        let words = format!("no voltage: is the meter's {phase} lead connected, and its fuse whole?");
        return (Weight::Unusual, words);
    }
    if seen < 0.0 {
        return (Weight::Contradiction, "a voltage is never negative: check `type` and `scale`".to_owned());
    }
    if let Some(words) = slip(ratio) {
        return (Weight::Contradiction, format!("it is {words}"));
    }
    // The usual mix-ups lie 13 % apart at least, so each has 7 % to either side.
    let about = |factor: f64| (ratio / factor - 1.0).abs() <= 0.07;
    let words = if about(ROOT_3) {
        "this is the voltage between two lines, or `nominal_V` is not the one to neutral"
    } else if about(1.0 / ROOT_3) && view.site.network == Network::Wye {
        "this is a line-to-neutral voltage where one between lines is expected, or `nominal_V` is not the one to neutral"
    } else if about(2.0) || about(0.5) {
        "check `nominal_V` under [site]: half or double is that of another kind of supply"
    } else {
        "far from nominal for a supply in order: check `scale`, and `nominal_V` under [site]"
    };
    (Weight::Unusual, words.to_owned())
}

/// Grids run at 50 or 60 Hz.
pub(super) fn frequency(view: &View<'_>) -> Vec<Remark> {
    let phases = Phase::ALL.into_iter();
    let seen = phases.filter_map(|phase| Some((phase, view.value(Quantity::Frequency, phase)?.sample.value)));
    seen.filter(|(_, seen)| !(45.0..=65.0).contains(seen))
        .map(|(phase, seen)| {
            let cause = slip(seen / 50.0)
                .or_else(|| slip(seen / 60.0))
                .map_or_else(|| "check `scale` and `type`".to_owned(), |words| format!("it is {words}"));
            Remark {
                weight: if seen == 0.0 { Weight::Unusual } else { Weight::Contradiction },
                saw: format!("a frequency of {} Hz", plain(seen)),
                expected: format!("45 to 65 Hz; {cause}"),
                points: vec![PointKey::Of(Quantity::Frequency, phase)],
            }
        })
        .collect()
}
