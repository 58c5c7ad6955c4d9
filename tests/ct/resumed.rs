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
