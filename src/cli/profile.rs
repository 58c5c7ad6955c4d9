//! `wattward profile check FILE...` and `wattward profile show FILE`: is this file right, and what will be asked.
//!
//! ```console
//! $ wattward profile check site.toml
//! site.toml: a site with 1 meter, no fault found
//! $ wattward profile show profiles/example-three-phase.toml
//! ```
//!
//! `check` tells profiles and site files apart by what is in them. With a site file it also reads the profiles the file
//! names, and what shows only beside them. Every fault comes with its place and its mend. `show` prints the points as they
//! are on the wire and the requests that read them, with the time these take on the line; `--sheet FILE` writes them as a
//! sheet for paper. Neither touches a line, but for `check --line`.
//!
//! Exit codes: 0 no fault (warnings may be there), 2 a file is wrong.

mod check;
mod fit;
mod import;
mod line;
mod new;
mod show;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::exit::Exit;
use super::out::Out;
use crate::base::Failure;

/// Options of `profile`.
#[derive(Args, Debug)]
pub(crate) struct ProfileArgs {
    #[command(subcommand)]
    command: ProfileCommand,
}

#[derive(Subcommand, Debug)]
enum ProfileCommand {
    /// Find every fault of profiles and site files, each with its mend
    Check(Box<check::CheckArgs>),
    /// No register list: find the registers from what your instruments show, and write a draft profile
    Fit(Box<fit::FitArgs>),
    /// Make a profile from the open register model's own definitions
    Import(Box<import::ImportArgs>),
    /// Begin a profile: asks a few questions, or takes the answers as options
    New(new::NewArgs),
    /// Print the points of a profile, and the requests that read them with their time on the line
    Show(show::ShowArgs),
}

/// Runs the command.
pub(crate) fn run(args: &ProfileArgs, out: &Out) -> Result<Exit, Failure> {
    match &args.command {
        ProfileCommand::Check(args) => check::run(args, out),
        ProfileCommand::Fit(args) => fit::run(args, out),
        ProfileCommand::Import(args) => import::run(args, out),
        ProfileCommand::New(args) => new::run(args, out),
        ProfileCommand::Show(args) => show::run(args, out),
    }
}

/// `1 meter`, `2 meters`.
fn number(count: usize, noun: &str) -> String {
    format!("{count} {noun}{}", if count == 1 { "" } else { "s" })
}

/// The program, as documents name it.
pub(super) fn tool() -> Value {
    json!({ "name": env!("CARGO_PKG_NAME"), "version": env!("CARGO_PKG_VERSION") })
}
