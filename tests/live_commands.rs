//! The commands that use a line, as a person runs them, against an invented meter on a pseudo-terminal.

#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

mod common;

use std::time::Duration;

use common::commands::{interrupt, json, records, run, text, told, wait, wattward};
use common::session::PROFILE;
use common::{Act, FakeMeter, pty, register};
use wattward::record::{Direction, MarkKind, Record, frame_all, read_capture};

/// A folder with the profile, and a meter on a pseudo-terminal.
fn bench(acts: Vec<Act>) -> (tempfile::TempDir, FakeMeter, String) {
    let folder = tempfile::tempdir().expect("folder");
    std::fs::write(folder.path().join("invented.toml"), PROFILE).expect("profile");
    let (far, near) = pty();
    (folder, FakeMeter::start(far, acts), near)
}

#[test]
fn read_shows_one_reading_by_quantity_and_phase() {
    let (folder, meter, near) = bench(vec![]);
    let args = ["read", "--profile", "invented.toml", "--serial", &near, "--listen-first", "100ms"];
    let output = run(folder.path(), &args);
    assert_eq!(output.status.code(), Some(0));
    let screen = text(&output.stdout);
    let row = |name: &str| screen.lines().find(|line| line.starts_with(name)).expect("a row").to_owned();
    assert!(row("voltage V").trim_end().ends_with(&format!("{:.1}", f64::from(register(4, 10)))), "{screen}");
    assert!(row("current A").contains(&format!("{:.3}", f64::from(register(4, 20)))), "{screen}");
    assert!(screen.lines().all(|line| line.chars().count() < 100), "{screen}");
    // The invented registers make no sense as volts and hertz, and that is said.
    assert!(screen.contains("contradiction: ") || screen.contains("unusual: "), "{screen}");
    assert_eq!(meter.seen().questions.len(), 3);

    let output = run(folder.path(), &[&args[..], &["--json"]].concat());
    let document = json(&output);
    let values = document["meters"][0]["values"].as_array().expect("values");
    let voltage = values.iter().find(|row| row["point"] == "voltage.L1").expect("voltage");
    assert_eq!(
        (voltage["value"].as_f64(), voltage["unit"].as_str()),
        (Some(f64::from(register(4, 10))), Some("V"))
    );
}

#[test]
fn a_silent_meter_and_a_missing_port_are_exit_4_with_a_mend() {
    let (folder, _meter, near) = bench(vec![Act::Silent; 8]);
    let profile = ["--profile", "invented.toml", "--listen-first", "100ms"];
    let output = run(folder.path(), &[&["read", "--serial", &near][..], &profile].concat());
    assert_eq!(output.status.code(), Some(4));
    assert!(text(&output.stderr).contains("hint: `wattward find`"));
    let output = run(folder.path(), &[&["read", "--serial", "/dev/no-such-port"][..], &profile].concat());
    assert_eq!(output.status.code(), Some(4));
    assert!(text(&output.stderr).contains("error: /dev/no-such-port is not there"));
    let output = run(folder.path(), &["read", "--serial", &near]);
    assert_eq!(output.status.code(), Some(2), "a line without a profile is wrong use");
}

#[test]
fn log_ends_cleanly_on_an_interrupt_and_says_where_the_file_is() {
    let (folder, meter, near) = bench(vec![]);
    let args = [
        "log",
        "--profile",
        "invented.toml",
        "--serial",
        &near,
        "--listen-first",
        "100ms",
        "--every",
        "50ms",
        "--capture",
        "night.pcapng",
        "--json",
    ];
    let child = wattward(folder.path(), &args).spawn().expect("the program");
    wait(|| meter.seen().questions.len() >= 30);
    interrupt(&child);
    let output = told(child.wait_with_output().expect("its end"));
    assert_eq!(output.status.code(), Some(0));
    let document = json(&output);
    let readings = document["meters"][0]["readings"].as_u64().expect("readings");
    assert!(readings >= 9, "{document}");
    assert_eq!(document["captures"][0]["file"], "night.pcapng");
    let records = records(&folder.path().join("night.pcapng"));
    let marks: Vec<MarkKind> = records
        .iter()
        .filter_map(|record| match record {
            Record::Mark(mark) => Some(mark.kind),
            _ => None,
        })
        .collect();
    assert_eq!(marks, [MarkKind::Clock, MarkKind::Site, MarkKind::Profile, MarkKind::Clock]);
    // Questions at the start of each cycle keep an absolute schedule: whatever a late one loses, the next has back.
    let asked: Vec<i64> = records
        .iter()
        .filter_map(|record| match record {
            Record::Frame(frame) if frame.direction == Direction::Out && frame.pdu()[2] == 10 => {
                Some(frame.at.nanos())
            }
            _ => None,
        })
        .collect();
    let slots: Vec<i64> = asked.iter().map(|at| (at - asked[0] + 25_000_000) / 50_000_000).collect();
    let drift = (asked[asked.len() - 1] - asked[0]) - slots[slots.len() - 1] * 50_000_000;
    assert!(drift.abs() < 20_000_000, "{drift} ns after {} slots", slots.len());
    // A capture that exists is never written over.
    let again = run(folder.path(), &args);
    assert_eq!(again.status.code(), Some(2));
    assert!(text(&again.stderr).contains("night.pcapng exists already"));
}

#[test]
fn log_stops_by_itself_and_sums_up() {
    let (folder, _meter, near) = bench(vec![Act::Answer, Act::Answer, Act::Answer, Act::BadCrc]);
    let output = run(
        folder.path(),
        &[
            "log",
            "--profile",
            "invented.toml",
            "--serial",
            &near,
            "--listen-first",
            "0s",
            "--every",
            "100ms",
            "--for",
            "1s",
        ],
    );
    assert_eq!(output.status.code(), Some(0));
    let screen = text(&output.stdout);
    assert!(screen.starts_with("recorded 1.0 s in log-20"), "{screen}");
    assert!(screen.contains(" 1 damaged"), "{screen}");
    assert!(screen.contains("(p50)") && screen.contains("(p99)") && screen.contains("(max)"), "{screen}");
    let captures = std::fs::read_dir(folder.path()).expect("folder").flatten();
    assert_eq!(
        captures.filter(|file| file.path().extension().is_some_and(|kind| kind == "pcapng")).count(),
        1
    );
}

#[test]
fn line_counts_what_fails_and_bounds_it() {
    let (folder, _meter, near) = bench(vec![Act::Answer, Act::Answer, Act::Answer, Act::BadCrc, Act::Silent]);
    let args =
        ["line", "--profile", "invented.toml", "--serial", &near, "--listen-first", "0s", "--requests", "60"];
    let output = run(folder.path(), &[&args[..], &["--json"]].concat());
    assert_eq!(output.status.code(), Some(0));
    let document = json(&output);
    assert_eq!((document["damaged"].as_u64(), document["timeouts"].as_u64()), (Some(1), Some(1)));
    let (share, upper) = (&document["failure"]["share"], &document["failure"]["upper_95"]);
    let requests = document["requests"].as_f64().expect("requests");
    assert!(requests >= 60.0 && (share.as_f64().expect("share") - 2.0 / requests).abs() < 1e-12);
    assert!(upper.as_f64() > share.as_f64());
    assert!(document["parity_errors"].is_null(), "a pseudo-terminal cannot tell");
    assert!(document["reading_s"].as_f64().is_some_and(|seconds| seconds > 0.001));
    assert!(document["causes"].as_array().is_some_and(|causes| !causes.is_empty()));
    let output = run(folder.path(), &args);
    let screen = text(&output.stdout);
    assert!(screen.contains("with 95 % confidence") && screen.contains("####"), "{screen}");
    assert!(text(&output.stderr).contains("caution: this asks as fast as the line carries"));
}

#[test]
fn find_names_the_unit_its_settings_and_its_identity() {
    let (folder, meter, near) = bench(vec![]);
    let args = ["find", "--serial", &near, "--listen-first", "100ms", "--units", "1-3"];
    let output = run(folder.path(), &args);
    assert_eq!(output.status.code(), Some(0));
    let screen = text(&output.stdout);
    assert!(screen.contains("identifies itself as Invented"), "{screen}");
    assert!(screen.contains("[[meter]]") && screen.contains("unit = 1"), "{screen}");
    assert!(text(&output.stderr).contains("can blind an inverter"));
    let functions: std::collections::BTreeSet<u8> =
        meter.seen().questions.iter().map(|question| question[1]).collect();
    assert!(functions.iter().all(|function| [3, 4, 43].contains(function)), "{functions:?}");
    let document = json(&run(folder.path(), &[&args[..], &["--json"]].concat()));
    assert_eq!(document["units"][0]["identification"][0], "Invented");
    assert_eq!(document["units"][0]["garbled"], 0);
    // What was said and heard is kept, at each speed as a line of its own.
    let output = run(folder.path(), &[&args[..], &["--capture", "found.pcapng", "--json"]].concat());
    let document = json(&output);
    assert_eq!(document["captures"][0]["file"], "found.pcapng");
    let kept = std::fs::read(folder.path().join("found.pcapng")).expect("file");
    let capture = read_capture(&kept).expect("capture");
    assert_eq!(capture.lines[0].baud, Some(9600));
    let frames = frame_all(&capture);
    let said = |way| {
        frames
            .iter()
            .filter(|record| matches!(record, Record::Frame(frame) if frame.direction == way))
            .count()
    };
    assert!(said(Direction::Out) as u64 == document["requests"].as_u64().expect("requests"), "{document}");
    assert!(said(Direction::In) > 4);
    let again = run(folder.path(), &[&args[..], &["--capture", "found.pcapng"]].concat());
    assert_eq!(again.status.code(), Some(2), "a capture is never written over");
    // The meter of this bench answers whatever the unit, so ask where nobody is.
    let (_far, dead) = pty();
    let output = run(
        folder.path(),
        &[
            "find",
            "--serial",
            &dead,
            "--listen-first",
            "100ms",
            "--units",
            "9",
            "--baud",
            "9600",
            "--parity",
            "even",
        ],
    );
    assert_eq!(output.status.code(), Some(4));
    assert!(text(&output.stdout).contains("not a byte heard"));
}

#[test]
fn find_stops_when_another_master_is_heard() {
    let (folder, _meter, near) = bench(vec![Act::Before(vec![9, 4, 0, 0, 0, 2])]);
    drop((folder, near));
    let folder = tempfile::tempdir().expect("folder");
    let (far, near) = pty();
    let child = wattward(folder.path(), &["find", "--serial", &near, "--listen-first", "2s"])
        .spawn()
        .expect("program");
    let line = [common::rtu(&[7, 4, 0, 0, 0, 2]), common::rtu(&[7, 4, 4, 0, 1, 0, 2])].concat();
    for _ in 0..4 {
        std::thread::sleep(Duration::from_millis(300));
        rustix::io::write(&far, &line).expect("write");
    }
    let output = told(child.wait_with_output().expect("its end"));
    assert_eq!(output.status.code(), Some(4));
    assert!(text(&output.stderr).contains("is in use: another master"), "{}", text(&output.stderr));
    assert_eq!(text(&output.stdout), "", "nothing was found, and nothing is said of it");
    rustix::fs::fcntl_setfl(&far, rustix::fs::OFlags::NONBLOCK).expect("nonblocking");
    assert!(!matches!(rustix::io::read(&far, &mut [0; 8]), Ok(1..)), "not a byte was sent");
}

#[test]
fn ports_answers_in_json_whatever_there_is() {
    let folder = tempfile::tempdir().expect("folder");
    let output = run(folder.path(), &["ports", "--json"]);
    let ports = json(&output);
    let none = ports["ports"].as_array().expect("ports").is_empty();
    assert_eq!(output.status.code(), Some(if none { 4 } else { 0 }));
}
