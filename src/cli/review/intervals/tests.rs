//! Tables as they come: separators, decimal marks, headings, units, and the two nights on which clocks change.

use std::fmt::Write as _;

use super::*;

fn zone(name: &str) -> Zone {
    Zone::named(name).expect("in the database")
}

fn berlin(text: &str) -> Result<Intervals, Failure> {
    read("table.csv", text, &zone("Europe/Berlin"), &Said::default())
}

fn utc(data: &Intervals) -> Vec<String> {
    data.list.iter().map(|one| one.start.rfc3339(0)).collect()
}

#[test]
fn separators_marks_and_units_are_told_apart() {
    for text in [
        "start;import (kWh);export (kWh)\n2026-05-01 00:00;1.234,5;0,25\n2026-05-01 00:15;0,5;\n2026-05-01 00:30;0,5;1\n",
        "start,import [Wh],export [Wh]\n2026-05-01 00:00,1234500,250\n2026-05-01 00:15,500,\n2026-05-01 00:30,500,1000\n",
        "Datum\tUhrzeit\tBezug kW\tEinspeisung kW\n01.05.2026\t00:00\t4938,0\t1,0\n01.05.2026\t00:15\t2,0\t-\n01.05.2026\t00:30\t2,0\t4,0\n",
        "start,import kWh,export kWh\n2026-05-01 00:00,\"1,234.5\",0.25\n2026-05-01 00:15,\"0,5\",\n2026-05-01 00:30,0.5,1\n",
    ] {
        let data = berlin(text).unwrap_or_else(|failure| unreachable!("{failure}: {text}"));
        assert_eq!(data.length_s, 900.0);
        let values: Vec<_> = data.list.iter().map(|one| (one.import_wh, one.export_wh)).collect();
        assert_eq!(
            values,
            [(Some(1_234_500.0), Some(250.0)), (Some(500.0), None), (Some(500.0), Some(1000.0))],
            "{text}"
        );
        assert_eq!(utc(&data)[0], "2026-04-30T22:00:00Z");
    }
}

#[test]
fn lines_above_the_heading_are_passed_over_and_one_net_column_has_both_directions() {
    let text = "Malt loft;;\nmeter 7;;\nend;net (kWh);\n2026-05-01 00:15;-0,5;\n2026-05-01 00:30;0,75;\n2026-05-02 24:00;1,0;\n";
    let data = read(
        "t",
        text,
        &Zone::default(),
        &Said { length: Some(Span::from_millis(900_000)), ..Said::default() },
    )
    .expect("a table");
    assert_eq!(utc(&data), ["2026-05-01T00:00:00Z", "2026-05-01T00:15:00Z", "2026-05-02T23:45:00Z"]);
    assert_eq!((data.list[0].import_wh, data.list[0].export_wh), (Some(0.0), Some(500.0)));
    assert_eq!((data.list[1].import_wh, data.list[1].export_wh), (Some(750.0), Some(0.0)));
}

/// Against Python's zoneinfo (tests/peers/local_times.py): every quarter hour about every change of the clocks in 2026, the
/// hour that comes twice and the half hour of Lord Howe among them.
#[test]
fn every_local_time_is_the_instant_that_zoneinfo_has() {
    let table = include_str!("../../../../tests/files/local-times.csv");
    let mut zones: Vec<(&str, String, Vec<&str>)> = Vec::new();
    for line in table.lines().skip(1) {
        let mut parts = line.split(';');
        let (Some(name), Some(local), Some(utc)) = (parts.next(), parts.next(), parts.next()) else {
            unreachable!("{line}")
        };
        if zones.last().is_none_or(|(last, ..)| *last != name) {
            zones.push((name, "start;import Wh\n".to_owned(), Vec::new()));
        }
        let (_, text, instants) = zones.last_mut().expect("one");
        let _ = writeln!(text, "{local};1");
        instants.push(utc);
    }
    assert!(zones.len() > 5);
    let said = Said { length: Some(Span::from_millis(900_000)), ..Said::default() };
    for (name, text, instants) in zones {
        let data =
            read("t", &text, &zone(name), &said).unwrap_or_else(|failure| unreachable!("{name}: {failure}"));
        assert_eq!(utc(&data), instants, "{name}");
    }
}

/// Central European Time: at 02:00 on 2026-03-29 clocks show 03:00 (directive 2000/84/EC).
#[test]
fn a_time_that_was_not_is_refused_unless_it_is_empty() {
    let rows = |value: &str| {
        format!(
            "start;import kWh\n2026-03-29 01:30;1\n2026-03-29 01:45;1\n2026-03-29 02:00;{value}\n2026-03-29 03:00;1\n"
        )
    };
    let failure = berlin(&rows("1,5")).expect_err("an hour that was not");
    assert!(failure.message.contains("line 4") && failure.hint.is_some(), "{failure}");
    let data = berlin(&rows("0,0")).expect("zeros stand for nothing");
    assert_eq!((data.list.len(), data.skipped), (3, 1));
}

#[test]
fn what_a_heading_leaves_open_is_asked_for() {
    let failure = berlin("start;import\n2026-05-01 00:00;1\n2026-05-01 00:15;1\n").expect_err("no unit");
    assert!(failure.message.contains("--against-unit"), "{failure}");
    let failure = berlin("start;value kWh\n2026-05-01 00:00;1\n2026-05-01 00:15;1\n").expect_err("which?");
    assert!(failure.message.contains("--against-column"), "{failure}");
    let failure = berlin("start;import kWh\n03/04/2026 00:00;1\n03/04/2026 00:15;1\n").expect_err("which?");
    assert!(failure.message.contains("day or the month"), "{failure}");
    let failure = berlin("a;b\n1;2\n").expect_err("no heading");
    assert!(failure.hint.is_some());
}
