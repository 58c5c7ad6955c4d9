//! Runs in simulated time: bytes that repeat, frames that read back, hands and marks in their places.

use super::*;
use crate::sim::fixture::{profile, quiet, site};
use crate::sim::line::LineRules;

const SECOND: Span = Span::from_millis(1000);

fn hands() -> Vec<Step> {
    let switch = |at_ms, on, hand_ms| Step {
        at: Span::from_millis(at_ms),
        act: Act::Switch { load: 0, on, hand: Span::from_millis(hand_ms) },
    };
    vec![
        Step { at: SECOND * 2, act: Act::Note(MarkKind::WindowStart, "window starts".into()) },
        switch(5000, true, 400),
        switch(9000, false, 0),
        Step { at: SECOND * 11, act: Act::Do(Command::Turn(0, 0)) },
        switch(12_000, true, 0),
    ]
}

fn plan(scenario: &Scenario) -> RunPlan {
    RunPlan {
        truth_every: Span::from_millis(100),
        ..RunPlan::of(scenario, SECOND, Span::from_millis(15_500))
    }
}

#[test]
fn a_good_line_gives_question_and_answer_in_turn() {
    let scenario = quiet();
    let done = run(&scenario, &hands(), &plan(&scenario));
    let records = done.records();
    let frames: Vec<_> = records
        .iter()
        .filter_map(|record| match record {
            Record::Frame(frame) => Some(frame),
            Record::Stray(stray) => panic!("stray bytes on a good line: {stray:?}"),
            Record::Mark(_) => None,
        })
        .collect();
    // 15 cycles, from second 1 to second 15
    let asked = frames.iter().filter(|frame| frame.direction == Direction::Out).count();
    assert_eq!(asked % plan(&scenario).asks.len(), 0);
    assert_eq!(asked / plan(&scenario).asks.len(), 15);
    for pair in frames.chunks(2) {
        assert_eq!((pair[0].direction, pair[1].direction), (Direction::Out, Direction::In));
        assert!(crate::wire::fits(pair[0].pdu(), pair[1].pdu()));
    }
    let marks: Vec<&str> = done.marks.iter().map(|mark| mark.kind.word()).collect();
    assert_eq!(marks, ["site", "profile", "window-start", "load-on", "load-off", "load-on"]);
    let on = &done.marks[3];
    assert_eq!((on.phase.as_deref(), on.load_w.as_deref()), (Some("L1"), Some("2000")));
    assert!(done.marks[0].text.as_deref().unwrap().contains("[[meter]]"));
}

#[test]
fn the_hand_comes_as_late_after_the_mark_as_it_is_told() {
    let scenario = quiet();
    let done = run(&scenario, &hands(), &plan(&scenario));
    let power = |at_ms: i64| {
        let at = scenario.start + Span::from_millis(at_ms);
        done.world.kept_truth().iter().find(|truth| truth.at >= at).unwrap().total_w()
    };
    assert_eq!([5300, 5500, 8900, 9200].map(|ms| power(ms) > 1000.0), [false, true, true, false]);
}

#[test]
fn one_seed_gives_the_same_bytes() {
    let mut scenario = Scenario::of(site(), vec![profile()]);
    scenario.line =
        LineRules { flip: 0.001, late: 0.02, late_by: SECOND * 2, silent: 0.02, ..LineRules::default() };
    let once = run(&scenario, &hands(), &plan(&scenario));
    assert_eq!(once, run(&scenario, &hands(), &plan(&scenario)));
    scenario.seed += 1;
    assert_ne!(once.chunks, run(&scenario, &hands(), &plan(&scenario)).chunks);
}

#[test]
fn every_byte_of_a_bad_line_is_in_its_records() {
    let mut scenario = Scenario::of(site(), vec![profile()]);
    scenario.line = LineRules {
        flip: 0.002,
        silent: 0.05,
        noise: 0.2,
        lump: Span::from_millis(16),
        echo: true,
        second_master: Some(SecondMaster { every: SECOND * 3, unit: 9, function: 4, address: 10, count: 2 }),
        ..LineRules::default()
    };
    let done = run(&scenario, &hands(), &plan(&scenario));
    for direction in [Direction::Out, Direction::In] {
        let bytes: Vec<u8> = done
            .chunks
            .iter()
            .filter(|chunk| chunk.direction == direction)
            .flat_map(|chunk| chunk.bytes.clone())
            .collect();
        let kept: usize = done
            .records()
            .iter()
            .map(|record| match record {
                Record::Frame(frame) if frame.direction == direction => frame.bytes.len(),
                Record::Stray(stray) if stray.direction == direction => stray.bytes.len(),
                _ => 0,
            })
            .sum();
        assert_eq!(kept, bytes.len());
    }
}

#[test]
fn a_network_line_wraps_its_messages_with_a_number_each() {
    let text = crate::sim::fixture::SITE.replace("{ serial = \"sim\" }", "{ tcp = \"meter:502\" }");
    let (site, _) = crate::profile::parse_site("site.toml", &text).unwrap();
    let scenario = Scenario::of(site, vec![profile()]);
    let done = run(&scenario, &[], &plan(&scenario));
    assert_eq!((done.lines[0].medium, done.lines[0].baud), (Medium::Tcp, None));
    let mut numbers = Vec::new();
    for record in done.records() {
        if let Record::Frame(frame) = record {
            numbers.push(frame.transaction().unwrap());
        }
    }
    assert!(numbers.len() > 50);
    assert!(numbers.chunks(2).enumerate().all(|(n, pair)| pair == [n as u16 + 1, n as u16 + 1]));
}

#[test]
fn its_capture_reads_back_as_its_records() {
    let mut scenario = Scenario::of(site(), vec![profile()]);
    scenario.line =
        LineRules { flip: 0.002, silent: 0.05, lump: Span::from_millis(4), ..LineRules::default() };
    let done = run(&scenario, &hands(), &plan(&scenario));
    let bytes = done.capture();
    assert_eq!(bytes, run(&scenario, &hands(), &plan(&scenario)).capture());
    let read = crate::record::read_capture(&bytes).unwrap();
    assert_eq!(read.lines, done.lines);
    let mut framed = crate::record::frame_all(&read);
    framed.sort_by_key(Record::at);
    assert_eq!(framed, done.records());
}
