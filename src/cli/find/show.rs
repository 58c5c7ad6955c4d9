//! What was found, for people and for programs.

use std::fmt::Write as _;

use serde::Serialize;

use crate::base::Span;
use crate::link::search::names::name;
use crate::link::search::{Answers, Findings, Unit};
use crate::link::{Cause, Chain, ChainEnd, Model};
use crate::profile::Door;
use crate::report::text::wrapped;
use crate::report::{CaptureRef, Tool};

pub(super) fn screen(door: &Door, findings: &Findings, clues: &[Cause], width: usize) -> String {
    let mut text = String::new();
    for (address, unit) in &findings.units {
        let mut words = match unit.latency {
            Some(latency) => format!("answers after {latency}"),
            None => "answers".to_owned(),
        };
        if let Some(code) = unit.exception {
            let _ = write!(words, " (exception {code}, {})", crate::wire::exception_name(code));
        }
        let names: Vec<&str> = unit.identity.iter().map(|(_, text)| text.as_str()).collect();
        if !names.is_empty() {
            let _ = write!(words, "; identifies itself as {}", names.join(", "));
        }
        text.push_str(&wrapped(&format!("unit {address} at {}: ", unit.settings), &words, width));
        if let Some(base) = unit.chain.base() {
            models(&mut text, base, &unit.chain, width);
        }
    }
    for (address, unit) in &findings.units {
        let _ = write!(text, "\n{}", block(door, *address, unit));
    }
    for (number, clue) in clues.iter().enumerate() {
        if number == 0 && !text.is_empty() {
            text.push('\n');
        }
        text.push_str(&wrapped(&format!("  {}. ", number + 1), clue.what, width));
        text.push_str(&wrapped("     seen: ", &clue.evidence, width));
        text.push_str(&wrapped("     next: ", clue.next, width));
    }
    text
}

/// The models of the open register model, by number, with the address of each and how many registers it has.
fn models(text: &mut String, base: u16, chain: &Chain, width: usize) {
    let mut head = format!("open register model at {base}");
    if chain.models().is_empty() {
        head.push_str(": the marker alone, no model behind it");
    }
    text.push_str(&wrapped("  ", &head, width));
    for model in chain.models() {
        let lead = format!("  {:>5}  model {:>5}, {:>3} registers  ", model.address, model.id, model.length);
        text.push_str(&wrapped(&lead, name(model.id).unwrap_or("a vendor's own"), width));
    }
    if chain.end() != Some(ChainEnd::Marked) {
        text.push_str("  the chain breaks off without its end mark\n");
    }
}

/// The `[[meter]]` to paste into a site file.
fn block(door: &Door, address: u8, unit: &Unit) -> String {
    let quoted = |text: &str| serde_json::Value::from(text).to_string();
    let line = match door {
        Door::Serial(port) => format!(
            "serial = {}, baud = {}, parity = \"{}\", stop_bits = {}",
            quoted(port),
            unit.settings.baud,
            unit.settings.parity.word(),
            unit.settings.stop_bits
        ),
        Door::Tcp(host) => format!("tcp = {}", quoted(host)),
        Door::SerialOverTcp(host) => format!("serial_over_tcp = {}", quoted(host)),
    };
    format!(
        "[[meter]]\nname = \"unit-{address}\"\nprofile = \"profiles/…\"   # the register list of this meter\n\
         line = {{ {line} }}\nunit = {address}\n"
    )
}

#[derive(Serialize)]
pub(super) struct Document<'a> {
    tool: Tool,
    line: &'a str,
    units: Vec<UnitRow>,
    unread: Vec<UnreadRow>,
    echo: bool,
    requests: u64,
    heard_bytes: u64,
    stray_bytes: u64,
    causes: Vec<CauseRow<'a>>,
    captures: &'a [CaptureRef],
}

#[derive(Serialize)]
struct UnitRow {
    unit: u8,
    baud: Option<u32>,
    parity: Option<&'static str>,
    stop_bits: Option<u8>,
    latency_s: Option<f64>,
    exception: Option<u8>,
    identification: Vec<String>,
    marker_at: Option<u16>,
    models: Vec<ModelRow>,
    models_end: Option<&'static str>,
    questions: u32,
    answered: u32,
    answered_twice: u32,
    garbled: u32,
    meter: String,
}

#[derive(Serialize)]
struct ModelRow {
    model: u16,
    name: Option<&'static str>,
    address: u16,
    registers: u16,
}

/// An address that brought bytes and no whole answer.
#[derive(Serialize)]
struct UnreadRow {
    unit: u8,
    baud: u32,
    parity: &'static str,
    stop_bits: u8,
    questions: u32,
    garbled: u32,
}

#[derive(Serialize)]
struct CauseRow<'a> {
    cause: &'a str,
    evidence: &'a str,
    next: &'a str,
}

pub(super) fn document<'a>(
    door: &'a Door,
    findings: &Findings,
    clues: &'a [Cause],
    captures: &'a [CaptureRef],
) -> Document<'a> {
    let serial = matches!(door, Door::Serial(_));
    let quality = findings.quality.as_ref();
    let row = |(address, unit): (&u8, &Unit)| {
        let here = |(other, answers): &(u8, &Answers)| other == address && answers.settings == unit.settings;
        let answers = findings.answers().find(here).map(|(_, answers)| *answers);
        let count = |of: fn(&Answers) -> u32| answers.as_ref().map_or(0, of);
        UnitRow {
            unit: *address,
            baud: serial.then_some(unit.settings.baud),
            parity: serial.then_some(unit.settings.parity.word()),
            stop_bits: serial.then_some(unit.settings.stop_bits),
            latency_s: unit.latency.map(Span::seconds),
            exception: unit.exception,
            identification: unit.identity.iter().map(|(_, text)| text.clone()).collect(),
            marker_at: unit.chain.base(),
            models: unit.chain.models().iter().copied().map(model_row).collect(),
            models_end: unit.chain.end().map(|end| match end {
                ChainEnd::Marked => "whole",
                ChainEnd::Cut(_) | ChainEnd::Endless => "broken",
            }),
            questions: count(|answers| answers.asked),
            answered: count(|answers| answers.whole),
            answered_twice: count(|answers| answers.twice),
            garbled: count(|answers| answers.spoilt + answers.mixed),
            meter: block(door, *address, unit),
        }
    };
    let unread = |(unit, answers): (u8, &Answers)| {
        (answers.spoilt > 0 && !findings.units.contains_key(&unit)).then(|| UnreadRow {
            unit,
            baud: answers.settings.baud,
            parity: answers.settings.parity.word(),
            stop_bits: answers.settings.stop_bits,
            questions: answers.asked,
            garbled: answers.spoilt,
        })
    };
    Document {
        tool: Tool::default(),
        line: door.name(),
        units: findings.units.iter().map(row).collect(),
        unread: findings.answers().filter_map(unread).collect(),
        echo: findings.echo,
        requests: quality.map_or(0, |quality| quality.requests),
        heard_bytes: quality.map_or(0, |quality| quality.heard_bytes),
        stray_bytes: quality.map_or(0, |quality| quality.stray_bytes),
        causes: clues
            .iter()
            .map(|cause| CauseRow { cause: cause.what, evidence: &cause.evidence, next: cause.next })
            .collect(),
        captures,
    }
}

fn model_row(Model { id, address, length }: Model) -> ModelRow {
    ModelRow { model: id, name: name(id), address, registers: length }
}
