//! `wattward line` says how good a line is: answer times, failures with how sure their rate is, likely causes and what to
//! measure next.
//!
//! ```console
//! $ wattward line --site site.toml --requests 1000
//! caution: this asks as fast as the line carries; do it only where no inverter waits for the same meter
//! listening 5.0 s for another master before the first request
//! 1000 requests in 62.1 s: 998 answered, 2 unanswered, 0 damaged, 0 refused
//! 0.20 % fail; below 0.63 % with 95 % confidence
//! answers begin after 38 ms (p50), 44 ms (p90), 61 ms (p99), 84 ms (max)
//!   32 to 40 ms  ########################################  611
//!   ...
//! one reading of all meters takes 124 ms on this line: 8 a second at most
//! ```
//!
//! Polling as fast as the line carries: do it only where no inverter waits for the same meter. Exit codes: 0 measured,
//! 2 a file or option is wrong, 4 no port, not one answer, or another master on the line, 5 a capture cannot be read.

use std::path::{Path, PathBuf};

use clap::Args;

use super::args::{LiveArgs, SourceArgs, span};
use super::exit::Exit;
use super::live::{Purpose, Step, Watching};
use super::out::Out;
use super::source::{Extra, load, overrides, set_up};
use crate::base::{Failure, Span, Stamp};
use crate::link::{Pairer, Quality, causes};
use crate::pipeline::Overrides;
use crate::record::{LineInfo, Record};
use crate::report::CaptureRef;
use crate::report::text::wrapped;
use crate::rim::ports::latency_ms;

mod show;

use show::{document, screen};

/// Options of `line`.
#[derive(Args, Debug)]
pub(crate) struct LineArgs {
    #[command(flatten)]
    source: SourceArgs,
    #[command(flatten)]
    live: LiveArgs,
    /// Stop after so many requests [default: 200, where no time is given]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..))]
    requests: Option<u64>,
    /// Stop after this long
    #[arg(long = "for", value_name = "TIME", value_parser = span)]
    lasting: Option<Span>,
}

const REQUESTS: u64 = 200;
const REDRAW: Span = Span::from_millis(250);

/// What was measured.
struct Measured {
    /// What the adapters' latency timers stand at, in ms, where their drivers have one.
    latency: Vec<(String, i64)>,
    quality: Quality,
    /// Readings of all meters, and how long they took together, where they followed each other without rest.
    cycles: Option<(u64, Span)>,
    captures: Vec<CaptureRef>,
}

/// Runs the command.
pub(crate) fn run(args: &LineArgs, out: &Out) -> Result<Exit, Failure> {
    let measured = if args.source.from.is_empty() { live(args, out)? } else { recorded(args)? };
    let causes = causes(&measured.quality);
    if out.json {
        let document = document(&measured, &causes);
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        out.print(&screen(&measured, &causes, out.width));
    }
    let quality = &measured.quality;
    if quality.answers == 0 && quality.exceptions.is_empty() {
        return Err(Failure::nothing("not one answer came"));
    }
    Ok(Exit::Done)
}

/// What a capture shows of its line, in a sentence or two.
///
/// # Errors
/// It cannot be read.
pub(crate) fn in_short(capture: &Path) -> Result<Vec<String>, Failure> {
    let measured = measured(&[capture.to_owned()], &Overrides::default())?;
    Ok(show::summary(&measured.quality))
}

fn recorded(args: &LineArgs) -> Result<Measured, Failure> {
    measured(&args.source.from, &overrides(&args.source, &Extra::default())?)
}

fn measured(captures: &[PathBuf], overrides: &Overrides) -> Result<Measured, Failure> {
    let loaded = load(captures, overrides)?;
    let mut quality = Quality::new(&loaded.lines);
    let mut pairer = Pairer::new(&loaded.lines);
    take(&mut quality, &mut pairer, &loaded.records);
    finish(&mut quality, pairer);
    Ok(Measured { latency: Vec::new(), quality, cycles: None, captures: loaded.captures })
}

fn live(args: &LineArgs, out: &Out) -> Result<Measured, Failure> {
    let set_up = set_up(&args.source, &Extra::default())?;
    let purpose = Purpose {
        name: "line",
        evidence: false,
        meters: Vec::new(),
        cycles: None,
        settings: false,
        segments: None,
        keyboard: false,
    };
    let mut live_args = args.live.clone();
    // As fast as the line carries, unless told otherwise: a span of nothing.
    live_args.every = Some(args.live.every.unwrap_or(Span::ZERO));
    if !args.live.listen {
        let caution =
            "this asks as fast as the line carries; do it only where no inverter waits for the same meter";
        out.error(wrapped("caution: ", caution, out.width).trim_end());
    }
    let mut live = Watching::begin(set_up, &live_args, purpose, out)?;
    let lines: Vec<LineInfo> = live.session.lines().to_vec();
    let (mut quality, mut pairer) = (Quality::new(&lines), Pairer::new(&lines));
    let requests = args.requests.or(args.lasting.is_none().then_some(REQUESTS));
    let start = live.now() + if args.live.listen { Span::ZERO } else { args.live.listen_first };
    let end = args.lasting.map(|lasting| start + lasting);
    let mut redraw = live.now();
    loop {
        let deadline = end.map_or(redraw, |end| end.min(redraw));
        match live.next(deadline, out)? {
            Step::Records(records) => take(&mut quality, &mut pairer, &records),
            Step::Interrupt => break,
            Step::Tick | Step::Done | Step::Line(_) | Step::InputEnd => {}
        }
        let now = live.now();
        if now >= redraw {
            redraw = now + REDRAW;
            out.status(&status(&quality, requests, end, now));
        }
        if end.is_some_and(|end| now >= end) || requests.is_some_and(|requests| quality.requests >= requests)
        {
            break;
        }
    }
    out.clear_status();
    let cycles: u64 = live.session.stats().iter().map(|line| line.cycles).max().unwrap_or(0);
    let lasted = live.now() - start;
    let (records, closed) = live.close()?;
    take(&mut quality, &mut pairer, &records);
    finish(&mut quality, pairer);
    let captures =
        closed.map(|closed| CaptureRef { file: closed.path.display().to_string(), sha256: closed.sha256 });
    let restless = live_args.every == Some(Span::ZERO) && !args.live.listen;
    let cycles = (restless && cycles > 1 && quality.answers > 0).then_some((cycles, lasted));
    let timer = |line: &LineInfo| Some((line.name.clone(), latency_ms(&line.name)?));
    let latency = lines.iter().filter_map(timer).collect();
    Ok(Measured { latency, quality, cycles, captures: captures.into_iter().collect() })
}

fn take(quality: &mut Quality, pairer: &mut Pairer, records: &[Record]) {
    let mut settled = Vec::new();
    for record in records {
        quality.record(record);
        pairer.push(record, &mut settled);
    }
    quality.pairing(pairer);
    for transaction in &settled {
        quality.transaction(transaction);
    }
}

fn finish(quality: &mut Quality, mut pairer: Pairer) {
    let mut settled = Vec::new();
    pairer.finish(&mut settled);
    for transaction in &settled {
        quality.transaction(transaction);
    }
}

fn status(quality: &Quality, requests: Option<u64>, end: Option<Stamp>, now: Stamp) -> String {
    let of = match (requests, end) {
        (Some(requests), _) => format!(" of {requests}"),
        (None, Some(end)) => format!(", {} to go", end - now),
        (None, None) => String::new(),
    };
    format!("{} requests{of}, {} failed", quality.requests, quality.failure().count)
}
