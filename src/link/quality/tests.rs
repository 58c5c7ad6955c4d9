//! Counting, and what is made of it.

use super::*;
use crate::link::Asked;
use crate::record::{Medium, Stray};

fn at(millis: i64) -> Stamp {
    Stamp::from_micros(1_790_000_000_000_000 + millis * 1000)
}

fn line() -> Vec<LineInfo> {
    vec![LineInfo { name: "bench".into(), medium: Medium::Serial, baud: Some(9600), tells_errors: false }]
}

fn transaction(millis: i64, count: u16, outcome: Outcome) -> Transaction {
    let asked = Asked { unit: 1, function: 4, address: 0, count };
    let latency = matches!(outcome, Outcome::Answer { .. }).then(|| Span::from_millis(20));
    Transaction { line: 0, asked_at: at(millis), asked, outcome, latency, suspect: false }
}

fn answer(millis: i64) -> Transaction {
    transaction(millis, 2, Outcome::Answer { at: at(millis + 20), pdu: vec![4, 4, 0, 0, 0, 0] })
}

fn stray(bytes: &[u8], why: StrayWhy) -> Record {
    Record::Stray(Stray { line: 0, at: at(5), direction: Direction::In, bytes: bytes.to_vec(), why })
}

#[test]
fn outcomes_are_counted_and_open_ones_are_not() {
    let mut quality = Quality::new(&line());
    for second in 0..10 {
        quality.transaction(&answer(second * 1000));
    }
    quality.transaction(&transaction(10_000, 2, Outcome::Silence));
    quality.transaction(&transaction(13_000, 2, Outcome::Exception { at: at(13_020), code: 2 }));
    quality.transaction(&transaction(14_000, 2, Outcome::Open));
    assert_eq!((quality.requests, quality.answers, quality.timeouts), (12, 10, 1));
    assert_eq!(quality.exceptions.get(&2), Some(&1));
    assert_eq!(quality.longest_gap, Some(Span::from_millis(4000)));
    assert_eq!(quality.failure(), Rate::new(1, 12));
}

#[test]
fn a_dead_line_a_swapped_pair_and_a_wrong_speed_are_told_apart() {
    let dead = |records: &[Record]| {
        let mut quality = Quality::new(&line());
        for second in 0..10 {
            quality.transaction(&transaction(second * 1000, 2, Outcome::Silence));
        }
        for record in records {
            quality.record(record);
        }
        causes(&quality).first().expect("a cause").what
    };
    assert!(dead(&[]).starts_with("no power at the unit"));
    assert!(dead(&[stray(&[0; 9], StrayWhy::Marked(WireError::Break))]).starts_with("A and B swapped"));
    assert!(dead(&[stray(&[0x80, 0xf8, 0xfe], StrayWhy::Noise)]).starts_with("speed or parity"));
    assert!(dead(&[stray(&[1, 2], StrayWhy::Marked(WireError::Parity))]).starts_with("parity"));
}

#[test]
fn a_good_line_gives_no_cause() {
    let mut quality = Quality::new(&line());
    for second in 0..1000 {
        quality.transaction(&answer(second * 1000));
    }
    assert_eq!(causes(&quality), []);
    assert!(quality.failure().upper_95() < 0.003);
}

#[test]
fn noise_that_strikes_long_answers_more_often_says_so() {
    let mut quality = Quality::new(&line());
    for second in 0..1000 {
        quality.transaction(&answer(second * 1000));
        let long = if second % 50 == 0 { Outcome::Damaged { at: at(0) } } else { answer(0).outcome };
        quality.transaction(&transaction(second * 1000 + 500, 100, long));
        if second % 500 == 0 {
            quality.transaction(&transaction(second * 1000 + 900, 2, Outcome::Damaged { at: at(0) }));
        }
    }
    let first = causes(&quality).remove(0);
    assert!(first.what.starts_with("noise"), "{first:?}");
    assert!(first.evidence.contains("times as often"), "{first:?}");
}
