//! `wattward read` takes one reading and shows it by quantity and phase, with what does not make sense about it.
//!
//! ```console
//! $ wattward read --profile profiles/example-three-phase.toml --serial /dev/ttyUSB0
//! listening 5.0 s for another master before the first request
//! connection (Example three-phase meter, unit 1)  2026-09-21 14:13:20 UTC
//!                                          L1           L2           L3        total
//! voltage V                            230.1        229.8        231.0
//! active power W                       412.0         88.3       1204.5       1704.8
//! no contradiction found
//! ```
//!
//! With a site file all of its meters are read. Exit codes: 0 read, 2 a file or option is wrong, 4 no port, no answer or
//! another master on the line, 5 a capture cannot be read.

use std::fmt::Write as _;

use clap::Args;
use serde::Serialize;

use super::args::{LiveArgs, SourceArgs};
use super::exit::Exit;
use super::judge::replay_loaded;
use super::live::{Live, Purpose, Step};
use super::out::Out;
use super::remarks::{remarks, words};
use super::source::{Extra, load, overrides, set_up};
use super::subject::no_answer;
use crate::base::{Failure, Span, Stamp};
use crate::evidence::{Case, MeterCase};
use crate::reading::Remark;
use crate::report::table::{Row, latest, reading, rows};
use crate::report::{CaptureRef, Tool};

/// Options of `read`.
#[derive(Args, Debug)]
pub(crate) struct ReadArgs {
    #[command(flatten)]
    source: SourceArgs,
    #[command(flatten)]
    live: LiveArgs,
}

#[derive(Serialize)]
struct Document<'a> {
    tool: Tool,
    site: &'a str,
    meters: Vec<MeterReading<'a>>,
    captures: &'a [CaptureRef],
}

#[derive(Serialize)]
struct MeterReading<'a> {
    meter: &'a str,
    role: &'static str,
    profile: &'a str,
    at: Option<Stamp>,
    values: Vec<Row>,
    remarks: Vec<RemarkRow>,
}

#[derive(Serialize)]
struct RemarkRow {
    weight: &'static str,
    saw: String,
    expected: String,
    points: Vec<String>,
}

/// Runs the command.
pub(crate) fn run(args: &ReadArgs, out: &Out) -> Result<Exit, Failure> {
    let (case, captures) = if args.source.from.is_empty() { live(args, out)? } else { recorded(args, out)? };
    let answered = case.meters.iter().any(|meter| !latest(&meter.series).is_empty());
    if out.json {
        let document = Document {
            tool: Tool::default(),
            site: &case.site.name,
            meters: case.meters.iter().map(|meter| document(&case, meter)).collect(),
            captures: &captures,
        };
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        for meter in &case.meters {
            out.print(&screen(&case, meter, out));
        }
        for capture in &captures {
            out.note(&crate::cli::render::evidence(&capture.file, &capture.sha256, out));
        }
    }
    if answered { Ok(Exit::Done) } else { Err(silent(&args.source)) }
}

fn silent(source: &SourceArgs) -> Failure {
    if source.from.is_empty() { no_answer() } else { Failure::nothing("no meter answered") }
}

fn recorded(args: &ReadArgs, out: &Out) -> Result<(Case, Vec<CaptureRef>), Failure> {
    let overrides = overrides(&args.source, &Extra::default())?;
    let (captures, replayed) = replay_loaded(load(&args.source.from, &overrides)?, &overrides, out)?;
    Ok((replayed.case, captures))
}

fn live(args: &ReadArgs, out: &Out) -> Result<(Case, Vec<CaptureRef>), Failure> {
    let set_up = set_up(&args.source, &Extra::default())?;
    let purpose = Purpose {
        name: "read",
        evidence: false,
        meters: Vec::new(),
        cycles: Some(1),
        settings: true,
        segments: None,
        keyboard: false,
    };
    // Another master asks when it likes: long enough for every meter to have its turn.
    let patience = if args.live.listen { Span::from_millis(15_000) } else { Span::from_millis(120_000) };
    let mut live = Live::begin(set_up, &args.live, purpose, out)?;
    let deadline = live.now() + args.live.listen_first + patience;
    loop {
        match live.next(deadline, out)? {
            Step::Done | Step::Tick => break,
            Step::Interrupt => {
                return Err(Failure::new(crate::base::FailureKind::Interrupted, "interrupted"));
            }
            Step::Records(_) if args.live.listen && complete(&live.pipeline.so_far()) => break,
            Step::Records(_) | Step::Line(_) | Step::InputEnd => {}
        }
    }
    let (closed, pipeline) = live.close()?;
    let captures =
        closed.map(|closed| CaptureRef { file: closed.path.display().to_string(), sha256: closed.sha256 });
    Ok((pipeline.finish().0, captures.into_iter().collect()))
}

/// Whether every meter has said something.
fn complete(case: &Case) -> bool {
    case.meters.iter().all(|meter| !latest(&meter.series).is_empty())
}

fn last_at(meter: &MeterCase) -> Option<Stamp> {
    latest(&meter.series).values().map(|sample| sample.at).max()
}

fn document<'a>(case: &Case, meter: &'a MeterCase) -> MeterReading<'a> {
    let remark = |remark: Remark| RemarkRow {
        weight: remark.weight.word(),
        saw: remark.saw,
        expected: remark.expected,
        points: remark.points.iter().map(ToString::to_string).collect(),
    };
    MeterReading {
        meter: &meter.meter.name,
        role: meter.meter.role.word(),
        profile: &meter.profile.name,
        at: last_at(meter),
        values: rows(&meter.profile, &meter.series),
        remarks: remarks(case, meter).into_iter().map(remark).collect(),
    }
}

fn screen(case: &Case, meter: &MeterCase, out: &Out) -> String {
    let unit = meter.meter.unit.unwrap_or(meter.profile.unit);
    let mut text = format!("{} ({}, unit {unit})", meter.meter.name, meter.profile.name);
    let Some(at) = last_at(meter) else { return text + "  no answer\n" };
    let at = at.rfc3339(0).replace('T', " ").replace('Z', " UTC");
    let _ = write!(text, "  {at}\n{}", reading(&meter.profile, &meter.series));
    let remarks = remarks(case, meter);
    if remarks.is_empty() {
        text.push_str("no contradiction found\n");
    }
    for remark in remarks {
        text.push_str(&words(&remark, out));
    }
    text
}
