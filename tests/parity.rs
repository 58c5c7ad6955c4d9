//! Live equals replay: a `ct` and a `limit` over a pseudo-terminal, with the simulated site as a program of its own and
//! prompts read as a person reads them; the document of the live run and that of its capture are equal byte for byte.
#![cfg(unix)]
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

mod common;

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use wattward::record::{Direction, Record, frame_all, read_capture};

const METER: &str = r#"
[profile]
name = "Parity meter"
[line]
baud = 115200
[read]
update_ms = 200
[defaults]
table = "input"
type = "f32"
positive = "import"
[points.voltage]
L1 = { address = 0 }
[points.active_power]
L1 = { address = 2, signed = true }
[points.energy_import]
total = { address = 4 }
[points.energy_export]
total = { address = 6 }
"#;

const SITE: &str = r#"
[site]
name = "Parity house"
phases = 1
[[meter]]
name = "connection"
role = "reference"
profile = "meter.toml"
line = { serial = "LINE" }
class = "1"
[[plant]]
name = "roof"
rated_W = 3000
storage = false
[[load]]
name = "kettle"
power_W = 2000
phase = "L1"
[limit]
window_s = 14
challenges = 2
[[limit.rule]]
export_W = 0
longest_s = 5
"#;

const SCENARIO: &str = r#"
[scenario]
site = "site.toml"
seed = 3
[[plant]]
name = "roof"
rated_W = 3000
sun = 90
control = { meter = "connection", limit_W = 0, bias_W = 150, gain = 1.0, dead_s = 0.3, period_s = 0.8, ramp_W_per_s = 6000, ramp_up_W_per_s = 1500 }
"#;

struct Stopped(Child);

impl Drop for Stopped {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn program(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_wattward"));
    command
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    command
}

/// The simulated site on a pseudo-terminal linked at `line` in the folder.
fn simulate(folder: &Path) -> Stopped {
    std::fs::write(folder.join("meter.toml"), METER).expect("profile");
    let line = folder.join("line");
    let site = SITE.replace("LINE", line.to_str().expect("a path in UTF-8"));
    std::fs::write(folder.join("site.toml"), site).expect("site");
    std::fs::write(folder.join("scenario.toml"), SCENARIO).expect("scenario");
    let mut command = program(folder, &["simulate", "scenario.toml", "--for", "3min"]);
    let served =
        Stopped(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("the simulated site"));
    let begun = Instant::now();
    while !line.exists() {
        assert!(begun.elapsed() < Duration::from_secs(20), "the simulated line did not come up");
        std::thread::sleep(Duration::from_millis(20));
    }
    served
}

/// Runs a live check; does in the simulated site what each prompt asks, then confirms it. Gives its document.
fn check(folder: &Path, name: &str, served: &mut Stopped) -> String {
    let arguments = [name, "--json", "--listen-first", "200ms", "--capture", "visit.pcapng"];
    let mut run = Stopped(program(folder, &arguments).spawn().expect("the check"));
    let mut answers = run.0.stdin.take().expect("its input");
    let mut hand = served.0.stdin.take().expect("the site's input");
    let screen = BufReader::new(run.0.stderr.take().expect("its screen"));
    for line in screen.lines() {
        let line = line.expect("text");
        let Some(prompt) = line.strip_prefix(">> ") else { continue };
        let words: Vec<&str> = prompt.split_whitespace().collect();
        if let ["switch", what, state, ..] = words[..] {
            writeln!(hand, "{what} {}", state.to_lowercase()).expect("the site listens");
        }
        writeln!(answers).expect("the check listens");
    }
    let mut document = String::new();
    let mut out = run.0.stdout.take().expect("its output");
    std::io::Read::read_to_string(&mut out, &mut document).expect("text");
    served.0.stdin = Some(hand);
    document
}

/// A live `ct` whose prompts are answered, the kettle switched as they ask. `say` gives, by prompt, what is typed before it is
/// confirmed; nothing leaves the check by Ctrl-C there. Gives its exit code, document and screen.
fn talk(
    folder: &Path,
    arguments: &[&str],
    served: &mut Stopped,
    say: impl Fn(&str) -> Option<&'static str>,
) -> (Option<i32>, String, String) {
    let mut run = Stopped(program(folder, arguments).spawn().expect("the check"));
    let mut answers = run.0.stdin.take().expect("its input");
    let hand = served.0.stdin.as_mut().expect("the site's input");
    let screen = BufReader::new(run.0.stderr.take().expect("its screen"));
    let mut shown = String::new();
    for line in screen.lines() {
        let line = line.expect("text");
        shown.push_str(&line);
        shown.push('\n');
        let Some(prompt) = line.strip_prefix(">> ") else { continue };
        let Some(typed) = say(prompt) else {
            common::commands::interrupt(&run.0);
            continue;
        };
        if !typed.is_empty() {
            writeln!(answers, "{typed}").expect("the check listens");
        }
        if let ["switch", what, state, ..] = prompt.split_whitespace().collect::<Vec<_>>()[..] {
            writeln!(hand, "{what} {}", state.to_lowercase()).expect("the site listens");
        }
        writeln!(answers).expect("the check listens");
    }
    let mut document = String::new();
    let mut out = run.0.stdout.take().expect("its output");
    std::io::Read::read_to_string(&mut out, &mut document).expect("text");
    (run.0.wait().expect("its end").code(), document, shown)
}

/// Live, from the capture, and by `replay`; gives the live document.
fn live_and_replayed(name: &str) -> serde_json::Value {
    let folder = tempfile::tempdir().expect("a folder");
    let mut served = simulate(folder.path());
    let live = check(folder.path(), name, &mut served);
    let from = [name, "--from", "visit.pcapng", "--json"];
    let again = program(folder.path(), &from).output().expect("the check from its capture");
    assert!(!live.is_empty(), "no document");
    assert_eq!(live, String::from_utf8_lossy(&again.stdout), "the replay says something else");
    let replayed = program(folder.path(), &["replay", "visit.pcapng"]).output().expect("a replay");
    assert_eq!(replayed.status.code(), Some(0), "{}", String::from_utf8_lossy(&replayed.stdout));
    only_reads_were_sent(&folder.path().join("visit.pcapng"));
    serde_json::from_str(&live).expect("JSON")
}

/// The set of function codes that left is within 3, 4 and 43.
fn only_reads_were_sent(capture: &Path) {
    let capture = read_capture(&std::fs::read(capture).expect("the capture")).expect("a capture");
    let mut sent = 0;
    for record in frame_all(&capture) {
        if let Record::Frame(frame) = record
            && frame.direction == Direction::Out
        {
            assert!(matches!(frame.pdu()[0], 3 | 4 | 43), "function {} was sent", frame.pdu()[0]);
            sent += 1;
        }
    }
    assert!(sent > 20, "{sent} requests");
}

/// Every visit must replay to the byte; a pass must come of one in three. A machine that stalls for a second loses readings, and
/// a check that lost readings is rightly inconclusive.
fn passes_and_replays(name: &str) {
    let verdicts: Vec<serde_json::Value> = (0..3)
        .map(|_| live_and_replayed(name)["verdict"].clone())
        .take_while(|verdict| verdict != "pass")
        .collect();
    assert!(verdicts.len() < 3, "{verdicts:?}");
    assert!(verdicts.iter().all(|verdict| verdict == "inconclusive"), "{verdicts:?}");
}

#[test]
fn a_live_ct_check_and_its_replay_are_equal_byte_for_byte() {
    passes_and_replays("ct");
}

#[test]
fn a_live_limit_check_and_its_replay_are_equal_byte_for_byte() {
    passes_and_replays("limit");
}

#[test]
fn a_ct_check_that_was_left_is_gone_on_with_to_one_verdict() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut served = simulate(folder.path());
    let quick = ["ct", "--json", "--listen-first", "200ms"];
    let first = [&quick[..], &["--capture", "first.pcapng"]].concat();
    let leave = |prompt: &str| (!prompt.contains("ON (L1, pair 2")).then_some("");
    let (code, document, screen) = talk(folder.path(), &first, &mut served, leave);
    assert_eq!((code, document.as_str()), (Some(130), ""), "{screen}");
    assert!(screen.contains("wattward ct --resume first.pcapng"), "{screen}");

    // Gone on with, from its capture alone; meanwhile a clamp meter is read, once without its unit.
    std::fs::rename(folder.path().join("site.toml"), folder.path().join("moved.toml")).expect("a name");
    let second = [&quick[..], &["--resume", "first.pcapng", "--capture", "second.pcapng"]].concat();
    let read = |prompt: &str| {
        let at = |what: &str| prompt.contains(what);
        Some(if at("OFF (L1, pair 2") {
            "8.7A"
        } else if at("OFF (L1, pair 3") {
            "8.7"
        } else {
            ""
        })
    };
    let (_, live, screen) = talk(folder.path(), &second, &mut served, read);
    assert!(screen.contains("Going on with the check of"), "{screen}");
    assert!(!screen.contains("pair 1 of") && screen.contains("pair 2 of"), "{screen}");
    assert!(screen.contains("Read off another instrument: current 8.7 A on L1; the meter had"), "{screen}");
    assert!(screen.contains("`8.7` has no unit"), "{screen}");
    let document: serde_json::Value = serde_json::from_str(&live).expect("JSON");
    assert_eq!(document["verdict"], "pass", "{document:#}");
    assert_eq!(document["channels"][0]["pairs"], 3, "{document:#}");
    assert_eq!(document["captures"].as_array().map(Vec::len), Some(2), "{document:#}");
    let told = document["reasons"].to_string();
    assert!(told.contains("Read off another instrument: current 8.7 A on L1"), "{told}");

    let both = ["first.pcapng", "second.pcapng"];
    let from = ["ct", "--json", "--from", both[0], "--from", both[1]];
    let again = program(folder.path(), &from).output().expect("the check from its captures");
    assert_eq!(live, String::from_utf8_lossy(&again.stdout), "the replay says something else");
    let replayed = program(folder.path(), &["replay", both[0], both[1]]).output().expect("a replay");
    assert_eq!(replayed.status.code(), Some(0), "{}", String::from_utf8_lossy(&replayed.stdout));
    assert!(String::from_utf8_lossy(&replayed.stdout).contains("the same to the last digit"));
    // The second part alone says what is missing; a settled check is not gone on with.
    let part = program(folder.path(), &["replay", both[1]]).output().expect("a replay");
    assert!(String::from_utf8_lossy(&part.stderr).contains("give that capture as well"));
    let settled = ["ct", "--resume", both[0], "--resume", both[1]];
    let refused = program(folder.path(), &settled).output().expect("a refusal");
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("that check is settled: pass"));
}
