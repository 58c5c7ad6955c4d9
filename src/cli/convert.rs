//! `wattward convert` writes what captures hold as a table for other programs: CSV for spreadsheets, Parquet for engines.
//!
//! ```console
//! $ wattward convert --from log-1.pcapng --from log-2.pcapng --out september.csv
//! 172800 readings of 2 meters, 2026-09-21T00:00:00Z to 2026-09-22T23:59:59Z, in september.csv
//! $ wattward convert --from log-1.pcapng --out fleet/
//! 86400 readings of 2 meters, 2026-09-21T00:00:00Z to 2026-09-21T23:59:59Z, in 1 file below fleet/
//! ```
//!
//! The name says which: `.csv`, `.parquet`, and a folder (one that exists, or a name that ends in `/`) for a data set of
//! Parquet files below `site=…/day=…`, to which further captures are added. A row is one poll cycle of one meter; times
//! are UTC, powers positive on import, everything in base units. The capture stays the evidence: this is for looking.
//!
//! Exit codes: 0 written, 2 an option or file is wrong, 4 nothing was read or nothing could be written, 5 a capture cannot
//! be read.

mod csv;
mod dataset;

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::args::SourceArgs;
use super::exit::Exit;
use super::out::Out;
use super::source::{Extra, Loaded, load, overrides};
use crate::base::{Failure, Stamp};
use crate::evidence::Case;
use crate::report::columns::{Column, TableRow, columns, table_rows};
use crate::report::{CaptureRef, Tool};

/// Options of `convert`.
#[derive(Args, Debug)]
pub(crate) struct ConvertArgs {
    /// The capture to convert; may be given several times
    #[arg(long, value_name = "CAPTURE", required = true)]
    from: Vec<PathBuf>,
    /// Where the table goes: FILE.csv, FILE.parquet, or a folder for a data set
    #[arg(long, value_name = "FILE|FOLDER/")]
    out: PathBuf,
    /// Write over a file that is there
    #[arg(long)]
    replace: bool,
    /// CSV with decimal commas and semicolons, for spreadsheets that are set so
    #[arg(long)]
    decimal_comma: bool,
    /// Site file in place of the one the captures hold
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// Profile in place of the one the captures hold
    #[arg(long, value_name = "FILE")]
    profile: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Csv,
    Parquet,
    DataSet,
}

/// What one capture gives.
struct Part {
    capture: CaptureRef,
    /// The same while a capture grows: start of its evidence and a hash of its first bytes.
    identity: String,
    case: Case,
}

#[derive(Default, Serialize)]
struct Summary {
    tool: Tool,
    readings: usize,
    meters: usize,
    start: Option<Stamp>,
    end: Option<Stamp>,
    files: Vec<String>,
    captures: Vec<CaptureRef>,
}

impl Summary {
    fn count(&mut self, rows: &[TableRow]) {
        self.readings += rows.len();
        for at in rows.first().into_iter().chain(rows.last()).map(|row| row.at) {
            self.start = Some(self.start.map_or(at, |start| start.min(at)));
            self.end = Some(self.end.map_or(at, |end| end.max(at)));
        }
    }
}

/// Runs the command.
pub(crate) fn run(args: &ConvertArgs, out: &Out) -> Result<Exit, Failure> {
    let kind = kind(&args.out)?;
    if args.decimal_comma && kind != Kind::Csv {
        return Err(Failure::usage("--decimal-comma belongs to CSV; Parquet holds numbers, not text"));
    }
    if kind != Kind::DataSet && !args.replace && args.out.exists() {
        return Err(Failure::usage(format!("{} is there already", args.out.display()))
            .hint("give another name, or --replace to write over it"));
    }
    let source = SourceArgs {
        site: args.site.clone(),
        from: args.from.clone(),
        profile: args.profile.clone(),
        ..SourceArgs::default()
    };
    let mut parts = Vec::new();
    for (index, path) in args.from.iter().enumerate() {
        out.status(&format!("reading {} ({} of {})", path.display(), index + 1, args.from.len()));
        parts.push(part(path, &source, out)?);
    }
    parts.sort_by_key(|part| part.case.span);
    let columns = columns(parts.iter().flat_map(|part| part.case.meters.iter().map(|meter| &meter.profile)));
    let mut summary = Summary::default();
    out.status(&format!("writing {}", args.out.display()));
    match kind {
        Kind::Csv => {
            let (summary, parts) = (&mut summary, &parts);
            write_file(&args.out, |file| csv::write(file, parts, &columns, args.decimal_comma, summary))?;
            summary.files.push(args.out.display().to_string());
        }
        Kind::Parquet => dataset::write_one(&args.out, &parts, &columns, &mut summary)?,
        Kind::DataSet => dataset::write_set(&args.out, &parts, &mut summary)?,
    }
    out.clear_status();
    let mut names: Vec<(&str, &str)> = parts.iter().flat_map(|part| meters(&part.case)).collect();
    names.sort_unstable();
    names.dedup();
    summary.meters = names.len();
    summary.captures = parts.into_iter().map(|part| part.capture).collect();
    if summary.readings == 0 {
        return Err(Failure::nothing("the captures hold no reading of the site's meters").hint(
            "`wattward listen --from CAPTURE` shows what is in them; the unit or the profile may be another",
        ));
    }
    tell(&summary, &args.out, kind, out);
    Ok(Exit::Done)
}

fn meters(case: &Case) -> impl Iterator<Item = (&str, &str)> {
    case.meters.iter().map(|meter| (case.site.name.as_str(), meter.meter.name.as_str()))
}

fn tell(summary: &Summary, to: &Path, kind: Kind, out: &Out) {
    if out.json {
        out.print(&serde_json::to_string_pretty(summary).unwrap_or_default());
        return;
    }
    let shown = |at: Option<Stamp>| at.map_or_else(String::new, |at| at.rfc3339(0));
    let place = match (kind, summary.files.len()) {
        (Kind::DataSet, 1) => format!("1 file below {}", to.display()),
        (Kind::DataSet, files) => format!("{files} files below {}", to.display()),
        _ => to.display().to_string(),
    };
    out.print(&format!(
        "{} readings of {} meter{}, {} to {}, in {place}",
        summary.readings,
        summary.meters,
        if summary.meters == 1 { "" } else { "s" },
        shown(summary.start),
        shown(summary.end)
    ));
}

fn kind(path: &Path) -> Result<Kind, Failure> {
    let text = path.to_string_lossy();
    if path.is_dir() || text.ends_with('/') || text.ends_with(std::path::MAIN_SEPARATOR) {
        return Ok(Kind::DataSet);
    }
    match path.extension().and_then(|ending| ending.to_str()) {
        Some("csv") => Ok(Kind::Csv),
        Some("parquet") => Ok(Kind::Parquet),
        _ => Err(Failure::usage(format!("{text} names no kind of table"))
            .hint("end it in .csv or .parquet, or in / for a data set")),
    }
}

/// Each capture is read by itself, so that weeks of them take the memory of one.
fn part(path: &Path, source: &SourceArgs, out: &Out) -> Result<Part, Failure> {
    let overrides = overrides(source, &Extra::default())?;
    let Loaded { mut captures, lines, records, notes } = load(&[path.to_path_buf()], &overrides)?;
    for note in notes {
        out.note(&note);
    }
    let replayed = crate::pipeline::replay(&lines, &records, &overrides)?;
    let capture = captures.remove(0);
    let identity = identity(path, &replayed.case)?;
    Ok(Part { capture, identity, case: replayed.case })
}

/// A capture is append-only: its first bytes and its first instant stay as they are while it grows, and when it is packed.
fn identity(path: &Path, case: &Case) -> Result<String, Failure> {
    use std::io::Read as _;
    const HEAD: u64 = 4096;
    let mut head = Vec::new();
    crate::rim::log_files::open(path)?
        .take(HEAD)
        .read_to_end(&mut head)
        .map_err(|error| Failure::unreadable(format!("cannot read {}: {error}", path.display())))?;
    let start = case.span.map_or_else(String::new, |(start, _)| start.rfc3339(0).replace(['-', ':'], ""));
    let hash = crate::rim::store::sha256(&head);
    Ok(format!("{start}-{}", hash.get(..12).unwrap_or(&hash)))
}

/// Rows of every meter of a capture, in the order of the site file.
fn rows<'a>(part: &'a Part, columns: &'a [Column]) -> impl Iterator<Item = (&'a str, Vec<TableRow>)> + 'a {
    part.case.meters.iter().map(|meter| (meter.meter.name.as_str(), table_rows(&meter.series, columns)))
}

/// Writes beside the name and moves into place, so that nobody reads half a table.
#[expect(clippy::disallowed_methods, reason = "the command line writes the files it is asked for")]
fn write_file<T>(
    path: &Path,
    write: impl FnOnce(BufWriter<File>) -> Result<T, Failure>,
) -> Result<T, Failure> {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let beside = path.with_file_name(format!(".{name}.part"));
    let failed =
        |error: std::io::Error| Failure::nothing(format!("cannot write {}: {error}", path.display()));
    let file = File::create(&beside).map_err(failed)?;
    let written = write(BufWriter::new(file));
    let moved = written.and_then(|result| std::fs::rename(&beside, path).map(|()| result).map_err(failed));
    if moved.is_err() {
        // What stands in the way of the next try is of no use to anybody.
        let _ = std::fs::remove_file(&beside);
    }
    moved
}
