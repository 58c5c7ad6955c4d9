//! Counting, and what is made of it.

use super::*;
use crate::link::{Asked, Pairer};
use crate::record::Stray;

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

#[test]
fn what_explains_more_comes_first() {
    let mut quality = Quality::new(&line());
    for second in 0..1000 {
        quality.transaction(&answer(second * 1000));
        if second % 100 == 0 {
            quality.transaction(&transaction(second * 1000, 2, Outcome::Damaged { at: at(0) }));
        }
        if second % 10 == 0 {
            quality.transaction(&transaction(second * 1000, 2, Outcome::Silence));
        }
    }
    let found: Vec<&str> = causes(&quality).into_iter().map(|cause| cause.what).collect();
    assert!(
        found[0].starts_with("questions spoilt on the way") && found[1].starts_with("noise"),
        "{found:?}"
    );
}

#[test]
fn a_unit_that_fails_alone_is_told_from_a_line_that_fails() {
    let of_unit = |unit: u8, millis: i64, outcome: Outcome| {
        let mut transaction = transaction(millis, 2, outcome);
        transaction.asked.unit = unit;
        transaction
    };
    let mut quality = Quality::new(&line());
    for second in 0..30 {
        quality.transaction(&of_unit(1, second * 1000, answer(0).outcome));
        quality.transaction(&of_unit(2, second * 1000 + 500, Outcome::Silence));
    }
    let first = causes(&quality).remove(0);
    assert!(
        first.what.starts_with("one unit fails") && first.evidence.starts_with("unit 2: 30 of 30"),
        "{first:?}"
    );
    for second in 30..100 {
        quality.transaction(&of_unit(1, second * 1000, Outcome::Silence));
    }
    assert!(!causes(&quality).iter().any(|cause| cause.what.starts_with("one unit fails")));
}

#[test]
fn two_answers_to_one_question_are_two_units() {
    let frame = |direction, role, pdu: &[u8]| {
        let bytes = crate::wire::rtu::encode(1, pdu);
        Record::Frame(Frame { line: 0, at: at(0), direction, role, bytes, medium: Medium::Serial })
    };
    let mut quality = Quality::new(&line());
    let mut pairer = Pairer::new(&line());
    let mut take = |quality: &mut Quality, record: Record| {
        let mut settled = Vec::new();
        quality.record(&record);
        pairer.push(&record, &mut settled);
        for transaction in &settled {
            quality.transaction(transaction);
        }
        quality.pairing(&pairer);
    };
    let ask = || frame(Direction::Out, Role::Request, &[4, 0, 0, 0, 1]);
    let answer = |value: u8| frame(Direction::In, Role::Response, &[4, 2, 0, value]);
    for _ in 0..3 {
        take(&mut quality, ask());
        take(&mut quality, answer(1));
    }
    assert_eq!(quality.second_answers, 0);
    take(&mut quality, answer(7));
    assert_eq!(quality.second_answers, 1);
    assert_eq!(causes(&quality)[0].what, "two units with one address");
    // A late answer behind the repeat of its question is none.
    for record in [ask(), ask(), answer(1), answer(1)] {
        take(&mut quality, record);
    }
    assert_eq!(quality.second_answers, 1);
}

#[test]
fn a_single_event_explains_no_more_than_its_share() {
    let first = |seconds: u64, foreign: u64| {
        let mut quality = Quality::new(&line());
        for second in 0..90 {
            quality.transaction(&answer(second * 1000));
        }
        for second in 90..100 {
            quality.transaction(&transaction(second * 1000, 2, Outcome::Silence));
        }
        (quality.second_answers, quality.foreign_requests) = (seconds, foreign);
        causes(&quality)[0].what
    };
    assert!(first(1, 0).starts_with("questions spoilt on the way"), "{}", first(1, 0));
    assert!(first(0, 1).starts_with("questions spoilt on the way"), "{}", first(0, 1));
    assert_eq!(first(3, 0), "two units with one address");
    assert_eq!(first(0, 3), "another master on this line");
}
