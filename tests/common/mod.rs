//! What tests over a pseudo-terminal share: the terminal, an invented meter on it that misbehaves on request, sites.

#![allow(dead_code, reason = "each test file uses its own part of this")]
#![allow(unreachable_pub, reason = "shared by test files")]

pub mod commands;
pub mod crc;
pub mod house;
pub mod session;

use std::collections::VecDeque;
use std::os::fd::OwnedFd;
use std::sync::{Arc, Mutex};
use std::time::Duration;

pub use crc::{crc, rtu};
use rustix::event::{PollFd, PollFlags};
use rustix::pty::OpenptFlags;

/// A pseudo-terminal: the far end, and the path of the near one.
pub fn pty() -> (OwnedFd, String) {
    let far = rustix::pty::openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("openpt");
    rustix::pty::grantpt(&far).expect("grantpt");
    rustix::pty::unlockpt(&far).expect("unlockpt");
    let name = rustix::pty::ptsname(&far, Vec::new()).expect("ptsname").into_string().expect("a path");
    // Raw from the start, so that nothing is echoed or translated before the port is opened by its path.
    let mut termios = rustix::termios::tcgetattr(&far).expect("termios");
    termios.make_raw();
    rustix::termios::tcsetattr(&far, rustix::termios::OptionalActions::Now, &termios).expect("raw");
    (far, name)
}

/// What register `address` of a function holds on the invented meter: every register says where it is.
pub fn register(function: u8, address: u16) -> u16 {
    address.wrapping_mul(7) ^ (u16::from(function) << 12)
}

/// What the meter does with one question.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Act {
    /// The right answer.
    Answer,
    /// Nothing at all.
    Silent,
    /// The right answer, so much later.
    Late(Duration),
    /// These bytes, then the right answer.
    Noise(Vec<u8>),
    /// The question comes back first, in pieces of this size.
    Echo(usize),
    /// The question comes back altered, then the answer.
    AlteredEcho,
    /// The first bytes of the right answer only.
    Cut(usize),
    /// The right answer with a wrong CRC.
    BadCrc,
    /// These bytes with their CRC, and nothing more.
    Instead(Vec<u8>),
    /// These bytes with their CRC, then the right answer.
    Before(Vec<u8>),
    /// The right answer byte by byte.
    Dribble,
}

/// What the meter saw.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    /// Whole questions, with their CRC.
    pub questions: Vec<Vec<u8>>,
    /// Bytes that were no question.
    pub rubbish: usize,
}

/// An invented meter (unit 1) on the far end of a pseudo-terminal. Acts are taken in order, one a question; when they run
/// out it answers rightly.
pub struct FakeMeter {
    seen: Arc<Mutex<Seen>>,
    acts: Arc<Mutex<VecDeque<Act>>>,
    thread: Option<std::thread::JoinHandle<()>>,
    stop: Arc<std::sync::atomic::AtomicBool>,
}

impl FakeMeter {
    pub fn start(far: OwnedFd, acts: Vec<Act>) -> Self {
        let seen = Arc::new(Mutex::new(Seen::default()));
        let acts = Arc::new(Mutex::new(VecDeque::from(acts)));
        let stop = Arc::new(std::sync::atomic::AtomicBool::new(false));
        let (seen_by, acts_of, stopped) = (Arc::clone(&seen), Arc::clone(&acts), Arc::clone(&stop));
        let thread = std::thread::spawn(move || serve(&far, &seen_by, &acts_of, &stopped));
        Self { seen, acts, thread: Some(thread), stop }
    }

    pub fn seen(&self) -> Seen {
        self.seen.lock().expect("seen").clone()
    }

    pub fn acts_left(&self) -> usize {
        self.acts.lock().expect("acts").len()
    }
}

impl Drop for FakeMeter {
    fn drop(&mut self) {
        self.stop.store(true, std::sync::atomic::Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn now() -> Duration {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    Duration::new(time.tv_sec as u64, time.tv_nsec as u32)
}

fn serve(
    far: &OwnedFd,
    seen: &Mutex<Seen>,
    acts: &Mutex<VecDeque<Act>>,
    stop: &std::sync::atomic::AtomicBool,
) {
    let mut buffer = Vec::new();
    let mut due: VecDeque<(Duration, Vec<u8>)> = VecDeque::new();
    while !stop.load(std::sync::atomic::Ordering::Relaxed) {
        if due.front().is_some_and(|(at, _)| *at <= now()) {
            let (_, bytes) = due.pop_front().expect("due");
            let _ = rustix::io::write(far, &bytes);
            continue;
        }
        let patience = due.front().map_or(Duration::from_millis(20), |(at, _)| at.saturating_sub(now()));
        if !readable(far, patience.min(Duration::from_millis(20))) {
            continue;
        }
        let mut bytes = [0; 256];
        let Ok(count) = rustix::io::read(far, &mut bytes) else {
            // Nobody has the near end open: wait for somebody.
            std::thread::sleep(Duration::from_millis(5));
            continue;
        };
        buffer.extend_from_slice(&bytes[..count]);
        while let Some(question) = take_question(&mut buffer, seen) {
            let act = acts.lock().expect("acts").pop_front().unwrap_or(Act::Answer);
            for (delay, bytes) in perform(&question, &act) {
                due.push_back((now() + delay, bytes));
            }
        }
    }
}

fn readable(far: &OwnedFd, patience: Duration) -> bool {
    let mut wait = [PollFd::new(far, PollFlags::IN)];
    let patience = rustix::event::Timespec {
        tv_sec: patience.as_secs() as i64,
        tv_nsec: i64::from(patience.subsec_nanos()),
    };
    rustix::event::poll(&mut wait, Some(&patience)).is_ok_and(|count| count > 0)
        && wait[0].revents().contains(PollFlags::IN)
}

/// The next whole question in what was read.
fn take_question(buffer: &mut Vec<u8>, seen: &Mutex<Seen>) -> Option<Vec<u8>> {
    while buffer.len() >= 7 {
        for length in [8, 7] {
            if buffer.len() >= length && crc(&buffer[..length - 2]) == buffer[length - 2..length] {
                let question: Vec<u8> = buffer.drain(..length).collect();
                seen.lock().expect("seen").questions.push(question.clone());
                return Some(question);
            }
        }
        if buffer.len() == 7 {
            return None;
        }
        buffer.remove(0);
        seen.lock().expect("seen").rubbish += 1;
    }
    None
}

fn answer(question: &[u8]) -> Vec<u8> {
    let (unit, function) = (question[0], question[1]);
    if function == 43 {
        return rtu(&[unit, 43, 14, 1, 1, 0, 0, 1, 0, 8, b'I', b'n', b'v', b'e', b'n', b't', b'e', b'd']);
    }
    let word = |at: usize| u16::from_be_bytes([question[at], question[at + 1]]);
    let (address, count) = (word(2), word(4));
    let mut bytes = vec![unit, function, (2 * count) as u8];
    for offset in 0..count {
        bytes.extend(register(function, address + offset).to_be_bytes());
    }
    rtu(&bytes)
}

fn perform(question: &[u8], act: &Act) -> Vec<(Duration, Vec<u8>)> {
    let right = answer(question);
    let at_once = Duration::ZERO;
    let soon = Duration::from_millis(3);
    match act {
        Act::Answer => vec![(at_once, right)],
        Act::Silent => Vec::new(),
        Act::Late(delay) => vec![(*delay, right)],
        Act::Noise(noise) => vec![(at_once, noise.clone()), (soon, right)],
        Act::Echo(size) => {
            let mut pieces: Vec<(Duration, Vec<u8>)> =
                question.chunks(*size).map(|piece| (at_once, piece.to_vec())).collect();
            pieces.push((soon, right));
            pieces
        }
        Act::AlteredEcho => {
            let mut altered = question.to_vec();
            altered[4] ^= 0x20;
            vec![(at_once, altered), (soon, right)]
        }
        Act::Cut(length) => vec![(at_once, right[..(*length).min(right.len())].to_vec())],
        Act::BadCrc => {
            let mut bad = right;
            let last = bad.len() - 1;
            bad[last] ^= 0x55;
            vec![(at_once, bad)]
        }
        Act::Instead(bytes) => vec![(at_once, rtu(bytes))],
        Act::Before(bytes) => vec![(at_once, rtu(bytes)), (soon, right)],
        Act::Dribble => right.into_iter().map(|byte| (at_once, vec![byte])).collect(),
    }
}

/// Copies bytes between the far ends of two pseudo-terminals until dropped.
pub struct Bridge {
    stop: Arc<std::sync::atomic::AtomicBool>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Bridge {
    pub fn start(first: OwnedFd, second: OwnedFd) -> Self {
        let stop = Arc::new(std::sync::atomic::AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let thread = std::thread::spawn(move || {
            let mut bytes = [0; 512];
            while !stopped.load(std::sync::atomic::Ordering::Relaxed) {
                let mut idle = true;
                for (from, to) in [(&first, &second), (&second, &first)] {
                    if readable(from, Duration::from_millis(1))
                        && let Ok(count) = rustix::io::read(from, &mut bytes)
                    {
                        let _ = rustix::io::write(to, &bytes[..count]);
                        idle = false;
                    }
                }
                if idle {
                    std::thread::sleep(Duration::from_millis(1));
                }
            }
        });
        Self { stop, thread: Some(thread) }
    }
}

impl Drop for Bridge {
    fn drop(&mut self) {
        self.stop.store(true, std::sync::atomic::Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// A line with several parties: every byte from one far end goes to all others.
pub struct Party {
    stop: Arc<std::sync::atomic::AtomicBool>,
    counts: Arc<Mutex<Vec<usize>>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Party {
    pub fn start(ends: Vec<OwnedFd>) -> Self {
        let stop = Arc::new(std::sync::atomic::AtomicBool::new(false));
        let counts = Arc::new(Mutex::new(vec![0; ends.len()]));
        let (stopped, counted) = (Arc::clone(&stop), Arc::clone(&counts));
        let thread = std::thread::spawn(move || {
            for end in &ends {
                // Nobody may ever read at one of the ends.
                rustix::fs::fcntl_setfl(end, rustix::fs::OFlags::NONBLOCK).expect("nonblocking");
            }
            let mut bytes = [0; 512];
            while !stopped.load(std::sync::atomic::Ordering::Relaxed) {
                for (index, from) in ends.iter().enumerate() {
                    if let Ok(count) = rustix::io::read(from, &mut bytes) {
                        counted.lock().expect("counts")[index] += count;
                        for (other, to) in ends.iter().enumerate() {
                            if other != index {
                                let _ = rustix::io::write(to, &bytes[..count]);
                            }
                        }
                    }
                }
                std::thread::sleep(Duration::from_micros(300));
            }
        });
        Self { stop, counts, thread: Some(thread) }
    }

    /// Bytes that came from one of the ends.
    pub fn heard_from(&self, index: usize) -> usize {
        self.counts.lock().expect("counts")[index]
    }
}

impl Drop for Party {
    fn drop(&mut self) {
        self.stop.store(true, std::sync::atomic::Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
