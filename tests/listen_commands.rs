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

/// Somebody who asks a line's meter twenty times a second until killed.
fn asking(folder: &std::path::Path, master: &str) -> std::process::Child {
    let line = ["watch", "--profile", "invented.toml", "--serial", master];
    wattward(folder, &[&line[..], &["--listen-first", "0s", "--every", "50ms"]].concat())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program")
}

#[test]
fn every_line_of_a_site_is_heard_and_what_was_heard_is_shown_by_profile() {
    let (first, second) = (party_line(), party_line());
    let lines = [(&first.2, &first.3), (&second.2, &second.3)];
    let folder = tempfile::tempdir().expect("folder");
    std::fs::write(folder.path().join("invented.toml"), PROFILE).expect("profile");
    // The second meter's own map is another one: of what its master asks, nothing is named.
    let other = PROFILE.replace("address = ", "address = 1");
    std::fs::write(folder.path().join("other.toml"), other).expect("profile");
    let meter = |name: &str, profile: &str, ear: &str| {
        format!("[[meter]]\nname = \"{name}\"\nprofile = \"{profile}\"\nline = {{ serial = \"{ear}\" }}\n")
    };
    let site = "[site]\nphases = 1\n".to_owned()
        + &meter("one", "invented.toml", lines[0].1)
        + &meter("two", "other.toml", lines[1].1)
        + "[[meter]]\nname = \"three\"\nprofile = \"invented.toml\"\nline = { tcp = \"127.0.0.1:9\" }\n";
    std::fs::write(folder.path().join("site.toml"), site).expect("site");
    let mut masters = lines.map(|(master, _)| asking(folder.path(), master));
    let meters = [FakeMeter::start(first.1, vec![]), FakeMeter::start(second.1, vec![])];
    wait(|| meters.iter().all(|meter| meter.seen().questions.len() > 6));
    let args = ["listen", "--for", "1500ms", "--capture", "both.pcapng", "--json"];
    let output = run(folder.path(), &args);
    assert_eq!(output.status.code(), Some(0));
    let warning = text(&output.stderr);
    assert!(warning.contains("`three` hangs on Modbus TCP, which cannot be listened to"), "{warning}");
    let document = json(&output);
    let ranges = document["ranges"].as_array().expect("ranges");
    assert_eq!(ranges.len(), 6, "{document}");
    for (number, (_, ear)) in lines.iter().enumerate() {
        let here: Vec<_> = ranges.iter().filter(|range| range["line"] == ear.as_str()).collect();
        assert_eq!(here.len(), 3, "line {ear}");
        for range in here {
            assert!(range["transactions"].as_u64().is_some_and(|count| count >= 10), "{range}");
            assert_eq!(range["points"].as_array().map(Vec::is_empty), Some(number == 1), "{range}");
            let address = range["address"].as_u64().expect("address") as u16;
            assert_eq!(range["registers"][0], register(4, address), "{range}");
        }
    }
    let meters = document["meters"].as_array().expect("meters");
    assert_eq!(meters[0]["values"][0]["value"].as_f64(), Some(f64::from(register(4, 10))));
    assert!(meters[1]["values"][0]["value"].is_null());
    // The capture holds the site and its profiles: nothing needs to be given, and the same comes out, also on a screen.
    std::fs::remove_file(folder.path().join("site.toml")).expect("removed");
    let again = run(folder.path(), &["listen", "--from", "both.pcapng", "--json"]);
    let mut replayed = json(&again);
    replayed["captures"] = document["captures"].clone();
    assert_eq!(replayed["ranges"], document["ranges"]);
    assert_eq!(replayed["meters"][0]["values"][0]["value"], document["meters"][0]["values"][0]["value"]);
    let screen = text(&run(folder.path(), &["listen", "--from", "both.pcapng"]).stdout);
    assert!(screen.contains("in ranges that no profile names"), "{screen}");
    assert!(screen.contains(&format!("unit 1 fn 4    10:  {:04x}", register(4, 10))), "{screen}");
    for party in [&first.0, &second.0] {
        assert_eq!(party.heard_from(2), 0, "the listener said nothing");
    }
    for master in &mut masters {
        interrupt(master);
        master.wait().expect("its end");
    }
}

#[test]
fn watch_with_listen_shows_what_the_other_master_gets() {
    let (party, meter_near, master, ear) = party_line();
    let _meter = FakeMeter::start(meter_near, vec![]);
    let folder = tempfile::tempdir().expect("folder");
    std::fs::write(folder.path().join("invented.toml"), PROFILE).expect("profile");
    let mut master = asking(folder.path(), &master);
    let args = ["watch", "--profile", "invented.toml", "--serial", &ear, "--listen", "--for", "1s"];
    let output = run(folder.path(), &args);
    assert_eq!(output.status.code(), Some(0));
    let volts = format!("{:.1} V", f64::from(register(4, 10)));
    let shown = text(&output.stdout).lines().filter(|line| line.contains(&volts)).count();
    assert!(shown >= 10, "{shown} readings");
    assert_eq!(party.heard_from(2), 0);
    interrupt(&master);
    master.wait().expect("its end");
}
