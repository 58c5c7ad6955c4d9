//! Captures as tables: what the command writes, and what it refuses. The tables' content is checked by foreign engines in
//! tests/peers/convert_test.py.

#![cfg(feature = "rim")]
#![expect(clippy::disallowed_methods, clippy::expect_used, reason = "a test may stop where it stands")]

use std::path::Path;
use std::process::{Command, Output};

const CAPTURE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/captures/ct-right.pcapng");

fn convert(folder: &Path, options: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_wattward"));
    command.arg("convert").args(["--from", CAPTURE]).args(options).current_dir(folder);
    command.output().expect("the program runs")
}

fn lines(path: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(path).expect("written");
    text.split("\r\n").filter(|line| !line.is_empty()).map(str::to_owned).collect()
}

#[test]
fn a_capture_becomes_a_table_a_row_for_each_cycle() {
    let folder = tempfile::tempdir().expect("a folder");
    let done = convert(folder.path(), &["--out", "t.csv", "--json"]);
    assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
    let summary: serde_json::Value = serde_json::from_slice(&done.stdout).expect("json");
    let lines = lines(&folder.path().join("t.csv"));
    assert_eq!(summary["readings"], lines.len() - 1);
    assert!(lines[0].starts_with("time,local_time,site,meter,"), "{}", lines[0]);
    assert!(lines[0].contains("active_power_L1_W"), "{}", lines[0]);
    let width = lines[0].split(',').count();
    assert!(lines.iter().all(|line| line.split(',').count() == width));
    assert!(lines[1..].is_sorted(), "a capture's rows stand in time order");
}

#[test]
fn a_table_that_is_there_is_not_written_over_unasked() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("t.csv");
    std::fs::write(&path, "mine").expect("written");
    let refused = convert(folder.path(), &["--out", "t.csv"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("--replace"));
    assert_eq!(std::fs::read_to_string(&path).expect("there"), "mine");
    assert_eq!(convert(folder.path(), &["--out", "t.csv", "--replace"]).status.code(), Some(0));
    assert!(lines(&path).len() > 1);
}

#[test]
fn decimal_commas_come_with_semicolons() {
    let folder = tempfile::tempdir().expect("a folder");
    assert_eq!(convert(folder.path(), &["--out", "t.csv", "--decimal-comma"]).status.code(), Some(0));
    let lines = lines(&folder.path().join("t.csv"));
    assert!(lines[0].starts_with("time;local_time;"));
    assert!(lines[1].split(';').skip(4).any(|cell| cell.contains(',')), "{}", lines[1]);
    assert!(!lines[1].split(';').skip(4).any(|cell| cell.contains('.')), "{}", lines[1]);
}

#[test]
fn a_name_that_says_no_kind_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let refused = convert(folder.path(), &["--out", "table.txt"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains(".csv or .parquet"));
}

#[test]
fn a_capture_has_its_own_file_in_the_data_set_and_replaces_only_that() {
    let folder = tempfile::tempdir().expect("a folder");
    let files = |folder: &Path| {
        let mut found = Vec::new();
        let mut open = vec![folder.to_path_buf()];
        while let Some(next) = open.pop() {
            for entry in std::fs::read_dir(next).expect("a folder") {
                let path = entry.expect("an entry").path();
                if path.is_dir() { open.push(path) } else { found.push(path) }
            }
        }
        found.sort();
        found
    };
    assert_eq!(convert(folder.path(), &["--out", "fleet/"]).status.code(), Some(0));
    let first = files(folder.path());
    assert_eq!(first.len(), 1, "{first:?}");
    let shown = first[0].display().to_string();
    assert!(shown.contains("/site=") && shown.contains("/day=") && shown.ends_with(".parquet"), "{shown}");
    let other = first[0].with_file_name("capture-other.parquet");
    std::fs::write(&other, "another capture's").expect("written");
    assert_eq!(convert(folder.path(), &["--out", "fleet/"]).status.code(), Some(0));
    assert_eq!(files(folder.path()).len(), 2);
    assert_eq!(std::fs::read_to_string(&other).expect("there"), "another capture's");
}
