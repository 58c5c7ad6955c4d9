//! Broken profile and site files, and what a person is told about them. Each text in `snapshots/` is read as a tired
//! technician would before it is accepted: does it say where, what, and what to write instead?

#![expect(clippy::panic, reason = "a test may stop where it stands")]

use std::path::{Path, PathBuf};
use std::process::Command;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/files/broken")
}

fn check(file: &str) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_wattward"))
        .args(["profile", "check", file])
        .current_dir(folder())
        .env("NO_COLOR", "1")
        .output()
        .unwrap_or_else(|error| panic!("{error}"));
    let [stdout, stderr] = [&output.stdout, &output.stderr].map(|bytes| String::from_utf8_lossy(bytes));
    let code = output.status.code().unwrap_or(-1);
    format!("{stdout}{stderr}exit {code}\n")
}

#[test]
fn every_broken_file_gets_its_place_its_fault_and_its_mend() {
    let mut files: Vec<String> = std::fs::read_dir(folder())
        .unwrap_or_else(|error| panic!("{error}"))
        .filter_map(|entry| Some(entry.ok()?.file_name().to_string_lossy().into_owned()))
        .collect();
    files.sort();
    assert!(files.len() >= 60, "{} broken files", files.len());
    for file in files {
        let told = check(&file);
        let usable = told.contains("usable, with");
        assert!(told.ends_with(if usable { "exit 0\n" } else { "exit 2\n" }), "{file}:\n{told}");
        insta::assert_snapshot!(file.trim_end_matches(".toml"), told);
    }
}

#[test]
fn faults_are_there_for_machines_too() {
    let output = Command::new(env!("CARGO_BIN_EXE_wattward"))
        .args(["--json", "profile", "check", "p05-counts-from-one.toml"])
        .current_dir(folder())
        .output()
        .unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(output.status.code(), Some(2));
    let document: serde_json::Value =
        serde_json::from_slice(&output.stdout).unwrap_or_else(|error| panic!("{error}"));
    let fault = &document["files"][0]["faults"][0];
    assert_eq!((fault["line"].as_u64(), fault["column"].as_u64()), (Some(5), Some(18)));
    assert_eq!(fault["severity"], "error");
    assert_eq!(document["files"][0]["usable"], false);
}
