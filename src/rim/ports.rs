//! Serial ports of this computer: what they are, under which name they come back, whether this user may open them and
//! who holds them. Looking never opens a port.

use std::path::{Path, PathBuf};

use rustix::fs::Access;

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
    /// Whether this user may open it to read and write.
    pub permitted: bool,
    /// The group it belongs to.
    pub group: Option<String>,
    /// Programs that have it open, as far as this user may see: name and process id.
    pub holders: Vec<(String, i32)>,
    /// What the adapter's latency timer stands at, in ms, where its driver has one.
    pub latency_ms: Option<i64>,
}

/// All ports, USB first, then by path.
pub fn list() -> Vec<PortInfo> {
    // The library reads this folder and panics without it, as in some containers.
    if cfg!(target_os = "linux") && !Path::new("/sys/class/tty").is_dir() {
        return Vec::new();
    }
    let mut ports: Vec<PortInfo> = tokio_serial::available_ports()
        .unwrap_or_default()
        .into_iter()
        .map(|port| describe(port.port_name, kind(port.port_type)))
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
        permitted: rustix::fs::access(device, Access::READ_OK | Access::WRITE_OK).is_ok(),
        group: super::serial::group_of(device),
        holders: holders(device),
        latency_ms: latency_ms(&path),
        kind,
        path,
    }
}

/// What the latency timer of the adapter behind a port stands at, in ms; `None` where its driver has none.
pub fn latency_ms(path: &str) -> Option<i64> {
    #[expect(clippy::disallowed_methods, reason = "the rim reads files")]
    let text = std::fs::read_to_string(super::serial::latency_timer(path)?).ok()?;
    text.trim().parse().ok()
}

fn kind(kind: tokio_serial::SerialPortType) -> PortKind {
    match kind {
        tokio_serial::SerialPortType::UsbPort(usb) => {
            PortKind::Usb { vendor: usb.vid, product: usb.pid, serial: usb.serial_number, name: usb.product }
        }
        tokio_serial::SerialPortType::PciPort => PortKind::BuiltIn,
        tokio_serial::SerialPortType::BluetoothPort => PortKind::Radio,
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

/// Who has a device open, by the links of `/proc`: without being root, only this user's own programs are seen.
fn holders(device: &Path) -> Vec<(String, i32)> {
    let Ok(device) = std::fs::canonicalize(device) else { return Vec::new() };
    let mut found = Vec::new();
    for process in std::fs::read_dir("/proc").into_iter().flatten().flatten() {
        let Some(id) = process.file_name().to_str().and_then(|name| name.parse::<i32>().ok()) else {
            continue;
        };
        let Ok(open) = std::fs::read_dir(process.path().join("fd")) else { continue };
        if open.flatten().any(|link| std::fs::read_link(link.path()).is_ok_and(|leads| leads == device)) {
            #[expect(clippy::disallowed_methods, reason = "the rim reads files")]
            let name = std::fs::read_to_string(process.path().join("comm")).unwrap_or_default();
            found.push((name.trim().to_owned(), id));
        }
    }
    found.sort_by_key(|(_, id)| *id);
    found
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
    fn who_holds_a_file_is_seen() {
        let folder = tempfile::tempdir().expect("folder");
        let device = folder.path().join("ttyX0");
        let held = file(&device);
        let me = rustix::process::getpid().as_raw_nonzero().get();
        assert!(holders(&device).iter().any(|(_, id)| *id == me));
        drop(held);
        assert!(holders(&device).is_empty());
    }
}
