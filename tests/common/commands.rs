//! Running the program as a person does.

#![expect(
    clippy::print_stderr,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test may stop where it stands, and says why"
)]

use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use serde_json::Value;
use wattward::record::{Record, frame_all, read_capture};

pub fn wattward(folder: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_wattward"));
    command.args(args).current_dir(folder).stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// Runs to the end; everything it said is printed should the test fail.
pub fn run(folder: &Path, args: &[&str]) -> Output {
    told(wattward(folder, args).output().expect("the program"))
}

pub fn told(output: Output) -> Output {
    eprintln!("exit {:?}\n{}{}", output.status.code(), text(&output.stdout), text(&output.stderr));
    output
}

pub fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

pub fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).expect("one JSON document and nothing else")
}

pub fn records(path: &Path) -> Vec<Record> {
    let capture = read_capture(&std::fs::read(path).expect("file")).expect("capture");
    assert_eq!(capture.cut, None);
    frame_all(&capture)
}

pub fn wait(ready: impl Fn() -> bool) {
    for _ in 0..1000 {
        if ready() {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("it never came");
}

pub fn interrupt(child: &Child) {
    let id = rustix::process::Pid::from_raw(child.id().cast_signed()).expect("a process");
    rustix::process::kill_process(id, rustix::process::Signal::INT).expect("signal");
}
