//! Captures as tests: every file in `captures/` is judged again, and what comes out is compared with what the scenario it
//! was made from says (`NAME.expected.json`) and with the document kept beside it (`NAME.document.json`). Dropping a file in
//! with its expectation adds a test.
//!
//! The captures themselves were made from `captures/scenarios/`, by `WATTWARD_MAKE_CAPTURES=1 cargo test --test captures`.

#![cfg(feature = "rim")]
#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test may stop where it stands"
)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;
use wattward::base::Span;
use wattward::profile::{parse_profile, parse_site};
use wattward::record::read_capture;
use wattward::report::differences;
use wattward::sim::run::{RunPlan, run};
use wattward::sim::scenario::{Scenario, parse_scenario, site_of};
use wattward::sim::visit::{self, Manner};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("captures")
}

fn captures() -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder()).expect("captures");
    let mut found: Vec<PathBuf> = entries.map(|entry| entry.expect("an entry").path()).collect();
    found.retain(|path| path.extension().is_some_and(|extension| extension == "pcapng"));
    found.sort();
    found
}

fn beside(capture: &Path, ending: &str) -> PathBuf {
    capture.with_extension(ending)
}

fn json(path: &Path) -> Value {
    let text = std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    serde_json::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn judge(capture: &Path, expected: &Value) -> Output {
    let check = expected["check"].as_str().expect("which check");
    Command::new(env!("CARGO_BIN_EXE_wattward"))
        .args([check, "--json", "--quiet", "--from"])
        .arg(capture)
        .output()
        .expect("the program runs")
}

/// Every key of the expectation stands in the document with the same value; lists are compared place by place.
fn holds(document: &Value, expected: &Value, path: &str) {
    match expected {
        Value::Object(keys) => {
            for (key, value) in keys {
                holds(&document[key], value, &format!("{path}.{key}"));
            }
        }
        Value::Array(items) => {
            for (place, item) in items.iter().enumerate() {
                holds(&document[place], item, &format!("{path}[{place}]"));
            }
        }
        _ => assert_eq!(document, expected, "at {path}"),
    }
}

/// Without what differs between machines and versions.
fn redacted(mut document: Value) -> Value {
    if let Some(keys) = document.as_object_mut() {
        keys.remove("tool");
        keys.remove("captures");
    }
    document
}

#[test]
fn every_capture_gives_the_verdict_of_its_scenario_and_the_document_beside_it() {
    let captures = captures();
    assert!(captures.len() >= 6, "{captures:?}");
    let mut changed = Vec::new();
    for capture in captures {
        let expected = json(&beside(&capture, "expected.json"));
        let output = judge(&capture, &expected);
        let told = String::from_utf8_lossy(&output.stderr);
        let document: Value = serde_json::from_slice(&output.stdout)
            .unwrap_or_else(|error| panic!("{}: {error}\n{told}", capture.display()));
        holds(&document, &expected, &capture.display().to_string());
        let code = match expected["verdict"].as_str() {
            Some("pass") => 0,
            Some("fail") => 1,
            _ => 3,
        };
        assert_eq!(output.status.code(), Some(code), "{}\n{told}", capture.display());
        let kept = beside(&capture, "document.json");
        let document = redacted(document);
        if std::env::var_os("WATTWARD_ACCEPT").is_some() {
            let text = serde_json::to_string_pretty(&document).expect("json");
            std::fs::write(&kept, text + "\n").expect("written");
        }
        let (was, is) = (json(&kept).to_string(), document.to_string());
        let found = differences(&was, &is);
        changed.extend(found.iter().map(|found| format!("{}: {found}", kept.display())));
    }
    // findings did not change; their figures or words did
    let listed = changed.join("\n");
    assert!(changed.is_empty(), "{listed}\nread this, then WATTWARD_ACCEPT=1 cargo test --test captures");
}

#[test]
fn captures_stay_small_and_each_has_its_line_in_the_readme() {
    let readme = std::fs::read_to_string(folder().join("README.md")).expect("captures/README.md");
    for capture in captures() {
        let name = capture.file_name().expect("a name").to_string_lossy().into_owned();
        let size = std::fs::metadata(&capture).expect("a file").len();
        assert!(size < 300_000, "{name} has {size} bytes");
        assert!(readme.contains(&name), "{name} has no line in captures/README.md");
    }
}

/// The scenario of this name with the files beside it.
fn scenario(name: &str) -> Scenario {
    let folder = folder().join("scenarios");
    let read = |file: &str| std::fs::read_to_string(folder.join(file)).expect("a file of captures/scenarios");
    let text = read(&format!("{name}.toml"));
    let site_file = site_of(&text).expect("a site file");
    let (site, _) = parse_site(&site_file, &read(&site_file)).expect("a right site file");
    let profiles = site
        .meters
        .iter()
        .map(|meter| parse_profile(&meter.profile, &read(&meter.profile)).expect("a right profile").0);
    let profiles = profiles.collect();
    parse_scenario(name, &text, site, profiles).unwrap_or_else(|faults| panic!("{faults:?}")).0
}

#[test]
fn every_scenario_becomes_a_capture_that_reads_back_and_can_be_written_anew() {
    for name in ["ct-right", "ct-reversed", "ct-swapped", "ct-total", "limit-held", "limit-broken"] {
        let scenario = scenario(name);
        let manner = Manner::default();
        let visit = if name.starts_with("ct-") {
            visit::ct(&scenario, &[], &manner)
        } else {
            let manner = Manner { pairs: 4, hold_s: (14.0, 20.0), ..manner };
            visit::limit(&scenario, &scenario.loads[0].name, &manner)
        };
        let plan = RunPlan::of(&scenario, Span::from_millis(500), visit.end);
        let bytes = run(&scenario, &visit.steps, &plan).capture();
        let read = read_capture(&bytes).expect("a capture");
        assert!(read.ours && read.cut.is_none() && read.entries.len() > 300, "{name}");
        if std::env::var_os("WATTWARD_MAKE_CAPTURES").is_some() {
            std::fs::write(folder().join(format!("{name}.pcapng")), bytes).expect("written");
        }
    }
}
