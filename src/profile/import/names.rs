//! What the short names of the open register model's points are in a profile.

use crate::base::{Phase, PointKey, Quantity};

/// The names of quantities, as metering models begin them.
const QUANTITIES: [(&str, Quantity); 9] = [
    ("A", Quantity::Current),
    ("PhV", Quantity::Voltage),
    ("PPV", Quantity::Voltage),
    ("Hz", Quantity::Frequency),
    ("W", Quantity::ActivePower),
    ("VA", Quantity::ApparentPower),
    ("VAR", Quantity::ReactivePower),
    ("PF", Quantity::PowerFactor),
    ("TotWhImp", Quantity::EnergyImport),
];

/// The models that describe meters: one, split, wye and delta phases, with integers or with floats (facts 3.4).
pub const fn is_meter(id: u16) -> bool {
    matches!(id, 201..=204 | 211..=214)
}

/// The point of a profile that carries what this name says; nothing where no quantity of ours does.
///
/// Left out on purpose: means over phases (`PhV`, `PPV`), the sum of currents (`A`), apparent energy, and the reactive
/// energies of single quadrants.
pub fn key_of(name: &str) -> Option<PointKey> {
    let (head, phase) = split(name);
    let quantity = QUANTITIES
        .iter()
        .copied()
        .chain([("TotWhExp", Quantity::EnergyExport), ("VAr", Quantity::ReactivePower)])
        .find(|(word, _)| *word == head)?
        .1;
    let between = matches!(phase, Some(Phase::L1L2 | Phase::L2L3 | Phase::L3L1));
    match (quantity, phase) {
        (Quantity::Voltage, Some(phase)) if head == "PhV" || between => Some(PointKey::Of(quantity, phase)),
        (Quantity::Voltage, _) | (Quantity::Current, None) => None,
        (_, Some(_)) if between || quantity == Quantity::Frequency => None,
        (_, phase) => Some(PointKey::Of(quantity, phase.unwrap_or(Phase::Total))),
    }
}

/// A name without the phase at its end. The published models write `phA` and `PhA`.
fn split(name: &str) -> (&str, Option<Phase>) {
    let ends = [
        ("AB", Phase::L1L2),
        ("BC", Phase::L2L3),
        ("CA", Phase::L3L1),
        ("A", Phase::L1),
        ("B", Phase::L2),
        ("C", Phase::L3),
    ];
    for (end, phase) in ends {
        let head = name.strip_suffix(end);
        if let Some(head) = head.and_then(|head| head.strip_suffix("ph").or_else(|| head.strip_suffix("Ph")))
        {
            return (head, Some(phase));
        }
    }
    (name, None)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The names of facts 3.4 (models 201 to 204 and 211 to 214).
    #[test]
    fn the_names_of_the_meter_models_are_points() {
        for (name, key) in [
            ("AphA", "current.L1"),
            ("PhVphB", "voltage.L2"),
            ("PPVphAB", "voltage.L1-L2"),
            ("PhVphCA", "voltage.L3-L1"),
            ("Hz", "frequency.total"),
            ("W", "active_power.total"),
            ("WphC", "active_power.L3"),
            ("VA", "apparent_power.total"),
            ("VAphA", "apparent_power.L1"),
            ("VARphC", "reactive_power.L3"),
            ("PF", "power_factor.total"),
            ("PFphA", "power_factor.L1"),
            ("TotWhExp", "energy_export.total"),
            ("TotWhImpPhC", "energy_import.L3"),
        ] {
            assert_eq!(key_of(name).map(|key| key.to_string()).as_deref(), Some(key), "{name}");
        }
        for name in
            ["A", "PhV", "PPV", "A_SF", "TotVAhExp", "TotVArhImpQ1PhA", "Evt", "ID", "DCW", "PPVphA", "WphAB"]
        {
            assert_eq!(key_of(name), None, "{name}");
        }
    }
}
