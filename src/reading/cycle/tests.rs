//! Cycles, partial readings and power from one-way pairs, on hand-written transactions.

use super::*;
use crate::base::Unit;
use crate::profile::{Order, ReadRules, SerialSettings, Type};

fn at(seconds: f64) -> Stamp {
    Stamp::from_nanos(1_780_000_000_000_000_000) + Span::from_seconds(seconds)
}

fn point(quantity: Quantity, phase: Phase, address: u16) -> Point {
    let source = Source::Registers {
        at: Registers { table: Table::Input, address, count: 1 },
        kind: Type::I16,
        word_order: Order::HighFirst,
        byte_order: Order::HighFirst,
        bits: None,
    };
    Point { signed: true, ..Point::plain(PointKey::Of(quantity, phase), source) }
}

fn profile(points: Vec<Point>) -> Profile {
    Profile {
        name: "Test".into(),
        notes: String::new(),
        line: SerialSettings::default(),
        unit: 1,
        read: ReadRules::default(),
        update_stated: false,
        points,
        settings: Vec::new(),
        text: String::new(),
    }
}

fn answer(seconds: f64, address: u16, words: &[u16]) -> Transaction {
    let mut pdu = vec![4, words.len() as u8 * 2];
    pdu.extend(words.iter().flat_map(|word| word.to_be_bytes()));
    Transaction {
        line: 0,
        asked_at: at(seconds),
        asked: Asked { unit: 1, function: 4, address, count: words.len() as u16 },
        outcome: Outcome::Answer { at: at(seconds + 0.05), pdu },
        latency: None,
        suspect: false,
    }
}

fn read(profile: Profile, transactions: &[Transaction]) -> MeterSeries {
    let mut reader = CycleReader::new(profile, Ratios { ct: 1.0, vt: 1.0 });
    for transaction in transactions {
        reader.push(transaction);
    }
    reader.finish()
}

fn key(quantity: Quantity, phase: Phase) -> PointKey {
    PointKey::Of(quantity, phase)
}

#[test]
fn a_silent_request_leaves_its_points_absent_and_the_others_present() {
    let profile =
        profile(vec![point(Quantity::ActivePower, Phase::L1, 0), point(Quantity::Voltage, Phase::L1, 100)]);
    let mut silent = answer(1.5, 100, &[0]);
    silent.outcome = Outcome::Silence;
    let first = [answer(0.0, 0, &[500]), answer(0.5, 100, &[230])];
    let series = read(profile, &[first[0].clone(), first[1].clone(), answer(1.0, 0, &[510]), silent]);
    let power = &series.points[&key(Quantity::ActivePower, Phase::L1)];
    assert_eq!(power.samples.iter().map(|s| s.value).collect::<Vec<_>>(), [500.0, 510.0]);
    assert_eq!(power.samples[1].at, at(1.05));
    let voltage = &series.points[&key(Quantity::Voltage, Phase::L1)];
    assert_eq!(voltage.samples.len(), 1);
    assert_eq!(voltage.absent, [(at(1.5), Absent::NoAnswer)]);
}

#[test]
fn a_suspect_answer_makes_no_reading() {
    let profile = profile(vec![point(Quantity::ActivePower, Phase::L1, 0)]);
    let mut suspect = answer(0.0, 0, &[500]);
    suspect.suspect = true;
    let series = read(profile, &[suspect, answer(1.0, 0, &[510])]);
    let power = &series.points[&key(Quantity::ActivePower, Phase::L1)];
    assert_eq!(power.samples, [Sample { at: at(1.05), value: 510.0 }]);
    assert_eq!(power.absent, [(at(0.0), Absent::Suspect)]);
}

#[test]
fn a_refused_part_of_a_block_hides_nothing_of_the_whole() {
    // what the master asks to part answers: first refused in part, then answered in whole
    let profile =
        profile(vec![point(Quantity::ActivePower, Phase::L1, 0), point(Quantity::Voltage, Phase::L1, 1)]);
    let mut refused = answer(0.0, 0, &[0]);
    refused.outcome = Outcome::Exception { at: at(0.05), code: 2 };
    let series = read(profile, &[refused, answer(0.5, 0, &[500, 230])]);
    for quantity in [Quantity::ActivePower, Quantity::Voltage] {
        let series = &series.points[&key(quantity, Phase::L1)];
        assert_eq!((series.samples.len(), series.absent.len()), (1, 0), "{quantity:?}");
    }
}

#[test]
fn one_way_powers_make_a_power_only_from_one_request() {
    let points = vec![
        point(Quantity::ActivePowerImport, Phase::L1, 0),
        point(Quantity::ActivePowerExport, Phase::L1, 1),
    ];
    let together = read(profile(points.clone()), &[answer(0.0, 0, &[0, 700])]);
    let power = &together.points[&key(Quantity::ActivePower, Phase::L1)];
    assert_eq!(power.samples, [Sample { at: at(0.05), value: -700.0 }]);
    let apart = read(profile(points), &[answer(0.0, 0, &[0]), answer(0.2, 1, &[700])]);
    let power = &apart.points[&key(Quantity::ActivePower, Phase::L1)];
    assert!(power.samples.is_empty());
    assert_eq!(power.absent.len(), 1);
}

#[test]
fn an_exponent_that_comes_later_in_the_cycle_serves_and_an_old_one_serves_for_a_minute() {
    let mut volts = point(Quantity::Voltage, Phase::L1, 0);
    volts.exponent_at = Some(Registers { table: Table::Input, address: 50, count: 1 });
    let transactions = [
        answer(0.0, 0, &[2305]),
        answer(0.2, 50, &[0xFFFF]),
        answer(1.0, 0, &[2310]),
        answer(90.0, 0, &[2320]),
    ];
    let series = read(profile(vec![volts]), &transactions);
    let volts = &series.points[&key(Quantity::Voltage, Phase::L1)];
    assert_eq!(volts.samples.iter().map(|s| s.value).collect::<Vec<_>>(), [230.5, 231.0]);
    assert_eq!(volts.absent, [(at(90.05), Absent::Incomplete)]);
}

#[test]
fn a_sum_needs_all_its_parts() {
    let mut total = point(Quantity::ActivePower, Phase::Total, 0);
    total.source =
        Source::Sum(vec![key(Quantity::ActivePower, Phase::L1), key(Quantity::ActivePower, Phase::L2)]);
    let points =
        vec![point(Quantity::ActivePower, Phase::L1, 0), point(Quantity::ActivePower, Phase::L2, 10), total];
    let mut silent = answer(1.2, 10, &[7]);
    silent.outcome = Outcome::Silence;
    let transactions = [answer(0.0, 0, &[5]), answer(0.2, 10, &[7]), answer(1.0, 0, &[5]), silent];
    let series = read(profile(points), &transactions);
    let total = &series.points[&key(Quantity::ActivePower, Phase::Total)];
    assert_eq!(total.samples, [Sample { at: at(0.25), value: 12.0 }]);
    assert_eq!(total.absent, [(at(1.05), Absent::Incomplete)]);
}

#[test]
fn overlapping_ranges_of_another_master_each_give_a_value() {
    let profile = profile(vec![point(Quantity::ActivePower, Phase::L1, 1)]);
    let series = read(profile, &[answer(0.0, 0, &[1, 500]), answer(0.5, 1, &[510, 2])]);
    let power = &series.points[&key(Quantity::ActivePower, Phase::L1)];
    assert_eq!(power.samples.iter().map(|s| s.value).collect::<Vec<_>>(), [500.0, 510.0]);
}

#[test]
fn a_sum_may_add_up_differences_and_has_its_own_bounds() {
    let pair = |phase, address| {
        [
            point(Quantity::ActivePowerImport, phase, address),
            point(Quantity::ActivePowerExport, phase, address + 1),
        ]
    };
    let mut total = point(Quantity::ActivePower, Phase::Total, 0);
    total.source =
        Source::Sum(vec![key(Quantity::ActivePower, Phase::L1), key(Quantity::ActivePower, Phase::L2)]);
    total.unit = Unit::parse("kW");
    // In the point's own unit.
    total.valid = Some((-1.0, 1.0));
    let points = pair(Phase::L1, 0).into_iter().chain(pair(Phase::L2, 2)).chain([total]).collect();
    let transactions = [answer(0.0, 0, &[0, 700, 100, 0]), answer(1.0, 0, &[0, 700, 0, 400])];
    let series = read(profile(points), &transactions);
    let total = &series.points[&key(Quantity::ActivePower, Phase::Total)];
    assert_eq!(total.samples, [Sample { at: at(0.05), value: -600.0 }]);
    assert_eq!(total.absent, [(at(1.05), Absent::Invalid)]);
}
