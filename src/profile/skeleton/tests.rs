//! What is typed becomes points, and the file passes the check.

use super::*;
use crate::base::PointKey;
use crate::profile::{Profile, Source, parse_profile};

fn bare() -> Skeleton {
    Skeleton {
        name: "A \"quoted\" meter".to_owned(),
        line: SerialSettings::default(),
        unit: 1,
        phases: 3,
        counting: Listed::FromZero,
        table: Table::Input,
        kind: Type::F32,
        word_order: Order::HighFirst,
        positive: Some(Positive::Export),
        points: Vec::new(),
    }
}

fn made(skeleton: &Skeleton, points: &[&str]) -> Profile {
    let mut skeleton = skeleton.clone();
    for text in points {
        let named = skeleton.named(text).unwrap_or_else(|error| panic!("{text}: {error}"));
        skeleton.points.push(named);
    }
    let text = skeleton.text();
    let (profile, warnings) =
        parse_profile("p", &text).unwrap_or_else(|faults| panic!("{faults:#?}\n{text}"));
    assert!(warnings.list.is_empty(), "{warnings:#?}");
    profile
}

fn address(profile: &Profile, key: &str) -> (Table, u16, Type) {
    let point = profile.point(&PointKey::parse(key).unwrap()).unwrap_or_else(|| panic!("{key}"));
    let Source::Registers { at, kind, .. } = point.source else { panic!("{key}") };
    (at.table, at.address, kind)
}

#[test]
fn points_are_written_as_the_list_has_them() {
    let points = [
        "active_power.total=0x0230 kW",
        "active_power=0x20C+2",
        "voltage = 100,104,108",
        "voltage.L1-L2=120",
        "frequency=300 x0.01 u16",
        "energy_import=700 kWh x0,1 u32",
        "active_power_import.L1=800",
        "active_power_export.L1=802",
    ];
    let profile = made(&bare(), &points[..6]);
    assert_eq!(address(&profile, "active_power.L3"), (Table::Input, 0x210, Type::F32));
    assert_eq!(address(&profile, "voltage.L2"), (Table::Input, 104, Type::F32));
    let energy = profile.point(&PointKey::parse("energy_import.total").unwrap()).unwrap();
    assert_eq!((energy.scale, energy.unit_word.as_str()), (0.1, "kWh"));
    assert_eq!(address(&profile, "frequency.total").2, Type::U16);
    assert!(profile.text.contains("0x0230"), "hexadecimal stays so");
    assert_eq!(profile.name, "A \"quoted\" meter");
    made(&Skeleton { positive: None, ..bare() }, &points[6..]);
}

/// Trade practice (facts 1.1): 40001 is the first holding register, 0 on the wire; a list that counts from 1 has it as 1.
#[test]
fn a_list_that_counts_otherwise_leads_to_the_same_place() {
    let numbers = Skeleton { counting: Listed::Numbers, ..bare() };
    assert_eq!(
        address(&made(&numbers, &["active_power.total=40531"]), "active_power.total").0,
        Table::Holding
    );
    assert_eq!(address(&made(&numbers, &["active_power.total=40531"]), "active_power.total").1, 530);
    let one = Skeleton { counting: Listed::FromOne, table: Table::Holding, ..bare() };
    assert_eq!(address(&made(&one, &["active_power.total=531"]), "active_power.total").1, 530);
}

#[test]
fn fewer_phases_have_fewer_lines() {
    let one = Skeleton { phases: 1, ..bare() };
    assert_eq!(made(&one, &["active_power=12", "voltage=14+2"]).points.len(), 2);
    let two = Skeleton { phases: 2, ..bare() };
    let profile = made(&two, &["active_power=12+2", "voltage=20,30"]);
    assert_eq!((profile.points.len(), address(&profile, "active_power.L2").1), (4, 14));
}

#[test]
fn what_can_not_be_read_says_what_to_write() {
    for (text, words) in [
        ("voltage", "no point"),
        ("voltge=1", "`voltage`"),
        ("voltage.L4=1", "no `L4`"),
        ("active_power.N=1", "no `N`"),
        ("voltage=", "no address"),
        ("voltage=x", "no address"),
        ("voltage=1,2", "2 addresses for 3 phases"),
        ("voltage=530", "of which phase"),
        ("voltage=1+2 W", "neither a unit of voltage"),
        ("voltage=1+2 x0", "no scale"),
        ("voltage=999999+9", "beyond"),
    ] {
        let error = bare().named(text).unwrap_err();
        assert!(error.contains(words), "{text}: {error}");
    }
}
