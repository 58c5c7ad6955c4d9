//! `wattward line` says how good a line is: answer times, failures with how sure their rate is, likely causes and what to
//! measure next.
//!
//! ```console
//! $ wattward line --site site.toml --requests 1000
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

use std::fmt::Write as _;

use clap::Args;
use serde::Serialize;

use super::args::{LiveArgs, SourceArgs, span};
use super::exit::Exit;
use super::live::{Purpose, Step, Watching};
use super::out::Out;
use super::source::{Extra, load, overrides, set_up};
use crate::base::{Failure, Span, Stamp};
use crate::link::{Cause, Pairer, Quality, causes};
use crate::record::{LineInfo, Record};
use crate::report::text::wrapped;
use crate::report::{CaptureRef, Tool};
use crate::rim::ports::latency_ms;

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
/// Columns of the longest bar, and rows of the histogram at most.
const BAR: usize = 40;
const BARS: u32 = 16;

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

fn recorded(args: &LineArgs) -> Result<Measured, Failure> {
    let loaded = load(&args.source.from, &overrides(&args.source, &Extra::default())?)?;
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
        keyboard: false,
    };
    let mut live_args = args.live.clone();
    // As fast as the line carries, unless told otherwise: a span of nothing.
    live_args.every = Some(args.live.every.unwrap_or(Span::ZERO));
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

/// Bars of the answer times: from, to, how many.
fn bars(quality: &Quality) -> Vec<(Span, Span, u64)> {
    quality.times.bars(BARS)
}

fn screen(measured: &Measured, causes: &[Cause], width: usize) -> String {
    let quality = &measured.quality;
    let exceptions: u64 = quality.exceptions.values().sum();
    let mut text = format!(
        "{} requests in {}: {} answered, {} unanswered, {} damaged, {exceptions} refused\n",
        quality.requests,
        quality.lasted(),
        quality.answers,
        quality.timeouts,
        quality.damaged
    );
    let failure = quality.failure();
    let _ = writeln!(
        text,
        "{:.2} % fail; below {:.2} % with 95 % confidence",
        failure.share() * 100.0,
        failure.upper_95() * 100.0
    );
    let quantile = |share| quality.times.quantile(share);
    if let (Some(p50), Some(p90), Some(p99), Some(max)) =
        (quantile(0.5), quantile(0.9), quantile(0.99), quantile(1.0))
    {
        let _ = writeln!(
            text,
            "answers begin after {} (p50), {} (p90), {} (p99), {} (max)",
            ms(p50),
            ms(p90),
            ms(p99),
            ms(max)
        );
    }
    histogram(&mut text, &bars(quality));
    let heard = [
        (quality.stray_bytes, "stray bytes"),
        (quality.parity, "with bad parity"),
        (quality.framing, "with bad framing"),
        (quality.breaks, "breaks"),
        (quality.overflows, "lost by the driver"),
        (quality.suspect, "suspect answers"),
    ];
    let heard: Vec<String> =
        heard.iter().filter(|(count, _)| *count > 0).map(|(count, what)| format!("{count} {what}")).collect();
    if !heard.is_empty() {
        let _ = writeln!(text, "{}", heard.join(", "));
    }
    if !quality.tells_errors {
        text.push_str(
            "this driver does not tell bytes with bad parity or framing: none seen does not mean none\n",
        );
    }
    for (line, ms) in measured.latency.iter().filter(|(_, ms)| *ms > 1) {
        let lead = format!("{line}: ");
        let words = format!(
            "the adapter holds bytes back up to {ms} ms; every answer time above contains it. `wattward ports` says how \
             to lower it"
        );
        text.push_str(&wrapped(&lead, &words, width));
    }
    if let Some((cycles, lasted)) = measured.cycles {
        let each = Span::from_nanos(lasted.nanos() / cycles as i64);
        let _ = writeln!(
            text,
            "one reading of all meters takes {} on this line: {:.1} a second at most",
            ms(each),
            1.0 / each.seconds().max(1e-6)
        );
    }
    for (number, cause) in causes.iter().enumerate() {
        let title = if number == 0 { "\nlikely causes, most likely first\n" } else { "" };
        text.push_str(title);
        text.push_str(&wrapped(&format!("  {}. ", number + 1), cause.what, width));
        text.push_str(&wrapped("     seen: ", &cause.evidence, width));
        text.push_str(&wrapped("     next: ", cause.next, width));
    }
    if !causes.is_empty() {
        text.push_str(&wrapped(
            "",
            "Work on live terminals is for those licensed to do it; measure resistance only with everything off.",
            width,
        ));
    }
    text
}

fn histogram(text: &mut String, bars: &[(Span, Span, u64)]) {
    let Some(most) = bars.iter().map(|(.., count)| *count).max().filter(|most| *most > 0) else { return };
    for (from, to, count) in bars {
        let length = (*count as usize * BAR).div_ceil(most as usize);
        let label = format!("{} to {}", ms(*from), ms(*to));
        let _ = writeln!(text, "  {label:>22}  {:<BAR$}  {count}", "#".repeat(length));
    }
}

/// Milliseconds with as many digits as they need.
fn ms(span: Span) -> String {
    let ms = span.millis();
    if ms < 10.0 { format!("{ms:.2} ms") } else { format!("{ms:.0} ms") }
}

#[derive(Serialize)]
struct Document<'a> {
    tool: Tool,
    requests: u64,
    answers: u64,
    timeouts: u64,
    damaged: u64,
    exceptions: Vec<ExceptionCount>,
    suspect: u64,
    failure: FailureRate,
    answer_s: Times,
    histogram: Vec<Bar>,
    stray_bytes: u64,
    echo_bytes: u64,
    parity_errors: Option<u64>,
    framing_errors: Option<u64>,
    breaks: Option<u64>,
    overflows: u64,
    foreign_requests: u64,
    duration_s: f64,
    reading_s: Option<f64>,
    longest_gap_s: Option<f64>,
    adapter_latency_s: Option<f64>,
    causes: Vec<CauseRow<'a>>,
    captures: &'a [CaptureRef],
}

#[derive(Serialize)]
struct ExceptionCount {
    code: u8,
    name: &'static str,
    count: u64,
}

#[derive(Serialize)]
struct FailureRate {
    share: f64,
    lower_95: f64,
    upper_95: f64,
}

#[derive(Serialize)]
struct Times {
    p50: Option<f64>,
    p90: Option<f64>,
    p99: Option<f64>,
    max: Option<f64>,
}

#[derive(Serialize)]
struct Bar {
    from_s: f64,
    to_s: f64,
    count: u64,
}

#[derive(Serialize)]
struct CauseRow<'a> {
    cause: &'a str,
    evidence: &'a str,
    next: &'a str,
}

fn document<'a>(measured: &'a Measured, causes: &'a [Cause]) -> Document<'a> {
    let quality = &measured.quality;
    let failure = quality.failure();
    let seconds = |share| quality.times.quantile(share).map(Span::seconds);
    let told = |count: u64| quality.tells_errors.then_some(count);
    let exception = |(code, count): (&u8, &u64)| ExceptionCount {
        code: *code,
        name: crate::wire::exception_name(*code),
        count: *count,
    };
    let bar =
        |(from, to, count): (Span, Span, u64)| Bar { from_s: from.seconds(), to_s: to.seconds(), count };
    let row = |cause: &'a Cause| CauseRow { cause: cause.what, evidence: &cause.evidence, next: cause.next };
    Document {
        tool: Tool::default(),
        requests: quality.requests,
        answers: quality.answers,
        timeouts: quality.timeouts,
        damaged: quality.damaged,
        exceptions: quality.exceptions.iter().map(exception).collect(),
        suspect: quality.suspect,
        failure: FailureRate {
            share: failure.share(),
            lower_95: failure.lower_95(),
            upper_95: failure.upper_95(),
        },
        answer_s: Times { p50: seconds(0.5), p90: seconds(0.9), p99: seconds(0.99), max: seconds(1.0) },
        histogram: bars(quality).into_iter().map(bar).collect(),
        stray_bytes: quality.stray_bytes,
        echo_bytes: quality.echo_bytes,
        parity_errors: told(quality.parity),
        framing_errors: told(quality.framing),
        breaks: told(quality.breaks),
        overflows: quality.overflows,
        foreign_requests: quality.foreign_requests,
        duration_s: quality.lasted().seconds(),
        reading_s: measured.cycles.map(|(cycles, lasted)| lasted.seconds() / cycles as f64),
        longest_gap_s: quality.longest_gap.map(Span::seconds),
        adapter_latency_s: measured.latency.first().map(|(_, ms)| *ms as f64 / 1000.0),
        causes: causes.iter().map(row).collect(),
        captures: &measured.captures,
    }
}
