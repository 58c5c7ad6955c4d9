//! `wattward ports` lists the serial ports of this computer: what they are, the name that stays, whether this user may open
//! them, who holds them. Looking opens none.
//!
//! ```console
//! $ wattward ports
//! /dev/ttyUSB0  USB 1234:abcd "Serial adapter"
//!   stable name  /dev/serial/by-id/usb-1234_Serial_adapter_A1B2-if00-port0
//!   latency      16 ms
//!   lower it     echo 1 | sudo tee /sys/class/tty/ttyUSB0/device/latency_timer
//! /dev/ttyUSB1  USB 1234:abcd "Serial adapter"
//!   not yours    the port belongs to the group dialout
//!   mend         `sudo usermod -aG dialout $USER`, then log out and in again
//!   held by      logger (process 708)
//! ```
//!
//! Exit codes: 0 at least one port, 4 none.

use clap::Args;
use serde::Serialize;

use super::exit::Exit;
use super::out::Out;
use crate::base::Failure;
use crate::report::Tool;
use crate::rim::ports::{PortInfo, PortKind, list};

/// Options of `ports`.
#[derive(Args, Debug)]
pub(crate) struct PortsArgs {}

#[derive(Serialize)]
struct Document {
    tool: Tool,
    ports: Vec<PortRow>,
}

#[derive(Serialize)]
struct PortRow {
    path: String,
    kind: &'static str,
    vendor: Option<String>,
    product: Option<String>,
    serial: Option<String>,
    name: Option<String>,
    stable: Option<String>,
    permitted: bool,
    mend: Option<String>,
    group: Option<String>,
    holders: Vec<Holder>,
    latency_s: Option<f64>,
}

#[derive(Serialize)]
struct Holder {
    program: String,
    process: i32,
}

/// Runs the command.
pub(crate) fn run(_args: &PortsArgs, out: &Out) -> Result<Exit, Failure> {
    let ports = list();
    if out.json {
        let document = Document { tool: Tool::default(), ports: ports.iter().map(row).collect() };
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    }
    if ports.is_empty() {
        return Err(Failure::nothing("no serial port is seen")
            .hint("plug the adapter in; if it stays unseen, try another cable: some carry power only"));
    }
    if !out.json {
        for port in &ports {
            out.print(&screen(port));
        }
    }
    Ok(Exit::Done)
}

fn row(port: &PortInfo) -> PortRow {
    let (kind, vendor, product, serial, name) = match &port.kind {
        PortKind::Usb { vendor, product, serial, name } => {
            ("usb", Some(hex(*vendor)), Some(hex(*product)), serial.clone(), name.clone())
        }
        PortKind::BuiltIn => ("built-in", None, None, None, None),
        PortKind::Radio => ("radio", None, None, None, None),
        PortKind::Unknown => ("unknown", None, None, None, None),
    };
    let holder = |(program, process): &(String, i32)| Holder { program: program.clone(), process: *process };
    PortRow {
        path: port.path.clone(),
        kind,
        vendor,
        product,
        serial,
        name,
        stable: port.stable.clone(),
        permitted: port.barrier.is_none(),
        mend: port.barrier.as_ref().map(|barrier| barrier.mend(&port.path)),
        group: port.group.clone(),
        holders: port.holders.iter().map(holder).collect(),
        latency_s: port.latency_ms.map(|ms| ms as f64 / 1000.0),
    }
}

fn hex(id: u16) -> String {
    format!("{id:04x}")
}

fn screen(port: &PortInfo) -> String {
    let mut rows = vec![match &port.kind {
        PortKind::Usb { vendor, product, name, .. } => {
            let name = name.as_ref().map(|name| format!(" \"{name}\"")).unwrap_or_default();
            format!("{}  USB {}:{}{name}", port.path, hex(*vendor), hex(*product))
        }
        PortKind::BuiltIn => format!("{}  built in", port.path),
        PortKind::Radio => format!("{}  radio", port.path),
        PortKind::Unknown => format!("{}  of a kind that the system does not tell", port.path),
    }];
    if let Some(stable) = &port.stable {
        rows.push(format!("  stable name  {stable}"));
    }
    if let Some(barrier) = &port.barrier {
        let (why, mend) = barrier.words(&port.path);
        rows.push(format!("  not yours    {why}\n  mend         {mend}"));
    }
    for (program, process) in &port.holders {
        rows.push(format!("  held by      {program} (process {process})"));
    }
    if let Some(ms) = port.latency_ms {
        let device = port.path.rsplit('/').next().unwrap_or_default();
        rows.push(format!("  latency      {ms} ms"));
        if ms > 1 {
            rows.push(format!(
                "  lower it     echo 1 | sudo tee /sys/class/tty/{device}/device/latency_timer"
            ));
        }
    }
    rows.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rim::ports::Barrier;

    #[test]
    fn a_port_is_shown_with_its_mends() {
        let port = PortInfo {
            path: "/dev/ttyUSB0".into(),
            kind: PortKind::Usb {
                vendor: 0x1234,
                product: 0xabcd,
                serial: None,
                name: Some("Adapter".into()),
            },
            stable: Some("/dev/serial/by-id/a".into()),
            barrier: Some(Barrier::Group("dialout".into())),
            group: Some("dialout".into()),
            holders: vec![("logger".into(), 42)],
            latency_ms: Some(16),
        };
        let text = screen(&port);
        assert!(text.starts_with("/dev/ttyUSB0  USB 1234:abcd \"Adapter\"\n"), "{text}");
        for part in [
            "usermod -aG dialout",
            "held by      logger (process 42)",
            "16 ms\n  lower it     echo 1",
            "by-id/a",
        ] {
            assert!(text.contains(part), "{part} in {text}");
        }
    }
}
