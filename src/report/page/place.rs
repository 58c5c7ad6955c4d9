//! What the verdicts rest on: instruments with their uncertainty, settings as found and as left, what people noted, the
//! captures and how to run them again.

use super::block::Block;
use super::doc::{Doc, Times};
use super::sheet::{Evidence, Report, Sheet};
use crate::base::{PointKey, Zone};
use crate::evidence::MeterCase;
use crate::profile::{Door, Meter};
use crate::record::{Mark, MarkKind};
use crate::report::grid::Table;

/// Events shown in full; the rest are counted.
const EVENTS: usize = 40;

/// `connection, steering, serial number 1234` of the meter a check judged.
pub(super) fn meter_in_short(sheet: &Sheet) -> String {
    let name = sheet.doc().text("meter");
    let Some(meter) = sheet.evidence.as_ref().and_then(|evidence| evidence.case.meter(name)) else {
        return name.to_owned();
    };
    let serial =
        meter.meter.serial.as_ref().map_or_else(String::new, |serial| format!(", serial number {serial}"));
    format!("{name}, {}{serial}", role(&meter.meter))
}

fn role(meter: &Meter) -> &'static str {
    match meter.role.word() {
        "reference" => "reference meter (independent of the plant)",
        "steering" => "steering meter (the plant's control follows it)",
        "generation" => "generation meter",
        _ => "load meter",
    }
}

/// Site, instruments, settings.
pub(super) fn place(page: &mut Vec<Block>, report: &Report, zone: &Zone) {
    // The latest check has the fullest site file: it grows during a visit.
    let Some(evidence) = report.sheets.iter().rev().find_map(|sheet| sheet.evidence.as_ref()) else {
        page.push(Block::Heading(2, "Site and instruments".into()));
        page.push(Block::Text("No capture was at hand to tell of the site and its meters.".into()));
        return;
    };
    page.push(Block::Heading(2, "Site and instruments".into()));
    page.push(Block::Facts(site(evidence)));
    for meter in &evidence.case.meters {
        page.push(Block::Heading(3, format!("Meter \"{}\"", meter.meter.name)));
        page.push(Block::Facts(instrument(meter)));
    }
    settings(page, report, zone);
}

fn site(evidence: &Evidence) -> Vec<(String, String)> {
    let site = &evidence.case.site;
    let phases = match site.phases {
        1 => "one phase",
        2 => "split phase",
        _ => "three phases",
    };
    let assumed = |stated: bool| if stated { "" } else { " (assumed)" };
    let mut facts = vec![
        ("Site".to_owned(), site.name.clone()),
        (
            "Supply".to_owned(),
            format!(
                "{phases}{}, {}, {} V{}",
                assumed(site.stated.phases),
                format!("{:?}", site.network).to_lowercase(),
                site.nominal_v,
                assumed(site.stated.nominal)
            ),
        ),
    ];
    for plant in &site.plants {
        let phases: Vec<&str> = plant.phases.iter().map(|phase| phase.word()).collect();
        let on = if phases.is_empty() { String::new() } else { format!(" on {}", phases.join(", ")) };
        let storage = if plant.storage { ", with storage" } else { ", no storage" };
        facts.push((format!("Plant \"{}\"", plant.name), format!("{} W{on}{storage}", plant.rated_w)));
    }
    if site.plants.is_empty() {
        facts.push(("Plants".to_owned(), "none in the site file".to_owned()));
    }
    for load in &site.loads {
        let on =
            load.phase.map_or_else(|| "an unknown phase".to_owned(), |placement| placement.word().to_owned());
        let kind = if load.resistive {
            "resistive".to_owned()
        } else {
            format!("power factor {} {}", load.power_factor, if load.leading { "leading" } else { "lagging" })
        };
        facts.push((
            format!("Known load \"{}\"", load.name),
            format!("{} W within {:.0} % on {on}, {kind}", load.power_w, 100.0 * load.tolerance),
        ));
    }
    facts
}

fn instrument(meter: &MeterCase) -> Vec<(String, String)> {
    let (stated, profile) = (&meter.meter, &meter.profile);
    let or = |value: Option<String>, otherwise: &str| value.unwrap_or_else(|| otherwise.to_owned());
    let mut facts = vec![
        ("Role".to_owned(), role(stated).to_owned()),
        ("Serial number".to_owned(), or(stated.serial.clone(), "not stated")),
        ("Last calibrated".to_owned(), or(stated.calibrated.clone(), "not stated")),
        (
            "Accuracy class".to_owned(),
            or(stated.class.map(|class| class.word().to_owned()), "not stated; class 2 is assumed"),
        ),
        (
            "Class of its CTs".to_owned(),
            or(
                stated.ct_class.map(|class| format!("{} (IEC 61869-2)", class.word())),
                "not stated; taken as part of the meter's class",
            ),
        ),
    ];
    if let Some(primary) = stated.ct_primary_a {
        facts.push(("Rated primary current".to_owned(), format!("{primary} A")));
    }
    if let Some(ratio) = stated.ct_ratio {
        facts.push(("CT ratio in the site file".to_owned(), format!("{ratio}")));
    }
    facts.push(("Read by profile".to_owned(), profile.name.clone()));
    facts.push(("Line".to_owned(), line(meter)));
    facts
}

fn line(meter: &MeterCase) -> String {
    let unit = meter.meter.unit.unwrap_or(meter.profile.unit);
    let settings = meter.meter.line.settings(meter.profile.line);
    let serial = format!(
        "{} baud, parity {}, stop bits {}",
        settings.baud,
        settings.parity.word(),
        settings.stop_bits
    );
    match &meter.meter.line.door {
        Door::Serial(port) => format!("{port}, {serial}, unit {unit}"),
        Door::Tcp(host) => format!("Modbus TCP {host}, unit {unit}"),
        Door::SerialOverTcp(host) => format!("serial frames over TCP {host}, unit {unit}"),
    }
}

/// The meters' own settings at the first and the last reading of each check.
fn settings(page: &mut Vec<Block>, report: &Report, zone: &Zone) {
    let times = Times { zone: zone.clone(), usual: None };
    let mut table = Table::new(
        "Settings of the meters, as found at the start and as left at the end of each check.",
        &["check", "meter", "setting", ">as found", ">as left", "read at"],
    );
    for (index, sheet) in report.sheets.iter().enumerate() {
        for meter in sheet.evidence.iter().flat_map(|evidence| &evidence.case.meters) {
            for (key, series) in &meter.series.points {
                let PointKey::Setting(name) = key else { continue };
                let (Some(first), Some(last)) = (series.samples.first(), series.samples.last()) else {
                    continue;
                };
                table.row([
                    format!("{}", index + 1),
                    meter.meter.name.clone(),
                    name.clone(),
                    format!("{}", first.value),
                    if last.at == first.at { "not read again".to_owned() } else { format!("{}", last.value) },
                    times.span(Some(first.at), Some(last.at)),
                ]);
            }
        }
    }
    page.push(Block::Heading(3, "Settings as found and as left".into()));
    if table.rows.is_empty() {
        let words = "Not known: the profile names no setting that could be read. Write down by hand what was set where.";
        page.push(Block::Text(words.into()));
    } else {
        page.push(Block::Table(table));
    }
}

/// What people and the tool noted during a check; the loads stand among the steps and challenges.
pub(super) fn events(page: &mut Vec<Block>, sheet: &Sheet, times: &Times) {
    let Some(evidence) = &sheet.evidence else { return };
    let marks: Vec<&Mark> = evidence.case.marks.iter().filter(|mark| told(mark.kind)).collect();
    if marks.is_empty() {
        return;
    }
    let rest = marks.len().saturating_sub(EVENTS);
    let more = if rest > 0 { format!(" {rest} more are in the capture.") } else { String::new() };
    let mut table = Table::new(&format!("Noted during the check.{more}"), &[&times.title(), "what", "note"]);
    for mark in marks.into_iter().take(EVENTS) {
        let parts = [&mark.meter, &mark.plant, &mark.load, &mark.phase, &mark.quantity, &mark.value];
        let parts: Vec<&str> = parts.into_iter().flatten().map(String::as_str).collect();
        let note = if parts.iter().all(|part| mark.message.contains(part)) {
            mark.message.clone()
        } else {
            format!("{}: {}", parts.join(" "), mark.message)
        };
        table.row([times.clock(Some(mark.at)), mark.kind.word().replace('-', " "), note]);
    }
    page.push(Block::Table(table));
}

const fn told(kind: MarkKind) -> bool {
    matches!(
        kind,
        MarkKind::Seen
            | MarkKind::Note
            | MarkKind::PlantOff
            | MarkKind::PlantOn
            | MarkKind::StorageIdle
            | MarkKind::SignalOff
            | MarkKind::SignalOn
            | MarkKind::LineLost
            | MarkKind::LineBack
    )
}

/// The captures with their hashes, and how to run them again.
pub(super) fn evidence(page: &mut Vec<Block>, report: &Report) {
    page.push(Block::Heading(2, "Captures and how to check this report".into()));
    page.push(Block::Text(
        "A capture holds every byte of the line with its time, what people switched, and the site file. From it anybody can \
         compute the verdict again, without the site. Its SHA-256 shows that it is the same file."
            .into(),
    ));
    let mut table = Table::new("Captures.", &["check", "file", "SHA-256"]);
    let mut words: Vec<String> = Vec::new();
    let mut files: Vec<String> = Vec::new();
    for (index, sheet) in report.sheets.iter().enumerate() {
        let doc = sheet.doc();
        for capture in doc.list("captures") {
            table.row([
                format!("{}", index + 1),
                capture.text("file").to_owned(),
                capture.text("sha256").to_owned(),
            ]);
            if !files.iter().any(|file| file == capture.text("file")) {
                files.push(capture.text("file").to_owned());
            }
        }
        if let Some(evidence) = &sheet.evidence {
            words.push(replayed(index, doc, evidence));
        }
    }
    page.push(Block::Table(table));
    if !words.is_empty() {
        page.push(Block::List(words));
    }
    page.push(Block::Text("To check, with the captures and this report in one folder:".into()));
    let mut code = vec!["wattward report --verify REPORT".to_owned()];
    code.extend(files.iter().map(|file| format!("wattward replay {}", typed(base_name(file)))));
    code.extend(files.iter().map(|file| format!("sha256sum {}", typed(base_name(file)))));
    page.push(Block::Code(code));
}

fn replayed(index: usize, doc: Doc<'_>, evidence: &Evidence) -> String {
    let line = evidence.line;
    let asked = format!("{} questions to the meters, {} answered", line.requests, line.answers);
    let how = match (&evidence.recorded, evidence.differences.as_slice()) {
        (None, _) => "no verdict was recorded to compare with".to_owned(),
        (Some(_), []) => {
            "computed again from the capture for this report: the same as recorded on site, to the last digit"
                .to_owned()
        }
        (Some(recorded), differences) => {
            let some: Vec<&str> = differences.iter().take(5).map(String::as_str).collect();
            format!(
                "DIFFERENT from the record: recorded \"{recorded}\", now \"{}\"; {} figures differ: {}",
                doc.text("verdict"),
                differences.len(),
                some.join("; ")
            )
        }
    };
    format!("Check {}: {how}. {asked}.", index + 1)
}

/// The last part of a path of either kind.
pub fn base_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// A file's name as it is typed at a shell.
fn typed(name: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-');
    if name.chars().all(plain) && !name.starts_with('-') {
        name.to_owned()
    } else {
        format!("'./{}'", name.replace('\'', "'\\''"))
    }
}
