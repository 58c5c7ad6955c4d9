//! The live door over real pseudo-terminals, against an invented meter that misbehaves in every way seen in the field.

#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test may stop where it stands"
)]

mod common;

use std::path::Path;
use std::time::Duration;

use common::session::{folder, plan, quick, serial};
use common::{Act, FakeMeter, pty, register};
use wattward::base::{Failure, Span, Stamp};
use wattward::profile::SerialSettings;
use wattward::record::{Direction, MarkKind, Record, Role, StrayWhy, frame_all, read_capture};
use wattward::rim::{Asking, Event, Session, Talk};

/// Runs a session to its end; all records that came out.
fn run(session: &mut Session) -> Vec<Record> {
    let deadline = session.now() + Span::from_millis(20_000);
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

fn capture_records(path: &Path) -> Vec<Record> {
    let capture = read_capture(&std::fs::read(path).expect("file")).expect("capture");
    assert_eq!(capture.cut, None);
    frame_all(&capture)
}

/// Every function code sent, over a whole capture, is 3, 4 or 43.
fn assert_only_reads(records: &[Record]) {
    for record in records {
        if let Record::Frame(frame) = record
            && frame.direction == Direction::Out
        {
            assert!([3, 4, 43].contains(&frame.pdu()[0]), "{frame:?}");
        }
        if let Record::Stray(stray) = record {
            assert_eq!(stray.direction, Direction::In, "what was sent is whole frames: {stray:?}");
        }
    }
}

#[test]
fn a_meter_on_a_pseudo_terminal_is_read_and_recorded() {
    let (_folder, capture) = folder();
    let (far, near) = pty();
    let meter = FakeMeter::start(far, vec![]);
    let mut session = Session::start(&plan(&serial(&near), &capture, quick(5))).expect("start");
    let live = run(&mut session);
    let stats = session.stats()[0];
    let closed = session.close().expect("close");
    assert_eq!(meter.seen().questions.len(), 15);
    assert_eq!((stats.counters.answered, stats.counters.timeouts, stats.cycles), (15, 0, 5));
    assert_eq!(stats.confirmed, 15, "the second decoder agreed every time");
    let replayed = capture_records(&closed.path);
    assert_only_reads(&replayed);
    assert_silences(&replayed);
    // All that was told live stands in the file, in the same order, with the same times; the last clock mark follows.
    assert_eq!(replayed[..live.len()], live[..]);
    let kinds: Vec<MarkKind> = replayed
        .iter()
        .filter_map(|record| match record {
            Record::Mark(mark) => Some(mark.kind),
            _ => None,
        })
        .collect();
    assert_eq!(kinds, [MarkKind::Clock, MarkKind::Site, MarkKind::Profile, MarkKind::Clock]);
}

/// Before every question the line was silent for 3.5 characters, here 1.75 ms, from the computed end of the frame before it
/// (MODBUS over Serial Line V1.02, 2.5.1.1).
fn assert_silences(records: &[Record]) {
    let settings = SerialSettings { baud: 115_200, ..SerialSettings::default() };
    let frames: Vec<_> = records
        .iter()
        .filter_map(|record| match record {
            Record::Frame(frame) => Some(frame),
            _ => None,
        })
        .collect();
    for pair in frames.windows(2).filter(|pair| pair[1].direction == Direction::Out) {
        let silence = pair[1].at - (pair[0].at + settings.characters(pair[0].bytes.len()));
        assert!(silence >= Span::from_micros(1750), "{silence}");
    }
    assert!(frames.len() > 4);
}

/// One misbehaviour in the middle of good answers: what the next reading is, and what is counted.
fn after(act: Act) -> (wattward::rim::drive::LineStats, Vec<Record>) {
    let (_folder, capture) = folder();
    let (far, near) = pty();
    let meter = FakeMeter::start(far, vec![Act::Answer, Act::Answer, Act::Answer, act]);
    let mut session = Session::start(&plan(&serial(&near), &capture, quick(4))).expect("start");
    run(&mut session);
    let stats = session.stats()[0];
    let closed = session.close().expect("close");
    assert_eq!(meter.acts_left(), 0);
    let records = capture_records(&closed.path);
    assert_only_reads(&records);
    assert_all_answers_fit(&records);
    (stats, records)
}

/// Whatever was asked, the answer paired with it by the master carries the registers of that question: the answers
/// between a question and the next one.
fn assert_all_answers_fit(records: &[Record]) {
    let mut asked: Option<(u8, u16, u16)> = None;
    let mut fitting = 0;
    for record in records {
        let Record::Frame(frame) = record else { continue };
        let pdu = frame.pdu();
        if frame.direction == Direction::Out {
            let word = |at: usize| u16::from_be_bytes([pdu[at], pdu[at + 1]]);
            asked = (pdu[0] != 43).then(|| (pdu[0], word(1), word(3)));
        } else if frame.role == Role::Response
            && let Some((function, address, count)) = asked
            && pdu[0] == function
            && usize::from(pdu[1]) == 2 * usize::from(count)
        {
            for (index, word) in pdu[2..].chunks(2).enumerate() {
                let value = u16::from_be_bytes([word[0], word[1]]);
                assert_eq!(value, register(function, address + index as u16), "another block's register");
            }
            fitting += 1;
        }
    }
    assert!(fitting >= 12, "{fitting} answers");
}

#[test]
fn a_late_answer_is_drained_and_no_reading_carries_another_blocks_registers() {
    // The floor of a learned time-out is 300 ms: these come after it, while the line falls quiet or after the repeat.
    for delay in [320, 340] {
        let (stats, _) = after(Act::Late(Duration::from_millis(delay)));
        assert_eq!(stats.counters.timeouts, 1, "{:?}", stats.counters);
        assert_eq!(stats.counters.late, 1, "{:?}", stats.counters);
        assert_eq!(stats.counters.answered - stats.counters.separators, 12, "{:?}", stats.counters);
    }
}

#[test]
fn silence_and_damage_are_counted_and_the_next_reading_is_right() {
    let (stats, _) = after(Act::Silent);
    let counters = stats.counters;
    assert_eq!((counters.timeouts, counters.answered, counters.separators), (1, 13, 1), "{counters:?}");
    let (stats, records) = after(Act::BadCrc);
    assert_eq!((stats.counters.damaged, stats.counters.answered), (1, 12), "{:?}", stats.counters);
    assert!(
        records.iter().any(|record| matches!(record, Record::Stray(stray) if stray.why == StrayWhy::Damaged))
    );
}

#[test]
fn noise_before_an_answer_costs_nothing() {
    for noise in [
        vec![0x00],
        vec![0xff; 3],
        vec![0xff; 25],
        vec![0x03, 0x03, 0xf0],
        vec![0x80, 0xfe, 0x12, 0x03, 0x7c],
        vec![0x41; 25],
    ] {
        let (stats, _) = after(Act::Noise(noise.clone()));
        assert_eq!(
            (stats.counters.answered, stats.counters.timeouts),
            (12, 0),
            "{noise:02x?} {:?}",
            stats.counters
        );
    }
}

#[test]
fn answers_to_something_else_are_no_readings() {
    // Of another function; an exception of another function; of another count; from another unit; an odd byte count.
    let others: [&[u8]; 5] =
        [&[1, 3, 2, 0, 1], &[1, 0x83, 2], &[1, 4, 4, 0, 1, 0, 2], &[9, 4, 2, 0, 1], &[1, 4, 3, 0, 1, 2]];
    for other in others {
        let (stats, _) = after(Act::Instead(other.to_vec()));
        let counters = stats.counters;
        assert_eq!(counters.answered - counters.separators, 12, "{other:02x?} {counters:?}");
        assert_eq!(
            counters.timeouts + counters.unexpected + counters.damaged,
            1,
            "{other:02x?} {counters:?}"
        );
    }
    let (stats, _) = after(Act::Before(vec![9, 4, 2, 0, 1]));
    assert_eq!((stats.counters.answered, stats.counters.timeouts), (12, 0), "{:?}", stats.counters);
}

#[test]
fn an_exception_is_an_answer() {
    let (_folder, capture) = folder();
    let (far, near) = pty();
    let _meter = FakeMeter::start(far, vec![Act::Instead(vec![1, 0x84, 2])]);
    let mut session = Session::start(&plan(&serial(&near), &capture, quick(2))).expect("start");
    run(&mut session);
    let stats = session.stats()[0];
    assert_eq!((stats.counters.exceptions, stats.counters.answered, stats.counters.asked), (1, 5, 6));
    assert_eq!(stats.confirmed, 6);
}

#[test]
fn an_adapter_that_echoes_is_noticed_and_changes_no_reading() {
    for size in [8, 1, 3] {
        let (_folder, capture) = folder();
        let (far, near) = pty();
        let _meter = FakeMeter::start(far, vec![Act::Echo(size); 12]);
        let mut session = Session::start(&plan(&serial(&near), &capture, quick(4))).expect("start");
        run(&mut session);
        let stats = session.stats()[0];
        let closed = session.close().expect("close");
        assert_eq!(
            (stats.echoes, stats.counters.answered, stats.confirmed),
            (12, 12, 12),
            "{:?}",
            stats.counters
        );
        let records = capture_records(&closed.path);
        let echoed: usize = records
            .iter()
            .filter_map(|record| match record {
                Record::Stray(stray) if stray.why == StrayWhy::Echo => Some(stray.bytes.len()),
                _ => None,
            })
            .sum();
        assert_eq!(echoed, 12 * 8);
        let noted = records.iter().filter(
            |record| matches!(record, Record::Mark(mark) if mark.message.contains("the adapter echoes")),
        );
        assert_eq!(noted.count(), 1, "told once");
    }
    let (stats, _) = after(Act::AlteredEcho);
    assert_eq!((stats.counters.answered, stats.echoes), (12, 0), "{:?}", stats.counters);
}

#[test]
fn an_answer_cut_at_any_byte_is_followed_by_a_right_one() {
    let acts: Vec<Act> =
        (0..7).flat_map(|length| [Act::Cut(length), Act::Answer, Act::Answer, Act::Answer]).collect();
    let (_folder, capture) = folder();
    let (far, near) = pty();
    let meter = FakeMeter::start(far, [vec![Act::Answer; 3], acts].concat());
    let mut session = Session::start(&plan(&serial(&near), &capture, quick(9))).expect("start");
    run(&mut session);
    let stats = session.stats()[0];
    let closed = session.close().expect("close");
    assert_eq!(meter.acts_left(), 0);
    assert_eq!(stats.counters.answered - stats.counters.separators, 27, "{:?}", stats.counters);
    assert_eq!(stats.counters.timeouts + stats.counters.damaged, 7, "{:?}", stats.counters);
    assert_all_answers_fit(&capture_records(&closed.path));
}

#[test]
fn bytes_one_by_one_are_read_like_any() {
    let (stats, _) = after(Act::Dribble);
    assert_eq!((stats.counters.answered, stats.confirmed), (12, 12));
}

#[test]
fn another_master_is_heard_before_a_byte_is_sent() {
    let (_folder, capture) = folder();
    let (far, near) = pty();
    let asking = Asking { listen_first: Span::from_millis(400), ..quick(3) };
    let mut session = Session::start(&plan(&serial(&near), &capture, asking)).expect("start");
    // A question of another master, and its answer.
    let line = [common::rtu(&[7, 4, 0, 0, 0, 2]), common::rtu(&[7, 4, 4, 0, 1, 0, 2])].concat();
    std::thread::sleep(Duration::from_millis(100));
    rustix::io::write(&far, &line).expect("write");
    let deadline = session.now() + Span::from_millis(3000);
    let heard = loop {
        match session.next(deadline) {
            Event::Refused { heard, .. } => break heard,
            Event::Records(_) => {}
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(heard.to_string(), "another master: 1 request and 1 answer, unit 7");
    let closed = session.close().expect("close");
    assert!(capture_records(&closed.path).iter().all(|record| match record {
        Record::Frame(frame) => frame.direction == Direction::In,
        _ => true,
    }));
}

#[test]
fn a_second_instance_is_told_the_port_is_in_use() {
    let (folder, capture) = folder();
    let (far, near) = pty();
    let _meter = FakeMeter::start(far, vec![]);
    let session = Session::start(&plan(&serial(&near), &capture, quick(2))).expect("start");
    let other = folder.path().join("other.pcapng");
    let failure: Failure = Session::start(&plan(&serial(&near), &other, quick(2))).expect_err("in use");
    assert!(failure.message.contains("in use"), "{failure}");
    assert!(!other.exists(), "no empty capture is left behind");
    drop(session);
}

#[test]
fn a_lost_line_is_marked_within_a_second_and_comes_back_in_the_same_capture() {
    let (folder, capture) = folder();
    let (far, near) = pty();
    let link = folder.path().join("adapter");
    std::os::unix::fs::symlink(&near, &link).expect("link");
    let first = FakeMeter::start(far, vec![]);
    let asking = Asking { cycles: None, ..quick(0) };
    let mut session =
        Session::start(&plan(&serial(link.to_str().unwrap()), &capture, asking)).expect("start");
    let far_off = |session: &Session| session.now() + Span::from_millis(8000);
    let mut answers = 0;
    while answers < 5 {
        let deadline = far_off(&session);
        if let Event::Records(records) = session.next(deadline) {
            answers += records
                .iter()
                .filter(|record| matches!(record, Record::Frame(frame) if frame.role == Role::Response))
                .count();
        }
    }
    drop(first);
    let unplugged = session.now();
    let lost = wait_for(&mut session, |event| matches!(event, Event::LineLost(_)));
    assert!(lost - unplugged < Span::from_millis(1000));
    // Plugged in again: another terminal behind the same name.
    let (far, near) = pty();
    std::fs::remove_file(&link).expect("remove");
    std::os::unix::fs::symlink(&near, &link).expect("link");
    let second = FakeMeter::start(far, vec![]);
    wait_for(&mut session, |event| matches!(event, Event::LineBack(_)));
    wait_for(
        &mut session,
        |event| matches!(event, Event::Records(records) if records.iter().any(|record| matches!(record, Record::Frame(frame) if frame.role == Role::Response))),
    );
    let closed = session.close().expect("close");
    assert!(!second.seen().questions.is_empty());
    let kinds: Vec<MarkKind> = capture_records(&closed.path)
        .iter()
        .filter_map(|record| match record {
            Record::Mark(mark) if mark.line.is_some() => Some(mark.kind),
            _ => None,
        })
        .collect();
    assert_eq!(kinds, [MarkKind::LineLost, MarkKind::LineBack]);
}

fn wait_for(session: &mut Session, wanted: impl Fn(&Event) -> bool) -> Stamp {
    let deadline = session.now() + Span::from_millis(8000);
    loop {
        let event = session.next(deadline);
        assert!(!matches!(event, Event::Tick), "nothing of the kind happened");
        if wanted(&event) {
            return session.now();
        }
    }
}

#[test]
fn only_listening_sends_nothing_and_records_both_sides() {
    let (_folder, capture) = folder();
    let (far, near) = pty();
    let mut listen = plan(&serial(&near), &capture, Asking::default());
    listen.talk = Talk::Listen;
    let mut session = Session::start(&listen).expect("start");
    let line: Vec<u8> = (0..3)
        .flat_map(|_| [common::rtu(&[7, 4, 0, 0, 0, 2]), common::rtu(&[7, 4, 4, 0, 1, 0, 2])].concat())
        .collect();
    rustix::io::write(&far, &line).expect("write");
    let mut frames = 0;
    while frames < 6 {
        let deadline = session.now() + Span::from_millis(5000);
        match session.next(deadline) {
            Event::Records(records) => {
                frames += records.iter().filter(|record| matches!(record, Record::Frame(_))).count();
            }
            other => panic!("{other:?}"),
        }
    }
    session.close().expect("close");
    rustix::fs::fcntl_setfl(&far, rustix::fs::OFlags::NONBLOCK).expect("nonblocking");
    let sent = rustix::io::read(&far, &mut [0; 8]);
    assert!(!matches!(sent, Ok(1..)), "nothing came out at the other end: {sent:?}");
}
