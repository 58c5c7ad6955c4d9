//! What was found, for people and for programs.

use std::fmt::Write as _;

use serde::Serialize;

use super::{Progress, Unit};
use crate::base::Span;
use crate::link::Cause;
use crate::profile::Door;
use crate::report::Tool;
use crate::report::text::wrapped;

pub(super) fn screen(door: &Door, progress: &Progress, causes: &[Cause], width: usize) -> String {
    let mut text = String::new();
    for (address, unit) in &progress.units {
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
        if let Some(marker) = unit.marker {
            let _ = write!(words, "; carries the marker of the open register model at {marker}");
        }
        if progress.garbled.get(address).is_some_and(|count| *count > 0) {
            words.push_str("; with bytes that form no frame: two units with this address, or noise?");
        }
        text.push_str(&wrapped(&format!("unit {address} at {}: ", unit.settings), &words, width));
    }
    if progress.echo {
        text.push_str("the adapter echoes what is sent: harmless, echoes are taken off\n");
    }
    for (address, unit) in &progress.units {
        let _ = write!(text, "\n{}", block(door, *address, unit));
    }
    let garbled = progress.garbled.keys().filter(|unit| !progress.units.contains_key(unit)).count();
    if progress.units.is_empty() && garbled > 0 {
        let _ = writeln!(text, "{garbled} addresses brought bytes that form no frame");
    }
    for (number, cause) in causes.iter().enumerate() {
        text.push_str(&wrapped(&format!("  {}. ", number + 1), cause.what, width));
        text.push_str(&wrapped("     seen: ", &cause.evidence, width));
        text.push_str(&wrapped("     next: ", cause.next, width));
    }
    text
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
    echo: bool,
    requests: u64,
    heard_bytes: u64,
    stray_bytes: u64,
    causes: Vec<CauseRow<'a>>,
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
    garbled: u32,
    meter: String,
}

#[derive(Serialize)]
struct CauseRow<'a> {
    cause: &'a str,
    evidence: &'a str,
    next: &'a str,
}

pub(super) fn document<'a>(door: &'a Door, progress: &Progress, causes: &'a [Cause]) -> Document<'a> {
    let serial = matches!(door, Door::Serial(_));
    let row = |(address, unit): (&u8, &Unit)| UnitRow {
        unit: *address,
        baud: serial.then_some(unit.settings.baud),
        parity: serial.then_some(unit.settings.parity.word()),
        stop_bits: serial.then_some(unit.settings.stop_bits),
        latency_s: unit.latency.map(Span::seconds),
        exception: unit.exception,
        identification: unit.identity.iter().map(|(_, text)| text.clone()).collect(),
        marker_at: unit.marker,
        garbled: progress.garbled.get(address).copied().unwrap_or(0),
        meter: block(door, *address, unit),
    };
    let quality = progress.quality.as_ref();
    Document {
        tool: Tool::default(),
        line: door.name(),
        units: progress.units.iter().map(row).collect(),
        echo: progress.echo,
        requests: quality.map_or(0, |quality| quality.requests),
        heard_bytes: quality.map_or(0, |quality| quality.heard_bytes),
        stray_bytes: quality.map_or(0, |quality| quality.stray_bytes),
        causes: causes
            .iter()
            .map(|cause| CauseRow { cause: cause.what, evidence: &cause.evidence, next: cause.next })
            .collect(),
    }
}
