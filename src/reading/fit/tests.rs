//! Small maps whose meaning is known, by IEEE 754.

use super::*;
use crate::profile::{Registers, Table};

/// Single floats, IEEE 754: three voltages, three powers and their sum, by `to_bits` of the standard library.
fn floats(values: &[f32]) -> Vec<u16> {
    values.iter().flat_map(|value| [(value.to_bits() >> 16) as u16, value.to_bits() as u16]).collect()
}

fn look(values: &[f32], seen: &str) -> Snapshot {
    let words = floats(values);
    let mut registers = RegisterMap::default();
    registers.put(Registers { table: Table::Input, address: 100, count: words.len() as u16 }, &words);
    Snapshot { registers, seen: parse_seen(seen).unwrap() }
}

fn three() -> Vec<Snapshot> {
    vec![
        look(
            &[231.4, 229.8, 232.2, 410.0, 90.0, 1200.0, 1700.0, 50.01],
            "voltage.L1=231.0 frequency=50.0 active_power.total=1.71kW",
        ),
        look(
            &[229.9, 229.7, 232.4, 2400.0, 91.0, 1190.0, 3681.0, 49.99],
            "voltage.L1=230.3 frequency=50.0 active_power.total=3.66kW",
        ),
        look(
            &[231.9, 230.2, 231.9, -800.0, 88.0, 310.0, -402.0, 50.02],
            "voltage.L1=231.6 frequency=50.0 active_power.total=-0.40kW",
        ),
    ]
}

#[test]
fn three_looks_at_floats_give_voltages_powers_and_frequency() {
    let snapshots = three();
    let fit = fit(&snapshots, 0.01);
    let of = |key: &str| fit.found.iter().find(|found| found.key.to_string() == key).expect(key);
    for (key, address) in [
        ("voltage.L1", 100),
        ("voltage.L2", 102),
        ("voltage.L3", 104),
        ("active_power.L1", 106),
        ("active_power.L3", 110),
        ("active_power.total", 112),
        ("frequency.total", 114),
    ] {
        let found = of(key);
        assert_eq!(found.candidate.spot.at.address, address, "{key}: {found:?}");
        assert!(found.confidence > 0.9, "{key}: {found:?}");
    }
    let terms =
        DraftTerms { name: "Draft".into(), notes: "x".into(), line: None, unit: None, max_registers: None };
    let text = draft(&fit, &snapshots, &terms).expect("a draft");
    let (profile, _) = crate::profile::parse_profile("draft.toml", &text).expect(&text);
    assert_eq!(profile.points.len(), 8, "{text}");
    assert!(text.contains("signed = true"), "{text}");
}

#[test]
fn what_is_not_there_is_missed_or_not_believed() {
    let mut snapshots = three();
    for snapshot in &mut snapshots {
        snapshot.seen = parse_seen("current.L1=7.3 apparent_power.total=612").unwrap();
    }
    let fit = fit(&snapshots, 0.01);
    assert!(fit.found.iter().all(|found| found.confidence < 0.5), "{:?}", fit.found);
}
