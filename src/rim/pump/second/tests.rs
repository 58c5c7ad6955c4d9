//! The second decoder alone, in memory.

use super::*;
use crate::base::Stamp;
use crate::record::{Direction, Medium, Role};
use crate::wire::{self, Request};

fn run<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime").block_on(future)
}

fn frame(bytes: &[u8]) -> Frame {
    Frame {
        line: 0,
        at: Stamp::default(),
        direction: Direction::In,
        role: Role::Response,
        bytes: bytes.to_vec(),
        medium: Medium::Serial,
    }
}

/// Registers 108 to 110 of unit 1 (Modbus Application Protocol V1.1b3, 6.3; CRC added).
fn question() -> Question {
    Question { unit: 1, request: Request::read_holding(107, 3).expect("valid") }
}
const SENT: [u8; 8] = [0x01, 0x03, 0x00, 0x6b, 0x00, 0x03, 0x74, 0x17];
const ANSWER: [u8; 11] = [0x01, 0x03, 0x06, 0x02, 0x2b, 0x00, 0x00, 0x00, 0x64, 0x05, 0x7a];

#[test]
fn it_asks_the_same_bytes_and_reads_the_same_registers_echo_or_not() {
    run(async {
        let mut second = Second::default();
        for echo in [false, true, false] {
            assert_eq!(second.ask(question(), 8).await.as_deref(), Some(&SENT[..]));
            if echo {
                second.hear(&SENT[..5]).await;
                second.hear(&SENT[5..]).await;
            }
            for byte in ANSWER {
                second.hear(&[byte]).await;
            }
            assert_eq!(second.compare(&frame(&ANSWER)).await, Some(Ok(())));
        }
    });
}

#[test]
fn a_difference_is_told() {
    run(async {
        let mut second = Second::default();
        let other = wire::rtu::encode(1, &[3, 6, 2, 0x2b, 0, 0, 0, 0x65]);
        // Also behind a late answer: the frame told stands nowhere in what was heard.
        let late = wire::rtu::encode(1, &[3, 2, 0, 1]);
        for before in [&[][..], &late] {
            second.ask(question(), 8).await.expect("bytes");
            second.hear(&[before, &ANSWER].concat()).await;
            let told = second.compare(&frame(&other)).await.expect("an opinion").expect_err("another value");
            assert!(told.contains("the second decoder read"), "{told}");
        }
    });
}

#[test]
fn exceptions_and_identifications_are_compared_too() {
    run(async {
        let mut second = Second::default();
        second.ask(question(), 8).await.expect("bytes");
        // Exception 2 to function 3, unit 1.
        let exception = [0x01, 0x83, 0x02, 0xc0, 0xf1];
        second.hear(&exception).await;
        assert_eq!(second.compare(&frame(&exception)).await, Some(Ok(())));
        let identify = Question { unit: 1, request: Request::device_id(1, 0).expect("valid") };
        let sent = second.ask(identify, 7).await;
        assert_eq!(sent, Some(wire::rtu::encode(1, &[0x2b, 0x0e, 1, 0])));
        let answer = wire::rtu::encode(1, &[0x2b, 0x0e, 1, 1, 0, 0, 1, 0, 2, b'A', b'b']);
        second.hear(&answer).await;
        assert_eq!(second.compare(&frame(&answer)).await, Some(Ok(())));
    });
}

#[test]
fn trouble_leaves_no_trace_in_the_next_answer() {
    // The observations of the libraries turned round: noise, header-like noise, nothing, an answer of another length.
    let troubles: [&[u8]; 5] = [
        &[0x41; 25],
        &[0x03, 0x03, 0xf0],
        &[],
        &[0x80, 0xfe, 0x12],
        &[0x01, 0x03, 0x02, 0x00, 0x01, 0x79, 0x84],
    ];
    run(async {
        for trouble in troubles {
            let mut second = Second::default();
            second.ask(question(), 8).await.expect("bytes");
            second.hear(trouble).await;
            if !trouble.is_empty() {
                let opinion = second.compare(&frame(&ANSWER)).await;
                assert_ne!(opinion, Some(Ok(())), "{trouble:02x?}");
            }
            second.ask(question(), 8).await.expect("bytes");
            second.hear(&ANSWER).await;
            assert_eq!(second.compare(&frame(&ANSWER)).await, Some(Ok(())), "{trouble:02x?}");
        }
    });
}

#[test]
fn a_late_answer_heard_before_the_answer_is_no_difference() {
    // Of another length, as a separator has it; in a lump with the answer, and in one of its own.
    let late = wire::rtu::encode(1, &[3, 2, 0, 1]);
    run(async {
        for lumps in [vec![[&late[..], &ANSWER].concat()], vec![late.clone(), ANSWER.to_vec()]] {
            let mut second = Second::default();
            second.ask(question(), 8).await.expect("bytes");
            for lump in &lumps {
                second.hear(lump).await;
            }
            assert_eq!(second.compare(&frame(&ANSWER)).await, Some(Ok(())), "{} lumps", lumps.len());
            second.ask(question(), 8).await.expect("bytes");
            second.hear(&ANSWER).await;
            assert_eq!(second.compare(&frame(&ANSWER)).await, Some(Ok(())), "afterwards");
        }
    });
}
