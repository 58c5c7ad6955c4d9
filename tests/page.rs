//! The phone page of a live check over real connections: presses make marks as typed lines do, once each; a flood of the page
//! takes no reading away. `WATTWARD_FLOOD_S` sets how long the flood lasts (4 s when left out).

#![cfg(target_os = "linux")]
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test has files and waits")]

mod common;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{ChildStdin, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

use common::commands::records;
use common::house::{Stopped, program, simulate};
use wattward::record::{Direction, Mark, MarkKind, Record};

/// A run with its page.
struct Run {
    child: Stopped,
    typed: ChildStdin,
    said: Receiver<String>,
    page: Page,
}

/// Where the page is.
struct Page {
    host: String,
    path: String,
}

impl Run {
    fn start(folder: &Path, arguments: &[&str]) -> Self {
        let mut all = arguments.to_vec();
        all.extend(["--listen-first", "200ms", "--page", "127.0.0.1:0"]);
        let mut command = program(folder, &all);
        let mut child = Stopped(command.stdout(Stdio::null()).spawn().expect("the run"));
        let typed = child.0.stdin.take().expect("its input");
        let screen = BufReader::new(child.0.stderr.take().expect("its screen"));
        let (say, said) = channel();
        std::thread::spawn(move || {
            for line in screen.lines().map_while(Result::ok) {
                let _ = say.send(line);
            }
        });
        let address = loop {
            let line: String = said.recv_timeout(Duration::from_secs(40)).expect("the page's address");
            if let Some(address) = line.strip_prefix("phone page  http://") {
                break address.to_owned();
            }
        };
        let (host, path) = address.split_once('/').expect("a path");
        Self { child, typed, said, page: Page { host: host.to_owned(), path: format!("/{path}") } }
    }

    /// Highest resident memory so far, in kB.
    fn memory_kb(&self) -> u64 {
        let status =
            std::fs::read_to_string(format!("/proc/{}/status", self.child.0.id())).expect("its status");
        let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("a peak");
        peak.trim().trim_end_matches(" kB").parse().expect("a number")
    }

    fn end(mut self) {
        common::commands::interrupt(&self.child.0);
        self.child.0.wait().expect("its end");
    }
}

impl Page {
    fn ask(&self, method: &str, end: &str, body: &str) -> String {
        let mut stream = TcpStream::connect(&self.host).expect("connected");
        let head = format!("{method} {}{end} HTTP/1.1\r\nContent-Length: {}\r\n\r\n", self.path, body.len());
        stream.write_all(format!("{head}{body}").as_bytes()).expect("sent");
        let mut answer = String::new();
        let _ = stream.read_to_string(&mut answer);
        answer.split_once("\r\n\r\n").map(|(_, body)| body.to_owned()).unwrap_or_default()
    }

    fn state(&self) -> serde_json::Value {
        serde_json::from_str(&self.ask("GET", "state", "")).expect("a document")
    }

    /// The number of the prompt this button answers, once it is offered.
    fn offered(&self, key: &str) -> u64 {
        let begun = Instant::now();
        loop {
            let state = self.state();
            let mut buttons = state["page"]["buttons"].as_array().expect("buttons").iter();
            if let Some(button) = buttons.find(|button| button["key"] == key && button["offered"] == true) {
                return button["ask"].as_u64().expect("a number");
            }
            assert!(begun.elapsed() < Duration::from_secs(40), "{key} is not offered: {state}");
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    /// Whether the document comes to a phone at 127.0.0.2.
    fn answers_another_address(&self) -> bool {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let ask = async {
            let socket = tokio::net::TcpSocket::new_v4()?;
            socket.bind(([127, 0, 0, 2], 0).into())?;
            let mut stream = socket.connect(self.host.parse().expect("an address")).await?;
            stream.write_all(format!("GET {}state HTTP/1.1\r\n\r\n", self.path).as_bytes()).await?;
            let mut answer = String::new();
            stream.read_to_string(&mut answer).await?;
            std::io::Result::Ok(answer.starts_with("HTTP/1.1 200"))
        };
        let within = async { tokio::time::timeout(Duration::from_secs(2), ask).await };
        matches!(runtime.block_on(within), Ok(Ok(true)))
    }

    fn press(&self, id: &str, ask: u64, key: &str) -> String {
        self.ask("POST", "press", &format!(r#"{{"id":"{id:a<16}","ask":{ask},"key":"{key}","age_ms":0}}"#))
    }
}

fn switchings(records: &[Record]) -> Vec<Mark> {
    let marks = records.iter().filter_map(|record| match record {
        Record::Mark(mark) => Some(Mark::clone(mark)),
        _ => None,
    });
    let of = [MarkKind::LoadOn, MarkKind::LoadOff, MarkKind::PlantOn, MarkKind::PlantOff];
    marks.filter(|mark| of.contains(&mark.kind)).collect()
}

#[test]
fn a_press_makes_the_mark_that_a_typed_line_makes_once_and_at_its_own_time() {
    let folder = tempfile::tempdir().expect("a folder");
    let _house = simulate(folder.path());
    let mut run = Run::start(folder.path(), &["ct", "--capture", "ct.pcapng"]);
    let page = &run.page;
    let now =
        || std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).expect("a date").as_nanos();
    // The plant, then the kettle on: by the page, each sent three times at once.
    let mut pressed = Vec::new();
    for (id, key) in [("plant", "off"), ("first", "on")] {
        let ask = page.offered(key);
        let before = now();
        std::thread::scope(|scope| {
            let sent: Vec<_> = (0..3).map(|_| scope.spawn(|| page.press(id, ask, key))).collect();
            for answer in sent {
                let answer = answer.join().expect("answered");
                assert!(answer.contains(r#""came":"marked""#), "{answer}");
            }
        });
        pressed.push((before, now()));
        // Again, later, and with another identity.
        assert!(page.press(id, ask, key).contains(r#""came":"marked""#));
        assert!(page.press(&format!("{id}2"), ask, key).contains(r#""came":"not""#));
    }
    // The kettle off by a typed line, and on again.
    let ask = page.offered("off");
    writeln!(run.typed).expect("typed");
    let second = page.offered("on");
    assert!(page.press("late", ask, "off").contains(r#""came":"not""#));
    writeln!(run.typed).expect("typed");
    page.offered("off");
    assert!(page.press("later", second, "on").contains(r#""came":"not""#));
    run.end();
    let records = records(&folder.path().join("ct.pcapng"));
    let marks = switchings(&records);
    let kinds: Vec<MarkKind> = marks.iter().map(|mark| mark.kind).collect();
    assert_eq!(kinds, [MarkKind::PlantOff, MarkKind::LoadOn, MarkKind::LoadOff, MarkKind::LoadOn]);
    for (mark, (before, after)) in marks.iter().zip(&pressed) {
        let at = mark.at.nanos() as u128;
        // Marks are cut to microseconds.
        assert!(at + 1000 >= *before && at <= *after, "{at} between {before} and {after}");
    }
    // Pressed or typed, but for the time a mark is the same.
    let (by_press, by_line) = (&marks[1], &marks[3]);
    assert_eq!(Mark { at: by_line.at, ..by_press.clone() }, *by_line);
}

/// The person at the laptop answers everything but what is to be switched.
#[test]
fn a_guided_visit_asks_the_phone_in_its_checks() {
    let folder = tempfile::tempdir().expect("a folder");
    let _house = simulate(folder.path());
    let mut run = Run::start(folder.path(), &["commission", "visit", "--site", "site.toml"]);
    assert_eq!(run.page.state()["page"]["doing"], "Nothing has begun yet");
    let mut pressed = Vec::new();
    while pressed.len() < 3 {
        let line = run.said.recv_timeout(Duration::from_secs(60)).expect("more on the screen");
        let Some(prompt) = line.strip_prefix(">> ") else { continue };
        let ["switch", _, state, ..] = prompt.split_whitespace().collect::<Vec<_>>()[..] else {
            writeln!(run.typed).expect("typed");
            continue;
        };
        let key = state.to_lowercase();
        assert_eq!(run.page.state()["page"]["doing"], "CT direction");
        let ask = run.page.offered(&key);
        let answer = run.page.press(&format!("press{}", pressed.len()), ask, &key);
        assert!(answer.contains(r#""came":"marked""#), "{answer}");
        pressed.push(key);
    }
    run.end();
    assert_eq!(pressed, ["off", "on", "off"]);
    let marks = switchings(&records(&folder.path().join("visit/5-ct.pcapng")));
    let kinds: Vec<MarkKind> = marks.iter().map(|mark| mark.kind).collect();
    assert_eq!(kinds, [MarkKind::PlantOff, MarkKind::LoadOn, MarkKind::LoadOff]);
}

#[test]
fn a_page_is_for_a_live_line_and_for_one_address() {
    let folder = tempfile::tempdir().expect("a folder");
    for (arguments, words) in [
        (&["ct", "--from", "x.pcapng", "--page"][..], "a capture has nobody at its switches"),
        (&["limit", "--from", "x.pcapng", "--page"], "a capture has nobody at its switches"),
        (&["watch", "--profile", "p.toml", "--tcp", "127.0.0.1:1", "--page", "0.0.0.0"], "every network"),
        (&["commission", "--page", "visit"], "`visit` is no address"),
    ] {
        std::fs::write(folder.path().join("p.toml"), common::house::METER).expect("a profile");
        let ended = program(folder.path(), arguments).output().expect("run");
        let said = String::from_utf8_lossy(&ended.stderr);
        assert!(said.contains(words) && ended.status.code() == Some(2), "{arguments:?}: {said}");
    }
}

/// What a flood of the page did, and how many got an answer.
struct Flood {
    sent: u64,
    answered: u64,
    /// A phone with another address, which asked as phones do: how often, and how often it was answered.
    phone: (u64, u64),
}

/// 200 connections held open, headers of a megabyte, wrong tokens, a thousand requests a second, for so long.
fn flood(page: &Page, lasting: Duration) -> Flood {
    let host = page.host.as_str();
    let (asked, heard) = (AtomicU64::new(0), AtomicU64::new(0));
    let (stop, sent, answered) = (AtomicBool::new(false), AtomicU64::new(0), AtomicU64::new(0));
    std::thread::scope(|scope| {
        // Held open without a word, and opened again when closed.
        scope.spawn(|| {
            let mut held: Vec<Option<TcpStream>> = (0..200).map(|_| None).collect();
            while !stop.load(Ordering::Relaxed) {
                for one in &mut held {
                    let gone = one.as_mut().is_none_or(|stream| {
                        let _ = stream.set_nonblocking(true);
                        !matches!(stream.read(&mut [0; 16]), Err(error) if error.kind() == std::io::ErrorKind::WouldBlock)
                    });
                    if gone {
                        *one = TcpStream::connect(host).ok();
                    }
                }
                std::thread::sleep(Duration::from_millis(100));
            }
        });
        scope.spawn(|| {
            let long = format!("GET / HTTP/1.1\r\nX: {}\r\n\r\n", "a".repeat(1 << 20));
            while !stop.load(Ordering::Relaxed) {
                if let Ok(mut stream) = TcpStream::connect(host) {
                    let _ = stream.write_all(long.as_bytes());
                }
                std::thread::sleep(Duration::from_millis(50));
            }
        });
        for thread in 0..4 {
            let (stop, sent, answered) = (&stop, &sent, &answered);
            scope.spawn(move || {
                // Each on its own schedule of 4 ms: together a thousand a second.
                let begun = Instant::now();
                for number in 0_u32.. {
                    if stop.load(Ordering::Relaxed) {
                        return;
                    }
                    std::thread::sleep((Duration::from_millis(4) * number).saturating_sub(begun.elapsed()));
                    sent.fetch_add(1, Ordering::Relaxed);
                    let Ok(mut stream) = TcpStream::connect(host) else { continue };
                    let _ = stream.set_read_timeout(Some(Duration::from_millis(500)));
                    let _ = write!(stream, "GET /wrong{thread}{number}/state HTTP/1.1\r\n\r\n");
                    let mut answer = [0; 12];
                    if stream.read_exact(&mut answer).is_ok() {
                        assert_eq!(&answer, b"HTTP/1.1 404");
                        answered.fetch_add(1, Ordering::Relaxed);
                    }
                }
            });
        }
        scope.spawn(|| {
            while !stop.load(Ordering::Relaxed) {
                asked.fetch_add(1, Ordering::Relaxed);
                heard.fetch_add(u64::from(page.answers_another_address()), Ordering::Relaxed);
                std::thread::sleep(Duration::from_millis(500));
            }
        });
        std::thread::sleep(lasting);
        stop.store(true, Ordering::Relaxed);
    });
    Flood {
        sent: sent.into_inner(),
        answered: answered.into_inner(),
        phone: (asked.into_inner(), heard.into_inner()),
    }
}

/// Questions and answers in a capture, as times in ms after the first.
fn times(records: &[Record], direction: Direction) -> Vec<f64> {
    let mut times = records.iter().filter_map(|record| match record {
        Record::Frame(frame) if frame.direction == direction => Some(frame.at),
        _ => None,
    });
    let Some(first) = times.next() else { return Vec::new() };
    std::iter::once(0.0).chain(times.map(|at| (at - first).millis())).collect()
}

#[test]
fn a_flood_of_the_page_takes_no_reading_away() {
    let lasting = std::env::var("WATTWARD_FLOOD_S").ok().and_then(|text| text.parse().ok()).unwrap_or(4);
    let lasting = Duration::from_secs(lasting);
    let folder = tempfile::tempdir().expect("a folder");
    let _house = simulate(folder.path());
    let mut widest_gaps = Vec::new();
    for flooded in [false, true] {
        let name = if flooded { "flooded.pcapng" } else { "calm.pcapng" };
        let run = Run::start(folder.path(), &["ct", "--capture", name]);
        run.page.offered("off");
        let begun = Instant::now();
        let flood = if flooded {
            Some(flood(&run.page, lasting))
        } else {
            std::thread::sleep(lasting);
            None
        };
        let lasted = begun.elapsed();
        let memory = run.memory_kb();
        // The address that flooded has its allowance back, for the look that follows.
        std::thread::sleep(Duration::from_millis(5500));
        run.page.offered("off");
        run.end();
        let records = records(&folder.path().join(name));
        let (questions, answers) = (times(&records, Direction::Out), times(&records, Direction::In));
        let widest = answers.windows(2).map(|two| two[1] - two[0]).fold(0.0, f64::max);
        let span_s = answers.last().copied().unwrap_or(0.0) / 1000.0;
        println!(
            "{name}: {} questions, {} answers in {span_s:.1} s, widest gap {widest:.0} ms, peak memory {memory} kB, lasted {lasted:.1?}{}",
            questions.len(),
            answers.len(),
            flood.as_ref().map_or_else(String::new, |flood| format!(
                ", {} requests sent, {} answered; a phone elsewhere asked {} times, answered {}",
                flood.sent, flood.answered, flood.phone.0, flood.phone.1
            ))
        );
        assert!(memory < 64 * 1024, "{memory} kB");
        if let Some(flood) = flood {
            // A phone with another address has its own allowance.
            let (asked, answered) = flood.phone;
            assert!(asked > 0 && answered == asked, "{answered} of {asked}");
            assert!(flood.sent as f64 > 500.0 * lasting.as_secs_f64(), "{} sent", flood.sent);
            assert!(
                (flood.answered as f64) < 30.0 * lasting.as_secs_f64() + 60.0,
                "{} answered",
                flood.answered
            );
        }
        // Five a second are asked; every question is answered.
        assert_eq!(answers.len(), questions.len());
        assert!(answers.len() as f64 >= 5.0 * span_s - 1.0, "{} answers in {span_s} s", answers.len());
        widest_gaps.push(widest);
    }
    // A reading lost leaves a gap of two intervals; what the machine itself does shows in the calm run.
    let [calm, stormy] = widest_gaps[..] else { unreachable!("two runs") };
    assert!(stormy < (calm + 190.0).max(390.0), "a gap of {stormy} ms, {calm} ms without the flood");
}
