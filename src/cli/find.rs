//! `wattward find` looks for meters on a line whose settings nobody knows. It listens first, tries the usual settings and
//! addresses first, and counts any answer, an exception too, as a unit.
//!
//! ```console
//! $ wattward find --serial /dev/ttyUSB0
//! caution: asking can blind an inverter that steers by a meter on this line; best with the inverter's own polling off
//! listening 5.0 s for another master before the first request
//! at most 2 min 03 s for 247 addresses at 4 settings, then 17 min 04 s more for slow units if none is found
//! unit 1 at 9600 8N1: answers after 38 ms; identifies itself as Example, X1
//!
//! [[meter]]
//! name = "unit-1"
//! profile = "profiles/…"   # the register list of this meter
//! line = { serial = "/dev/ttyUSB0", baud = 9600, parity = "none", stop_bits = 1 }
//! unit = 1
//! ```
//!
//! Ctrl-C ends it with what was found. Exit codes: 0 a unit was found, 2 wrong use, 4 no port, no unit, or another master.

use std::collections::{BTreeMap, BTreeSet};

use clap::Args;

use super::args::span;
use super::exit::Exit;
use super::out::Out;
use crate::base::{Failure, Span, Stamp};
use crate::link::search::{
    SECOND_PASS, SELDOM, Search, Stage, USUAL, all_units, identification, is_marker, questions_about,
};
use crate::link::{MasterPlan, Outcome, Pairer, Quality, TimeoutBounds, Transaction, causes};
use crate::profile::{Door, DriverDirection, Parity, SerialSettings};
use crate::record::{Direction, LineInfo, Medium, Record, Role};
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
    let mut list = BTreeSet::new();
    for part in text.split(',') {
        let (from, to) = part.split_once('-').unwrap_or((part, part));
        let number = |text: &str| text.trim().parse::<u8>().ok().filter(|unit| (1..=247).contains(unit));
        let (Some(from), Some(to)) = (number(from), number(to)) else { return Err(wrong()) };
        list.extend(from..=to);
    }
    if list.is_empty() { Err(wrong()) } else { Ok(Units(list.into_iter().collect())) }
}

/// A unit that was found.
#[derive(Clone, Debug)]
struct Unit {
    settings: SerialSettings,
    latency: Option<Span>,
    /// Its own words, by object.
    identity: Vec<(u8, String)>,
    /// Where the marker of the open register model stands.
    marker: Option<u16>,
    exception: Option<u8>,
}

/// The search as it goes on.
struct Progress {
    units: BTreeMap<u8, Unit>,
    /// Units that answered with something that is no frame, and how often.
    garbled: BTreeMap<u8, u32>,
    echo: bool,
    quality: Option<Quality>,
}

/// Runs the command.
pub(crate) fn run(args: &FindArgs, out: &Out) -> Result<Exit, Failure> {
    let door = door(args);
    let searching = Searching::new(door.clone())?;
    let medium = searching.medium();
    let search = Search {
        settings: settings(args, &door),
        units: args.units.as_ref().map_or_else(all_units, |units| units.0.clone()),
        slow_pass: true,
    };
    let stages = search.stages();
    introduce(args, &door, &stages, out);
    let mut progress =
        Progress { units: BTreeMap::new(), garbled: BTreeMap::new(), echo: false, quality: None };
    let mut listen_first = if medium == Medium::Serial { args.listen_first } else { Span::ZERO };
    let mut ended = StageEnd::Done;
    for (number, stage) in stages.iter().enumerate() {
        let found_at = progress.units.values().next().map(|unit| unit.settings);
        // Units on one line share its settings, and a line that answered needs no slow pass unless asked for.
        if found_at.is_some_and(|settings| settings != stage.settings)
            || (found_at.is_some() && stage.timeout >= SECOND_PASS && !args.slow)
        {
            continue;
        }
        let left = stages[number..].iter().filter(|other| other.timeout == stage.timeout);
        let left = left.fold(Span::ZERO, |sum, stage| sum + stage.longest(LATENCY));
        let until = searching.now() + left + listen_first;
        ended = one_stage(&searching, args, stage, listen_first, until, &mut progress, out)?;
        listen_first = Span::ZERO;
        if ended != StageEnd::Done {
            break;
        }
    }
    out.clear_status();
    conclude(args, &door, &ended, &progress, out)
}

/// What an adapter may hold back, in reckoning the time to go. Common practice: 16 ms.
const LATENCY: Span = Span::from_millis(16);

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
    let seldom = SELDOM.iter().filter(|_| args.all_settings || args.baud.is_some() || args.parity.is_some());
    let wanted = |settings: &&SerialSettings| {
        args.baud.is_none_or(|baud| baud == settings.baud)
            && args.parity.is_none_or(|parity| parity == settings.parity)
    };
    let mut list: Vec<SerialSettings> = USUAL.iter().chain(seldom).filter(wanted).copied().collect();
    if let (true, Some(baud)) = (list.is_empty(), args.baud) {
        let parities =
            args.parity.map_or(vec![Parity::None, Parity::Even, Parity::Odd], |parity| vec![parity]);
        list = parities.into_iter().map(|parity| SerialSettings { baud, parity, stop_bits: 1 }).collect();
    }
    list
}

fn introduce(args: &FindArgs, door: &Door, stages: &[Stage], out: &Out) {
    out.error(
        "caution: asking can blind an inverter that steers by a meter on this line; best with the inverter's own polling off",
    );
    if !matches!(door, Door::Tcp(_)) {
        out.note(&format!("listening {} for another master before the first request", args.listen_first));
    }
    let time = |slow: bool| {
        let stages = stages.iter().filter(|stage| (stage.timeout >= SECOND_PASS) == slow);
        stages.fold(Span::ZERO, |sum, stage| sum + stage.longest(LATENCY))
    };
    let settings: BTreeSet<u32> = stages.iter().map(|stage| key(stage.settings)).collect();
    let units: BTreeSet<u8> = stages.iter().flat_map(|stage| stage.units.clone()).collect();
    out.note(&format!(
        "at most {} for {} addresses at {} settings, then {} more for slow units if none is found",
        time(false),
        units.len(),
        settings.len(),
        time(true)
    ));
}

fn key(settings: SerialSettings) -> u32 {
    settings.baud * 16 + settings.parity as u32 * 4 + u32::from(settings.stop_bits)
}

fn one_stage(
    searching: &Searching,
    args: &FindArgs,
    stage: &Stage,
    listen_first: Span,
    until: Stamp,
    progress: &mut Progress,
    out: &Out,
) -> Result<StageEnd, Failure> {
    let found: BTreeSet<u8> = progress.units.keys().copied().collect();
    let plan = stage.plan(searching.medium(), &found, listen_first, args.share_line);
    let before = progress.units.len();
    let end = ask(searching, stage.settings, plan, progress, |progress| {
        let left = (until - searching.now()).max(Span::ZERO);
        out.status(&format!("{}: {} found, {left} to go", stage.settings, progress.units.len()));
    })?;
    if progress.units.len() > before && end == StageEnd::Done {
        let fresh: Vec<u8> = progress.units.keys().filter(|unit| !found.contains(unit)).copied().collect();
        let mut plan =
            stage.plan(searching.medium(), &all_units().into_iter().collect(), Span::ZERO, args.share_line);
        plan.once = fresh.into_iter().flat_map(questions_about).collect();
        plan.bounds = TimeoutBounds::default();
        return ask(searching, stage.settings, plan, progress, |_| {});
    }
    Ok(end)
}

/// One way through, with what is learned from it.
fn ask(
    searching: &Searching,
    settings: SerialSettings,
    plan: MasterPlan,
    progress: &mut Progress,
    mut tick: impl FnMut(&Progress),
) -> Result<StageEnd, Failure> {
    let options = SerialOptions { settings, direction: DriverDirection::Adapter, listen_only: false };
    let mut pairer = None;
    let mut asked = None;
    let end = searching.stage(options, plan, |info, records| {
        let pairer = pairer.get_or_insert_with(|| Pairer::new(std::slice::from_ref(info)));
        progress.take(info, records, pairer, settings, &mut asked);
        tick(progress);
    })?;
    let mut settled = Vec::new();
    if let Some(pairer) = &mut pairer {
        pairer.finish(&mut settled);
    }
    for transaction in &mut settled {
        // The stage has waited for it.
        if transaction.outcome == Outcome::Open {
            transaction.outcome = Outcome::Silence;
        }
    }
    progress.settle(&settled);
    Ok(end)
}

impl Progress {
    fn take(
        &mut self,
        info: &LineInfo,
        records: &[Record],
        pairer: &mut Pairer,
        settings: SerialSettings,
        asked: &mut Option<u8>,
    ) {
        let quality = self.quality.get_or_insert_with(|| Quality::new(std::slice::from_ref(info)));
        let mut settled = Vec::new();
        for record in records {
            quality.record(record);
            pairer.push(record, &mut settled);
            match record {
                Record::Frame(frame) if frame.direction == Direction::Out => *asked = Some(frame.unit()),
                // A late answer names its unit too.
                Record::Frame(frame)
                    if frame.role == Role::Response && matches!(frame.pdu()[0] & 0x7f, 3 | 4) =>
                {
                    let exception = (frame.pdu()[0] >= 0x80).then(|| frame.pdu().get(1).copied()).flatten();
                    self.units.entry(frame.unit()).or_insert(Unit {
                        settings,
                        latency: None,
                        identity: Vec::new(),
                        marker: None,
                        exception,
                    });
                }
                Record::Stray(stray) if stray.direction == Direction::In => {
                    if stray.why == crate::record::StrayWhy::Echo {
                        self.echo = true;
                    } else if let Some(unit) = asked {
                        *self.garbled.entry(*unit).or_default() += 1;
                    }
                }
                _ => {}
            }
        }
        self.settle(&settled);
    }

    fn settle(&mut self, settled: &[Transaction]) {
        for transaction in settled {
            if let Some(quality) = &mut self.quality {
                quality.transaction(transaction);
            }
            let Some(unit) = self.units.get_mut(&transaction.asked.unit) else { continue };
            unit.latency = unit.latency.or(transaction.latency);
            if let Outcome::Answer { pdu, .. } = &transaction.outcome {
                if transaction.asked.function == 43 {
                    unit.identity = identification(pdu);
                } else if transaction.registers().is_some_and(|registers| is_marker(&registers)) {
                    unit.marker = unit.marker.or(Some(transaction.asked.address));
                }
            }
        }
    }
}

fn conclude(
    args: &FindArgs,
    door: &Door,
    ended: &StageEnd,
    progress: &Progress,
    out: &Out,
) -> Result<Exit, Failure> {
    let causes = if progress.units.is_empty() {
        progress.quality.as_ref().map(causes).unwrap_or_default()
    } else {
        Vec::new()
    };
    if out.json {
        let document = document(door, progress, &causes);
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        out.print(&screen(door, progress, &causes, out.width));
    }
    if let StageEnd::Refused(heard) = ended {
        return Err(Failure::nothing(format!("{} is in use: {heard}", door.name())).hint(
            "`wattward listen` shows who asks whom on this line without sending a byte; \
             `--share-line` searches all the same",
        ));
    }
    if !progress.units.is_empty() {
        return Ok(Exit::Done);
    }
    let mut failure = Failure::nothing(format!("no unit found on {}", door.name()));
    if !args.all_settings && args.baud.is_none() && matches!(door, Door::Serial(_)) {
        failure = failure.hint("`--all-settings` also tries what is seen more seldom");
    }
    Err(failure)
}
