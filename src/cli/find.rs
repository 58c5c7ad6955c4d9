//! `wattward find` looks for meters on a line whose settings nobody knows. It listens first, tries the usual settings and
//! addresses first, and counts any answer, an exception too, as a unit.
//!
//! ```console
//! $ wattward find --serial /dev/ttyUSB0
//! caution: asking can blind an inverter that steers by a meter on this line; best with the inverter's own polling off
//! listening 5.0 s for another master before the first request
//! at most 2 min 04 s for 247 addresses at 4 settings, then 16 min 53 s more for slow units if none is found
//! unit 1 answers at 9600 8N1, 151 ms after the listening
//! unit 1 at 9600 8N1: answers after 38 ms; identifies itself as Example, X1
//!   open register model at 40000
//!   40002  model     1,  66 registers  Common
//!   40070  model   203, 105 registers  wye-connect three phase (abcn) meter
//!
//! [[meter]]
//! name = "unit-1"
//! profile = "profiles/…"   # the register list of this meter
//! line = { serial = "/dev/ttyUSB0", baud = 9600, parity = "none", stop_bits = 1 }
//! unit = 1
//! ```
//!
//! What comes back tells two units on one address, an echo, another parity, swapped wires and a dead line apart, each with what
//! was seen and what to do next. A frame of another master ends the search, and so do bytes that come whoever is asked.
//! `--capture` keeps everything as evidence. Ctrl-C ends it with what was found. Exit codes: 0 a unit was found, 2 wrong use,
//! 4 no port, no unit, or another master.

use std::path::PathBuf;

use clap::Args;

use super::args::span;
use super::exit::Exit;
use super::out::Out;
use crate::base::{Failure, Span};
use crate::link::search::{Findings, Hunt, SELDOM, Terms, USUAL, all_units};
use crate::profile::{Door, DriverDirection, Parity, SerialSettings};
use crate::record::Medium;
use crate::report::CaptureRef;
use crate::report::text::wrapped;
use crate::rim::search::{Searching, StageEnd};
use crate::rim::serial::SerialOptions;

mod show;

use show::{document, screen};

/// Options of `find`.
#[derive(Args, Debug)]
#[command(group(clap::ArgGroup::new("line").required(true)))]
pub(crate) struct FindArgs {
    /// Search on this serial port
    #[arg(long, value_name = "PORT", group = "line")]
    serial: Option<String>,
    /// Search behind this Modbus TCP server (port 502 when left out)
    #[arg(long, value_name = "HOST[:PORT]", group = "line")]
    tcp: Option<String>,
    /// Search behind this gateway that passes serial frames on over TCP
    #[arg(long, value_name = "HOST:PORT", group = "line")]
    serial_over_tcp: Option<String>,
    /// Only at this speed
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(300..=4_000_000))]
    baud: Option<u32>,
    /// Only with this parity
    #[arg(long, value_name = "none|even|odd", value_parser = parity)]
    parity: Option<Parity>,
    /// Only with so many stop bits
    #[arg(long, value_name = "1|2", value_parser = clap::value_parser!(u8).range(1..=2))]
    stop_bits: Option<u8>,
    /// Only these unit addresses: 1-20,33
    #[arg(long, value_name = "LIST", value_parser = units)]
    units: Option<Units>,
    /// Also the settings that are seen more seldom
    #[arg(long)]
    all_settings: bool,
    /// Wait for slow units too, though others were found
    #[arg(long)]
    slow: bool,
    /// How long to listen for another master before the first request
    #[arg(long, value_name = "TIME", default_value = "5s", value_parser = span)]
    listen_first: Span,
    /// Search although another master is on the line; this can blind it
    #[arg(long)]
    share_line: bool,
    /// Keep what is said and heard in this capture
    #[arg(long, value_name = "FILE")]
    capture: Option<PathBuf>,
}

/// A list of unit addresses.
#[derive(Clone, Debug)]
struct Units(Vec<u8>);

fn parity(text: &str) -> Result<Parity, String> {
    let all = [Parity::None, Parity::Even, Parity::Odd];
    all.into_iter().find(|parity| parity.word() == text).ok_or_else(|| "write none, even or odd".to_owned())
}

fn units(text: &str) -> Result<Units, String> {
    let wrong = || format!("`{text}` is no list of unit addresses: write 1-20,33 with addresses 1 to 247");
    let mut list = std::collections::BTreeSet::new();
    for part in text.split(',') {
        let (from, to) = part.split_once('-').unwrap_or((part, part));
        let number = |text: &str| text.trim().parse::<u8>().ok().filter(|unit| (1..=247).contains(unit));
        let (Some(from), Some(to)) = (number(from), number(to)) else { return Err(wrong()) };
        list.extend(from..=to);
    }
    if list.is_empty() { Err(wrong()) } else { Ok(Units(list.into_iter().collect())) }
}

/// Runs the command.
pub(crate) fn run(args: &FindArgs, out: &Out) -> Result<Exit, Failure> {
    let door = door(args);
    let searching = Searching::new(door.clone())?;
    let terms = Terms {
        settings: settings(args, &door),
        units: args.units.as_ref().map_or_else(all_units, |units| units.0.clone()),
        medium: searching.medium(),
        slow: args.slow,
        listen_first: if searching.medium() == Medium::Serial { args.listen_first } else { Span::ZERO },
        share_line: args.share_line,
    };
    if let Some(path) = &args.capture {
        searching.keep(path, terms.settings.clone())?;
    }
    let mut hunt = Hunt::new(terms.clone());
    introduce(&terms, &hunt, out);
    let ended = search(&searching, &mut hunt, &terms, out);
    out.clear_status();
    // What was kept is closed and named whatever came.
    let closed = searching.close();
    let ended = ended?;
    let captures: Vec<CaptureRef> = closed?.iter().map(reference).collect();
    conclude(args, &door, &ended, hunt.findings(), &captures, out)
}

fn reference(closed: &crate::rim::ClosedCapture) -> CaptureRef {
    CaptureRef { file: closed.path.display().to_string(), sha256: closed.sha256.clone() }
}

/// Turn by turn until everybody was asked, another master is heard, or Ctrl-C.
fn search(searching: &Searching, hunt: &mut Hunt, terms: &Terms, out: &Out) -> Result<StageEnd, Failure> {
    let begun = searching.now();
    while let Some(turn) = hunt.next_turn() {
        let settings = turn.settings;
        let options = SerialOptions { settings, direction: DriverDirection::Adapter, listen_only: false };
        let listening = searching.now() + turn.plan.listen_first;
        let mut open = false;
        let end = searching.stage(options, turn.plan, |info, records| {
            if !std::mem::replace(&mut open, true) {
                hunt.begin(info);
            }
            hunt.take(records);
            for unit in hunt.news() {
                let took = searching.now() - begun - terms.listen_first;
                out.note(&format!("unit {unit} answers at {settings}, {took} after the listening"));
            }
            let left = hunt.left();
            let slow = if left.0 > Span::ZERO { "" } else { ", slow units" };
            let words = match listening - searching.now() {
                listen if listen > Span::ZERO => format!("listening, {listen} to go"),
                _ => format!(
                    "{settings}{slow}: {} found, at most {} to go",
                    hunt.findings().units.len(),
                    if slow.is_empty() { left.0 } else { left.1 }
                ),
            };
            out.status(&words);
            !hunt.is_over()
        })?;
        hunt.end();
        if end != StageEnd::Done {
            return Ok(end);
        }
    }
    Ok(if hunt.is_over() { StageEnd::Stopped } else { StageEnd::Done })
}

fn door(args: &FindArgs) -> Door {
    match (&args.serial, &args.tcp, &args.serial_over_tcp) {
        (Some(port), ..) => Door::Serial(port.clone()),
        (_, Some(host), _) if host.contains(':') => Door::Tcp(host.clone()),
        (_, Some(host), _) => Door::Tcp(format!("{host}:502")),
        (.., host) => Door::SerialOverTcp(host.clone().unwrap_or_default()),
    }
}

fn settings(args: &FindArgs, door: &Door) -> Vec<SerialSettings> {
    let Door::Serial(_) = door else { return vec![SerialSettings::default()] };
    let seldom = SELDOM.iter().filter(|_| narrowed(args) || args.all_settings);
    let wanted = |settings: &&SerialSettings| {
        args.baud.is_none_or(|baud| baud == settings.baud)
            && args.stop_bits.is_none_or(|stop_bits| stop_bits == settings.stop_bits)
            && args.parity.is_none_or(|parity| parity == settings.parity)
    };
    let mut list: Vec<SerialSettings> = USUAL.iter().chain(seldom).filter(wanted).copied().collect();
    if list.is_empty() {
        // What was asked for is not among the lists: it is tried as it stands.
        let default = SerialSettings::default();
        let (baud, stop_bits) = (args.baud.unwrap_or(default.baud), args.stop_bits.unwrap_or(1));
        let parities =
            args.parity.map_or(vec![Parity::None, Parity::Even, Parity::Odd], |parity| vec![parity]);
        list = parities.into_iter().map(|parity| SerialSettings { baud, parity, stop_bits }).collect();
    }
    list
}

fn narrowed(args: &FindArgs) -> bool {
    args.baud.is_some() || args.parity.is_some() || args.stop_bits.is_some()
}

fn introduce(terms: &Terms, hunt: &Hunt, out: &Out) {
    let caution = "asking can blind an inverter that steers by a meter on this line; best with the inverter's own polling off";
    out.error(wrapped("caution: ", caution, out.width).trim_end());
    if terms.listen_first > Span::ZERO {
        out.note(&format!("listening {} for another master before the first request", terms.listen_first));
    }
    let (first, slow) = hunt.left();
    let words = format!(
        "at most {first} for {} at {}, then {slow} more for slow units if none is found",
        counted(terms.units.len(), "address", "addresses"),
        counted(terms.settings.len(), "setting", "settings"),
    );
    out.note(wrapped("", &words, out.width).trim_end());
}

fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

fn conclude(
    args: &FindArgs,
    door: &Door,
    ended: &StageEnd,
    findings: &Findings,
    captures: &[CaptureRef],
    out: &Out,
) -> Result<Exit, Failure> {
    // A line that another master uses is no line to judge by what it did not answer.
    let refused = matches!(ended, StageEnd::Refused(_));
    let clues = if refused { Vec::new() } else { findings.clues() };
    if out.json {
        let document = document(door, findings, &clues, captures);
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        let text = screen(door, findings, &clues, out.width);
        if !text.is_empty() {
            out.print(&text);
        }
        for capture in captures {
            out.print(&crate::cli::render::evidence(&capture.file, &capture.sha256, out));
        }
    }
    if let StageEnd::Refused(heard) = ended {
        return Err(Failure::nothing(format!("{} is in use: {heard}", door.name())).hint(
            "`wattward listen` (`--auto` where the speed is not known) shows who asks whom on this line without sending a \
             byte; `--share-line` searches all the same",
        ));
    }
    if *ended == StageEnd::Stopped {
        return Err(Failure::nothing(format!(
            "{} is in use, or nothing but noise comes: the search was stopped",
            door.name()
        ))
        .hint("`--share-line` searches all the same"));
    }
    if !findings.units.is_empty() {
        return Ok(Exit::Done);
    }
    let mut failure = Failure::nothing(format!("no unit found on {}", door.name()));
    if *ended == StageEnd::Interrupted {
        failure = failure.hint("the search was not at its end");
    } else if !args.all_settings && !narrowed(args) && matches!(door, Door::Serial(_)) {
        failure = failure.hint("`--all-settings` also tries what is seen more seldom");
    }
    Err(failure)
}
