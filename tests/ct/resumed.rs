//! A check that was left and gone on with: both parts count, and what was settled before has to be shown to hold still.

use wattward::base::{Span, Stamp};
use wattward::check::ct::body::{CtBody, Status};
use wattward::check::ct::{CtOptions, judge};
use wattward::check::{Finding, Verdict};
use wattward::evidence::Case;
use wattward::record::{Mark, MarkKind};

use super::meter::{Kind, START};
use super::scene::Scene;

/// How long the check was left, in s.
const AWAY_S: f64 = 400.0;

fn part(seed: u64, pairs: usize, placements: &[usize], reversed: bool) -> Scene {
    let mut scene = Scene::plain(seed, 3, Kind::PowerVoltage);
    (scene.pairs, scene.placements, scene.tolerance) = (pairs, placements.to_vec(), 0.0);
    scene.house.wires[0].reversed = reversed;
    scene
}

/// Both parts as one case, with the marks that leaving and going on leave behind.
fn joined(first: Scene, second: Scene) -> Case {
    let (mut case, later) = (first.play().case, second.play().case);
    let end = case.span.expect("readings").1;
    let by = (end - START) + Span::from_seconds(AWAY_S);
    let start = |at: Stamp, text: String| {
        let mut mark = Mark::new(at, MarkKind::CheckStart, "ct starts");
        mark.text = Some(text);
        mark
    };
    let began = START.cut_to_micros();
    let mut marks = vec![start(began, "ct".to_owned())];
    marks.append(&mut case.marks);
    marks.push(Mark::new(end, MarkKind::CheckEnd, "ct given up"));
    marks.push(start(began + by, format!("ct\n--resume {}", began.rfc3339(6))));
    marks.extend(later.marks.into_iter().map(|mark| Mark { at: mark.at + by, ..mark }));
    case.marks = marks;
    for (key, series) in &later.meters[0].series.points {
        let samples = &mut case.meters[0].series.points.get_mut(key).expect("the same points").samples;
        samples
            .extend(series.samples.iter().map(|one| wattward::reading::Sample { at: one.at + by, ..*one }));
    }
    case.span = case.span.map(|(from, _)| (from, later.span.expect("readings").1 + by));
    case
}

fn find(first: Scene, second: Scene) -> Finding<CtBody> {
    judge(&joined(first, second), &CtOptions::default())
}

#[test]
fn a_check_that_was_left_passes_once_every_phase_is_shown_to_hold_still() {
    for seed in 0..6 {
        // Left within L2: L1 is confirmed with one pair, L2 finished, L3 tested.
        let first = || part(seed, 3, &[0, 1], false);
        let finding = find(first(), part(seed + 100, 3, &[0, 1, 2], false));
        assert_eq!(finding.verdict, Verdict::Pass, "seed {seed} {:?}", finding.reasons);
        let finding = find(first(), part(seed + 100, 1, &[0, 1, 2], false));
        assert_eq!(
            finding.verdict,
            Verdict::Inconclusive,
            "one pair on L3, seed {seed} {:?}",
            finding.reasons
        );
        let finding = find(first(), part(seed + 100, 3, &[2], false));
        assert_eq!(finding.verdict, Verdict::Inconclusive, "seed {seed} {:?}", finding.reasons);
        assert_eq!(finding.body.channels[0].status, Status::Ambiguous, "seed {seed}");
        assert!(finding.reasons[0].contains("was left and gone on with"), "{:?}", finding.reasons);
        assert!(
            finding.next.iter().any(|next| next.contains("on L1 on and off once more")),
            "{:?}",
            finding.next
        );
    }
}

#[test]
fn a_ct_changed_while_the_check_was_left_gives_no_verdict_of_before() {
    for seed in 0..6 {
        for (reversed, pairs) in [(true, 1), (false, 1), (true, 2), (false, 2)] {
            // Three pairs one way, then fewer the other.
            let first = part(seed, 3, &[0, 1, 2], !reversed);
            let finding = find(first, part(seed + 100, pairs, &[0, 1, 2], reversed));
            let told = format!("seed {seed} reversed then {reversed}: {:?}", finding.reasons);
            assert_eq!(finding.verdict, Verdict::Inconclusive, "{told}");
            assert_eq!(finding.body.channels[0].status, Status::Ambiguous, "{told}");
        }
    }
}

#[test]
fn a_plant_is_not_taken_to_be_off_still() {
    for seed in 0..4 {
        let plant = |mut scene: Scene, off: bool| {
            (scene.plant, scene.plant_off) = (Some((true, 5000.0)), off);
            // A channel that does not move is no fault unless the plant is shown idle.
            scene.house.wires[0].conductors = 0;
            scene
        };
        let first = || plant(part(seed, 3, &[0], false), true);
        let finding = find(first(), plant(part(seed + 100, 3, &[0], false), true));
        assert_eq!(finding.verdict, Verdict::Fail, "seed {seed} {:?}", finding.reasons);
        let finding = find(first(), plant(part(seed + 100, 3, &[0], false), false));
        assert_eq!(finding.verdict, Verdict::Inconclusive, "seed {seed} {:?}", finding.reasons);
    }
}

/// A part whose marks say no phase; the same seed is the same heater.
fn unplaced(seed: u64, phases: usize, placements: &[usize]) -> Scene {
    let mut scene = Scene::plain(seed, phases, Kind::PowerReactiveVoltage);
    (scene.placements, scene.says_phase) = (placements.to_vec(), false);
    scene
}

fn find_unmarked(first: Scene, second: Scene) -> Finding<CtBody> {
    let mut case = joined(first, second);
    case.marks.retain(|mark| !matches!(mark.kind, MarkKind::LoadOn | MarkKind::LoadOff));
    judge(&case, &CtOptions { hands_free: true, ..CtOptions::default() })
}

/// Nobody marked a thing, or the marks say no phase: which test tells of which phase shows in the voltage alone.
#[test]
fn a_load_whose_phase_nobody_stated_confirms_its_own_phase_and_no_other() {
    let (mut passed, mut confirmed) = (0, 0);
    for seed in 0..6 {
        let scene = |placements: &[usize]| unplaced(seed, 3, placements);
        passed += usize::from(find(scene(&[0, 1, 2]), scene(&[0, 1, 2])).verdict == Verdict::Pass);
        for one in [find(scene(&[0, 1, 2]), scene(&[1])), find_unmarked(scene(&[0, 1, 2]), scene(&[1]))] {
            let told = format!("seed {seed}: {:?}", one.reasons);
            assert_eq!(one.verdict, Verdict::Inconclusive, "{told}");
            let status: Vec<Status> = one.body.channels.iter().map(|channel| channel.status).collect();
            assert_eq!([status[0], status[2]], [Status::Ambiguous; 2], "{told}");
            let untried =
                |reason: &String| reason.starts_with("Channel L1") && reason.contains("still holds");
            confirmed += usize::from(status[1] == Status::Correct && one.reasons.iter().any(untried));
        }
    }
    println!("3 phases: {passed} of 6 passed, {confirmed} of 12 confirmed on L2 alone");
    assert!(passed >= 4 && confirmed >= 8, "{passed} {confirmed}");
}

#[test]
fn without_marks_a_pattern_since_confirms_and_silence_does_not() {
    let mut passed = 0;
    for seed in 0..6 {
        let again = find_unmarked(unplaced(seed, 1, &[0]), unplaced(seed, 1, &[0]));
        passed += usize::from(again.verdict == Verdict::Pass);
        let mut silent = unplaced(seed, 1, &[0]);
        silent.never = true;
        let silent = find_unmarked(unplaced(seed, 1, &[0]), silent);
        assert_eq!(silent.verdict, Verdict::Inconclusive, "seed {seed} {:?}", silent.reasons);
        // Another hand at the clamp: the pattern since says otherwise.
        let mut turned = unplaced(seed, 1, &[0]);
        turned.house.wires[0].reversed = true;
        let turned = find_unmarked(unplaced(seed, 1, &[0]), turned);
        assert_eq!(turned.verdict, Verdict::Inconclusive, "seed {seed} {:?}", turned.reasons);
    }
    println!("1 phase without marks: {passed} of 6 passed");
    assert!(passed >= 4, "{passed}");
}

/// A step that is hardly known may be the same as before and may be another: that shows nothing.
#[test]
fn a_step_too_poorly_known_to_be_called_the_same_confirms_nothing() {
    let (mut blurred, mut passed) = (0, 0);
    for seed in 0..8 {
        for (ratio, drift_w) in [(1.0, 40.0), (1.0, 160.0), (0.6, 160.0)] {
            let mut second = part(seed + 100, 1, &[0, 1, 2], false);
            second.house.drift_w = drift_w;
            second.house.wires[0].ratio = ratio;
            let finding = find(part(seed, 4, &[0, 1, 2], false), second);
            let told = format!("seed {seed} ratio {ratio} drift {drift_w}: {:?}", finding.reasons);
            assert!(ratio == 1.0 || finding.verdict != Verdict::Pass, "{told}");
            passed += usize::from(finding.verdict == Verdict::Pass);
            if finding.reasons.iter().any(|reason| reason.contains("too poorly known")) {
                blurred += 1;
                assert_eq!(finding.verdict, Verdict::Inconclusive, "{told}");
                assert!(finding.next.iter().any(|next| next.contains("while little else")), "{told}");
            }
        }
    }
    println!("of 24: {passed} pass, {blurred} too poorly known");
    assert!(blurred >= 6 && passed >= 4, "{blurred} {passed}");
}
