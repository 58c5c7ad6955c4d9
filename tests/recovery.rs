//! A gateway that closes its connection while a log runs: the loss and the return are marked, and the same capture goes on.

#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

mod common;

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};

use common::session::{folder, plan, quick};
use common::{register, rtu};
use wattward::base::Span;
use wattward::record::{MarkKind, Record, Role, frame_all, read_capture};
use wattward::rim::{Asking, Event, Session};

/// Questions that one connection answers before the gateway closes it.
const EACH: usize = 7;

/// Function code and data of the answer to such a question.
fn answer(pdu: &[u8]) -> Vec<u8> {
    let word = |at: usize| u16::from_be_bytes([pdu[at], pdu[at + 1]]);
    let mut answer = vec![pdu[0], (2 * word(3)) as u8];
    for offset in 0..word(3) {
        answer.extend(register(pdu[0], word(1) + offset).to_be_bytes());
    }
    answer
}

fn serve(stream: &mut TcpStream, serial: bool) -> std::io::Result<()> {
    for _ in 0..EACH {
        if serial {
            let mut question = [0; 8];
            stream.read_exact(&mut question)?;
            stream.write_all(&rtu(&[&question[..1], &answer(&question[1..6])].concat()))?;
        } else {
            // MODBUS Messaging on TCP/IP V1.0b, 3.1.3: number, protocol, length, unit
            let mut question = [0; 12];
            stream.read_exact(&mut question)?;
            let answer = answer(&question[7..]);
            let header = [&question[..4], &[0, answer.len() as u8 + 1], &question[6..7]].concat();
            stream.write_all(&[header, answer].concat())?;
        }
    }
    Ok(())
}

/// A gateway that closes each connection after some answers.
fn gateway(serial: bool) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("its address").to_string();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let Ok(mut stream) = stream else { return };
            let _ = serve(&mut stream, serial);
        }
    });
    address
}

#[test]
fn a_gateway_that_closes_the_connection_is_called_again_and_the_gap_is_marked() {
    for serial in [false, true] {
        let (_folder, capture) = folder();
        let address = gateway(serial);
        let kind = if serial { "serial_over_tcp" } else { "tcp" };
        let asking = Asking { cycles: None, ..quick(0) };
        let mut session =
            Session::start(&plan(&format!("{kind} = \"{address}\""), &capture, asking)).expect("start");
        let deadline = session.now() + Span::from_millis(20_000);
        let mut back = 0;
        while back < 2 {
            match session.next(deadline) {
                Event::LineBack(_) => back += 1,
                Event::Tick => panic!("{kind}: not back in time"),
                Event::Failed(failure) => panic!("{kind}: {failure}"),
                _ => {}
            }
        }
        let closed = session.close().expect("close");
        let bytes = std::fs::read(&closed.path).expect("the capture");
        let records = frame_all(&read_capture(&bytes).expect("a capture"));
        let marks: Vec<MarkKind> = records
            .iter()
            .filter_map(|record| match record {
                Record::Mark(mark) if mark.line.is_some() => Some(mark.kind),
                _ => None,
            })
            .collect();
        let expected = [MarkKind::LineLost, MarkKind::LineBack, MarkKind::LineLost, MarkKind::LineBack];
        assert_eq!(marks[..4], expected, "{kind}");
        let answers = records
            .iter()
            .filter(|record| matches!(record, Record::Frame(frame) if frame.role == Role::Response))
            .count();
        assert!(answers >= 2 * EACH, "{kind}: {answers}");
    }
}
