//! Our master against servers of an independent Modbus library, on a pseudo-terminal and over TCP; and over TCP against an
//! invented server that answers late. (The peers in other languages are in `tests/peers/`, run by `tests/run`.)

#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test may stop where it stands"
)]

mod common;

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use common::session::{folder, plan, quick, serial};
use common::{Bridge, pty, register};
use tokio_modbus::prelude::{ExceptionCode, Request, Response, SlaveRequest};
use tokio_modbus::server::Service;
use wattward::base::Span;
use wattward::record::{Direction, Record, Role, frame_all, read_capture};
use wattward::rim::{Asking, Event, Session};

/// The invented meter, served by the library.
#[derive(Clone, Default)]
struct Meter {
    functions: Arc<Mutex<Vec<u8>>>,
}

impl Service for Meter {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = std::future::Ready<Result<Self::Response, Self::Exception>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        self.functions.lock().expect("functions").push(request.request.function_code().value());
        let words = |function: u8, address: u16, count: u16| {
            (0..count).map(|offset| register(function, address + offset)).collect::<Vec<u16>>()
        };
        std::future::ready(match request.request {
            _ if request.slave != 1 => Ok(None),
            Request::ReadInputRegisters(address, count) if address < 1000 => {
                Ok(Some(Response::ReadInputRegisters(words(4, address, count))))
            }
            Request::ReadHoldingRegisters(address, count) if address < 1000 => {
                Ok(Some(Response::ReadHoldingRegisters(words(3, address, count))))
            }
            Request::ReadInputRegisters(..) | Request::ReadHoldingRegisters(..) => {
                Err(ExceptionCode::IllegalDataAddress)
            }
            _ => Err(ExceptionCode::IllegalFunction),
        })
    }
}

fn cycles(session: &mut Session) -> Vec<Record> {
    let deadline = session.now() + Span::from_millis(15_000);
    let mut records = Vec::new();
    loop {
        match session.next(deadline) {
            Event::Records(more) => records.extend(more),
            Event::Done => return records,
            Event::Tick => panic!("not done in time: {:?}", session.stats()),
            Event::Failed(failure) => panic!("{failure}"),
            _ => {}
        }
    }
}

/// Every answer carries the registers that were asked for; how many there were.
fn right_answers(records: &[Record]) -> usize {
    let mut asked = None;
    let mut right = 0;
    for record in records {
        let Record::Frame(frame) = record else { continue };
        let pdu = frame.pdu();
        match (frame.direction, frame.role) {
            (Direction::Out, _) => {
                asked = Some((pdu[0], u16::from_be_bytes([pdu[1], pdu[2]]), frame.transaction()));
            }
            (Direction::In, Role::Response) => {
                let (function, address, transaction) = asked.expect("a question first");
                if frame.transaction() != transaction {
                    continue;
                }
                let expected: Vec<u8> = (0..u16::from(pdu[1]) / 2)
                    .flat_map(|offset| register(function, address + offset).to_be_bytes())
                    .collect();
                assert_eq!(pdu[2..], expected);
                right += 1;
            }
            _ => panic!("{frame:?}"),
        }
    }
    right
}

#[test]
fn a_meter_served_by_an_independent_library_on_a_pseudo_terminal_is_read() {
    let (_folder, capture) = folder();
    let ((far, near), (server_far, server_near)) = (pty(), pty());
    let meter = Meter::default();
    let service = meter.clone();
    let (end, ended) = tokio::sync::oneshot::channel::<()>();
    let (ready, wait) = std::sync::mpsc::channel();
    let server = std::thread::spawn(move || {
        tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime").block_on(
            async {
                let server =
                    tokio_modbus::server::rtu::Server::new_from_path(server_near, 115_200).expect("open");
                ready.send(()).expect("ready");
                let _ = server
                    .serve_until(service, async move {
                        let _ = ended.await;
                    })
                    .await;
            },
        );
    });
    wait.recv().expect("server");
    let bridge = Bridge::start(far, server_far);
    let mut session = Session::start(&plan(&serial(&near), &capture, quick(10))).expect("start");
    cycles(&mut session);
    let stats = session.stats()[0];
    let closed = session.close().expect("close");
    let _ = end.send(());
    drop(bridge);
    server.join().expect("server");
    assert_eq!((stats.counters.answered, stats.confirmed), (30, 30), "{:?}", stats.counters);
    let records = frame_all(&read_capture(&std::fs::read(closed.path).expect("file")).expect("capture"));
    assert_eq!(right_answers(&records), 30);
    assert_eq!(*meter.functions.lock().expect("functions"), [4; 30]);
}

#[test]
fn a_meter_served_by_an_independent_library_over_tcp_is_read() {
    let (_folder, capture) = folder();
    let (address, wait) = std::sync::mpsc::channel();
    let (end, ended) = tokio::sync::oneshot::channel::<()>();
    let server = std::thread::spawn(move || {
        tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime").block_on(
            async {
                let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("bind");
                address.send(listener.local_addr().expect("address")).expect("told");
                let server = tokio_modbus::server::tcp::Server::new(listener);
                let connected = |stream, peer| async move {
                    tokio_modbus::server::tcp::accept_tcp_connection(stream, peer, |_| {
                        Ok(Some(Meter::default()))
                    })
                };
                let stopped = async move {
                    let _ = ended.await;
                };
                let _ = server.serve_until(&connected, |_| {}, stopped).await;
            },
        );
    });
    let line = format!("tcp = \"{}\"", wait.recv().expect("address"));
    let mut session = Session::start(&plan(&line, &capture, quick(10))).expect("start");
    cycles(&mut session);
    let stats = session.stats()[0];
    let closed = session.close().expect("close");
    let _ = end.send(());
    server.join().expect("server");
    assert_eq!((stats.counters.answered, stats.counters.timeouts), (30, 0));
    let records = frame_all(&read_capture(&std::fs::read(closed.path).expect("file")).expect("capture"));
    assert_eq!(right_answers(&records), 30);
}

/// An invented server over TCP: what it does with the n-th question of all, counted over connections.
fn tcp_server(act: fn(usize) -> Duration) -> (String, Arc<Mutex<(usize, usize)>>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("bind");
    let address = listener.local_addr().expect("address").to_string();
    let counts = Arc::new(Mutex::new((0, 0)));
    let shared = Arc::clone(&counts);
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let Ok(stream) = stream else { return };
            shared.lock().expect("counts").0 += 1;
            let _ = talk(stream, &shared, act);
        }
    });
    (address, counts)
}

fn talk(
    mut stream: TcpStream,
    counts: &Mutex<(usize, usize)>,
    act: fn(usize) -> Duration,
) -> std::io::Result<()> {
    loop {
        let mut question = [0; 12];
        stream.read_exact(&mut question)?;
        let number = {
            let mut counts = counts.lock().expect("counts");
            counts.1 += 1;
            counts.1 - 1
        };
        let word = |at: usize| u16::from_be_bytes([question[at], question[at + 1]]);
        let (function, address, count) = (question[7], word(8), word(10));
        let mut answer = question[..4].to_vec();
        answer.extend((3 + 2 * count).to_be_bytes());
        answer.extend([question[6], function, (2 * count) as u8]);
        for offset in 0..count {
            answer.extend(register(function, address + offset).to_be_bytes());
        }
        let delay = act(number);
        if delay == Duration::MAX {
            continue;
        }
        // The next question may come while this one waits, as at a slow gateway.
        let mut twin = stream.try_clone()?;
        std::thread::spawn(move || {
            std::thread::sleep(delay);
            let _ = twin.write_all(&answer);
        });
    }
}

#[test]
fn over_tcp_a_late_answer_is_passed_over_and_a_hundred_right_reads_follow_on_the_same_connection() {
    let late = |number: usize| if number == 4 { Duration::from_millis(350) } else { Duration::ZERO };
    let (address, counts) = tcp_server(late);
    let (_folder, capture) = folder();
    let mut session =
        Session::start(&plan(&format!("tcp = \"{address}\""), &capture, quick(36))).expect("start");
    let records = cycles(&mut session);
    let stats = session.stats()[0];
    session.close().expect("close");
    assert_eq!((stats.counters.timeouts, stats.counters.late), (1, 1), "{:?}", stats.counters);
    assert_eq!(stats.counters.answered, 108);
    assert!(right_answers(&records) >= 104);
    assert_eq!(counts.lock().expect("counts").0, 1, "the same connection");
}

#[test]
fn over_tcp_two_lost_in_a_row_connect_anew_and_the_gap_is_marked() {
    let deaf = |number: usize| if (4..6).contains(&number) { Duration::MAX } else { Duration::ZERO };
    let (address, counts) = tcp_server(deaf);
    let (_folder, capture) = folder();
    let mut session =
        Session::start(&plan(&format!("tcp = \"{address}\""), &capture, quick(5))).expect("start");
    let records = cycles(&mut session);
    let stats = session.stats()[0];
    session.close().expect("close");
    assert_eq!((stats.counters.reconnects, stats.counters.timeouts), (1, 2), "{:?}", stats.counters);
    assert_eq!(counts.lock().expect("counts").0, 2, "one connection after the other");
    assert!(right_answers(&records) >= 13);
    let marks = records.iter().filter(|record| matches!(record, Record::Mark(mark) if mark.line.is_some()));
    assert_eq!(marks.count(), 2, "lost and back");
}

#[test]
fn serial_frames_over_tcp_are_read_as_on_a_serial_line() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("bind");
    let address = listener.local_addr().expect("address");
    std::thread::spawn(move || -> std::io::Result<()> {
        let (mut stream, _) = listener.accept()?;
        loop {
            let mut question = [0; 8];
            stream.read_exact(&mut question)?;
            let word = |at: usize| u16::from_be_bytes([question[at], question[at + 1]]);
            let mut answer = vec![question[0], question[1], (2 * word(4)) as u8];
            for offset in 0..word(4) {
                answer.extend(register(question[1], word(2) + offset).to_be_bytes());
            }
            let answer = common::rtu(&answer);
            // A gateway splits frames over segments.
            stream.write_all(&answer[..4])?;
            std::thread::sleep(Duration::from_millis(5));
            stream.write_all(&answer[4..])?;
        }
    });
    let (_folder, capture) = folder();
    let line = format!("serial_over_tcp = \"{address}\"");
    let mut session = Session::start(&plan(&line, &capture, quick(4))).expect("start");
    let records = cycles(&mut session);
    let stats = session.stats()[0];
    session.close().expect("close");
    assert_eq!((stats.counters.answered, stats.confirmed), (12, 12), "{:?}", stats.counters);
    assert_eq!(right_answers(&records), 12);
}

#[test]
fn a_host_that_refuses_is_told_with_its_name() {
    // A port that was free a moment ago.
    let address = TcpListener::bind("127.0.0.1:0").expect("bind").local_addr().expect("address");
    let (_folder, capture) = folder();
    let asking = Asking { listen_first: Span::ZERO, ..Asking::default() };
    let failure =
        Session::start(&plan(&format!("tcp = \"{address}\""), &capture, asking)).expect_err("refused");
    assert_eq!(failure.message, format!("{address} refuses the connection"));
    assert!(!capture.exists());
}
