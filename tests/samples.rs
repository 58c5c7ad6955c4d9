//! Captures written to the contract by an independent program: each is read and judged within what physics says of it
//! (`expected.json` beside it).
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

fn folders() -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/samples");
    let entries = std::fs::read_dir(root).expect("the samples").map(|entry| entry.expect("an entry").path());
    let mut folders: Vec<PathBuf> = entries.filter(|path| path.is_dir()).collect();
    folders.sort();
    folders
}

fn texts(value: &Value) -> Vec<&str> {
    value.as_array().into_iter().flatten().filter_map(Value::as_str).collect()
}

fn judged(expected: &Value, found: &Value, code: Option<i32>, name: &str) {
    let verdict = found["verdict"].as_str().unwrap_or("none");
    let accepted = texts(&expected["verdict_one_of"]);
    assert!(accepted.contains(&verdict), "{name}: {verdict}, acceptable {accepted:?}: {}", found["headline"]);
    let wanted = match verdict {
        "pass" => 0,
        "fail" => 1,
        _ => 3,
    };
    assert_eq!(code, Some(wanted), "{name}: exit code of {verdict}");
    for channel in expected["channels"].as_array().into_iter().flatten() {
        let found = found["channels"].as_array().into_iter().flatten();
        let found = found.into_iter().find(|other| other["channel"] == channel["channel"]);
        let found = found.unwrap_or_else(|| unreachable!("{name}: no channel {}", channel["channel"]));
        let status = found["status"].as_str().unwrap_or("none");
        let accepted = texts(&channel["status_one_of"]);
        assert!(
            accepted.contains(&status),
            "{name} {}: {status}, acceptable {accepted:?}",
            channel["channel"]
        );
        let faults = texts(&found["faults"]);
        for fault in texts(&channel["faults_at_least"]) {
            assert!(faults.contains(&fault), "{name} {}: {faults:?} lacks {fault}", channel["channel"]);
        }
    }
}

fn listened(expected: &Value, found: &Value, name: &str) {
    for key in ["transactions", "timeouts", "damaged"] {
        assert_eq!(found[key], expected[key], "{name}: {key}");
    }
    let ranges = |document: &Value| document["ranges"].as_array().cloned().unwrap_or_default();
    assert_eq!(ranges(found).len(), ranges(expected).len(), "{name}: ranges");
    for wanted in ranges(expected) {
        let same = |other: &Value| {
            ["unit", "function", "address", "count"].iter().all(|key| other[*key] == wanted[*key])
        };
        let found = ranges(found).into_iter().find(same);
        let found = found.unwrap_or_else(|| unreachable!("{name}: no range like {wanted}"));
        assert_eq!(found["transactions"], wanted["answers"], "{name}: {wanted}");
        assert_eq!(found["timeouts"], wanted["timeouts"], "{name}: {wanted}");
        assert_eq!(found["exceptions"], wanted["exceptions"], "{name}: {wanted}");
        let period = (found["period_s"].as_f64(), wanted["period_s"].as_f64());
        let (Some(found_s), Some(wanted_s)) = period else { unreachable!("{name}: no period") };
        // The median spacing and the writer's mean differ by its jitter.
        assert!((found_s / wanted_s - 1.0).abs() < 0.02, "{name}: period {found_s}, wanted {wanted_s}");
    }
}

#[test]
fn every_sample_is_judged_as_physics_says() {
    let folders = folders();
    assert!(folders.len() >= 9);
    for folder in folders {
        let name = folder.file_name().and_then(|name| name.to_str()).expect("a name").to_owned();
        let text = std::fs::read_to_string(folder.join("expected.json")).expect("what physics says");
        let expected: Value = serde_json::from_str(&text).expect("JSON");
        let mut command = Command::new(env!("CARGO_BIN_EXE_wattward"));
        command.args(texts(&expected["command"])).current_dir(&folder);
        let output = command.output().expect("the program");
        let stdout = String::from_utf8_lossy(&output.stdout);
        let stderr = String::from_utf8_lossy(&output.stderr);
        let found: Value = serde_json::from_str(&stdout).unwrap_or_else(|error| {
            unreachable!("{name}: {error}\n--- stdout\n{stdout}\n--- stderr\n{stderr}")
        });
        if expected["verdict_one_of"].is_array() {
            judged(&expected, &found, output.status.code(), &name);
        } else {
            listened(&expected, &found, &name);
        }
    }
}
