//! `wattward log` records until it is stopped, on a schedule that does not drift.
//!
//! ```console
//! $ wattward log --site site.toml --every 1s --for 2h
//! listening 5.0 s for another master before the first request
//! 14:13:20  1 h 02 min  3721 readings  0 missed  total -412.0 W            (redrawn in place)
//! recorded 2 h 00 min in log-20260921-141320.pcapng
//! 7200 readings of 7200, 0 missed, longest gap 1.0 s; answers in 38 ms (p50), 61 ms (p99), 84 ms (max)
//! ```
//!
//! `--segment 1d` makes a log of weeks a series of captures, `--keep 20GB` bounds the room it takes (docs/review.md); `wattward review --from FOLDER` reads it.
//!
//! Ctrl-C finishes the block and says where the file is. A lost line is waited for, and the same file goes on. Exit codes:
//! 0 recorded (also when stopped by Ctrl-C), 2 a file or option is wrong, 4 nothing was heard, the disk is full, or
//! another master is on the line.

use std::fmt::Write as _;

use clap::Args;
use serde::Serialize;

use super::args::{LiveArgs, SourceArgs, span};
use super::exit::Exit;
use super::live::{Purpose, Step, Watching};
use super::out::Out;
use super::source::{Extra, set_up};
use super::tally::Tally;
use crate::base::{Failure, Span, Stamp};
use crate::report::{CaptureRef, Tool};
use crate::rim::drive::LineStats;
use crate::rim::segments::{Room, SegmentLength, Series, parse_keep};

/// Options of `log`.
#[derive(Args, Debug)]
pub(crate) struct LogArgs {
    #[command(flatten)]
    source: SourceArgs,
    #[command(flatten)]
    live: LiveArgs,
    /// Stop after this long [default: when stopped by Ctrl-C]
    #[arg(long = "for", value_name = "TIME", value_parser = span)]
    lasting: Option<Span>,
    /// A series of captures, each complete on its own and compressed when closed: a new one at UTC multiples of this time, or
    /// at this size (1d, 6h, 500MB); --capture names the series, and starting again goes on with it
    #[arg(long, value_name = "TIME|SIZE", value_parser = SegmentLength::parse)]
    segment: Option<SegmentLength>,
    /// The most room the series may take (20GB, 500MB): the oldest raw segments go first, each only when its readings stand beside
    /// it as Parquet; readings are kept [default: all of it stays]
    #[arg(long, value_name = "SIZE", value_parser = parse_keep, requires = "segment")]
    keep: Option<u64>,
}

/// How often the status line is redrawn.
const REDRAW: Span = Span::from_millis(500);
#[derive(Serialize)]
struct Document<'a> {
    tool: Tool,
    site: &'a str,
    start: Stamp,
    end: Stamp,
    duration_s: f64,
    every_s: Option<f64>,
    meters: Vec<MeterCount<'a>>,
    line: LineCount,
    captures: &'a [CaptureRef],
}

#[derive(Serialize)]
struct MeterCount<'a> {
    meter: &'a str,
    readings: usize,
    partial: usize,
}

#[derive(Serialize)]
struct LineCount {
    slots_missed: u64,
    requests: u64,
    answers: u64,
    timeouts: u64,
    damaged: u64,
    late: u64,
    suspect: u64,
    exceptions: u64,
    lost: u64,
    stray_bytes: u64,
    longest_gap_s: Option<f64>,
    answer_s: Times,
}

#[derive(Serialize)]
struct Times {
    p50: Option<f64>,
    p99: Option<f64>,
    max: Option<f64>,
}

/// Runs the command.
pub(crate) fn run(args: &LogArgs, out: &Out) -> Result<Exit, Failure> {
    if !args.source.from.is_empty() {
        return Err(Failure::usage("a log is recorded from a live line")
            .hint("`wattward read --from` shows a capture"));
    }
    let set_up = set_up(&args.source, &Extra::default())?;
    let site = set_up.site.clone();
    let profiles = set_up.profiles.clone();
    let purpose = Purpose {
        name: "log",
        evidence: true,
        meters: Vec::new(),
        cycles: None,
        settings: true,
        segments: args.segment.map(|length| Series { length, keep: args.keep }),
        keyboard: false,
    };
    let mut live = Watching::begin(set_up, &args.live, purpose, out)?;
    let mut tally = Tally::new(&site, &profiles, live.session.lines());
    let start = live.now();
    let listening = if args.live.listen { Span::ZERO } else { args.live.listen_first };
    let end = args.lasting.map(|lasting| start + listening + lasting);
    let mut redraw = start;
    loop {
        let deadline = end.map_or(redraw, |end| end.min(redraw));
        match live.next(deadline, out)? {
            Step::Records(records) => tally.take(&records),
            Step::Interrupt => break,
            Step::Tick | Step::Done | Step::Line(_) | Step::InputEnd => {}
        }
        let now = live.now();
        if now >= redraw {
            redraw = redraw.max(now - REDRAW) + REDRAW;
            let room = live.session.room().map(room).unwrap_or_default();
            out.status(&format!("{}{room}", status(&tally, now, start, missed(&live.session.stats()))));
        }
        if end.is_some_and(|end| now >= end) {
            break;
        }
    }
    out.clear_status();
    let stats = live.session.stats();
    let ended = live.now();
    let every = live.every;
    let (records, closed) = live.close()?;
    tally.take(&records);
    let Some(closed) = closed else { return Err(Failure::nothing("no capture was kept")) };
    let captures = [CaptureRef { file: closed.path.display().to_string(), sha256: closed.sha256 }];
    tally.finish();
    if out.json {
        let document = document(&tally, &site.name, (start, ended), every, missed(&stats), &captures);
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        out.print(&summary(&tally, ended - start, missed(&stats), &captures[0].file));
    }
    if tally.quality.answers == 0 {
        return Err(Failure::nothing(format!("nothing was read; what was heard is in {}", captures[0].file))
            .hint("`wattward line` says what is wrong with a line"));
    }
    Ok(Exit::Done)
}

fn missed(stats: &[LineStats]) -> u64 {
    stats.iter().map(|line| line.missed).sum()
}

fn status(tally: &Tally, now: Stamp, start: Stamp, missed: u64) -> String {
    let readings: usize = tally.meters.iter().map(|meter| meter.cycles().0).sum();
    let clock = now.rfc3339(0);
    let clock = clock.get(11..19).unwrap_or_default();
    let mut text = format!("{clock} UTC  {}  {readings} readings  {missed} missed", now - start);
    for meter in &tally.meters {
        if let Some(total) = meter.total_w() {
            let _ = write!(text, "  {} {total:.1} W", meter.name);
        }
    }
    text
}

/// What of its budget a series takes, on the status line.
fn room(room: &Room) -> String {
    let gigabytes = |bytes: u64| bytes as f64 / 1e9;
    format!("  {:.2} of {:.2} GB", gigabytes(room.used()), gigabytes(room.most()))
}

fn summary(tally: &Tally, lasted: Span, missed: u64, file: &str) -> String {
    let mut text = format!("recorded {lasted} in {file}\n");
    for meter in &tally.meters {
        let (readings, partial) = meter.cycles();
        let _ = writeln!(text, "{}: {readings} readings, {partial} of them incomplete", meter.name);
    }
    let quality = &tally.quality;
    let exceptions: u64 = quality.exceptions.values().sum();
    let _ = write!(
        text,
        "{missed} slots missed; {} requests, {} unanswered, {} damaged, {exceptions} refused",
        quality.requests, quality.timeouts, quality.damaged
    );
    for (count, what) in [
        (tally.late(), "late answers"),
        (quality.suspect, "answers in doubt, left out"),
        (tally.lost, "times the line was lost"),
    ] {
        if count > 0 {
            let _ = write!(text, ", {count} {what}");
        }
    }
    if let Some(gap) = quality.longest_gap {
        let _ = write!(text, "; longest gap {gap}");
    }
    let quantile = |share| quality.times.quantile(share);
    if let (Some(p50), Some(p99), Some(max)) = (quantile(0.5), quantile(0.99), quantile(1.0)) {
        let _ = write!(text, "\nanswers begin after {p50} (p50), {p99} (p99), {max} (max)");
    }
    text
}

fn document<'a>(
    tally: &'a Tally,
    site: &'a str,
    (start, end): (Stamp, Stamp),
    every: Option<Span>,
    missed: u64,
    captures: &'a [CaptureRef],
) -> Document<'a> {
    let quality = &tally.quality;
    let seconds = |share| quality.times.quantile(share).map(Span::seconds);
    Document {
        tool: Tool::default(),
        site,
        start,
        end,
        duration_s: (end - start).seconds(),
        every_s: every.map(Span::seconds),
        meters: tally
            .meters
            .iter()
            .map(|meter| {
                let (readings, partial) = meter.cycles();
                MeterCount { meter: &meter.name, readings, partial }
            })
            .collect(),
        line: LineCount {
            slots_missed: missed,
            requests: quality.requests,
            answers: quality.answers,
            timeouts: quality.timeouts,
            damaged: quality.damaged,
            late: tally.late(),
            suspect: quality.suspect,
            exceptions: quality.exceptions.values().sum(),
            lost: tally.lost,
            stray_bytes: quality.stray_bytes,
            longest_gap_s: quality.longest_gap.map(Span::seconds),
            answer_s: Times { p50: seconds(0.5), p99: seconds(0.99), max: seconds(1.0) },
        },
        captures,
    }
}
