//! Serial ports of this computer: what they are, under which name they come back, whether this user may open them and
//! who holds them. Looking never opens a port.

use std::path::{Path, PathBuf};

use rustix::fs::Access;

mod barrier;
mod holders;

pub use barrier::Barrier;

/// What kind of port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PortKind {
    /// On USB, with what the adapter says of itself.
    Usb {
        /// Vendor id.
        vendor: u16,
        /// Product id.
        product: u16,
        /// Serial number.
        serial: Option<String>,
        /// Its own name.
        name: Option<String>,
    },
    /// Built in, or on a card.
    BuiltIn,
    /// Over radio.
    Radio,
    /// Not told.
    Unknown,
}

/// One port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PortInfo {
    /// Its path.
    pub path: String,
    /// What it is.
    pub kind: PortKind,
    /// A name that stays when the adapter is plugged in anew.
    pub stable: Option<String>,
    /// What keeps this user from opening it to read and write; `None` when nothing does.
    pub barrier: Option<Barrier>,
    /// The group it belongs to.
    pub group: Option<String>,
    /// Programs that have it open or locked, as far as this user may see: name and process id.
    pub holders: Vec<(String, i32)>,
    /// What the adapter's latency timer stands at, in ms, where its driver has one.
    pub latency_ms: Option<i64>,
}

/// Where the kernel describes its terminals.
const SYSTEM: &str = "/sys/class/tty";

/// All ports, USB first, then by path.
pub fn list() -> Vec<PortInfo> {
    // The library reads this folder and panics without it, as in some containers.
    if cfg!(target_os = "linux") && !Path::new(SYSTEM).is_dir() {
        return Vec::new();
    }
    let mut ports: Vec<PortInfo> = tokio_serial::available_ports()
        .unwrap_or_default()
        .into_iter()
        .filter(|port| !is_ghost(Path::new(SYSTEM), &port.port_name))
        .map(|port| {
            let kind = kind(port.port_type, &port.port_name);
            describe(port.port_name, kind)
        })
        .collect();
    ports.sort_by(|a, b| {
        let usb = |port: &PortInfo| !matches!(port.kind, PortKind::Usb { .. });
        (usb(a), &a.path).cmp(&(usb(b), &b.path))
    });
    ports.dedup_by(|a, b| a.path == b.path);
    ports
}

fn describe(path: String, kind: PortKind) -> PortInfo {
    let device = Path::new(&path);
    PortInfo {
        stable: stable_name(&path),
        barrier: barrier(&path),
        group: barrier::group_of(device),
        holders: holders::of(device),
        latency_ms: latency_ms(&path),
        kind,
        path,
    }
}

/// What keeps this user from opening a port; `None` when nothing does, or it is not there.
pub fn barrier(path: &str) -> Option<Barrier> {
    let device = Path::new(path);
    match rustix::fs::access(device, Access::READ_OK | Access::WRITE_OK) {
        Err(rustix::io::Errno::ACCESS | rustix::io::Errno::PERM) => Some(Barrier::of(device)),
        _ => None,
    }
}

/// What the latency timer of the adapter behind a port stands at, in ms; `None` where its driver has none.
pub fn latency_ms(path: &str) -> Option<i64> {
    #[expect(clippy::disallowed_methods, reason = "the rim reads files")]
    let text = std::fs::read_to_string(super::serial::latency_timer(path)?).ok()?;
    text.trim().parse().ok()
}

/// What the kernel says of the UART behind a terminal: a number of its kind, 0 for a place without one. Only terminals of
/// its serial core have it.
fn uart(system: &Path, path: &str) -> Option<String> {
    let name = Path::new(path).file_name()?;
    #[expect(clippy::disallowed_methods, reason = "the rim reads files")]
    let text = std::fs::read_to_string(system.join(name).join("type")).ok()?;
    Some(text.trim().to_owned())
}

/// Whether a port is a mere place for a UART: boards reserve names (`/dev/ttyS1` to `ttyS31`) with nothing behind them.
fn is_ghost(system: &Path, path: &str) -> bool {
    uart(system, path).as_deref() == Some("0")
}

fn kind(kind: tokio_serial::SerialPortType, path: &str) -> PortKind {
    match kind {
        tokio_serial::SerialPortType::UsbPort(usb) => {
            PortKind::Usb { vendor: usb.vid, product: usb.pid, serial: usb.serial_number, name: usb.product }
        }
        tokio_serial::SerialPortType::PciPort => PortKind::BuiltIn,
        tokio_serial::SerialPortType::BluetoothPort => PortKind::Radio,
        tokio_serial::SerialPortType::Unknown if uart(Path::new(SYSTEM), path).is_some() => PortKind::BuiltIn,
        tokio_serial::SerialPortType::Unknown => PortKind::Unknown,
    }
}

/// The link under `/dev/serial/by-id` (else `by-path`) that leads to this port; `None` where there is none, and for a
/// path that is such a link itself.
pub fn stable_name(path: &str) -> Option<String> {
    stable_name_in(Path::new("/dev/serial"), path)
}

fn stable_name_in(folder: &Path, path: &str) -> Option<String> {
    let device = std::fs::canonicalize(path).ok()?;
    if Path::new(path).starts_with(folder) {
        return None;
    }
    ["by-id", "by-path"].iter().find_map(|kind| {
        let mut links: Vec<PathBuf> =
            std::fs::read_dir(folder.join(kind)).ok()?.filter_map(|entry| Some(entry.ok()?.path())).collect();
        links.sort();
        let link =
            links.into_iter().find(|link| std::fs::canonicalize(link).is_ok_and(|leads| leads == device))?;
        Some(link.to_string_lossy().into_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(path: &Path) -> std::fs::File {
        std::fs::File::options().create(true).append(true).open(path).expect("a new file")
    }

    #[test]
    fn a_port_is_known_by_the_link_that_leads_to_it() {
        let folder = tempfile::tempdir().expect("folder");
        let device = folder.path().join("ttyX0");
        drop(file(&device));
        let links = folder.path().join("serial");
        std::fs::create_dir_all(links.join("by-id")).expect("folder");
        let link = links.join("by-id/adapter-1234");
        std::os::unix::fs::symlink(&device, &link).expect("link");
        let path = device.to_str().expect("text");
        assert_eq!(stable_name_in(&links, path).as_deref(), link.to_str());
        assert_eq!(stable_name_in(&links, link.to_str().expect("text")), None);
        assert_eq!(stable_name_in(&links, "/dev/null"), None);
    }

    #[test]
    fn a_place_without_a_uart_is_no_port() {
        // linux/serial.h: PORT_UNKNOWN 0, PORT_16550A 4.
        let system = tempfile::tempdir().expect("folder");
        for (name, kind) in [("ttyS0", "4\n"), ("ttyS1", "0\n")] {
            std::fs::create_dir(system.path().join(name)).expect("folder");
            #[expect(clippy::disallowed_methods, reason = "the rim reads and writes files")]
            std::fs::write(system.path().join(name).join("type"), kind).expect("file");
        }
        let ghost = |path| is_ghost(system.path(), path);
        assert_eq!([ghost("/dev/ttyS0"), ghost("/dev/ttyS1"), ghost("/dev/ttyUSB0")], [false, true, false]);
    }
}
