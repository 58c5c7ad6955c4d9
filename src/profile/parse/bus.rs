//! A site's `[[meter]]`: what it is there for, its profile, and the line it hangs on.

use super::keys::PARITIES;
use super::profile::{baud, stop_bits};
use super::site_keys::{CLASSES, CT_CLASSES, DIRECTIONS, METER, METER_LINE, NETTINGS, ROLES};
use super::tree::{Node, Value};
use super::walk::{Desk, Section};
use crate::profile::{Door, DriverDirection, Meter, MeterLine};

/// Reads one meter; `None` when it can't be addressed.
pub(super) fn meter(desk: &mut Desk, node: &Node) -> Option<Meter> {
    let section = Section::open(desk, node, "[[meter]]", &[METER])?;
    let profile = section.text(desk, "profile");
    if !section.has("profile") {
        let mend = "add `profile = \"profiles/my-meter.toml\"`, the path of its register map from this file";
        desk.missing(&section.span, "this meter has no `profile`", mend);
    }
    let line = section.node("line").and_then(|node| line(desk, node));
    if !section.has("line") {
        let mend = "add `line = { serial = \"/dev/ttyUSB0\" }` or `line = { tcp = \"192.0.2.1\" }`";
        desk.missing(&section.span, "this meter has no `line`", mend);
    }
    let name = section.text(desk, "name").unwrap_or("connection").to_owned();
    let role = section.word(desk, "role", ROLES).unwrap_or_default();
    let highest = match line.as_ref().map(|line| &line.door) {
        // 1 to 247 on RS485 (Modbus over Serial Line V1.02, 2.2); behind TCP 0 and 255 also mean the device itself.
        Some(Door::Tcp(_)) => (0, 255),
        _ => (1, 247),
    };
    let unit = section.within(desk, "unit", highest.0, highest.1).map(|unit| unit as u8);
    let meter = Meter {
        name,
        role,
        profile: profile.unwrap_or_default().to_owned(),
        line: line.unwrap_or(MeterLine {
            door: Door::Serial(String::new()),
            baud: None,
            parity: None,
            stop_bits: None,
            direction: DriverDirection::default(),
        }),
        unit,
        ct_ratio: section.number(desk, "ct_ratio"),
        vt_ratio: section.number(desk, "vt_ratio"),
        ct_primary_a: section.number(desk, "ct_primary_A"),
        class: section.word(desk, "class", CLASSES),
        ct_class: section.word(desk, "ct_class", CT_CLASSES),
        resolution_w: section.number(desk, "resolution_W"),
        netting: section.word(desk, "netting", NETTINGS).unwrap_or_default(),
        serial: section.text(desk, "serial").map(str::to_owned),
        calibrated: calibrated(desk, &section),
    };
    Some(meter)
}

fn calibrated(desk: &mut Desk, section: &Section<'_>) -> Option<String> {
    let node = section.node("calibrated")?;
    let text = match &node.value {
        Value::Date(date) => date.clone(),
        _ => section.text(desk, "calibrated")?.to_owned(),
    };
    if text.parse::<jiff::civil::Date>().is_err() {
        desk.error(&node.span, format!("`{text}` is no date"), "write year, month, day: `\"2026-03-01\"`");
        return None;
    }
    Some(text)
}

fn line(desk: &mut Desk, node: &Node) -> Option<MeterLine> {
    if let Value::Text(text) = &node.value {
        let door =
            if text.starts_with('/') || text.to_uppercase().starts_with("COM") { "serial" } else { "tcp" };
        let mend = format!("write `line = {{ {door} = \"{text}\" }}`");
        desk.error(&node.span, "`line` does not say what kind of line it is", mend);
        return None;
    }
    let section = Section::open(desk, node, "`line`", &[METER_LINE])?;
    let doors: Vec<&str> =
        ["serial", "tcp", "serial_over_tcp"].into_iter().filter(|door| section.has(door)).collect();
    let door = match doors.as_slice() {
        [only] => section.text(desk, only).and_then(|text| door(desk, &section, only, text)),
        [] => {
            let mend = "write one of `serial = \"/dev/ttyUSB0\"`, `tcp = \"host\"`, `serial_over_tcp = \"host:port\"`";
            desk.missing(&section.span, "this line leads nowhere", mend);
            None
        }
        [_, second, ..] => {
            let message = format!("this line goes two ways: {}", super::site::listed(&doors));
            desk.error(&section.place(second), message, "keep the one the meter hangs on");
            None
        }
    };
    let baud = baud(desk, &section);
    let parity = section.word(desk, "parity", PARITIES);
    let stop_bits = stop_bits(desk, &section);
    let direction = section.word(desk, "direction", DIRECTIONS);
    if matches!(door, Some(Door::Tcp(_))) {
        for key in ["baud", "parity", "stop_bits", "direction"].into_iter().filter(|key| section.has(key)) {
            let message = format!("`{key}` changes nothing on Modbus TCP");
            let mend = "leave it out, or write `serial_over_tcp` if a gateway passes RTU frames through";
            desk.warn(&section.place(key), message, mend);
        }
    } else if matches!(door, Some(Door::SerialOverTcp(_))) && section.has("direction") {
        let message = "`direction` is for a serial port of this computer";
        desk.warn(&section.place("direction"), message, "leave it out: the gateway switches its own driver");
    }
    Some(MeterLine { door: door?, baud, parity, stop_bits, direction: direction.unwrap_or_default() })
}

/// Checks the far end of a line and adds the port of Modbus TCP where none is given.
fn door(desk: &mut Desk, section: &Section<'_>, kind: &str, text: &str) -> Option<Door> {
    let text = text.trim();
    if kind == "serial" {
        return Some(Door::Serial(text.to_owned()));
    }
    let place = section.place(kind);
    if let Some((_, rest)) = text.split_once("://") {
        let mend = format!("write the host alone: `{kind} = \"{}\"`", rest.trim_end_matches('/'));
        desk.error(&place, format!("`{text}` has a protocol in front"), mend);
        return None;
    }
    let (host, port) = split_port(text);
    if host.is_empty() || host.contains(char::is_whitespace) || host.contains('/') {
        desk.error(&place, format!("`{text}` is no host"), "write a name or an address: `\"192.0.2.1:502\"`");
        return None;
    }
    if host.contains(':') && !(host.starts_with('[') && host.ends_with(']')) {
        let mend = format!("put an IPv6 address in brackets: `\"[{text}]:502\"`");
        desk.error(&place, format!("it is not clear where the port begins in `{text}`"), mend);
        return None;
    }
    match (kind, port) {
        ("tcp", None) => Some(Door::Tcp(format!("{host}:502"))),
        (_, None) => {
            let mend = format!("write `{kind} = \"{host}:PORT\"`, with the port from the gateway's settings");
            desk.error(&place, "a gateway for serial over TCP has no usual port", mend);
            None
        }
        (_, Some(port)) => {
            if !port.parse::<u16>().is_ok_and(|port| port > 0) {
                desk.error(
                    &place,
                    if port.is_empty() {
                        "no port behind the colon".to_owned()
                    } else {
                        format!("`{port}` is no port")
                    },
                    "ports go from 1 to 65535; Modbus TCP has 502",
                );
                return None;
            }
            let name = format!("{host}:{port}");
            Some(if kind == "tcp" { Door::Tcp(name) } else { Door::SerialOverTcp(name) })
        }
    }
}

/// Host and port; a bare IPv6 address stays whole.
fn split_port(text: &str) -> (&str, Option<&str>) {
    if text.starts_with('[') {
        return match text.find(']') {
            Some(end) => (&text[..=end], text[end + 1..].strip_prefix(':')),
            None => (text, None),
        };
    }
    match text.split_once(':') {
        Some((host, port)) if !port.contains(':') => (host, Some(port)),
        _ => (text, None),
    }
}
