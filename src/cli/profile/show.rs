//! `profile show`: points as they are on the wire, and the requests that read them.

mod sheet;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::{Value, json};

use super::super::exit::Exit;
use super::super::files::{profile_file, site_files};
use super::super::out::Out;
use super::super::render::{self, wrapped};
use super::super::source::read_text;
use super::super::written::write_new;
use super::{number, tool};
use crate::base::{Failure, Faults, Phase, PointKey, Quantity, Span};
use crate::profile::{
    FileKind, LineCost, Order, Plan, Point, Positive, PowerFactorSign, Profile, Registers, SerialSettings,
    SiteRatio, Source, file_kind, narrow, plan, plan_settings,
};
use crate::report::text::wrapped as filled;

/// What a meter is taken to need before it answers, until a live line has shown it (ours; common meters take 5 to 100 ms).
const TURNAROUND: Span = Span::from_millis(20);

/// One meter as it will be read.
struct Shown {
    title: String,
    profile: Profile,
    settings: SerialSettings,
    unit: u8,
    /// No serial line: times are those of the network, and not known here.
    network: bool,
    lines: &'static [Phase],
}

/// Options of `profile show`.
#[derive(Args, Debug)]
pub(super) struct ShowArgs {
    /// A profile, or a site file for all its meters
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Write a sheet for paper (HTML), with room for what the meter's display shows; it must not exist
    #[arg(long, value_name = "FILE")]
    sheet: Option<PathBuf>,
}

/// Runs the command.
pub(super) fn run(args: &ShowArgs, out: &Out) -> Result<Exit, Failure> {
    let path = args.file.as_path();
    let (shown, warnings) = read(path)?;
    for bag in warnings.iter().filter(|bag| !bag.list.is_empty()) {
        out.note(&format!("{}\n", render::faults(bag, out)));
    }
    if let Some(path) = &args.sheet {
        write_new(path, &sheet::sheet(&shown))?;
        out.note(&format!("{} written: print it from a browser", path.display()));
    }
    if out.json {
        let meters: Vec<Value> = shown.iter().map(as_json).collect();
        let document = json!({ "tool": tool(), "file": path.display().to_string(), "meters": meters });
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        let texts: Vec<String> = shown.iter().map(|shown| as_text(shown, out.width)).collect();
        out.print(&texts.join("\n\n"));
    }
    Ok(Exit::Done)
}

fn read(path: &Path) -> Result<(Vec<Shown>, Vec<Faults>), Failure> {
    if file_kind(&read_text(path)?.text) == FileKind::Profile {
        let (profile, warnings) = profile_file(path)?;
        let shown = Shown {
            title: profile.name.clone(),
            settings: profile.line,
            unit: profile.unit,
            network: false,
            lines: &Phase::LINES,
            profile,
        };
        return Ok((vec![shown], vec![warnings]));
    }
    let files = site_files(path)?;
    let lines = files.site.lines();
    let shown = files.site.meters.iter().zip(files.profiles).map(|(meter, profile)| Shown {
        title: format!("{}: {} at {}", meter.name, profile.name, meter.line.door.name()),
        settings: meter.line.settings(profile.line),
        unit: meter.unit.unwrap_or(profile.unit),
        network: matches!(meter.line.door, crate::profile::Door::Tcp(_)),
        lines,
        profile,
    });
    Ok((shown.collect(), files.warnings))
}

impl Shown {
    fn plans(&self) -> (Plan, Plan) {
        let cycle = plan(&self.profile, self.lines, self.settings, TURNAROUND);
        (cycle, plan_settings(&self.profile, self.settings, TURNAROUND))
    }

    /// How it is read, in words.
    fn facts(&self) -> [String; 3] {
        let line = if self.network { "Modbus TCP".to_owned() } else { self.settings.to_string() };
        let read = self.profile.read;
        let spans = if read.span_unlisted { "" } else { ", none over addresses without a point" };
        let assumed = if self.profile.update_stated { "" } else { " (assumed)" };
        [
            format!("{line}, unit {}", self.unit),
            format!("requests of {} registers at most{spans}", read.max_registers),
            format!("values renewed every {}{assumed}", read.update),
        ]
    }

    fn cost(&self) -> LineCost {
        LineCost { settings: self.settings, turnaround: TURNAROUND, pause: self.profile.read.pause }
    }
}

fn as_text(shown: &Shown, width: usize) -> String {
    let narrowed = narrow(&shown.profile, shown.lines);
    let mut text = format!("{}\n{}\n", shown.title, wrapped(&shown.facts().join("; "), width, 0));
    let rows: Vec<[String; 7]> = narrowed.points.iter().chain(&narrowed.settings).map(row).collect();
    text.push('\n');
    text.push_str(&table(&["point", "table", "address", "", "type", "unit", "sign and more"], &rows, width));
    let (cycle, settings) = shown.plans();
    text.push_str("\n\n");
    text.push_str(&requests(shown, "Requests of one reading", &cycle));
    if !settings.requests.is_empty() {
        text.push_str("\n\n");
        text.push_str(&requests(
            shown,
            "Requests of the settings, at the start and end of a check",
            &settings,
        ));
    }
    text
}

/// One point: name, table, address twice, type, unit, everything else.
fn row(point: &Point) -> [String; 7] {
    let unit = point.unit_word.clone();
    match &point.source {
        Source::Sum(parts) => {
            let parts: Vec<String> = parts.iter().map(ToString::to_string).collect();
            let more = std::iter::once(format!("sum of {}", parts.join(" + "))).chain(words(point));
            let more: Vec<String> = more.collect();
            [
                point.key.to_string(),
                String::new(),
                String::new(),
                String::new(),
                String::new(),
                unit,
                more.join("; "),
            ]
        }
        Source::Registers { at, kind, .. } => [
            point.key.to_string(),
            at.table.word().to_owned(),
            at.address.to_string(),
            format!("0x{:04X}", at.address),
            kind.word().to_owned(),
            unit,
            words(point).join("; "),
        ],
    }
}

/// Everything of a point that is not plain.
fn words(point: &Point) -> Vec<String> {
    let mut words = Vec::new();
    match (point.direction, point.positive) {
        (Some(flag), _) => words.push(format!(
            "export when bit {} of {} is {}",
            flag.bit,
            flag.register.address,
            u8::from(flag.export_when)
        )),
        (None, Some(positive)) => words.extend(sign_words(&point.key, positive)),
        (None, None) => {}
    }
    if point.signed {
        words.push("signed".to_owned());
    }
    if point.scale != 1.0 {
        words.push(format!("x {}", point.scale));
    }
    if point.offset != 0.0 {
        words.push(format!("+ {}", point.offset));
    }
    if let Some(run) = point.exponent_at {
        words.push(format!("x 10^ register {}", run.address));
    }
    if let Some(run) = point.multiply_at {
        words.push(format!("x register {}", run.address));
    }
    for ratio in &point.multiply {
        words.push(format!(
            "x {}",
            match ratio {
                SiteRatio::Ct => "ct_ratio",
                SiteRatio::Vt => "vt_ratio",
            }
        ));
    }
    if let Source::Registers { word_order, byte_order, bits, kind, .. } = &point.source {
        if *word_order == Order::LowFirst && kind.registers() > 1 {
            words.push("low word first".to_owned());
        }
        if *byte_order == Order::LowFirst {
            words.push("low byte first".to_owned());
        }
        words.extend(bits.map(|(low, high)| format!("bits {low} to {high}")));
    }
    if point.power_factor_sign == PowerFactorSign::LagLead {
        words.push("- is lagging".to_owned());
    }
    if !point.missing.is_empty() {
        let raw: Vec<String> = point.missing.iter().map(|raw| format!("0x{raw:X}")).collect();
        words.push(format!("absent: {}", raw.join(", ")));
    }
    words.extend(point.valid.map(|(low, high)| format!("valid {low} to {high}")));
    words.extend(point.rollover.map(|full| format!("starts again at {full}")));
    words.extend(point.floor_w.map(|floor| format!("0 below {floor} W")));
    words.extend(point.update.map(|update| format!("renewed every {update}")));
    words.extend(point.averaging.map(|averaging| format!("mean over {averaging}")));
    words
}

/// What a positive number means, where somebody could take it for the opposite.
fn sign_words(key: &PointKey, positive: Positive) -> Option<String> {
    let words = match (key, positive) {
        (PointKey::Of(Quantity::ActivePower, _), Positive::Import) => "+ is import",
        (PointKey::Of(Quantity::ActivePower, _), Positive::Export) => "+ is export",
        (PointKey::Of(Quantity::ReactivePower, _), Positive::Export) => "sign turned, as of the active power",
        _ => return None,
    };
    Some(words.to_owned())
}

/// A table in columns; the last column goes on in further lines.
fn table(head: &[&str; 7], rows: &[[String; 7]], width: usize) -> String {
    let head: [String; 7] = head.map(str::to_owned);
    let mut widths = [0; 6];
    for row in std::iter::once(&head).chain(rows) {
        for (at, cell) in row[..6].iter().enumerate() {
            widths[at] = widths[at].max(cell.chars().count());
        }
    }
    let mut lines = Vec::new();
    for row in std::iter::once(&head).chain(rows) {
        let mut line = String::new();
        for (at, cell) in row[..6].iter().enumerate() {
            // Addresses to the right, so that their digits stand under each other.
            let room = widths[at];
            let _ = if at == 2 { write!(line, "{cell:>room$}  ") } else { write!(line, "{cell:<room$}  ") };
        }
        // What does not fit beside the rest goes on under itself.
        lines.push(filled(&line, &row[6], width).trim_end().to_owned());
    }
    lines.join("\n")
}

fn requests(shown: &Shown, title: &str, plan: &Plan) -> String {
    let mut lines = vec![format!("{title}: {}", number(plan.requests.len(), "request"))];
    for request in &plan.requests {
        let Registers { table, address, count } = *request;
        let last = u32::from(address) + u32::from(count) - 1;
        let time = if shown.network {
            String::new()
        } else {
            format!("  {:>6.1} ms", shown.cost().of(count).millis())
        };
        lines.push(format!(
            "  function {} ({})  {address:>5} to {last:>5}  0x{address:04X} to 0x{last:04X}  {:>13}{time}",
            table.function(),
            table.word(),
            number(usize::from(count), "register"),
        ));
    }
    lines.push(if shown.network {
        "  how long they take is up to the network and the gateway".to_owned()
    } else {
        let (time, turnaround) = (plan.line_time.millis(), TURNAROUND.millis());
        format!("  together {time:.1} ms on the line, if the meter answers after {turnaround:.0} ms")
    });
    lines.join("\n")
}

fn as_json(shown: &Shown) -> Value {
    let narrowed = narrow(&shown.profile, shown.lines);
    let run =
        |run: Registers| json!({ "table": run.table.word(), "address": run.address, "count": run.count });
    let points: Vec<Value> = narrowed
        .points
        .iter()
        .chain(&narrowed.settings)
        .map(|point| {
            let mut value = json!({
                "point": point.key.to_string(),
                "unit": point.unit_word,
                "scale": point.scale,
                "signed": point.signed,
                "positive": point.positive.map(|positive| match positive {
                    Positive::Import => "import",
                    Positive::Export => "export",
                }),
            });
            match &point.source {
                Source::Sum(parts) => {
                    value["sum"] = parts.iter().map(ToString::to_string).collect::<Vec<_>>().into();
                }
                Source::Registers { at, kind, .. } => {
                    value["registers"] = run(*at);
                    value["type"] = kind.word().into();
                }
            }
            value
        })
        .collect();
    let (cycle, settings) = shown.plans();
    let plan = |plan: &Plan| {
        let requests: Vec<Value> = plan
            .requests
            .iter()
            .map(|request| {
                let mut value = run(*request);
                value["function"] = request.table.function().into();
                value["line_s"] = shown.cost().of(request.count).seconds().into();
                value
            })
            .collect();
        json!({ "requests": requests, "line_s": plan.line_time.seconds() })
    };
    json!({
        "title": shown.title,
        "unit": shown.unit,
        "baud": shown.settings.baud,
        "points": points,
        "reading": plan(&cycle),
        "settings": plan(&settings),
        "assumed_turnaround_s": TURNAROUND.seconds(),
    })
}
