//! `wattward capture` makes a capture from captures: a part of one, several as one, or one without names.
//!
//! ```console
//! $ wattward capture cut visit.pcapng --start 10m --end 25m -o window.pcapng
//! 2026-09-21T14:23:20Z to 2026-09-21T14:38:20Z of visit.pcapng, 1834 frames and 9 marks, in window.pcapng
//! $ wattward capture join morning.pcapng afternoon.pcapng -o day.pcapng
//! $ wattward capture scrub visit.pcapng -o for-others.pcapng
//! ```
//!
//! What goes in stays as it is, and nothing is written over. Exit codes: 0 written, 2 an option is wrong or the captures do
//! not fit together, 4 nothing is left or the disk is full, 5 a capture cannot be read.

mod scrub;

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use serde::Serialize;

use super::exit::Exit;
use super::out::Out;
use super::source::{Loaded, load};
use super::written::free;
use crate::base::{Failure, Span, Stamp};
use crate::pipeline::Overrides;
use crate::pipeline::edit::cut::cut;
use crate::pipeline::edit::join::{Piece, fits, joined};
use crate::record::{CaptureWriter, LineInfo, Mark, MarkKind, Record};
use crate::report::{CaptureRef, Tool};
use crate::rim::store::Store;

/// Options of `capture`.
#[derive(Args, Debug)]
pub(crate) struct CaptureArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// A part of a capture; a question and its answer stay together
    Cut {
        /// The capture
        #[arg(value_name = "CAPTURE")]
        file: PathBuf,
        /// Where the part begins: an instant (2026-09-21T14:13:20Z), or how long after the capture's beginning (90s, 1h)
        /// [default: its beginning]
        #[arg(long, value_name = "TIME", value_parser = moment)]
        start: Option<Moment>,
        /// Where it ends, this instant not included, said in the same way [default: its end]
        #[arg(long, value_name = "TIME", value_parser = moment)]
        end: Option<Moment>,
        /// Where the part goes
        #[arg(long, short, value_name = "FILE")]
        out: PathBuf,
    },
    /// Several captures of one site as one
    Join {
        /// The captures, in any order
        #[arg(required = true, num_args = 2.., value_name = "CAPTURE")]
        files: Vec<PathBuf>,
        /// Where the whole goes
        #[arg(long, short, value_name = "FILE")]
        out: PathBuf,
    },
    /// A capture without names, serial numbers and notes, for others to look at; its checks are judged again
    Scrub {
        /// The capture
        #[arg(value_name = "CAPTURE")]
        file: PathBuf,
        /// Where the one without names goes
        #[arg(long, short, value_name = "FILE")]
        out: PathBuf,
    },
}

/// A moment of a capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Moment {
    At(Stamp),
    After(Span),
}

fn moment(text: &str) -> Result<Moment, String> {
    let text = text.trim();
    Stamp::parse(text)
        .map(Moment::At)
        .or_else(|| Span::parse(text).ok().filter(|span| *span >= Span::ZERO).map(Moment::After))
        .ok_or_else(|| {
            format!(
                "`{text}` is no moment of a capture: write 2026-09-21T14:13:20Z, or 90s after its beginning"
            )
        })
}

#[derive(Serialize)]
struct Document {
    tool: Tool,
    start: Stamp,
    end: Stamp,
    frames: usize,
    marks: usize,
    from: Vec<CaptureRef>,
    capture: CaptureRef,
}

/// Runs the command.
pub(crate) fn run(args: &CaptureArgs, out: &Out) -> Result<Exit, Failure> {
    match &args.what {
        What::Cut { file, start, end, out: to } => cut_out(file, *start, *end, to, out),
        What::Join { files, out: to } => join(files, to, out),
        What::Scrub { file, out: to } => scrub::run(file, to, out),
    }
}

fn cut_out(
    file: &Path,
    start: Option<Moment>,
    end: Option<Moment>,
    to: &Path,
    out: &Out,
) -> Result<Exit, Failure> {
    free(to)?;
    let loaded = read(&[file.to_path_buf()], out)?;
    let (first, last) = span(&loaded.records)
        .ok_or_else(|| Failure::nothing(format!("{} holds nothing to cut a part from", file.display())))?;
    let at = |moment| match moment {
        Moment::At(at) => at,
        Moment::After(span) => first + span,
    };
    let from = start.map_or(first, at);
    let until = end.map_or(last + Span::from_nanos(1), at);
    if from >= until {
        return Err(Failure::usage(format!(
            "the part would end at {} and begin at {}",
            until.rfc3339(3),
            from.rfc3339(3)
        ))
        .hint("--start comes before --end"));
    }
    let mut part = cut(&loaded.records, from, until);
    if part.iter().all(|record| record.line().is_none()) {
        return Err(Failure::nothing(format!(
            "nothing stood on a line from {} to {}; {} holds {} to {}",
            from.rfc3339(3),
            until.rfc3339(3),
            file.display(),
            first.rfc3339(3),
            last.rfc3339(3)
        )));
    }
    // Whoever reads the part later should know that there was more.
    let hash = loaded.captures.first().map_or("", |capture| capture.sha256.as_str());
    let words = format!("a part of a capture (sha256 {hash}): {} to {}", from.rfc3339(9), until.rfc3339(9));
    part.push(Record::Mark(Box::new(Mark::new(from.max(first), MarkKind::Note, words))));
    part.sort_by_key(Record::at);
    let inside = (from.max(first), until.min(last));
    written(&loaded.lines, &part, (loaded.captures, inside), to, out)
}

fn join(files: &[PathBuf], to: &Path, out: &Out) -> Result<Exit, Failure> {
    free(to)?;
    let mut pieces = Vec::new();
    for file in files {
        let Loaded { lines, records, .. } = read(std::slice::from_ref(file), out)?;
        pieces.push(Piece { file: file.display().to_string(), lines, records });
    }
    fits(&pieces)?;
    drop(pieces);
    let Loaded { captures, lines, records, .. } = load(files, &Overrides::default())?;
    let records = joined(records);
    let ends = span(&records).ok_or_else(|| Failure::nothing("the captures hold nothing"))?;
    written(&lines, &records, (captures, ends), to, out)
}

/// Reads, telling what is doubtful about the files.
fn read(files: &[PathBuf], out: &Out) -> Result<Loaded, Failure> {
    let names: Vec<String> = files.iter().map(|file| file.display().to_string()).collect();
    out.status(&format!("reading {}", names.join(", ")));
    let loaded = load(files, &Overrides::default())?;
    for note in &loaded.notes {
        out.error(&format!("note: {note}"));
    }
    Ok(loaded)
}

/// First and last thing that happened.
fn span(records: &[Record]) -> Option<(Stamp, Stamp)> {
    let at = records.iter().map(Record::at);
    at.clone().min().zip(at.max())
}

/// Writes a new capture and says what is in it.
fn written(
    lines: &[LineInfo],
    records: &[Record],
    (from, (start, end)): (Vec<CaptureRef>, (Stamp, Stamp)),
    to: &Path,
    out: &Out,
) -> Result<Exit, Failure> {
    out.status(&format!("writing {}", to.display()));
    let mut writer = CaptureWriter::new(lines);
    let mut store = Store::create_unnamed(to)?;
    for block in writer.header() {
        store.append(&block)?;
    }
    for block in records.iter().flat_map(|record| writer.record(record)) {
        store.append(&block)?;
    }
    store.name()?;
    let closed = store.close()?;
    out.clear_status();
    let frames = records.iter().filter(|record| matches!(record, Record::Frame(_))).count();
    let marks = records.iter().filter(|record| matches!(record, Record::Mark(_))).count();
    let capture = CaptureRef { file: to.display().to_string(), sha256: closed.sha256 };
    if out.json {
        let document = Document { tool: Tool::default(), start, end, frames, marks, from, capture };
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        let names: Vec<&str> = from.iter().map(|capture| capture.file.as_str()).collect();
        out.print(&format!(
            "{} to {} of {}, {frames} frames and {marks} marks, in {}",
            start.rfc3339(0),
            end.rfc3339(0),
            names.join(", "),
            to.display()
        ));
    }
    Ok(Exit::Done)
}
