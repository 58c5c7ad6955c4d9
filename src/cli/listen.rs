//! `wattward listen` hears a line without a byte sent: the port is opened so that it cannot. Who is asked what how often,
//! what comes of it, how fast the units answer.
//!
//! ```console
//! $ wattward listen --serial /dev/ttyUSB0 --baud 9600 --for 60s
//! unit fn  address count      asked   period   answer p50      p99      max  unanswered  exceptions
//!   27  4    55377    37        117   1.35 s      21.5 ms  22.0 ms  23.1 ms           0           0
//! 117 answered, 0 unanswered, 0 damaged, 0 foreign, 0 stray bytes; 9600 baud; units 27
//! ```
//!
//! `--auto` finds speed and parity by itself: it listens with one setting after the other until frames come. Ctrl-C ends
//! it. Exit codes: 0 something was heard, 2 wrong use, 4 no port, or nothing heard, 5 a capture cannot be read.

use std::fmt::Write as _;

use clap::Args;
use serde::Serialize;

use super::args::{SourceArgs, span};
use super::exit::Exit;
use super::live::Step;
use super::live::Watching;
use super::out::Out;
use super::source::{Extra, load, overrides, set_up};
use crate::base::{Failure, Span};
use crate::link::search::{SELDOM, USUAL};
use crate::link::{Latency, Listen, ListenDocument, ListenRange};
use crate::profile::{Door, Parity, SerialSettings};
use crate::record::Record;
use crate::report::{CaptureRef, Tool};
use crate::rim::Session;

/// Options of `listen`.
#[derive(Args, Debug)]
pub(crate) struct ListenArgs {
    #[command(flatten)]
    source: SourceArgs,
    /// Find speed and parity by listening
    #[arg(long, conflicts_with_all = ["baud", "parity", "stop_bits", "from"])]
    auto: bool,
    /// Keep what is heard in this capture
    #[arg(long, value_name = "FILE")]
    capture: Option<std::path::PathBuf>,
    /// Stop after this long [default: when stopped by Ctrl-C]
    #[arg(long = "for", value_name = "TIME", value_parser = span)]
    lasting: Option<Span>,
}

#[derive(Serialize)]
struct Document<'a> {
    tool: Tool,
    #[serde(flatten)]
    heard: &'a ListenDocument,
    captures: &'a [CaptureRef],
}

/// How long each setting is listened to by `--auto`, and the frames that settle it.
const TRY: Span = Span::from_millis(4000);
const FRAMES: usize = 2;
const REDRAW: Span = Span::from_millis(500);

/// Runs the command.
pub(crate) fn run(args: &ListenArgs, out: &Out) -> Result<Exit, Failure> {
    let (document, captures) =
        if args.source.from.is_empty() { live(args, out)? } else { recorded(args, out)? };
    if out.json {
        let document = Document { tool: Tool::default(), heard: &document, captures: &captures };
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        out.print(&screen(&document));
        for capture in captures.iter().filter(|_| args.source.from.is_empty()) {
            out.print(&format!("evidence  {}  sha256 {}", capture.file, capture.sha256));
        }
    }
    if document.ranges.is_empty() && document.stray_bytes == 0 && document.foreign == 0 {
        return Err(Failure::nothing("nothing was heard").hint(
            "is the other master running, and does the adapter hang on the same pair? A and B may be swapped",
        ));
    }
    Ok(Exit::Done)
}

fn recorded(args: &ListenArgs, out: &Out) -> Result<(ListenDocument, Vec<CaptureRef>), Failure> {
    let loaded = load(&args.source.from, &overrides(&args.source, &Extra::default())?)?;
    for note in &loaded.notes {
        out.error(&format!("note: {note}"));
    }
    let mut listen = Listen::new(&loaded.lines);
    for record in &loaded.records {
        listen.push(record);
    }
    listen.finish();
    Ok((listen.document(), loaded.captures))
}

fn live(args: &ListenArgs, out: &Out) -> Result<(ListenDocument, Vec<CaptureRef>), Failure> {
    let (door, mut settings) = door(&args.source)?;
    if args.auto {
        settings = find_settings(&door, out)?;
    }
    out.note("only listening: not a byte is sent");
    let session = Session::listen(&door, settings, args.capture.as_deref())?;
    let mut listen = Listen::new(session.lines());
    let mut live = Watching { session, every: None };
    let end = args.lasting.map(|lasting| live.now() + lasting);
    let mut redraw = live.now();
    loop {
        match live.next(end.map_or(redraw, |end| end.min(redraw)), out)? {
            Step::Records(records) => {
                for record in &records {
                    listen.push(record);
                }
            }
            Step::Interrupt => break,
            Step::Tick | Step::Done | Step::Line(_) | Step::InputEnd => {}
        }
        let now = live.now();
        if now >= redraw {
            redraw = now + REDRAW;
            out.status(&totals(&listen.document()));
        }
        if end.is_some_and(|end| now >= end) {
            break;
        }
    }
    out.clear_status();
    let (records, closed) = live.close()?;
    for record in &records {
        listen.push(record);
    }
    listen.finish();
    let captures =
        closed.map(|closed| CaptureRef { file: closed.path.display().to_string(), sha256: closed.sha256 });
    Ok((listen.document(), captures.into_iter().collect()))
}

/// The line that is named, else that of the site's first meter.
fn door(source: &SourceArgs) -> Result<(Door, SerialSettings), Failure> {
    if source.names_a_line() && source.profile.is_none() {
        let default = SerialSettings::default();
        let parity = match source.parity.as_deref() {
            None => default.parity,
            Some(word) => [Parity::None, Parity::Even, Parity::Odd]
                .into_iter()
                .find(|parity| parity.word() == word)
                .ok_or_else(|| Failure::usage(format!("parity is none, even or odd, not `{word}`")))?,
        };
        let settings = SerialSettings {
            baud: source.baud.unwrap_or(default.baud),
            parity,
            stop_bits: source.stop_bits.unwrap_or(default.stop_bits),
        };
        let door = match (&source.serial, &source.tcp) {
            (Some(port), _) => Door::Serial(port.clone()),
            (_, Some(_)) => return Err(no_bus()),
            _ => Door::SerialOverTcp(source.serial_over_tcp.clone().unwrap_or_default()),
        };
        return Ok((door, settings));
    }
    let set_up = set_up(source, &Extra::default())?;
    let (Some(meter), Some(profile)) = (set_up.site.meters.first(), set_up.profiles.first()) else {
        return Err(Failure::usage("the site has no meter"));
    };
    if let Door::Tcp(_) = meter.line.door {
        return Err(no_bus());
    }
    Ok((meter.line.door.clone(), meter.line.settings(profile.line)))
}

fn no_bus() -> Failure {
    Failure::usage(
        "a Modbus TCP connection carries only what its own client asks: there is nobody to listen to",
    )
    .hint("record the network with a general tool and give the file to --from")
}

/// Listens with one setting after the other until frames come.
fn find_settings(door: &Door, out: &Out) -> Result<SerialSettings, Failure> {
    let Door::Serial(_) = door else { return Ok(SerialSettings::default()) };
    let all: Vec<SerialSettings> = USUAL.into_iter().chain(SELDOM).collect();
    for settings in all {
        let word = format!(
            "{} baud, parity {}, {} stop bits",
            settings.baud,
            settings.parity.word(),
            settings.stop_bits
        );
        out.status(&format!("listening at {word}"));
        let mut live = Watching { session: Session::listen(door, settings, None)?, every: None };
        let end = live.now() + TRY;
        let mut frames = 0;
        while live.now() < end {
            match live.next(end, out)? {
                Step::Interrupt => {
                    return Err(Failure::new(crate::base::FailureKind::Interrupted, "interrupted"));
                }
                Step::Records(records) => {
                    frames += records.iter().filter(|record| matches!(record, Record::Frame(_))).count();
                }
                _ => {}
            }
            if frames >= FRAMES {
                out.clear_status();
                out.note(&format!("frames come at {word}"));
                return Ok(settings);
            }
        }
    }
    out.clear_status();
    Err(Failure::nothing("no frame came at any usual setting")
        .hint("is the other master running? Give --baud and --parity if they are known"))
}

fn totals(document: &ListenDocument) -> String {
    let units: Vec<String> = document.units.iter().map(u8::to_string).collect();
    let mut text = format!(
        "{} answered, {} unanswered, {} damaged, {} foreign, {} stray bytes",
        document.transactions, document.timeouts, document.damaged, document.foreign, document.stray_bytes
    );
    if let Some(baud) = document.baud {
        let _ = write!(text, "; {baud} baud");
    }
    if !units.is_empty() {
        let _ = write!(text, "; units {}", units.join(", "));
    }
    text
}

fn screen(document: &ListenDocument) -> String {
    let mut text = String::new();
    if !document.ranges.is_empty() {
        text.push_str(
            "unit fn address count    asked   period   answer p50       p99       max  unanswered exceptions\n",
        );
    }
    for range in &document.ranges {
        text.push_str(&row(range));
    }
    text.push_str(&totals(document));
    text
}

fn row(range: &ListenRange) -> String {
    let period = range.period_s.map_or_else(|| "-".to_owned(), |seconds| format!("{seconds:.2} s"));
    let latency = |part: fn(&Latency) -> f64| {
        range
            .latency_s
            .as_ref()
            .map_or_else(|| "-".to_owned(), |latency| format!("{:.1} ms", part(latency) * 1e3))
    };
    format!(
        "{:>4} {:>2} {:>7} {:>5} {:>8} {:>8} {:>12} {:>9} {:>9} {:>11} {:>10}\n",
        range.unit,
        range.function,
        range.address,
        range.count,
        range.transactions + range.timeouts,
        period,
        latency(|latency| latency.p50),
        latency(|latency| latency.p99),
        latency(|latency| latency.max),
        range.timeouts,
        range.exceptions
    )
}
