//! Floor 11: the command line. One command, one file, its manual on top.

mod args;
mod capture;
mod commission;
mod convert;
mod ct;
mod demo;
mod earlier;
mod exit;
mod files;
mod find;
mod hands;
mod judge;
mod limit;
mod line;
mod listen;
mod live;
mod log;
mod manual;
mod out;
mod page;
mod ports;
mod profile;
mod purpose;
mod read;
mod remarks;
mod render;
mod replay;
mod report;
mod review;
mod seen;
mod simulate;
mod source;
mod subject;
mod tally;
mod visit;
mod watch;
mod written;

use std::process::ExitCode;

use clap::Parser;

use self::args::{Cli, Command};
use self::exit::Exit;
use self::out::Out;
use crate::base::Failure;

/// Parses, runs, and maps the outcome to an exit code.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version are results (exit 0), everything else is usage (exit 2); a closed pipe is silent.
            let _ = error.print();
            return if error.use_stderr() { Exit::Usage.into() } else { Exit::Done.into() };
        }
    };
    trace(cli.common.verbose);
    let out = Out::new(cli.common.json, cli.common.quiet);
    match run(cli.command, &out) {
        Ok(exit) => exit.into(),
        Err(failure) => {
            out.clear_status();
            out.error(&render::failure(&failure, &out));
            Exit::from(&failure).into()
        }
    }
}

fn run(command: Command, out: &Out) -> Result<Exit, Failure> {
    match command {
        Command::Commission(args) => commission::run(&args, out),
        Command::Ports(args) => ports::run(&args, out),
        Command::Find(args) => find::run(&args, out),
        Command::Listen(args) => listen::run(&args, out),
        Command::Watch(args) => watch::run(&args, out),
        Command::Line(args) => line::run(&args, out),
        Command::Read(args) => read::run(&args, out),
        Command::Log(args) => log::run(&args, out),
        Command::Ct(args) => ct::run(&args, out),
        Command::Limit(args) => limit::run(&args, out),
        Command::Replay(args) => replay::run(&args, out),
        Command::Report(args) => report::run(&args, out),
        Command::Review(args) => review::run(&args, out),
        Command::Capture(args) => capture::run(&args, out),
        Command::Convert(args) => convert::run(&args, out),
        Command::Profile(args) => profile::run(&args, out),
        Command::Demo(args) => demo::run(&args, out),
        Command::Simulate(args) => simulate::run(&args, out),
        Command::Manual(args) => manual::run(&args, out),
    }
}

/// Sends the program's own notes to standard error: warnings always, more with `-v` and `-vv`.
fn trace(verbose: u8) {
    let level = match verbose {
        0 => tracing::Level::WARN,
        1 => tracing::Level::INFO,
        2 => tracing::Level::DEBUG,
        _ => tracing::Level::TRACE,
    };
    tracing_subscriber::fmt()
        .with_max_level(level)
        .with_writer(std::io::stderr)
        .with_target(false)
        .without_time()
        .init();
}
