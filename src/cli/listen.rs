//! `wattward listen` hears a line without a byte sent: the port is opened so that it cannot. Who is asked what how often,
//! what comes of it, how fast the units answer; with a profile or a site file also the values that were heard.
//!
//! ```console
//! $ wattward listen --serial /dev/ttyUSB0 --baud 9600 --for 60s
//! only listening: not a byte is sent
//! unit fn address count   asked    every  p50 ms  p99 ms  max ms  silent refused
//!   27  4   55377    37     117   1.35 s    21.5    22.0    23.1       0       0
//! 117 answered, 0 unanswered, 0 damaged, 0 foreign, 0 stray bytes; 9600 baud; units 27
//! ```
//!
//! Times are from the end of the question to the first byte of the answer. `--auto` finds speed and parity by itself: it
//! listens with one setting after the other until frames come. All serial lines of a site file are heard at once. Ranges
//! that no profile names are listed with the registers last heard, so that a profile can be begun. Ctrl-C ends it.
//! Exit codes: 0 something was heard, 2 wrong use, 4 no port, or nothing heard, 5 a capture cannot be read.

use clap::Args;

use super::args::{SourceArgs, span};
use super::exit::Exit;
use super::judge::replay_loaded;
use super::live::{Step, Watching, passive};
use super::out::Out;
use super::source::{Extra, SetUp, load, overrides, set_up};
use super::tally::Tally;
use crate::base::{Failure, FailureKind, Span};
use crate::link::search::{SELDOM, USUAL};
use crate::link::{Auto, Ear, Listen, ListenDocument};
use crate::profile::{Door, Parity, SerialSettings};
use crate::record::{MarkKind, Record};
use crate::report::CaptureRef;
use crate::rim::{Session, SessionPlan, Talk};

mod show;

use show::{Heard, MeterHeard, document, screen, totals};

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

const REDRAW: Span = Span::from_millis(500);

/// Runs the command.
pub(crate) fn run(args: &ListenArgs, out: &Out) -> Result<Exit, Failure> {
    let heard = if args.source.from.is_empty() { live(args, out)? } else { recorded(args, out)? };
    if out.json {
        out.print(&serde_json::to_string_pretty(&document(&heard)).unwrap_or_default());
    } else {
        out.print(&screen(&heard, out.width));
        for capture in heard.captures.iter().filter(|_| args.source.from.is_empty()) {
            out.print(&crate::cli::render::evidence(&capture.file, &capture.sha256, out));
        }
    }
    let line = &heard.line;
    if line.ranges.is_empty() && line.stray_bytes == 0 && line.foreign == 0 {
        return Err(Failure::nothing("nothing was heard").hint(NOTHING));
    }
    Ok(Exit::Done)
}

const NOTHING: &str =
    "is the other master running, and does the adapter hang on the same pair? A and B may be swapped";

fn recorded(args: &ListenArgs, out: &Out) -> Result<Heard, Failure> {
    let overrides = overrides(&args.source, &Extra::default())?;
    let loaded = load(&args.source.from, &overrides)?;
    let mut listen = Listen::new(&loaded.lines);
    for record in &loaded.records {
        listen.push(record);
    }
    listen.finish();
    let line = listen.document();
    let is_site = |record: &Record| matches!(record, Record::Mark(mark) if mark.kind == MarkKind::Site);
    let given = args.source.profile.is_some() || args.source.site.is_some();
    if !given && !loaded.records.iter().any(is_site) {
        for note in &loaded.notes {
            out.error(&format!("note: {note}"));
        }
        return Ok(Heard { line, meters: Vec::new(), captures: loaded.captures });
    }
    let (captures, replayed) = replay_loaded(loaded, &overrides, out)?;
    let meters = replayed.case.meters.into_iter();
    let meters = meters.map(|meter| MeterHeard::new(&meter.meter, meter.profile, meter.series)).collect();
    Ok(Heard { line, meters, captures }.named())
}

fn live(args: &ListenArgs, out: &Out) -> Result<Heard, Failure> {
    if args.source.names_a_line() && args.source.profile.is_none() {
        let (door, mut settings) = bare_line(&args.source)?;
        if args.auto {
            settings = find_settings(&door, out)?;
        }
        out.note("only listening: not a byte is sent");
        let session = Session::listen(&door, settings, args.capture.as_deref())?;
        let (line, captures) = hear(session, None, args, out)?;
        return Ok(Heard { line, meters: Vec::new(), captures });
    }
    let mut set_up = set_up(&args.source, &Extra::default())?;
    let meters = passive(&set_up.site, (0..set_up.site.meters.len()).collect(), out)?;
    for faults in &set_up.warnings {
        out.note(&super::render::faults(faults, out));
    }
    if args.auto {
        tune(&mut set_up, &meters, out)?;
    }
    out.note("only listening: not a byte is sent");
    let SetUp { site, profiles, .. } = set_up;
    let plan = SessionPlan {
        site,
        profiles,
        meters,
        talk: Talk::Listen,
        capture: args.capture.clone().unwrap_or_default(),
        keyboard: false,
    };
    let session = if args.capture.is_some() { Session::start(&plan)? } else { Session::start_unkept(&plan)? };
    let mut tally = Tally::new(&plan.site, &plan.profiles, session.lines());
    let (line, captures) = hear(session, Some(&mut tally), args, out)?;
    let meters = plan.site.meters.iter().zip(plan.profiles).zip(tally.meters);
    let meters =
        meters.map(|((meter, profile), way)| MeterHeard::new(meter, profile, way.series().clone())).collect();
    Ok(Heard { line, meters, captures }.named())
}

/// Hears a session out.
fn hear(
    session: Session,
    mut tally: Option<&mut Tally>,
    args: &ListenArgs,
    out: &Out,
) -> Result<(ListenDocument, Vec<CaptureRef>), Failure> {
    let mut listen = Listen::new(session.lines());
    let mut take = |listen: &mut Listen, records: &[Record]| {
        for record in records {
            let settled = listen.push(record);
            if let Some(tally) = &mut tally {
                tally.settle(&settled);
            }
        }
    };
    let mut live = Watching { session, every: None };
    let end = args.lasting.map(|lasting| live.now() + lasting);
    let mut redraw = live.now();
    loop {
        match live.next(end.map_or(redraw, |end| end.min(redraw)), out)? {
            Step::Records(records) => take(&mut listen, &records),
            Step::Interrupt => break,
            Step::Tick | Step::Done | Step::Line(_) | Step::InputEnd => {}
        }
        let now = live.now();
        if now >= redraw {
            redraw = now + REDRAW;
            if out.live {
                out.status(&totals(&listen.document()));
            }
        }
        if end.is_some_and(|end| now >= end) {
            break;
        }
    }
    out.clear_status();
    let (records, closed) = live.close()?;
    take(&mut listen, &records);
    let settled = listen.finish();
    if let Some(tally) = tally {
        tally.settle(&settled);
        tally.finish();
    }
    let captures =
        closed.map(|closed| CaptureRef { file: closed.path.display().to_string(), sha256: closed.sha256 });
    Ok((listen.document(), captures.into_iter().collect()))
}

/// The line that is named, of which no profile is known.
fn bare_line(source: &SourceArgs) -> Result<(Door, SerialSettings), Failure> {
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
        (_, Some(_)) => return Err(super::live::no_bus()),
        _ => Door::SerialOverTcp(source.serial_over_tcp.clone().unwrap_or_default()),
    };
    Ok((door, settings))
}

/// Finds the settings of every line of a site, and keeps them for its meters.
fn tune(set_up: &mut SetUp, meters: &[usize], out: &Out) -> Result<(), Failure> {
    let mut found: Vec<(Door, SerialSettings)> = Vec::new();
    for meter in meters.iter().filter_map(|&index| set_up.site.meters.get(index)) {
        let door = &meter.line.door;
        if !found.iter().any(|(known, _)| known == door) {
            found.push((door.clone(), find_settings(door, out)?));
        }
    }
    for meter in &mut set_up.site.meters {
        if let Some((_, settings)) = found.iter().find(|(door, _)| *door == meter.line.door) {
            meter.line.baud = Some(settings.baud);
            meter.line.parity = Some(settings.parity);
            meter.line.stop_bits = Some(settings.stop_bits);
        }
    }
    Ok(())
}

/// Listens with one setting after the other until frames come.
fn find_settings(door: &Door, out: &Out) -> Result<SerialSettings, Failure> {
    let Door::Serial(_) = door else { return Ok(SerialSettings::default()) };
    let mut auto = Auto::new(USUAL.into_iter().chain(SELDOM).collect());
    loop {
        let word = auto.settings().to_string();
        out.status(&format!("{}: listening at {word}", door.name()));
        let session = Session::listen(door, auto.settings(), None)?;
        let tells_errors = session.lines().iter().all(|line| line.tells_errors);
        let mut live = Watching { session, every: None };
        auto.begin(live.now());
        while auto.decide(live.now()) == Ear::Stay {
            let soon = live.now() + Span::from_millis(100);
            match live.next(soon, out)? {
                Step::Interrupt => return Err(Failure::new(FailureKind::Interrupted, "interrupted")),
                Step::Records(records) => {
                    for record in &records {
                        auto.take(record);
                    }
                }
                _ => {}
            }
        }
        let now = live.now();
        for record in &live.close()?.0 {
            auto.take(record);
        }
        let ear = auto.after(now);
        out.clear_status();
        match ear {
            Ear::Found(settings) => {
                let doubt = "; this driver does not tell bad bytes, so the parity may be another";
                let doubt = if tells_errors { "" } else { doubt };
                out.note(&format!("{}: frames come at {word}{doubt}", door.name()));
                return Ok(settings);
            }
            Ear::Silent => {
                return Err(
                    Failure::nothing(format!("not a byte was heard on {}", door.name())).hint(NOTHING)
                );
            }
            Ear::NoFrame => {
                return Err(Failure::nothing(format!(
                    "bytes were heard on {}, and no frame at any usual setting",
                    door.name()
                ))
                .hint("give --baud and --parity if they are known; A and B may be swapped"));
            }
            Ear::Stay | Ear::Over | Ear::Next => {}
        }
    }
}
