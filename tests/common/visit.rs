//! A live check over a pseudo-terminal, with the simulated site as a program of its own and prompts read as a person reads
//! them.

#![expect(clippy::disallowed_methods, reason = "a test starts programs and waits for them")]

use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A program that ends with the test.
pub struct Stopped(pub Child);

impl Drop for Stopped {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

pub fn program(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_wattward"));
    command
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    command
}

/// The simulated site on a pseudo-terminal linked at `line` in the folder; `LINE` in the site file becomes its path.
pub fn simulate(folder: &Path, meter: &str, site: &str, scenario: &str) -> Stopped {
    std::fs::write(folder.join("meter.toml"), meter).expect("profile");
    let line = folder.join("line");
    let site = site.replace("LINE", line.to_str().expect("a path in UTF-8"));
    std::fs::write(folder.join("site.toml"), site).expect("site");
    std::fs::write(folder.join("scenario.toml"), scenario).expect("scenario");
    let mut command = program(folder, &["simulate", "scenario.toml", "--for", "5min"]);
    let served =
        Stopped(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("the simulated site"));
    let begun = Instant::now();
    while !line.exists() {
        assert!(begun.elapsed() < Duration::from_secs(20), "the simulated line did not come up");
        std::thread::sleep(Duration::from_millis(20));
    }
    served
}

/// What a live check left: its document, everything on its screen, and how it ended.
pub struct Left {
    pub document: String,
    pub screen: String,
    pub code: Option<i32>,
}

/// Runs a live check; does in the simulated site what each prompt asks, then confirms it. `also` is typed before the
/// confirmation of the first prompt of the window.
pub fn check(folder: &Path, arguments: &[&str], served: &mut Stopped, also: &str) -> Left {
    let mut all = arguments.to_vec();
    all.extend(["--json", "--listen-first", "200ms", "--capture", "visit.pcapng"]);
    let mut run = Stopped(program(folder, &all).spawn().expect("the check"));
    let mut answers = run.0.stdin.take().expect("its input");
    let mut hand = served.0.stdin.take().expect("the site's input");
    let mut screen = String::new();
    let (mut also, mut prompts) = (also, 0);
    for line in BufReader::new(run.0.stderr.take().expect("its screen")).lines() {
        let line = line.expect("text");
        screen.push_str(&line);
        screen.push('\n');
        let Some(prompt) = line.strip_prefix(">> ") else { continue };
        prompts += 1;
        let words: Vec<&str> = prompt.split_whitespace().collect();
        match words[..] {
            ["switch", what, state, ..] => {
                writeln!(hand, "{what} {}", state.to_lowercase()).expect("the site listens");
            }
            [plant, verb, _, "the", "steering", ..] | [plant, verb, "the", "steering", ..] => {
                let state = if verb == "give" { "on" } else { "off" };
                writeln!(hand, "signal {} {state}", plant.trim_end_matches(':')).expect("the site listens");
            }
            _ => {}
        }
        if prompts == 2 && !also.is_empty() {
            writeln!(answers, "{also}").expect("the check listens");
            also = "";
        }
        // The check may have ended by itself meanwhile.
        let _ = writeln!(answers);
    }
    let mut document = String::new();
    run.0.stdout.take().expect("its output").read_to_string(&mut document).expect("text");
    served.0.stdin = Some(hand);
    Left { document, screen, code: run.0.wait().expect("its end").code() }
}
