//! `profile check`: every fault of profiles and site files, each with its place and its mend.

use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::{Value, json};

use super::super::args::{SourceArgs, span};
use super::super::exit::Exit;
use super::super::files::{profile_file, site_files};
use super::super::out::Out;
use super::super::render;
use super::super::source::read_text;
use super::{number, tool};
use crate::base::{Failure, Faults, Severity, Span};
use crate::profile::{FileKind, file_kind};

/// What one file is, with its faults or warnings.
struct Checked {
    file: String,
    what: String,
    faults: Vec<Faults>,
}

/// Options of `profile check`.
#[derive(Args, Debug)]
pub(super) struct CheckArgs {
    /// Profiles or site files; with a site file its profiles are checked too
    #[arg(required_unless_present = "on_line", value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Read the meter too, and find the change that makes all points agree
    #[arg(long = "line")]
    on_line: bool,
    #[command(flatten)]
    line: LineOptions,
}

/// How the meter is read, with `--line`.
#[derive(Args, Clone, Debug)]
pub(super) struct LineOptions {
    #[command(flatten)]
    pub(super) source: SourceArgs,
    /// Only this meter of the site
    #[arg(long, value_name = "NAME")]
    pub(super) meter: Option<String>,
    /// How long to listen for another master before the first request
    #[arg(long, value_name = "TIME", default_value = "5s", value_parser = span)]
    pub(super) listen_first: Span,
    /// Ask although another master is on the line; this can blind it
    #[arg(long)]
    pub(super) share_line: bool,
}

/// Runs the command.
pub(super) fn run(args: &CheckArgs, out: &Out) -> Result<Exit, Failure> {
    let mut checked = Vec::new();
    for file in &args.files {
        checked.push(check_one(file)?);
    }
    let wrong = |one: &&Checked| one.faults.iter().any(Faults::any_error);
    let mut exit = if checked.iter().any(|one| wrong(&one)) { Exit::Usage } else { Exit::Done };
    if out.json {
        let documents: Vec<Value> = checked.iter().map(as_json).collect();
        let mut document = json!({ "tool": tool(), "files": documents });
        if args.on_line && exit == Exit::Done {
            let (found, meters) = super::line::run(&on_line(args)?, out)?;
            exit = found;
            document["meters"] = meters;
        }
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
    } else if args.on_line {
        return Ok(super::line::run(&on_line(args)?, out)?.0);
    }
    Ok(exit)
}

/// With `--line` a file named first stands for `--site` or `--profile`.
fn on_line(args: &CheckArgs) -> Result<LineOptions, Failure> {
    let mut options = args.line.clone();
    let source = &mut options.source;
    match args.files.as_slice() {
        [] => {}
        [file] => match file_kind(&read_text(file)?.text) {
            FileKind::Site => source.site = Some(file.clone()),
            FileKind::Profile => source.profile = Some(file.clone()),
        },
        _ => {
            return Err(Failure::usage("`--line` takes one file")
                .hint("name the site file, or the profile and the line: --serial PORT or --tcp HOST"));
        }
    }
    Ok(options)
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

fn counted(faults: &[Faults]) -> String {
    match faults.iter().map(|bag| bag.list.len()).sum() {
        0 => "no fault found".to_owned(),
        warnings => format!("usable, with {}", number(warnings, "warning")),
    }
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
