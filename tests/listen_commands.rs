//! Listening to another master and its meter, on a line with three parties.

#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

mod common;

use std::os::fd::OwnedFd;
use std::process::Stdio;

use common::commands::{interrupt, json, records, run, text, told, wait, wattward};
use common::session::PROFILE;
use common::{FakeMeter, Party, pty, register};
use wattward::record::{Direction, Record};

/// A line with a master, a meter and a listener: three pseudo-terminals, every byte copied to the others.
fn party_line() -> (Party, OwnedFd, String, String) {
    let ((master_far, master), (meter_far, meter), (ear_far, ear)) = (pty(), pty(), pty());
    let meter_near = rustix::fs::open(
        &meter,
        rustix::fs::OFlags::RDWR | rustix::fs::OFlags::NOCTTY,
        rustix::fs::Mode::empty(),
    )
    .expect("open");
    (Party::start(vec![master_far, meter_far, ear_far]), meter_near, master, ear)
}

#[test]
fn listen_hears_another_master_and_its_meter_and_sends_nothing() {
    let (party, meter_near, master, ear) = party_line();
    let meter = FakeMeter::start(meter_near, vec![]);
    let folder = tempfile::tempdir().expect("folder");
    std::fs::write(folder.path().join("invented.toml"), PROFILE).expect("profile");
    let listening = wattward(
        folder.path(),
        &["listen", "--serial", &ear, "--baud", "115200", "--capture", "heard.pcapng", "--json"],
    )
    .spawn()
    .expect("the program");
    wait(|| folder.path().join("heard.pcapng").exists());
    let output = run(
        folder.path(),
        &[
            "watch",
            "--profile",
            "invented.toml",
            "--serial",
            &master,
            "--listen-first",
            "0s",
            "--every",
            "50ms",
            "--for",
            "800ms",
        ],
    );
    assert_eq!(output.status.code(), Some(0));
    assert!(text(&output.stdout).lines().count() >= 10);
    // A session settles its last question before it ends, so nothing is on its way any more.
    let asked = meter.seen().questions.len() as u64;
    interrupt(&listening);
    let output = told(listening.wait_with_output().expect("its end"));
    assert_eq!(output.status.code(), Some(0));
    let document = json(&output);
    assert_eq!(document["transactions"].as_u64(), Some(asked));
    assert_eq!(document["ranges"].as_array().map(Vec::len), Some(3));
    assert_eq!(document["units"], serde_json::json!([1]));
    assert_eq!(party.heard_from(2), 0, "the listener said nothing");
    let heard = records(&folder.path().join("heard.pcapng"));
    assert!(heard.iter().all(|record| match record {
        Record::Frame(frame) => frame.direction == Direction::In,
        _ => true,
    }));
    // With the profile, what was heard makes readings.
    let output =
        run(folder.path(), &["read", "--from", "heard.pcapng", "--profile", "invented.toml", "--json"]);
    assert_eq!(json(&output)["meters"][0]["values"][0]["value"].as_f64(), Some(f64::from(register(4, 10))));
}

#[test]
fn log_with_listen_records_what_the_other_master_gets() {
    let (party, meter_near, master, ear) = party_line();
    let _meter = FakeMeter::start(meter_near, vec![]);
    let folder = tempfile::tempdir().expect("folder");
    std::fs::write(folder.path().join("invented.toml"), PROFILE).expect("profile");
    let mut asking = wattward(
        folder.path(),
        &[
            "watch",
            "--profile",
            "invented.toml",
            "--serial",
            &master,
            "--listen-first",
            "0s",
            "--every",
            "50ms",
        ],
    )
    .stdout(Stdio::null())
    .stderr(Stdio::null())
    .spawn()
    .expect("the program");
    let output = run(
        folder.path(),
        &[
            "log",
            "--profile",
            "invented.toml",
            "--serial",
            &ear,
            "--listen",
            "--for",
            "1s",
            "--capture",
            "a.pcapng",
            "--json",
        ],
    );
    assert_eq!(output.status.code(), Some(0));
    assert!(json(&output)["meters"][0]["readings"].as_u64().is_some_and(|readings| readings >= 10));
    assert_eq!(party.heard_from(2), 0);
    // And who would ask on that line is refused.
    let output = run(
        folder.path(),
        &["read", "--profile", "invented.toml", "--serial", &ear, "--listen-first", "500ms"],
    );
    assert_eq!(output.status.code(), Some(4));
    assert!(text(&output.stderr).contains("in use: another master"));
    assert_eq!(party.heard_from(2), 0);
    interrupt(&asking);
    asking.wait().expect("its end");
}
