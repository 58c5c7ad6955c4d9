//! Parts of captures, captures joined, captures without names: what comes out is judged as what went in.

#![cfg(feature = "rim")]
#![expect(clippy::disallowed_methods, clippy::expect_used, reason = "a test may stop where it stands")]

mod common;

use std::path::{Path, PathBuf};

use common::commands::{json, run, text};
use proptest::prelude::*;
use wattward::base::{Span, Stamp};
use wattward::pipeline::edit::cut::cut;
use wattward::pipeline::edit::join::{Piece, fits, joined};
use wattward::pipeline::{Overrides, Replayed, replay};
use wattward::record::{CaptureWriter, LineInfo, Mark, MarkKind, Medium, Record, frame_all, read_capture};

const NAMES: [&str; 6] = ["ct-reversed", "ct-right", "ct-swapped", "ct-total", "limit-broken", "limit-held"];

fn path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("captures/{name}.pcapng"))
}

/// As `load` gives it: framed, in time order.
fn loaded(bytes: &[u8]) -> (Vec<LineInfo>, Vec<Record>) {
    let capture = read_capture(bytes).expect("a capture");
    let mut records = frame_all(&capture);
    records.sort_by_key(Record::at);
    (capture.lines, records)
}

fn file(lines: &[LineInfo], records: &[Record]) -> Vec<u8> {
    let mut writer = CaptureWriter::new(lines);
    let mut bytes = writer.header().concat();
    bytes.extend(records.iter().flat_map(|record| writer.record(record)).flatten());
    bytes
}

fn replayed(lines: &[LineInfo], records: &[Record]) -> Replayed {
    replay(lines, records, &Overrides::default()).expect("a case")
}

/// A capture with a check's start, and its end where asked for.
fn with_check(name: &str, ended: bool) -> (Vec<LineInfo>, Vec<Record>) {
    let (lines, mut records) = loaded(&std::fs::read(path(name)).expect("a capture"));
    let first = records.iter().map(Record::at).min().expect("a record");
    let last = records.iter().map(Record::at).max().expect("a record");
    let check = name.split('-').next().expect("a check");
    let mut start = Mark::new(first, MarkKind::CheckStart, check);
    start.text = Some(format!("{check}\n--meter connection"));
    records.push(Record::Mark(Box::new(start)));
    if ended {
        records.push(Record::Mark(Box::new(Mark::new(last, MarkKind::CheckEnd, "end"))));
    }
    records.sort_by_key(Record::at);
    (lines, records)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Cut anywhere and joined again it is the whole: the same transactions, readings, marks and so the same verdict.
    #[test]
    fn cut_at_any_time_and_joined_again_a_capture_is_the_whole(
        name in 0_usize..NAMES.len(), shares in prop::collection::vec(0.0_f64..1.0, 1..4), ended: bool,
    ) {
        let (lines, records) = with_check(NAMES[name], ended);
        let first = records.iter().map(Record::at).min().expect("a record");
        let last = records.iter().map(Record::at).max().expect("a record");
        let length = (last - first).seconds();
        let mut at: Vec<Stamp> =
            shares.iter().map(|share| first + Span::from_seconds(share * length)).collect();
        at.extend([first, last + Span::from_nanos(1)]);
        at.sort();
        let mut pieces = Vec::new();
        for ends in at.windows(2).filter(|ends| ends[0] < ends[1]) {
            let part = cut(&records, ends[0], ends[1]);
            // Each goes through a file of its own.
            let (lines, records) = loaded(&file(&lines, &part));
            pieces.push(Piece { file: ends[0].rfc3339(9), lines, records });
        }
        prop_assert!(fits(&pieces).is_ok());
        let mut all: Vec<Record> = pieces.into_iter().flat_map(|piece| piece.records).collect();
        all.sort_by_key(Record::at);
        let (again, records_again) = loaded(&file(&lines, &joined(all)));
        let (whole, joined) = (replayed(&lines, &records), replayed(&again, &records_again));
        prop_assert_eq!(&whole.transactions, &joined.transactions);
        prop_assert_eq!(whole.case, joined.case);
    }
}

#[test]
fn a_part_of_a_check_that_passes_does_not_pass_and_the_whole_made_of_its_parts_does() {
    let folder = tempfile::tempdir().expect("folder");
    for (name, args) in [("ct-right", "ct"), ("limit-held", "limit")] {
        let (lines, records) = with_check(name, true);
        std::fs::write(folder.path().join("whole.pcapng"), file(&lines, &records)).expect("written");
        let verdict =
            |file: &str| json(&run(folder.path(), &[args, "--from", file, "--json"]))["verdict"].clone();
        let whole = verdict("whole.pcapng");
        let first = records.iter().map(Record::at).min().expect("a record");
        let last = records.iter().map(Record::at).max().expect("a record");
        // All but the last second: as much to go by, and yet something may have been cut off.
        let end = (last - Span::from_millis(1000)).rfc3339(9);
        let begins = (first + Span::from_millis(1)).rfc3339(9);
        let cut = |options: &[&str], out: &str| {
            let words = [&["capture", "cut", "whole.pcapng", "-o", out][..], options].concat();
            assert_eq!(run(folder.path(), &words).status.code(), Some(0));
        };
        cut(&["--end", &end], "one.pcapng");
        cut(&["--start", &end], "two.pcapng");
        cut(&["--start", &begins, "--end", &end], "three.pcapng");
        for part in ["one.pcapng", "three.pcapng"] {
            assert_ne!(verdict(part), "pass", "{name} {part}");
        }
        let words = ["capture", "join", "two.pcapng", "one.pcapng", "-o", "again.pcapng"];
        assert_eq!(run(folder.path(), &words).status.code(), Some(0));
        assert_eq!(verdict("again.pcapng"), whole, "{name}");
        assert_eq!(whole, "pass", "{name}");
        // Nothing is written over, and no time of a line goes in twice.
        let over = run(folder.path(), &words);
        assert_eq!(over.status.code(), Some(2));
        assert!(text(&over.stderr).contains("again.pcapng exists already"));
        let words = ["capture", "join", "three.pcapng", "one.pcapng", "-o", "twice.pcapng"];
        let twice = run(folder.path(), &words);
        assert_eq!(twice.status.code(), Some(2));
        assert!(text(&twice.stderr).contains("both hold line "), "{}", text(&twice.stderr));
        for entry in std::fs::read_dir(folder.path()).expect("folder") {
            std::fs::remove_file(entry.expect("entry").path()).expect("removed");
        }
    }
}

#[test]
fn marks_in_force_are_in_the_part_and_verdicts_of_checks_cut_across_are_not() {
    let (_, mut records) = with_check("ct-right", true);
    let first = records.iter().map(Record::at).min().expect("a record");
    let at = |seconds: i64| first + Span::from_millis(seconds * 1000);
    let last = records.iter().map(Record::at).max().expect("a record");
    let mut add = |at: Stamp, kind: MarkKind, text: Option<&str>| {
        let mut mark = Mark::new(at, kind, kind.word());
        mark.text = text.map(str::to_owned);
        records.push(Record::Mark(Box::new(mark)));
    };
    add(at(3), MarkKind::StorageIdle, None);
    add(at(3), MarkKind::SignalOff, None);
    add(at(4), MarkKind::SignalOn, None);
    add(last, MarkKind::Verdict, Some(r#"{"check":"ct","verdict":"pass"}"#));
    records.sort_by_key(Record::at);
    let kinds = |part: &[Record]| -> Vec<MarkKind> {
        let kind = |record: &Record| match record {
            Record::Mark(mark) => Some(mark.kind),
            _ => None,
        };
        part.iter().filter_map(kind).collect()
    };
    let part = kinds(&cut(&records, at(15), last + Span::from_nanos(1)));
    for kept in [
        MarkKind::Site,
        MarkKind::Profile,
        MarkKind::CheckStart,
        MarkKind::PlantOff,
        MarkKind::StorageIdle,
        MarkKind::LoadOn,
    ] {
        assert!(part.contains(&kept), "{kept:?}: {part:?}");
    }
    assert!(!part.contains(&MarkKind::SignalOff) && !part.contains(&MarkKind::Verdict), "{part:?}");
    let whole = kinds(&cut(&records, first, last + Span::from_nanos(1)));
    assert!(whole.contains(&MarkKind::Verdict));
}

#[test]
fn captures_of_different_sites_are_not_joined() {
    let folder = tempfile::tempdir().expect("folder");
    let (lines, records) = loaded(&std::fs::read(path("ct-right")).expect("a capture"));
    std::fs::write(folder.path().join("one.pcapng"), file(&lines, &records)).expect("written");
    let other: Vec<Record> = records
        .into_iter()
        .map(|mut record| {
            let later = |at: &mut Stamp| *at += Span::from_millis(86_400_000);
            match &mut record {
                Record::Mark(mark) => {
                    later(&mut mark.at);
                    mark.text = mark.text.as_ref().map(|text| text.replace("Mill cottage", "Cider barn"));
                }
                Record::Frame(frame) => later(&mut frame.at),
                Record::Stray(stray) => later(&mut stray.at),
            }
            record
        })
        .collect();
    std::fs::write(folder.path().join("two.pcapng"), file(&lines, &other)).expect("written");
    let refused = run(folder.path(), &["capture", "join", "one.pcapng", "two.pcapng", "-o", "both.pcapng"]);
    assert_eq!(refused.status.code(), Some(2));
    let said = text(&refused.stderr);
    assert!(said.contains("`Mill cottage`") && said.contains("`Cider barn`"), "{said}");
    assert!(!folder.path().join("both.pcapng").exists());
}

#[test]
fn nothing_of_the_names_is_left_and_the_verdict_is_the_same() {
    let folder = tempfile::tempdir().expect("folder");
    for name in NAMES {
        let (lines, mut records) = with_check(name, true);
        let check = name.split('-').next().expect("a check");
        let last = records.iter().map(Record::at).max().expect("a record");
        for record in &mut records {
            if let Record::Mark(mark) = record
                && mark.kind == MarkKind::Site
            {
                mark.text = mark.text.as_ref().map(|text| {
                    text.replace("role = ", "serial = \"SN-4711\"\ncalibrated = \"2026-03-01\"\nrole = ")
                });
            }
        }
        // What an answer to 43/14 says of the meter (layout of Modbus Application Protocol 1.1b3, 6.21).
        let object = [&[0x2B, 0x0E, 1, 1, 0, 0, 2, 0, 7][..], b"Marlowe", &[1, 4], b"Z-99"].concat();
        for (pdu, role, after) in [
            (vec![0x2B, 0x0E, 1, 0], wattward::record::Role::Request, 1000),
            (object, wattward::record::Role::Response, 1030),
        ] {
            records.push(Record::Frame(wattward::record::Frame {
                line: 0,
                at: last + Span::from_millis(after),
                direction: if after == 1000 {
                    wattward::record::Direction::Out
                } else {
                    wattward::record::Direction::In
                },
                role,
                medium: lines[0].medium,
                bytes: match lines[0].medium {
                    Medium::Serial => wattward::wire::rtu::encode(1, &pdu),
                    Medium::Tcp => wattward::wire::mbap::encode(9, 1, &pdu),
                },
            }));
        }
        records.push(Record::Mark(Box::new(Mark::new(last, MarkKind::Note, "the key is with Mrs Marlowe"))));
        records.sort_by_key(Record::at);
        let whole = format!("{name}.pcapng");
        std::fs::write(folder.path().join(&whole), file(&lines, &records)).expect("written");
        // The verdict goes into it, as at the end of a live check.
        let document = run(folder.path(), &[check, "--from", &whole, "--json"]);
        let mut verdict = Mark::new(last, MarkKind::Verdict, check);
        verdict.text = Some(text(&document.stdout));
        records.push(Record::Mark(Box::new(verdict)));
        records.sort_by_key(Record::at);
        std::fs::write(folder.path().join(&whole), file(&lines, &records)).expect("written");
        let out = format!("{name}-scrubbed.pcapng");
        assert_eq!(
            run(folder.path(), &["capture", "scrub", &whole, "-o", &out]).status.code(),
            Some(0),
            "{name}"
        );
        let bytes = std::fs::read(folder.path().join(&out)).expect("written");
        for word in [
            "Mill cottage",
            "connection",
            "SN-4711",
            "2026-03-01",
            "kettle",
            "roof",
            "ttyUSB0",
            "192.0.2.10:502",
            "house.profile",
            "Marlowe",
            "Z-99",
            "Example three-phase",
            "Invented",
        ] {
            assert!(!bytes.windows(word.len()).any(|window| window == word.as_bytes()), "{name}: {word}");
        }
        let again = run(folder.path(), &["replay", &out, "--json"]);
        assert_eq!(again.status.code(), Some(0), "the verdict inside is what the file gives");
        let check = &json(&again)["checks"][0];
        assert_eq!(check["recorded"], json(&document)["verdict"], "{name}");
        assert_eq!(check["same"], true, "{name}");
        // As many whole frames as before: the blanked one has its CRC again.
        let frames =
            |records: &[Record]| records.iter().filter(|record| matches!(record, Record::Frame(_))).count();
        assert_eq!(frames(&loaded(&bytes).1), frames(&records), "{name}");
    }
}
