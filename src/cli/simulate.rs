//! `wattward simulate` puts a simulated site behind real doors: its meters answer on pseudo-terminals, on Modbus TCP or as
//! a gateway does, with the CT faults, loads and plants of a scenario file. What is typed switches things.
//!
//! ```text
//! $ wattward simulate barn-scenario.toml
//! Cider barn, simulated (seed 1). Not a real meter.
//!   connection, unit 1: serial /tmp/wattward-barn (/dev/pts/7)
//! In another terminal:
//!   wattward watch --site site.toml
//!   wattward ct --site site.toml
//! Type `kettle on`, `help`, or nothing for how it stands; Ctrl-C ends it.
//! kettle on
//! L1 2114 W  L2 121 W  L3 118 W  total 2353 W; kettle on
//! ```
//!
//! The file is a scenario (`docs/simulate.md`), or a site file, which is then simulated just as it says. Exit codes: 0 when
//! ended, 2 for a file that is wrong, 4 when no door could be opened.

use std::path::{Path, PathBuf};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

use clap::Args;

use super::exit::Exit;
use super::files::site_files;
use super::out::Out;
use super::render;
use super::source::read_text;
use crate::base::{Failure, Faults, Span};
use crate::profile::{Door, Profile, Site};
use crate::rim::clock::Clock;
use crate::rim::drive::Event;
use crate::rim::person::{Interrupts, listen};
use crate::rim::serve::{Serving, Stage};
use crate::sim::command::FORMS;
use crate::sim::scenario::{is_scenario, parse_scenario, site_of};
use crate::sim::{Command, Scenario};

/// Options of `simulate`.
#[derive(Args, Debug)]
pub(crate) struct SimulateArgs {
    /// A scenario file, or a site file that is simulated as it stands
    #[arg(value_name = "SCENARIO.toml")]
    file: PathBuf,
    /// Serve the first line on a pseudo-terminal, with a link to it here
    #[arg(long, value_name = "LINK", conflicts_with_all = ["tcp", "serial_over_tcp"])]
    pty: Option<PathBuf>,
    /// Serve the first line as Modbus TCP on this address
    #[arg(long, value_name = "ADDRESS:PORT", conflicts_with = "serial_over_tcp")]
    tcp: Option<String>,
    /// Serve the first line as a gateway that passes serial frames on over TCP
    #[arg(long, value_name = "ADDRESS:PORT")]
    serial_over_tcp: Option<String>,
    /// Let chance begin here, in place of the scenario's seed
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// End after this long [default: when told to]
    #[arg(long = "for", value_name = "TIME", value_parser = super::args::span)]
    lasting: Option<Span>,
}

/// Runs the command.
pub(crate) fn run(args: &SimulateArgs, out: &Out) -> Result<Exit, Failure> {
    let (mut scenario, site_file) = load(&args.file, out)?;
    scenario.seed = args.seed.unwrap_or(scenario.seed);
    let clock = Clock::start();
    let (events_in, events) = channel();
    let _interrupts = Interrupts::listen(events_in.clone())
        .map_err(|error| Failure::nothing(format!("no signals can be heard: {error}")))?;
    let stage = Stage::start(&scenario, clock);
    let doors = serve(&stage, args)?;
    if out.json {
        out.print(&listing(&scenario, &doors));
    } else {
        out.print(&greeting(&scenario, &doors, &site_file));
    }
    listen(events_in);
    let end = args.lasting.map(|lasting| clock.now() + lasting);
    loop {
        let left = end.map_or(Span::from_millis(1000), |end| end - clock.now());
        if left <= Span::ZERO {
            return Ok(Exit::Done);
        }
        let wait = Duration::from_nanos(left.nanos().min(1_000_000_000) as u64);
        match events.recv_timeout(wait) {
            Ok(Event::Line(line)) => match typed(&line, &stage, &scenario) {
                Typed::Say(text) => out.note(&text),
                Typed::End => return Ok(Exit::Done),
            },
            Ok(Event::Interrupt) | Err(RecvTimeoutError::Disconnected) => return Ok(Exit::Done),
            Ok(_) | Err(RecvTimeoutError::Timeout) => {}
        }
        if let Some(dead) = doors.iter().find(|door| !door.runs()) {
            return Err(Failure::nothing(format!("{} is served no longer", dead.door.name())));
        }
    }
}

enum Typed {
    Say(String),
    End,
}

fn typed(line: &str, stage: &Stage, scenario: &Scenario) -> Typed {
    match line.trim() {
        "quit" | "exit" => Typed::End,
        "help" => {
            let rows = FORMS.iter().map(|(form, what)| format!("  {form:<38} {what}"));
            let more = ["  (nothing)                              how things stand", "  quit"];
            Typed::Say(rows.chain(more.map(str::to_owned)).collect::<Vec<_>>().join("\n"))
        }
        "" | "status" => Typed::Say(state(stage)),
        text => match Command::parse(text, scenario) {
            Ok(command) => {
                stage.command(&command);
                // one step on, so that what is said already shows it
                std::thread::sleep(Duration::from_millis(30));
                Typed::Say(state(stage))
            }
            Err(message) => Typed::Say(message),
        },
    }
}

/// What is true now, in one line.
fn state(stage: &Stage) -> String {
    stage.with(|world| {
        let truth = world.truth();
        let scenario = world.scenario();
        let lines = scenario.site.lines().iter().zip(truth.active_w);
        let mut parts: Vec<String> = lines.map(|(phase, watts)| format!("{phase} {watts:.0} W")).collect();
        parts.push(format!("total {:.0} W", truth.total_w()));
        let plants = scenario.plants.iter().zip(&truth.plants_w);
        parts.extend(plants.map(|(plant, watts)| format!("{} delivers {watts:.0} W", plant.name)));
        let loads = scenario.loads.iter().enumerate().filter(|(index, _)| world.is_on(*index));
        parts.extend(loads.map(|(_, load)| format!("{} on", load.name)));
        parts.join("; ")
    })
}

fn serve(stage: &Stage, args: &SimulateArgs) -> Result<Vec<Serving>, Failure> {
    if let Some(link) = &args.pty {
        return Ok(vec![stage.serve_pty(0, Some(link))?]);
    }
    if let Some(address) = &args.tcp {
        return Ok(vec![stage.serve_net(0, address, false)?]);
    }
    if let Some(address) = &args.serial_over_tcp {
        return Ok(vec![stage.serve_net(0, address, true)?]);
    }
    stage.serve_all()
}

/// The meters of the line that is served at this place.
fn meters_at(scenario: &Scenario, number: usize) -> Vec<usize> {
    let mut doors: Vec<&Door> = Vec::new();
    for meter in &scenario.site.meters {
        if !doors.contains(&&meter.line.door) {
            doors.push(&meter.line.door);
        }
    }
    let here = |meter: &crate::profile::Meter| doors.get(number) == Some(&&meter.line.door);
    (0..scenario.site.meters.len()).filter(|index| here(&scenario.site.meters[*index])).collect()
}

const fn kind(door: &Door) -> (&'static str, &'static str) {
    match door {
        Door::Serial(_) => ("serial", "--serial"),
        Door::Tcp(_) => ("tcp", "--tcp"),
        Door::SerialOverTcp(_) => ("serial over tcp", "--serial-over-tcp"),
    }
}

fn unit_of(scenario: &Scenario, meter: usize) -> u8 {
    scenario.site.meters[meter].unit.unwrap_or(scenario.profiles[meter].unit)
}

fn greeting(scenario: &Scenario, doors: &[Serving], site_file: &Path) -> String {
    let mut rows = vec![format!("{}, simulated (seed {}). Not a real meter.", scenario.name, scenario.seed)];
    let mut as_written = true;
    for (number, serving) in doors.iter().enumerate() {
        let name = serving.door.name();
        let target =
            std::fs::read_link(name).map(|path| format!(" ({})", path.display())).unwrap_or_default();
        for meter in meters_at(scenario, number) {
            let written = &scenario.site.meters[meter];
            as_written &= written.line.door == serving.door;
            let unit = unit_of(scenario, meter);
            rows.push(format!("  {}, unit {unit}: {} {name}{target}", written.name, kind(&serving.door).0));
        }
    }
    rows.push("In another terminal:".to_owned());
    let commands = ["watch", "ct", "limit"].into_iter();
    let commands = commands.filter(|command| *command != "limit" || scenario.site.limit.is_some());
    if as_written {
        rows.extend(commands.map(|command| format!("  wattward {command} --site {}", site_file.display())));
    } else if let Some(serving) = doors.first() {
        let folder = site_file.parent().unwrap_or(Path::new("."));
        let profile = folder.join(&scenario.site.meters[0].profile);
        let (option, unit) = (kind(&serving.door).1, unit_of(scenario, 0));
        let (profile, name) = (profile.display(), serving.door.name());
        rows.push(format!("  wattward watch --profile {profile} {option} {name} --unit {unit}"));
    }
    let example = scenario.loads.first().map_or_else(String::new, |load| format!("`{} on`, ", load.name));
    rows.push(format!("Type {example}`help`, or nothing for how it stands; Ctrl-C ends it."));
    rows.join("\n")
}

fn listing(scenario: &Scenario, doors: &[Serving]) -> String {
    let rows = doors.iter().enumerate().flat_map(|(number, serving)| {
        meters_at(scenario, number).into_iter().map(|meter| {
            serde_json::json!({
                "meter": scenario.site.meters[meter].name,
                "unit": unit_of(scenario, meter),
                "door": kind(&serving.door).0,
                "address": serving.door.name(),
            })
        })
    });
    let document = serde_json::json!({
        "tool": super::profile::tool(),
        "simulated": scenario.name,
        "seed": scenario.seed,
        "meters": rows.collect::<Vec<_>>(),
    });
    serde_json::to_string_pretty(&document).unwrap_or_default()
}

/// Reads a scenario with its site and profiles, or a site file with its profiles; gives the site file's path too.
pub(crate) fn load(file: &Path, out: &Out) -> Result<(Scenario, PathBuf), Failure> {
    let text = read_text(file)?.text;
    if !is_scenario(&text) {
        let (site, profiles) = load_site(file, out)?;
        return Ok((Scenario::of(site, profiles), file.to_path_buf()));
    }
    let shown = file.display().to_string();
    let named = site_of(&text).ok_or_else(|| {
        let mut faults = Faults::new(&*shown, &*text);
        let at = text.find("[scenario]").unwrap_or(0);
        let heading = at..at + "[scenario]".len().min(text.len() - at);
        faults.error(
            heading,
            "this scenario names no site file",
            "add `site = \"site.toml\"` under [scenario]",
        );
        Failure::faulty_files(vec![faults])
    })?;
    let site_file = file.parent().unwrap_or(Path::new("")).join(named);
    let (site, profiles) = load_site(&site_file, out)?;
    let (scenario, warnings) = parse_scenario(&shown, &text, site, profiles)
        .map_err(|faults| Failure::faulty_files(vec![faults]))?;
    warn(&warnings, out);
    Ok((scenario, site_file))
}

fn load_site(file: &Path, out: &Out) -> Result<(Site, Vec<Profile>), Failure> {
    let files = site_files(file)?;
    files.warnings.iter().for_each(|warnings| warn(warnings, out));
    Ok((files.site, files.profiles))
}

fn warn(warnings: &Faults, out: &Out) {
    if !warnings.list.is_empty() {
        out.note(&render::faults(warnings, out));
    }
}
