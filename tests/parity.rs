//! Live equals replay: a `ct` and a `limit` over a pseudo-terminal, with the simulated site as a program of its own and
//! prompts read as a person reads them; the document of the live run and that of its capture are equal byte for byte.
#![cfg(unix)]
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

mod common;

use std::path::Path;

use common::house::{Does, Stopped, converse, program, simulate};
use wattward::record::{Direction, Record, frame_all, read_capture};

/// Runs a live check; does in the simulated site what each prompt asks, then confirms it. Gives its document.
fn check(folder: &Path, name: &str, served: &mut Stopped) -> String {
    let arguments = [name, "--json", "--listen-first", "200ms", "--capture", "visit.pcapng"];
    converse(folder, &arguments, served, |_| Does::types("")).1
}

/// Live, from the capture, and by `replay`; gives the live document.
fn live_and_replayed(name: &str) -> serde_json::Value {
    let folder = tempfile::tempdir().expect("a folder");
    let mut served = simulate(folder.path());
    let live = check(folder.path(), name, &mut served);
    let from = [name, "--from", "visit.pcapng", "--json"];
    let again = program(folder.path(), &from).output().expect("the check from its capture");
    assert!(!live.is_empty(), "no document");
    assert_eq!(live, String::from_utf8_lossy(&again.stdout), "the replay says something else");
    let replayed = program(folder.path(), &["replay", "visit.pcapng"]).output().expect("a replay");
    assert_eq!(replayed.status.code(), Some(0), "{}", String::from_utf8_lossy(&replayed.stdout));
    only_reads_were_sent(&folder.path().join("visit.pcapng"));
    serde_json::from_str(&live).expect("JSON")
}

/// The set of function codes that left is within 3, 4 and 43.
fn only_reads_were_sent(capture: &Path) {
    let capture = read_capture(&std::fs::read(capture).expect("the capture")).expect("a capture");
    let mut sent = 0;
    for record in frame_all(&capture) {
        if let Record::Frame(frame) = record
            && frame.direction == Direction::Out
        {
            assert!(matches!(frame.pdu()[0], 3 | 4 | 43), "function {} was sent", frame.pdu()[0]);
            sent += 1;
        }
    }
    assert!(sent > 20, "{sent} requests");
}

/// Every visit must replay to the byte; a pass must come of one in three. A machine that stalls for a second loses readings, and
/// a check that lost readings is rightly inconclusive.
fn passes_and_replays(name: &str) {
    let missed: Vec<serde_json::Value> = (0..3)
        .map(|_| live_and_replayed(name))
        .take_while(|document| document["verdict"] != "pass")
        .collect();
    assert!(missed.len() < 3, "{missed:#?}");
    for document in &missed {
        assert_eq!(document["verdict"], "inconclusive", "{document:#}");
        let reasons = document["reasons"].to_string();
        assert!(
            LOST.iter().any(|words| reasons.contains(words)),
            "readings were not what was missing: {document:#}"
        );
    }
}

/// What a busy computer costs: readings, and with them coverage of the window or pairs of edges. Nothing else may keep a check
/// on a sound line from its pass.
const LOST: [&str; 5] = [
    "of the window lies between readings",
    "without readings",
    "readings came",
    "between two readings",
    "on/off pairs agree",
];

#[test]
fn a_live_ct_check_and_its_replay_are_equal_byte_for_byte() {
    passes_and_replays("ct");
}

#[test]
fn a_live_limit_check_and_its_replay_are_equal_byte_for_byte() {
    passes_and_replays("limit");
}

#[test]
fn a_ct_check_that_was_left_is_gone_on_with_to_one_verdict() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut served = simulate(folder.path());
    let quick = ["ct", "--json", "--listen-first", "200ms"];
    let first = [&quick[..], &["--capture", "first.pcapng"]].concat();
    let leave = |prompt: &str| if prompt.contains("ON (L1, pair 2") { Does::Leaves } else { Does::types("") };
    let (code, document, screen) = converse(folder.path(), &first, &mut served, leave);
    assert_eq!((code, document.as_str()), (Some(130), ""), "{screen}");
    assert!(screen.contains("wattward ct --resume first.pcapng"), "{screen}");

    // Gone on with, from its capture alone; meanwhile a clamp meter is read, once without its unit.
    std::fs::rename(folder.path().join("site.toml"), folder.path().join("moved.toml")).expect("a name");
    let second = [&quick[..], &["--resume", "first.pcapng", "--capture", "second.pcapng"]].concat();
    let read = |prompt: &str| {
        let at = |what: &str| prompt.contains(what);
        let value =
            [("OFF (L1, pair 2", "8.7A"), ("OFF (L1, pair 3", "8.7")].into_iter().find(|(off, _)| at(off));
        Does::Types(value.map(|(_, typed)| typed.to_owned()).into_iter().chain([String::new()]).collect())
    };
    let (_, live, screen) = converse(folder.path(), &second, &mut served, read);
    assert!(screen.contains("Going on with the check of"), "{screen}");
    assert!(!screen.contains("pair 1 of") && screen.contains("pair 2 of"), "{screen}");
    assert!(screen.contains("Read off another instrument: current 8.7 A on L1; the meter had"), "{screen}");
    assert!(screen.contains("`8.7` has no unit"), "{screen}");
    let document: serde_json::Value = serde_json::from_str(&live).expect("JSON");
    assert_eq!(document["verdict"], "pass", "{document:#}");
    assert_eq!(document["channels"][0]["pairs"], 3, "{document:#}");
    assert_eq!(document["captures"].as_array().map(Vec::len), Some(2), "{document:#}");
    let told = document["reasons"].to_string();
    assert!(told.contains("Read off another instrument: current 8.7 A on L1"), "{told}");

    let both = ["first.pcapng", "second.pcapng"];
    let from = ["ct", "--json", "--from", both[0], "--from", both[1]];
    let again = program(folder.path(), &from).output().expect("the check from its captures");
    assert_eq!(live, String::from_utf8_lossy(&again.stdout), "the replay says something else");
    let replayed = program(folder.path(), &["replay", both[0], both[1]]).output().expect("a replay");
    assert_eq!(replayed.status.code(), Some(0), "{}", String::from_utf8_lossy(&replayed.stdout));
    assert!(String::from_utf8_lossy(&replayed.stdout).contains("the same to the last digit"));
    // The second part alone says what is missing; a settled check is not gone on with.
    let part = program(folder.path(), &["replay", both[1]]).output().expect("a replay");
    assert!(String::from_utf8_lossy(&part.stderr).contains("give that capture as well"));
    let settled = ["ct", "--resume", both[0], "--resume", both[1]];
    let refused = program(folder.path(), &settled).output().expect("a refusal");
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("that check is settled: pass"));
}
