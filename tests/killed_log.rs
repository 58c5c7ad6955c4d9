//! A log of segments killed at random moments, over and over on one series: every segment opens, at most the last second is
//! missing, and the series goes on. A kill is as hard as a power cut to the program, though not to the disk.
//!
//! The full run: `WATTWARD_KILLS=200 cargo test --test killed_log -- --nocapture`.

#![cfg(feature = "rim")]
#![expect(
    clippy::expect_used,
    clippy::disallowed_methods,
    reason = "a test may stop where it stands, and shows its figures"
)]

mod common;

use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use common::commands::{interrupt, run, told, wait, wattward};
use common::session::PROFILE;
use common::{FakeMeter, pty};
use sha2::{Digest as _, Sha256};
use wattward::record::{Capture, Record, frame_all, read_capture};
use wattward::sim::Seed;

fn names(folder: &Path) -> Vec<PathBuf> {
    let mut names: Vec<PathBuf> =
        std::fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path()).collect();
    names.sort();
    names
}

fn ends(path: &Path, ending: &str) -> bool {
    path.to_string_lossy().ends_with(ending)
}

/// The segments of the folder, each read to its end; with a copy beside its source only the source.
fn segments(folder: &Path) -> Vec<(PathBuf, Capture)> {
    let all = names(folder);
    let mut segments = Vec::new();
    for path in &all {
        if path.to_string_lossy().contains("barn-east") {
            continue;
        }
        let bytes = if ends(path, ".pcapng") {
            std::fs::read(path).expect("there")
        } else if ends(path, ".pcapng.zst") && !all.contains(&path.with_extension("")) {
            zstd::decode_all(&std::fs::read(path).expect("there")[..]).expect("a whole packed segment")
        } else {
            continue;
        };
        segments.push((path.clone(), read_capture(&bytes).expect("every segment opens")));
    }
    segments
}

fn latest(segments: &[(PathBuf, Capture)]) -> Option<i64> {
    let frames = segments.iter().flat_map(|(_, capture)| frame_all(capture));
    let frames = frames.filter(|record| matches!(record, Record::Frame(_)));
    frames.map(|record| record.at().nanos()).max()
}

#[test]
fn a_log_killed_at_any_moment_loses_at_most_a_second_and_goes_on() {
    let kills: usize = std::env::var("WATTWARD_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(4);
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("invented.toml"), PROFILE).expect("profile");
    let logs = folder.path().join("logs");
    std::fs::create_dir(&logs).expect("a folder");
    // Somebody else's evidence in the same folder, named alike.
    let other = logs.join("barn-east-20260921T141320Z.pcapng");
    std::fs::write(&other, b"not this series").expect("written");
    let (far, near) = pty();
    let meter = FakeMeter::start(far, vec![]);
    let args = [
        "log",
        "--quiet",
        "--profile",
        "invented.toml",
        "--serial",
        &near,
        "--listen-first",
        "0s",
        "--every",
        "50ms",
        "--segment",
        "1s",
        "--capture",
        "logs/barn",
    ];
    let mut seed = Seed::named(2026, "kills");
    let (mut worst, mut cut, mut recorded) = (Duration::ZERO, 0, 0);
    for round in 0..kills {
        let asked = meter.seen().questions.len();
        let started = SystemTime::now();
        let mut child = wattward(folder.path(), &args).spawn().expect("the program");
        std::thread::sleep(Duration::from_millis(30 + seed.between(0.0, 2_500.0) as u64));
        child.kill().expect("killed");
        let killed = SystemTime::now();
        child.wait().expect("gone");
        let all = segments(&logs);
        cut += all.iter().filter(|(_, capture)| capture.cut.is_some()).count();
        let nanos = |time: SystemTime| {
            time.duration_since(SystemTime::UNIX_EPOCH).expect("after 1970").as_nanos() as i64
        };
        // Rounds that were killed before the meter was asked have nothing to lose.
        if meter.seen().questions.len() > asked {
            recorded += 1;
            let missing = |since: i64| Duration::from_nanos((nanos(killed) - since).max(0) as u64);
            match latest(&all).filter(|last| *last >= nanos(started)) {
                Some(last) => {
                    let missing = missing(last);
                    assert!(missing < Duration::from_secs(1), "round {round}: {missing:?} missing");
                    worst = worst.max(missing);
                }
                // The first question was on its way.
                None => {
                    assert!(missing(nanos(started)) < Duration::from_secs(2), "round {round}: all missing");
                }
            }
        }
    }
    // The series goes on, packs what was left, and ends clean.
    let before = segments(&logs).len();
    let child = wattward(folder.path(), &args).spawn().expect("the program");
    let asked = meter.seen().questions.len();
    wait(|| meter.seen().questions.len() > asked + 10);
    interrupt(&child);
    assert_eq!(told(child.wait_with_output().expect("its end")).status.code(), Some(0));
    let all = segments(&logs);
    assert!(all.len() > before, "a new segment in the same series");
    assert_eq!(std::fs::read(&other).expect("there"), b"not this series");
    let left: Vec<PathBuf> =
        names(&logs).into_iter().filter(|path| ends(path, ".pcapng") && *path != other).collect();
    assert!(left.is_empty(), "all packed: {left:?}");
    let index = std::fs::read_to_string(logs.join("barn.index.jsonl")).expect("an index");
    for (path, _) in &all {
        let name = path.file_name().expect("a name").to_string_lossy();
        let sha256 = format!("{:x}", Sha256::digest(std::fs::read(path).expect("there")));
        let lines = index.lines().filter(|line| line.contains(&*name) && line.contains(&sha256));
        assert_eq!(lines.count(), 1, "{name} in the index");
    }
    let mut convert = vec!["convert".to_owned(), "--out".to_owned(), "all.csv".to_owned()];
    for (path, _) in &all {
        convert.extend(["--from".to_owned(), path.display().to_string()]);
    }
    let convert: Vec<&str> = convert.iter().map(String::as_str).collect();
    assert_eq!(run(folder.path(), &convert).status.code(), Some(0));
    eprintln!(
        "{kills} kills, {recorded} of them while recording: {} segments, all open, {cut} seen with a cut tail; \
         at most {worst:?} before a kill is missing",
        all.len()
    );
}
