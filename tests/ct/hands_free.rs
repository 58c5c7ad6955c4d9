//! Switchings nobody marked: found by their pattern, and never enough for a false verdict.

use wattward::check::Verdict;
use wattward::check::ct::body::Status;
use wattward::check::ct::{CtOptions, judge};
use wattward::record::MarkKind;

use super::meter::Kind;
use super::scene::{Played, Scene};

fn without_marks(mut played: Played) -> Played {
    played.case.marks.retain(|mark| !matches!(mark.kind, MarkKind::LoadOn | MarkKind::LoadOff));
    played
}

fn options() -> CtOptions {
    CtOptions { hands_free: true, ..CtOptions::default() }
}

#[test]
fn a_pattern_with_voltage_passes_a_right_ct_and_fails_a_reversed_one() {
    let mut decided = 0;
    for seed in 0..12 {
        for reversed in [false, true] {
            let mut scene = Scene::plain(seed, 1, Kind::PowerReactiveVoltage);
            scene.house.wires[0].reversed = reversed;
            let finding = judge(&without_marks(scene.play()).case, &options());
            assert_ne!(finding.verdict, if reversed { Verdict::Pass } else { Verdict::Fail }, "seed {seed}");
            decided += usize::from(finding.verdict != Verdict::Inconclusive);
        }
    }
    assert!(decided >= 20, "only {decided} of 24 decided");
}

#[test]
fn a_pattern_without_voltage_is_not_enough() {
    for seed in 0..6 {
        let finding = judge(&without_marks(Scene::plain(seed, 1, Kind::Power).play()).case, &options());
        assert_eq!(finding.verdict, Verdict::Inconclusive);
        assert!(
            finding.reasons.iter().any(|reason| reason.starts_with("Marks are missing")),
            "{:?}",
            finding.reasons
        );
    }
}

#[test]
fn three_phases_are_told_apart_without_marks() {
    let finding =
        judge(&without_marks(Scene::plain(3, 3, Kind::PowerReactiveVoltage).play()).case, &options());
    let all: Vec<Status> = finding.body.channels.iter().map(|channel| channel.status).collect();
    assert_eq!(all, [Status::Correct; 3], "{:?}", finding.reasons);
    assert_eq!(finding.verdict, Verdict::Pass);
}

#[test]
fn no_marks_and_no_wish_to_go_without_leave_everything_untested() {
    let finding =
        judge(&without_marks(Scene::plain(3, 1, Kind::PowerVoltage).play()).case, &CtOptions::default());
    assert_eq!(finding.verdict, Verdict::Inconclusive);
    assert_eq!(finding.body.channels[0].status, Status::Untested);
}

#[test]
fn random_sites_without_marks_get_no_false_verdict() {
    let (mut passes, mut fails) = (0, 0);
    for seed in 1..=120 {
        let played = without_marks(Scene::random(seed).play());
        let finding = judge(&played.case, &options());
        let right = played.scene.is_right();
        assert!(right || finding.verdict != Verdict::Pass, "seed {seed} {:?}", finding.reasons);
        assert!(!right || finding.verdict != Verdict::Fail, "seed {seed} {:?}", finding.reasons);
        passes += u32::from(finding.verdict == Verdict::Pass);
        fails += u32::from(finding.verdict == Verdict::Fail);
    }
    println!("120 sites without marks: {passes} pass, {fails} fail");
}
