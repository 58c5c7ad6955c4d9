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
//! are on the wire and the requests that read them, with the time these take on the line. Neither touches a line.
//!
//! Exit codes: 0 no fault (warnings may be there), 2 a file is wrong.

mod show;

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::exit::Exit;
use super::files::{profile_file, site_files};
use super::out::Out;
use super::render;
use super::source::read_text;
use crate::base::{Failure, Faults, Severity};
use crate::profile::{FileKind, file_kind};

/// Options of `profile`.
#[derive(Args, Debug)]
pub(crate) struct ProfileArgs {
    #[command(subcommand)]
    command: ProfileCommand,
}

#[derive(Subcommand, Debug)]
enum ProfileCommand {
    /// Find every fault of profiles and site files, each with its mend
    Check {
        /// Profiles or site files; with a site file its profiles are checked too
        #[arg(required = true, value_name = "FILE")]
        files: Vec<PathBuf>,
    },
    /// Print the points of a profile, and the requests that read them with their time on the line
    Show {
        /// A profile, or a site file for all its meters
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
}

/// Runs the command.
pub(crate) fn run(args: &ProfileArgs, out: &Out) -> Result<Exit, Failure> {
    match &args.command {
        ProfileCommand::Check { files } => check(files, out),
        ProfileCommand::Show { file } => show::run(file, out),
    }
}

/// What one file is, with its faults or warnings.
struct Checked {
    file: String,
    what: String,
    faults: Vec<Faults>,
}

fn check(files: &[PathBuf], out: &Out) -> Result<Exit, Failure> {
    let mut checked = Vec::new();
    for file in files {
        checked.push(check_one(file)?);
    }
    let wrong = |one: &&Checked| one.faults.iter().any(Faults::any_error);
    let exit = if checked.iter().any(|one| wrong(&one)) { Exit::Usage } else { Exit::Done };
    if out.json {
        let documents: Vec<Value> = checked.iter().map(as_json).collect();
        let document = json!({ "tool": tool(), "files": documents });
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
        return Ok(exit);
    }
    for one in &checked {
        for faults in &one.faults {
            out.error(&format!("{}\n", render::faults(faults, out)));
        }
        if !wrong(&one) {
            out.print(&format!("{}: {}, {}", one.file, one.what, counted(&one.faults)));
        }
    }
    let broken: Vec<Faults> = checked.iter().filter(wrong).flat_map(|one| one.faults.clone()).collect();
    if !broken.is_empty() {
        out.error(&format!("error: {}", Failure::faulty_files(files_at_fault(broken)).message));
    }
    Ok(exit)
}

fn files_at_fault(faults: Vec<Faults>) -> Vec<Faults> {
    let mut at_fault: Vec<Faults> = Vec::new();
    for faults in faults.into_iter().filter(Faults::any_error) {
        if at_fault.iter().all(|known| known.file != faults.file) {
            at_fault.push(faults);
        }
    }
    at_fault
}

fn check_one(path: &Path) -> Result<Checked, Failure> {
    let file = path.display().to_string();
    let (what, faults) = match file_kind(&read_text(path)?.text) {
        FileKind::Site => match site_files(path) {
            Ok(files) => {
                (format!("a site with {}", number(files.site.meters.len(), "meter")), files.warnings)
            }
            Err(failure) if failure.faults.is_empty() => return Err(failure),
            Err(failure) => (String::new(), failure.faults),
        },
        FileKind::Profile => match profile_file(path) {
            Ok((profile, warnings)) => {
                let points = number(profile.points.len(), "point");
                (format!("a profile with {points}"), vec![warnings])
            }
            Err(failure) if failure.faults.is_empty() => return Err(failure),
            Err(failure) => (String::new(), failure.faults),
        },
    };
    let faults = faults.into_iter().filter(|bag| !bag.list.is_empty()).collect();
    Ok(Checked { file, what, faults })
}

fn number(count: usize, noun: &str) -> String {
    format!("{count} {noun}{}", if count == 1 { "" } else { "s" })
}

fn counted(faults: &[Faults]) -> String {
    match faults.iter().map(|bag| bag.list.len()).sum() {
        0 => "no fault found".to_owned(),
        warnings => format!("usable, with {}", number(warnings, "warning")),
    }
}

/// The program, as documents name it.
fn tool() -> Value {
    json!({ "name": env!("CARGO_PKG_NAME"), "version": env!("CARGO_PKG_VERSION") })
}

fn as_json(checked: &Checked) -> Value {
    let faults: Vec<Value> = checked
        .faults
        .iter()
        .flat_map(|bag| bag.list.iter().map(move |fault| (bag, fault)))
        .map(|(bag, fault)| {
            let (line, column) = bag.place(fault.span.start);
            json!({
                "file": bag.file,
                "line": line,
                "column": column,
                "severity": match fault.severity { Severity::Error => "error", Severity::Warning => "warning" },
                "message": fault.message,
                "mend": fault.mend,
            })
        })
        .collect();
    let usable = !checked.faults.iter().any(Faults::any_error);
    json!({ "file": checked.file, "usable": usable, "faults": faults })
}
