//! `profile fit` and `profile check --line` as a person runs them, against the program's own simulated site over TCP; and
//! the same again from the capture that the first one kept.

#![cfg(feature = "rim")]
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

use std::io::{Read, Write};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};

const SITE: &str = r#"
[site]
phases = 3
[[meter]]
name = "connection"
profile = "meter.toml"
line = { tcp = "127.0.0.1:502" }
[[load]]
name = "kettle"
power_W = 2000
phase = "L1"
[[load]]
name = "oven"
power_W = 2600
phase = "L3"
"#;

/// Invented: words low first, tenths and thousandths, in 32 bits.
const METER: &str = r#"
[profile]
name = "Invented"
[read]
update_ms = 200
[defaults]
table = "input"
type = "u32"
word_order = "low-first"
positive = "import"
[points.voltage]
each = { address = 0x0200, stride = 2, scale = 0.1 }
[points.current]
each = { address = 0x0206, stride = 2, scale = 0.001 }
[points.active_power]
each = { address = 0x020C, stride = 2, type = "i32" }
total = { address = 0x0230, type = "i32" }
[points.apparent_power]
each = { address = 0x0212, stride = 2 }
[points.frequency]
total = { address = 0x0236, scale = 0.01 }
[points.energy_import]
total = { address = 0x0238, scale = 10 }
"#;

struct Simulated {
    program: Child,
    address: String,
}

impl Simulated {
    fn start(folder: &Path) -> Self {
        std::fs::write(folder.join("sim.toml"), SITE).expect("written");
        std::fs::write(folder.join("meter.toml"), METER).expect("written");
        let mut program = Command::new(env!("CARGO_BIN_EXE_wattward"))
            .args(["simulate", "sim.toml", "--tcp", "127.0.0.1:0", "--json", "--for", "180s"])
            .current_dir(folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the program runs");
        let output = program.stdout.as_mut().expect("a pipe");
        let mut text = String::new();
        while !text.ends_with("\n}\n") {
            let mut byte = [0];
            output.read_exact(&mut byte).expect("the document");
            text.push(char::from(byte[0]));
        }
        let document: serde_json::Value = serde_json::from_str(&text).expect("json");
        let address = document["meters"][0]["address"].as_str().expect("an address").to_owned();
        Self { program, address }
    }

    fn switch(&mut self, line: &str) {
        writeln!(self.program.stdin.as_mut().expect("a pipe"), "{line}").expect("typed");
        std::thread::sleep(std::time::Duration::from_millis(700));
    }
}

impl Drop for Simulated {
    fn drop(&mut self) {
        let _ = self.program.kill();
        let _ = self.program.wait();
    }
}

fn run(folder: &Path, arguments: &[&str], typed: &str) -> Output {
    let mut program = Command::new(env!("CARGO_BIN_EXE_wattward"))
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program runs");
    program.stdin.take().expect("a pipe").write_all(typed.as_bytes()).expect("typed");
    program.wait_with_output().expect("it ends")
}

fn words(output: &Output) -> String {
    format!("{}\n{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

fn reading(document: &serde_json::Value, point: &str) -> (u64, String, String) {
    let points = document["points"].as_array().expect("points");
    let found = points.iter().find(|one| one["point"] == point).expect(point);
    let reading = &found["reading"];
    let text = |key: &str| reading[key].as_str().expect(key).to_owned();
    (reading["address"].as_u64().expect("an address"), text("type"), text("word_order"))
}

/// The site's base load is 120 W on each line at a power factor of 0.95; the kettle has 2000 W, the oven 2600 W.
#[test]
fn a_meter_without_a_list_gives_a_draft_that_passes_the_check_and_again_from_its_capture() {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let mut site = Simulated::start(folder);
    let address = site.address.clone();
    let looks = ["kettle off", "kettle on", "oven on"];
    // One capture a look: the loads are switched in between, as a person would.
    let seen = [
        "voltage.L1=230 frequency=50.0 active_power.total=360W",
        "voltage.L1=228 frequency=50.0 active_power.total=2.33kW",
        "voltage.L1=228 frequency=50.0 active_power.total=4.9kW",
    ];
    let mut captures = Vec::new();
    for (number, (load, seen)) in looks.iter().zip(seen).enumerate() {
        site.switch(load);
        let (draft, capture) = (format!("d{number}.toml"), format!("c{number}.pcapng"));
        let output = run(
            folder,
            &[
                "profile",
                "fit",
                "--tcp",
                &address,
                "--range",
                "input:0x0200+64",
                "--snapshot",
                seen,
                "--out",
                &draft,
                "--capture",
                &capture,
            ],
            "",
        );
        assert!(output.status.code().is_some_and(|code| code == 0 || code == 3), "{}", words(&output));
        captures.push(capture);
    }
    let mut arguments = vec!["profile", "fit", "--out", "draft.toml", "--json"];
    for capture in &captures {
        arguments.extend(["--from", capture]);
    }
    let output = run(folder, &arguments, "");
    assert_eq!(output.status.code(), Some(0), "{}", words(&output));
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).expect("json");
    assert_eq!(document["snapshots"], 3);
    assert_eq!(reading(&document, "voltage.L1"), (0x0200, "u32".into(), "low-first".into()));
    assert_eq!(reading(&document, "active_power.total").0, 0x0230);
    assert_eq!(reading(&document, "active_power.L3").0, 0x0210);
    let checked = run(folder, &["profile", "check", "draft.toml"], "");
    assert_eq!(checked.status.code(), Some(0), "{}", words(&checked));
    let again = run(folder, &["profile", "check", "--line", "draft.toml", "--tcp", &address], "");
    assert_eq!(again.status.code(), Some(0), "{}", words(&again));
    // A draft never overwrites a file.
    let twice = run(folder, &arguments, "");
    assert_eq!(twice.status.code(), Some(2), "{}", words(&twice));
}

#[test]
fn one_wrong_word_order_is_found_on_the_line_and_in_its_capture() {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let mut site = Simulated::start(folder);
    site.switch("kettle on");
    let address = site.address.clone();
    std::fs::write(folder.join("wrong.toml"), METER.replace("low-first", "high-first")).expect("written");
    let right = run(folder, &["profile", "check", "--line", "meter.toml", "--tcp", &address], "");
    assert_eq!(right.status.code(), Some(0), "{}", words(&right));
    let wrong = run(folder, &["profile", "check", "--line", "wrong.toml", "--tcp", &address], "");
    assert_eq!(wrong.status.code(), Some(2), "{}", words(&wrong));
    assert!(words(&wrong).contains("every point: `word_order = \"low-first\"`"), "{}", words(&wrong));
    let off_by_one = METER.replace("total = { address = 0x0230", "total = { address = 0x022F");
    std::fs::write(folder.join("off.toml"), off_by_one).expect("written");
    let off = run(folder, &["profile", "check", "--line", "off.toml", "--tcp", &address, "--json"], "");
    let document: serde_json::Value = serde_json::from_slice(&off.stdout).expect("json");
    let mend = document["meters"][0]["mends"][0]["mend"].as_str().expect("a mend");
    assert!(mend.contains("address = 0x0230"), "{document}");
    // The same from what another program's master got, recorded: here the right profile's own log.
    let log =
        run(folder, &["read", "--profile", "meter.toml", "--tcp", &address, "--capture", "log.pcapng"], "");
    assert_eq!(log.status.code(), Some(0), "{}", words(&log));
    let later = run(folder, &["profile", "check", "--line", "wrong.toml", "--from", "log.pcapng"], "");
    assert_eq!(later.status.code(), Some(2), "{}", words(&later));
    assert!(words(&later).contains("low-first"), "{}", words(&later));
}

#[test]
fn typed_snapshots_and_their_slips_end_with_an_empty_line_and_ranges_are_explained() {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let site = Simulated::start(folder);
    let typed = "voltge.L1=230\nvoltage.L1=230 frequency=50.0 active_power.total=360W\n\n";
    let output = run(folder, &["profile", "fit", "--tcp", &site.address, "--range", "0x0200..0x0240"], typed);
    assert_eq!(output.status.code(), Some(0), "{}", words(&output));
    assert!(words(&output).contains("`voltge` is no quantity: write `voltage`"), "{}", words(&output));
    assert!(folder.join("draft.toml").exists());
    let told = run(folder, &["profile", "fit", "--tcp", &site.address, "--explain", "input:0x0200+8"], "");
    assert_eq!(told.status.code(), Some(0), "{}", words(&told));
    assert!(words(&told).contains("input 0x0200: voltage, 2"), "{}", words(&told));
    let silent = run(
        folder,
        &["profile", "fit", "--tcp", &site.address, "--unit", "9", "--range", "0..4", "--out", "e.toml"],
        "",
    );
    assert_eq!(silent.status.code(), Some(4), "{}", words(&silent));
}
