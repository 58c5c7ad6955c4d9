//! Who has a port: without being root, the open files of other users' programs stay unseen, but their locks do not.

use std::collections::BTreeMap;
use std::path::Path;

/// Programs that have a device open, or hold a lock on it: name and process id, in the order of the ids.
pub(super) fn of(device: &Path) -> Vec<(String, i32)> {
    let Ok(device) = std::fs::canonicalize(device) else { return Vec::new() };
    let mut found: BTreeMap<i32, String> = BTreeMap::new();
    for process in std::fs::read_dir("/proc").into_iter().flatten().flatten() {
        let Some(id) = process.file_name().to_str().and_then(|name| name.parse::<i32>().ok()) else {
            continue;
        };
        let Ok(open) = std::fs::read_dir(process.path().join("fd")) else { continue };
        if open.flatten().any(|link| std::fs::read_link(link.path()).is_ok_and(|leads| leads == device)) {
            found.insert(id, name(id));
        }
    }
    let locks = read("/proc/locks");
    let node = rustix::fs::stat(&device).map(|known| (known.st_dev, known.st_ino));
    let lockers = node.map(|node| lockers(&locks, node)).unwrap_or_default();
    // The lock files of the old dial-out programs, which some still keep: the id in text (Filesystem Hierarchy Standard
    // 3.0, 5.9).
    let file = device.file_name().map(|name| format!("/run/lock/LCK..{}", name.to_string_lossy()));
    let dialler = file.and_then(|file| read(&file).trim().parse().ok());
    for id in lockers.into_iter().chain(dialler) {
        if Path::new("/proc").join(id.to_string()).exists() {
            found.entry(id).or_insert_with(|| name(id));
        }
    }
    found.into_iter().map(|(id, name)| (name, id)).collect()
}

fn read(path: &str) -> String {
    #[expect(clippy::disallowed_methods, reason = "the rim reads files")]
    std::fs::read_to_string(path).unwrap_or_default()
}

fn name(id: i32) -> String {
    read(&format!("/proc/{id}/comm")).trim().to_owned()
}

/// The processes of `/proc/locks` (proc(5)) that hold a lock on this file: `1: FLOCK ADVISORY WRITE 708 08:01:1234 0 EOF`.
fn lockers(locks: &str, (device, file): (u64, u64)) -> Vec<i32> {
    let (major, minor) = (rustix::fs::major(device), rustix::fs::minor(device));
    let of_line = |line: &str| {
        // A lock that is waited for has `->` after its number, and holds nothing.
        let mut fields = line.split_whitespace().skip(4);
        let (id, place) = (fields.next()?, fields.next()?);
        let mut place = place.split(':');
        let mut hex = || u32::from_str_radix(place.next()?, 16).ok();
        let same = (hex()?, hex()?) == (major, minor) && place.next()?.parse() == Ok(file);
        same.then(|| id.parse().ok()).flatten()
    };
    locks.lines().filter(|line| !line.contains("->")).filter_map(of_line).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(path: &Path) -> std::fs::File {
        std::fs::File::options().create(true).append(true).open(path).expect("a new file")
    }

    #[test]
    fn who_holds_a_file_is_seen() {
        let folder = tempfile::tempdir().expect("folder");
        let device = folder.path().join("ttyX0");
        let held = file(&device);
        let me = rustix::process::getpid().as_raw_nonzero().get();
        assert!(of(&device).iter().any(|(_, id)| *id == me));
        drop(held);
        assert!(of(&device).is_empty());
    }

    #[test]
    fn a_lock_is_seen_though_the_open_files_are_not() {
        // proc(5), /proc/locks; the second waits for the first.
        let locks = "1: FLOCK  ADVISORY  WRITE 708 00:05:1234 0 EOF\n1: -> FLOCK  ADVISORY  WRITE 709 00:05:1234 0 EOF\n\
                     2: POSIX  ADVISORY  READ 710 fe:00:1234 0 EOF\n";
        let device = rustix::fs::makedev(0, 5);
        assert_eq!(lockers(locks, (device, 1234)), [708]);
        assert_eq!(lockers(locks, (device, 99)), [0; 0]);
        // And of this machine's own kernel.
        let folder = tempfile::tempdir().expect("folder");
        let held = file(&folder.path().join("ttyX0"));
        rustix::fs::flock(&held, rustix::fs::FlockOperation::NonBlockingLockExclusive).expect("lock");
        let known = rustix::fs::fstat(&held).expect("known");
        let me = rustix::process::getpid().as_raw_nonzero().get();
        assert_eq!(lockers(&read("/proc/locks"), (known.st_dev, known.st_ino)), [me]);
    }
}
