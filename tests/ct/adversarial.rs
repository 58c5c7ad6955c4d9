//! Sites made to deceive: none may pass, and a battery that answers back is never called a missing response.

use wattward::base::Span;
use wattward::check::Finding;
use wattward::check::Verdict;
use wattward::check::ct::body::{CtBody, CtFault, Status};
use wattward::check::ct::{CtOptions, judge};
use wattward::evidence::MeterCase;
use wattward::reading::{MeterSeries, Sample};
use wattward::record::{Mark, MarkKind};

use super::meter::{Kind, START};
use super::random::Random;
use super::scene::{Played, Scene, random_battery};
use super::world::{STEP_S, Wire};

fn sites(usual: u64) -> u64 {
    // The full sweep takes twenty times as many.
    if std::env::var("WATTWARD_SITES").is_ok() { 20 * usual } else { usual }
}

fn find(played: &Played) -> Finding<CtBody> {
    judge(&played.case, &CtOptions::default())
}

/// Plays scenes and gives the seeds that passed.
fn passed(count: u64, make: impl Fn(&mut Random, u64) -> Scene) -> Vec<u64> {
    (0..sites(count))
        .filter(|seed| {
            let mut random = Random::new(seed ^ 0x0BAD_5EED);
            find(&make(&mut random, *seed).play()).verdict == Verdict::Pass
        })
        .collect()
}

fn scene(random: &mut Random, seed: u64) -> Scene {
    let (phases, kind) = (random.pick(&[1, 2, 3]), random.pick(&Kind::ALL));
    let mut scene = Scene::plain(seed, phases, kind);
    scene.house.other_every_s = random.within(8.0, 60.0);
    scene.house.other_w = random.within(100.0, 1500.0);
    scene.load_w = random.within(500.0, 3000.0);
    scene
}

#[test]
fn a_load_that_never_ran_passes_nothing() {
    let seeds = passed(40, |random, seed| Scene { never: true, ..scene(random, seed) });
    assert_eq!(seeds, Vec::<u64>::new());
}

#[test]
fn a_step_by_another_load_at_the_marks_passes_nothing() {
    let seeds = passed(40, |random, seed| {
        let mut scene = Scene { never: true, delay: (0.0, 0.1), ..scene(random, seed) };
        // Another load of quite another power keeps time with the marks, on its own phase, whatever the marks say.
        let factor = random.pick(&[0.25, 0.4, 0.6, 1.6, 2.5]);
        let line = random.below(scene.house.phases);
        let (mut now, mut on) = (14.0, false);
        while now < 500.0 {
            on = !on;
            scene.house.extra.push((now, line, if on { factor } else { -factor } * scene.load_w));
            now += 12.0;
        }
        scene.hold_s = (11.9, 12.1);
        scene
    });
    assert_eq!(seeds, Vec::<u64>::new());
}

/// A site with the marks the wrong way round and its CTs reversed, or right.
pub(crate) fn swapped(seed: u64, reversed: bool) -> Scene {
    let mut random = Random::new(seed ^ 0x0BAD_5EED);
    let mut scene = Scene { marks_swapped: true, ..scene(&mut random, seed) };
    for wire in &mut scene.house.wires {
        wire.reversed = reversed;
    }
    scene
}

#[test]
fn marks_the_wrong_way_round_pass_no_reversed_ct() {
    let seeds = passed(40, |random, seed| {
        let mut scene = Scene { marks_swapped: true, ..scene(random, seed) };
        for wire in &mut scene.house.wires {
            wire.reversed = true;
        }
        scene
    });
    assert_eq!(seeds, Vec::<u64>::new());
}

#[test]
fn marks_the_wrong_way_round_do_not_make_a_right_ct_a_faulty_one() {
    for seed in 0..sites(30) {
        let mut random = Random::new(seed ^ 0x0BAD_5EED);
        let played = Scene { marks_swapped: true, ..scene(&mut random, seed) }.play();
        let finding = find(&played);
        assert_ne!(finding.verdict, Verdict::Pass, "seed {seed}");
        // A total alone, without voltage, has nothing that contradicts the marks.
        if played.scene.meter.kind != Kind::Total || played.scene.house.phases == 1 {
            assert_ne!(finding.verdict, Verdict::Fail, "seed {seed} {:?}", finding.reasons);
        }
    }
}

#[test]
fn clouds_in_step_with_the_switching_pass_nothing() {
    let seeds = passed(40, |random, seed| {
        let mut scene = Scene { never: true, ..scene(random, seed) };
        scene.plant = Some((false, 5000.0));
        let line = random.below(scene.house.phases);
        scene.house.rhythm = Some((line, scene.load_w, 25.0, random.within(2.5, 8.0)));
        scene.hold_s = if random.happens(0.5) { (12.4, 12.6) } else { (9.0, 16.0) };
        scene
    });
    assert_eq!(seeds, Vec::<u64>::new());
}

#[test]
fn a_meter_without_a_sign_passes_no_reversed_ct() {
    let seeds = passed(30, |random, seed| {
        let mut scene = scene(random, seed);
        if scene.meter.kind == Kind::Pair {
            scene.meter.kind = Kind::PowerVoltage;
        }
        scene.meter.unsigned = true;
        scene.meter.says_signed = false;
        scene.meter.counters = random.happens(0.5);
        for wire in &mut scene.house.wires {
            wire.reversed = true;
        }
        scene
    });
    assert_eq!(seeds, Vec::<u64>::new());
}

#[test]
fn a_total_with_one_of_three_reversed_fails() {
    for seed in 0..sites(20) {
        let mut random = Random::new(seed);
        let mut scene = Scene::plain(seed, 3, random.pick(&[Kind::Total, Kind::TotalVoltage]));
        let line = random.below(3);
        scene.house.wires[line].reversed = true;
        let finding = find(&scene.play());
        assert_eq!(finding.verdict, Verdict::Fail, "seed {seed}: {:?}", finding.reasons);
        assert_eq!(finding.body.channels[0].faults, [CtFault::Reversed], "seed {seed}");
    }
}

#[test]
fn a_load_on_the_grid_side_of_the_ct_passes_nothing() {
    let seeds = passed(30, |random, seed| {
        let mut scene = scene(random, seed);
        scene.house.unseen = true;
        scene
    });
    assert_eq!(seeds, Vec::<u64>::new());
}

/// A generation meter beside the case, reading what the plant of the instants delivers.
fn with_generation_meter(played: &mut Played) {
    let mut other = played.case.meters[0].clone();
    "generation".clone_into(&mut other.meter.name);
    other.meter.role = wattward::profile::MeterRole::Generation;
    other.series = MeterSeries::default();
    let mut samples = Vec::new();
    for index in (0..played.instants.len()).step_by(20) {
        let at = START + Span::from_seconds(index as f64 * STEP_S + 0.013);
        samples.push(Sample { at, value: -played.instants[index].plant_w });
    }
    let key = wattward::base::PointKey::Of(wattward::base::Quantity::ActivePower, wattward::base::Phase::L1);
    other.series.points.entry(key).or_default().samples = samples;
    let MeterCase { meter, .. } = &other;
    played.case.site.meters.push(meter.clone());
    played.case.meters.push(other);
}

/// A single-phase site whose plant is switched off for the test and on after it, seen by a meter of its own.
fn with_plant(seed: u64, outside: bool) -> Finding<CtBody> {
    let mut scene = Scene::plain(seed, 1, Kind::PowerVoltage);
    scene.plant = Some((false, 5000.0));
    let (produces, off, back) = (3000.0, 6.0, 125.0);
    if !outside {
        scene.house.extra = vec![(0.0, 0, -produces), (off, 0, produces), (back, 0, -produces)];
    }
    scene.hold_s = (12.0, 12.5);
    let mut played = scene.play();
    for (index, instant) in played.instants.iter_mut().enumerate() {
        let now = index as f64 * STEP_S;
        instant.plant_w = if now < off || now > back { produces } else { 0.0 };
    }
    for (at, kind) in [(off, MarkKind::PlantOff), (back, MarkKind::PlantOn)] {
        let mut mark = Mark::new(START + Span::from_seconds(at), kind, "plant");
        mark.plant = Some("roof".to_owned());
        played.case.marks.push(mark);
    }
    played.case.marks.sort_by_key(|mark| mark.at);
    with_generation_meter(&mut played);
    find(&played)
}

#[test]
fn a_plant_that_stepped_and_did_not_move_the_meter_is_outside_the_ct() {
    let finding = with_plant(1, true);
    assert_eq!(finding.verdict, Verdict::Fail, "{:?}", finding.reasons);
    assert_eq!(
        finding.body.position.iter().find(|entry| entry.source == "roof").and_then(|entry| entry.seen),
        Some(false)
    );
    let finding = with_plant(1, false);
    assert_eq!(
        finding.body.position.iter().find(|entry| entry.source == "roof").and_then(|entry| entry.seen),
        Some(true),
        "{:?}",
        finding.reasons
    );
    assert_eq!(finding.verdict, Verdict::Pass, "{:?}", finding.reasons);
}

/// A site with a battery that answers, its CTs right or reversed (then true).
pub(crate) fn answering(seed: u64) -> (Scene, bool) {
    let mut random = Random::new(seed ^ 0xBA77);
    let mut scene = scene(&mut random, seed);
    let phases = scene.house.phases;
    let reversed = random.happens(0.5);
    if reversed {
        let all = random.happens(0.5);
        let line = random.below(phases);
        for (index, wire) in scene.house.wires.iter_mut().enumerate() {
            *wire = Wire { reversed: all || index == line, ..*wire };
        }
    }
    scene.plant = Some((true, 5000.0));
    // Some say that the battery is off, and it is not.
    scene.plant_off = random.happens(0.3);
    let line = random.below(phases);
    scene.house.battery = Some(random_battery(&mut random, line));
    scene.meter.poll_s = random.within(0.3, 1.2);
    scene.meter.update_s = random.pick(&[0.2, 0.5, 1.0]);
    (scene, reversed)
}

#[test]
fn a_battery_that_answers_the_step_is_never_a_missing_response_nor_a_false_pass() {
    let (mut passes, mut count) = (0, 0);
    for seed in 0..sites(80) {
        let (scene, reversed) = answering(seed);
        let finding = find(&scene.play());
        assert!(!(reversed && finding.verdict == Verdict::Pass), "seed {seed} {:?}", finding.reasons);
        for channel in &finding.body.channels {
            let missing = channel.status == Status::Faulty && channel.faults.contains(&CtFault::NoResponse);
            assert!(!missing, "seed {seed} {:?}", finding.reasons);
            let blamed = channel.status == Status::Faulty && !reversed;
            assert!(!blamed, "seed {seed} {:?} {:?}", channel.faults, finding.reasons);
        }
        count += 1;
        passes += u32::from(finding.verdict == Verdict::Pass);
    }
    println!("batteries that answer: {count} sites, {passes} passes, none wrong");
}
