//! The example profiles, each against a captured answer that `tests/answers/make.py` laid out with struct and a CRC of its own;
//! and what only shows over several answers or beside a site file: a counter that starts again, a setting that differs.

#![cfg(feature = "rim")]
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// What `read` makes of a capture: the values by point, and the remarks.
fn read(arguments: &[&Path]) -> Value {
    let mut command = Command::new(env!("CARGO_BIN_EXE_wattward"));
    command.args(["read", "--json", "--quiet"]).args(arguments);
    let output = command.output().expect("the program runs");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let document: Value = serde_json::from_slice(&output.stdout).expect("json");
    document["meters"][0].clone()
}

fn capture(name: &str) -> PathBuf {
    root().join(format!("tests/answers/{name}.pcapng"))
}

fn remarks(meter: &Value) -> Vec<String> {
    let remarks = meter["remarks"].as_array().expect("remarks").iter();
    remarks.map(|remark| format!("{} {}", remark["weight"], remark["saw"])).collect()
}

#[test]
fn every_example_profile_decodes_its_captured_answer() {
    let text = std::fs::read_to_string(root().join("tests/answers/values.json")).expect("the values");
    let expected: Value = serde_json::from_str(&text).expect("json");
    let expected = expected.as_object().expect("profiles");
    let profiles = std::fs::read_dir(root().join("profiles")).expect("the profiles").count();
    assert_eq!(expected.len(), profiles, "every profile in profiles/ has its captured answer");
    for (name, values) in expected {
        let profile = root().join(format!("profiles/{name}.toml"));
        let meter = read(&[Path::new("--from"), &capture(name), Path::new("--profile"), &profile]);
        let rows = meter["values"].as_array().expect("values");
        for (point, value) in values.as_object().expect("points") {
            let row = rows.iter().find(|row| row["point"] == *point);
            let found = row.and_then(|row| row["value"].as_f64());
            match value.as_f64() {
                // 0.1 of a count lies within the last bit of its product.
                Some(value) => {
                    let found = found.unwrap_or_else(|| unreachable!("{name}: {point} has no value"));
                    assert!(
                        (found - value).abs() <= 1e-12 * value.abs(),
                        "{name} {point}: {found}, wanted {value}"
                    );
                }
                None => assert_eq!(found, None, "{name} {point}"),
            }
        }
        let contradictions: Vec<String> =
            remarks(&meter).into_iter().filter(|remark| !remark.contains("hint")).collect();
        assert!(contradictions.is_empty(), "{name}: {contradictions:?}");
    }
}

#[test]
fn a_counter_that_starts_again_is_no_fall_where_the_profile_says_so() {
    let folder = tempfile::tempdir().expect("a folder");
    let profile = root().join("profiles/example-two-directions.toml");
    let text = std::fs::read_to_string(&profile).expect("the profile").replace(", rollover = 100000000", "");
    let without = folder.path().join("without.toml");
    std::fs::write(&without, text).expect("written");
    let [said, unsaid] = [profile, without].map(|profile| {
        let name = capture("example-two-directions");
        remarks(&read(&[Path::new("--from"), &name, Path::new("--profile"), &profile]))
    });
    assert!(!said.iter().any(|remark| remark.contains("fell")), "{said:?}");
    assert!(unsaid.iter().any(|remark| remark.contains("energy_import.total fell")), "{unsaid:?}");
}

#[test]
fn a_ratio_set_in_the_meter_is_compared_with_the_site_file() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::copy(root().join("profiles/example-two-directions.toml"), folder.path().join("meter.toml"))
        .expect("copied");
    let with = |ratio: u32| {
        let site = folder.path().join(format!("{ratio}.toml"));
        let text = format!(
            "[site]\nphases = 3\n[[meter]]\nprofile = \"meter.toml\"\nline = {{ serial = \"/dev/ttyUSB0\" }}\nct_ratio = {ratio}\n"
        );
        std::fs::write(&site, text).expect("written");
        let name = capture("example-two-directions");
        remarks(&read(&[Path::new("--from"), &name, Path::new("--site"), &site]))
    };
    // The captured answer has 40 in the setting's register.
    let (same, other) = (with(40), with(30));
    assert!(!same.iter().any(|remark| remark.contains("ct_ratio")), "{same:?}");
    assert!(other.iter().any(|remark| remark.contains("ct_ratio set to 40")), "{other:?}");
}
