//! A simulated house as a program of its own, and a person who reads the prompts of a live run and answers them.

#![expect(clippy::disallowed_methods, reason = "a test has files and waits")]

use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// The meter's profile. `tests/peers/phone_test.py` reads the same three files.
pub const METER: &str = include_str!("house/meter.toml");

const SITE: &str = include_str!("house/site.toml");

const SCENARIO: &str = include_str!("house/scenario.toml");

/// A program that ends with the test.
pub struct Stopped(pub Child);

impl Drop for Stopped {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The program under test, with pipes.
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

/// The house on a pseudo-terminal linked at `line` in the folder.
pub fn simulate(folder: &Path) -> Stopped {
    simulate_of(folder, METER, SITE, SCENARIO)
}

/// The same with another meter, site or scenario; `LINE` in the site file becomes the path of the line.
pub fn simulate_of(folder: &Path, meter: &str, site: &str, scenario: &str) -> Stopped {
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

/// What is typed into the simulated house when somebody does what a prompt asks; nothing where it asks for no switch.
fn done_by(prompt: &str) -> Option<String> {
    match prompt.split_whitespace().collect::<Vec<_>>()[..] {
        ["switch", what, state, ..] => Some(format!("{what} {}", state.to_lowercase())),
        [plant, "take", "away", "the", "steering", ..] => {
            Some(format!("signal {} off", plant.trim_end_matches(':')))
        }
        [plant, "give", "back", "the", "steering", ..] => {
            Some(format!("signal {} on", plant.trim_end_matches(':')))
        }
        _ => None,
    }
}

/// What a person does at a prompt.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Does {
    /// Types these lines.
    Types(Vec<String>),
    /// Presses Ctrl-C.
    Leaves,
}

impl Does {
    /// Types one line.
    pub fn types(line: &str) -> Self {
        Self::Types(vec![line.to_owned()])
    }
}

/// A live run whose prompts are answered; loads and plants are switched in the simulated house as the prompts ask. Gives its
/// exit code, what it printed, and its screen.
pub fn converse(
    folder: &Path,
    arguments: &[&str],
    served: &mut Stopped,
    mut say: impl FnMut(&str) -> Does,
) -> (Option<i32>, String, String) {
    let mut run = Stopped(program(folder, arguments).spawn().expect("the run"));
    let mut answers = run.0.stdin.take().expect("its input");
    let hand = served.0.stdin.as_mut().expect("the house's input");
    let screen = BufReader::new(run.0.stderr.take().expect("its screen"));
    let mut out = run.0.stdout.take().expect("its output");
    // Read meanwhile: a full pipe would stop the run.
    let printed = std::thread::spawn(move || {
        let mut text = String::new();
        out.read_to_string(&mut text).expect("text");
        text
    });
    let mut shown = String::new();
    for line in screen.lines() {
        let line = line.expect("text");
        shown.push_str(&line);
        shown.push('\n');
        let Some(prompt) = line.strip_prefix(">> ") else { continue };
        match say(prompt) {
            Does::Leaves => super::commands::interrupt(&run.0),
            Does::Types(lines) => {
                // The value is typed first, then the load switched, then that confirmed.
                let (last, before) = lines.split_last().expect("a line");
                for line in before {
                    writeln!(answers, "{line}").expect("the run listens");
                }
                if let Some(command) = done_by(prompt) {
                    writeln!(hand, "{command}").expect("the house listens");
                }
                // The run may have ended by itself meanwhile.
                let _ = writeln!(answers, "{last}");
            }
        }
    }
    (run.0.wait().expect("its end").code(), printed.join().expect("printed"), shown)
}
