//! A line on a pseudo-terminal. This side keeps the other end open too, so that clients may come and go.

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

use super::{Arrival, Meters, Serving, Stage};
use crate::base::{Failure, Span};
use crate::profile::Door;

/// How long to wait before looking whether to stop, or whether the other master is due.
const NAP: Timespec = Timespec { tv_sec: 0, tv_nsec: 20_000_000 };
/// A line that was asked nothing for so long is free for the next program: one that died leaves it marked as taken.
const IDLE: Span = Span::from_millis(5000);

/// Opens a pseudo-terminal and answers on it.
pub(super) fn serve(stage: &Stage, line: usize, link: Option<&Path>) -> Result<Serving, Failure> {
    let (ours, theirs, path) = open().map_err(|error| {
        Failure::nothing(format!("no pseudo-terminal to be had: {error}"))
            .hint("serve the site over the network instead, with `--tcp 127.0.0.1:1502`")
    })?;
    if let Some(link) = link {
        place_link(&path, link)?;
    }
    let stop = Arc::new(AtomicBool::new(false));
    let meters = Meters::new(stage, line);
    let halt = Arc::clone(&stop);
    let thread = std::thread::Builder::new()
        .name(format!("meter on {path}"))
        .spawn(move || answer(ours, &theirs, meters, &halt))
        .map_err(|error| Failure::nothing(format!("no thread for the simulated line: {error}")))?;
    let name = link.map_or(path, |link| link.display().to_string());
    let mut serving = Serving::new(Door::Serial(name), stop, thread);
    serving.link = link.map(Path::to_path_buf);
    Ok(serving)
}

/// Both ends, raw as a serial port is, and the name of the far one.
fn open() -> rustix::io::Result<(OwnedFd, OwnedFd, String)> {
    let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
    grantpt(&ours)?;
    unlockpt(&ours)?;
    let path = ptsname(&ours, Vec::new())?.to_string_lossy().into_owned();
    let flags = rustix::fs::OFlags::RDWR | rustix::fs::OFlags::NOCTTY | rustix::fs::OFlags::CLOEXEC;
    let theirs = rustix::fs::open(&path, flags, rustix::fs::Mode::empty())?;
    let mut settings = tcgetattr(&theirs)?;
    settings.make_raw();
    tcsetattr(&theirs, OptionalActions::Now, &settings)?;
    let nonblocking = rustix::fs::fcntl_getfl(&ours)? | rustix::fs::OFlags::NONBLOCK;
    rustix::fs::fcntl_setfl(&ours, nonblocking)?;
    Ok((ours, theirs, path))
}

/// Puts a link to the terminal where it is wanted; only a link may stand there already.
fn place_link(path: &str, link: &Path) -> Result<(), Failure> {
    let shown = link.display();
    match std::fs::symlink_metadata(link) {
        Ok(there) if !there.file_type().is_symlink() => {
            return Err(Failure::usage(format!("{shown} exists and is no link"))
                .hint("name another path, or a serial port that is not there"));
        }
        Ok(_) => std::fs::remove_file(link)
            .map_err(|error| Failure::usage(format!("{shown} cannot be replaced: {error}")))?,
        Err(_) => {}
    }
    std::os::unix::fs::symlink(path, link)
        .map_err(|error| Failure::usage(format!("no link can be made at {shown}: {error}")))
}

fn answer(ours: OwnedFd, theirs: &OwnedFd, mut meters: Meters, stop: &AtomicBool) {
    let mut port = File::from(ours);
    let mut buffer = [0_u8; 1024];
    let clock = meters.stage.clock;
    let mut last = clock.now();
    while !stop.load(Ordering::Relaxed) {
        let ready = {
            let mut waiting = [PollFd::new(&port, PollFlags::IN)];
            poll(&mut waiting, Some(&NAP)).unwrap_or(0) > 0
        };
        if clock.now() - last > IDLE {
            let _ = rustix::termios::ioctl_tiocnxcl(theirs);
            last = clock.now();
        }
        let other = meters.second_master();
        send(&mut port, &meters, &other, stop);
        if !ready {
            continue;
        }
        match port.read(&mut buffer) {
            Ok(count) if count > 0 => {
                last = clock.now();
                let arrivals = meters.hear(&buffer[..count]);
                send(&mut port, &meters, &arrivals, stop);
            }
            // nobody at the far end: not our end
            _ => clock.sleep_until(clock.now() + Span::from_millis(20)),
        }
    }
}

/// Writes each piece when its time has come; what the far end does not take is lost, as on a wire.
fn send(port: &mut File, meters: &Meters, arrivals: &[Arrival], stop: &AtomicBool) {
    for arrival in arrivals {
        if stop.load(Ordering::Relaxed) {
            return;
        }
        meters.stage.clock.sleep_until(arrival.at);
        let _ = port.write_all(&arrival.bytes);
    }
}
