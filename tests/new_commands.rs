//! `profile new` and `profile show --sheet` as a person runs them.

#![cfg(feature = "rim")]
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn run(folder: &Path, arguments: &[&str], typed: &str) -> Output {
    let mut program = Command::new(env!("CARGO_BIN_EXE_wattward"))
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program runs");
    // It may end before it has read everything.
    let _ = program.stdin.take().expect("a pipe").write_all(typed.as_bytes());
    program.wait_with_output().expect("it ends")
}

fn words(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

fn checked(folder: &Path, file: &str) {
    let done = run(folder, &["profile", "check", file], "");
    assert!(words(&done).contains("no fault found"), "{}", words(&done));
}

#[test]
fn every_mixture_of_options_gives_a_profile_without_a_fault() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut count = 0;
    for phases in ["1", "2", "3"] {
        for counts in ["0", "1", "numbers"] {
            for kind in
                ["u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "sm16", "sm32", "bcd16", "bcd32"]
            {
                let (table, order, positive) = match count % 4 {
                    0 => ("input", "high-first", "import"),
                    1 => ("holding", "low-first", "export"),
                    2 => ("holding", "high-first", "import"),
                    _ => ("input", "low-first", "export"),
                };
                let base = if counts == "numbers" { 40_001 } else { 100 };
                let at = |offset: u32| base + offset;
                let points = [
                    format!("active_power.total={} kW x0.1", at(0)),
                    format!("active_power={}+4", at(8)),
                    format!("voltage={}+4 x0.1", at(20)),
                    format!("energy_export={} kWh u32", at(40)),
                ];
                let out = format!("{count}.toml");
                let mut arguments =
                    vec!["profile", "new", "--phases", phases, "--counts", counts, "--type", kind];
                arguments.extend([
                    "--table",
                    table,
                    "--word-order",
                    order,
                    "--positive",
                    positive,
                    "--out",
                    &out,
                ]);
                arguments.extend(points.iter().map(String::as_str));
                let done = run(folder.path(), &arguments, "");
                assert_eq!(done.status.code(), Some(0), "{arguments:?}\n{}", words(&done));
                count += 1;
                if count % 9 == 0 {
                    checked(folder.path(), &out);
                }
            }
        }
    }
    assert_eq!(count, 108);
}

/// The questions in their order, an answer that is no answer here and there, and one point left out.
#[test]
fn questions_are_asked_again_until_they_can_be_used() {
    let folder = tempfile::tempdir().expect("a folder");
    let typed = "Barn meter\n5\n3\n19200 8E1\n0\n7\n1\nh\nf33\ni32\nl\nmaybe\ni\n\
                 531 kW x0.001\n530+2\n533+2 W\n541+2 x0.1 u16\n\n600 x0.01 u16\n700 kWh\n";
    // Left out at the end: the energy exported.
    let done = run(folder.path(), &["profile", "new", "--out", "barn.toml"], &format!("{typed}\n"));
    let told = words(&done);
    assert_eq!(done.status.code(), Some(0), "{told}");
    for part in [
        "write 1, 2 or 3",
        "write 1 to 247",
        "`i32`",
        "write `import` or `export`",
        "overlaps active_power.L1",
    ] {
        assert!(told.contains(part), "{part}\n{told}");
    }
    checked(folder.path(), "barn.toml");
    let shown = run(folder.path(), &["profile", "show", "barn.toml", "--json"], "");
    let document: serde_json::Value = serde_json::from_slice(&shown.stdout).expect("json");
    let meter = &document["meters"][0];
    assert_eq!((meter["baud"].as_u64(), meter["unit"].as_u64()), (Some(19_200), Some(7)));
    let points: Vec<(&str, u64, &str)> = meter["points"]
        .as_array()
        .expect("points")
        .iter()
        .map(|point| {
            let text = |value: &'_ serde_json::Value| value.as_str().unwrap_or_default().to_owned();
            assert_eq!(text(&point["registers"]["table"]), "holding");
            (
                point["point"].as_str().unwrap_or_default(),
                point["registers"]["address"].as_u64().unwrap_or_default(),
                point["type"].as_str().unwrap_or_default(),
            )
        })
        .collect();
    // The list counts from 1, so what it calls 531 is 530 on the wire (MODBUS Application Protocol V1.1b3, 4.4).
    assert_eq!(
        points,
        [
            ("voltage.L1", 540, "u16"),
            ("voltage.L2", 542, "u16"),
            ("voltage.L3", 544, "u16"),
            ("active_power.L1", 532, "i32"),
            ("active_power.L2", 534, "i32"),
            ("active_power.L3", 536, "i32"),
            ("active_power.total", 530, "i32"),
            ("frequency.total", 599, "u16"),
            ("energy_import.total", 699, "i32"),
        ]
    );
}

#[test]
fn a_profile_that_is_not_finished_is_not_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let case = |arguments: &[&str], typed: &str, code: i32, part: &str| {
        let done = run(folder.path(), &[&["profile", "new"], arguments].concat(), typed);
        assert_eq!(done.status.code(), Some(code), "{}", words(&done));
        assert!(words(&done).contains(part), "{part}\n{}", words(&done));
        assert!(!folder.path().join("profile.toml").exists());
    };
    case(&[], "Meter\n3\n", 130, "nothing was written");
    case(&["active_power.total=1"], "", 2, "what a positive power means");
    case(&["active_power=1"], "", 2, "of which phase");
    case(&["--positive", "import", "active_power.total=1", "voltage=2+2"], "", 2, "overlaps");
    case(&["--type", "f16", "voltage=2+2"], "", 2, "`f32`");
}

/// A meter with one unsigned register for each direction.
#[test]
fn both_directions_of_a_power_can_be_given_in_place_of_one() {
    let folder = tempfile::tempdir().expect("a folder");
    let answers = "\n1\n\n\n\n\n\n\nimport\n\n\n10\n12\n\n\n\n\n\n";
    let done = run(folder.path(), &["profile", "new"], answers);
    assert_eq!(done.status.code(), Some(0), "{}", words(&done));
    checked(folder.path(), "profile.toml");
    let text = std::fs::read_to_string(folder.path().join("profile.toml")).expect("a profile");
    assert!(text.contains("[points.active_power_import]\nL1 = { address = 10 }"), "{text}");
    assert!(text.contains("[points.active_power_export]\nL1 = { address = 12 }"), "{text}");
}

#[test]
fn the_sheet_for_paper_names_every_point_and_every_request() {
    let folder = tempfile::tempdir().expect("a folder");
    let profile = Path::new(env!("CARGO_MANIFEST_DIR")).join("profiles/example-single-phase.toml");
    let profile = profile.to_str().expect("a path");
    let done = run(folder.path(), &["profile", "show", profile, "--sheet", "sheet.html"], "");
    assert_eq!(done.status.code(), Some(0), "{}", words(&done));
    let page = std::fs::read_to_string(folder.path().join("sheet.html")).expect("a sheet");
    // The profile's list has 40103 for the power: holding register 102 on the wire (facts 1.1).
    for part in [
        "<h1>Example single-phase meter</h1>",
        "<th scope=\"row\">active_power.L1</th><td>3</td><td class=\"n\">40103</td><td class=\"n\">102 0x0066</td>",
        "settings.ct_ratio",
        "display shows",
        "function 3 (holding)",
        "19200 8E1, unit 5",
        "can kill",
    ] {
        assert!(page.contains(part), "{part}\n{page}");
    }
    let again = run(folder.path(), &["profile", "show", profile, "--sheet", "sheet.html"], "");
    assert_eq!(again.status.code(), Some(2), "{}", words(&again));
}
