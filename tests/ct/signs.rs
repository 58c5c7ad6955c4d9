//! What shows that a power can go negative: the word in the document has to be true, and no meter without a sign may pass.

use wattward::base::{Phase, PointKey, Quantity};
use wattward::check::Verdict;
use wattward::check::ct::body::SignSeen;
use wattward::check::ct::{CtOptions, judge};
use wattward::profile::{DirectionFlag, Registers, Table};
use wattward::record::{Mark, MarkKind};

use super::meter::Kind;
use super::random::Random;
use super::scene::Scene;

/// A profile that says nothing of a sign, and a plant on the site.
fn unsaid(seed: u64, phases: usize, kind: Kind) -> Scene {
    let mut scene = Scene::plain(seed, phases, kind);
    scene.meter.says_signed = false;
    scene.plant = Some((false, 5000.0));
    scene
}

#[test]
fn a_power_that_a_reversed_ct_made_negative_is_not_called_generation() {
    for seed in 0..10 {
        for marked_off in [false, true] {
            let mut scene = unsaid(seed, 1, Kind::PowerVoltage);
            scene.house.wires[0].reversed = true;
            let mut played = scene.play();
            if marked_off {
                // The plant is off all the time, and the mark comes after half of the test.
                let middle = played.case.marks[played.case.marks.len() / 2].at;
                played.case.marks.push(Mark::new(middle, MarkKind::PlantOff, "plant off"));
                played.case.marks.sort_by_key(|mark| mark.at);
            }
            let finding = judge(&played.case, &CtOptions::default());
            assert_eq!(finding.body.sign.seen, Some(SignSeen::Load), "seed {seed} {:?}", finding.reasons);
            assert_eq!(finding.verdict, Verdict::Fail, "seed {seed} {:?}", finding.reasons);
        }
    }
}

#[test]
fn a_power_that_a_plant_made_negative_is_called_generation() {
    for seed in 0..10 {
        let mut scene = unsaid(seed, 1, Kind::PowerVoltage);
        scene.house.extra = vec![(0.0, 0, -3500.0)];
        let finding = judge(&scene.play().case, &CtOptions::default());
        assert_eq!(finding.body.sign.seen, Some(SignSeen::Generation), "seed {seed} {:?}", finding.reasons);
        assert_eq!(finding.verdict, Verdict::Pass, "seed {seed} {:?}", finding.reasons);
    }
}

#[test]
fn a_meter_without_a_sign_has_none_shown() {
    for seed in 0..10 {
        for reversed in [false, true] {
            let mut scene = unsaid(seed, 1, Kind::PowerVoltage);
            scene.meter.unsigned = true;
            scene.house.wires[0].reversed = reversed;
            scene.house.extra = vec![(0.0, 0, if reversed { 3500.0 } else { -6000.0 })];
            let finding = judge(&scene.play().case, &CtOptions::default());
            assert_eq!(finding.body.sign.seen, None, "seed {seed}");
            assert_ne!(finding.verdict, Verdict::Pass, "seed {seed} {:?}", finding.reasons);
        }
    }
}

/// The profile knows the direction flag of L1 only: L1 goes negative with the plant, L2 and L3 are magnitudes.
#[test]
fn the_sign_of_one_channel_is_not_lent_to_channels_read_otherwise() {
    for seed in 0..10 {
        let mut scene = unsaid(seed, 3, Kind::PowerReactiveVoltage);
        scene.house.extra = vec![(0.0, 0, -3500.0)];
        scene.house.wires[1].reversed = true;
        let mut played = scene.play();
        let meter = &mut played.case.meters[0];
        let key = |phase| PointKey::Of(Quantity::ActivePower, phase);
        for phase in [Phase::L2, Phase::L3] {
            for sample in &mut meter.series.points.get_mut(&key(phase)).expect("a power").samples {
                sample.value = sample.value.abs();
            }
        }
        let register = Registers { table: Table::Holding, address: 900, count: 1 };
        let first = meter.profile.points.iter_mut().find(|point| point.key == key(Phase::L1));
        first.expect("a power").direction = Some(DirectionFlag { register, bit: 0, export_when: true });
        let finding = judge(&played.case, &CtOptions::default());
        assert_eq!(finding.body.sign.seen, None, "seed {seed} {:?}", finding.reasons);
        assert_ne!(finding.verdict, Verdict::Pass, "seed {seed} {:?}", finding.reasons);
    }
}

/// A heating of several kW on the other phases lets the counter of the whole rise whatever the load does.
#[test]
fn counters_that_rise_for_other_loads_show_nothing() {
    for seed in 0..20 {
        let mut random = Random::new(seed ^ 0xC0);
        let mut scene = Scene::plain(seed, 3, Kind::PowerVoltage);
        scene.meter.says_signed = false;
        scene.meter.unsigned = true;
        scene.meter.counters = true;
        scene.house.extra = vec![(0.0, 0, random.within(2000.0, 6000.0)), (0.0, 2, 2000.0)];
        scene.house.wires[1].reversed = true;
        let finding = judge(&scene.play().case, &CtOptions::default());
        assert_eq!(finding.body.sign.seen, None, "seed {seed} {:?}", finding.reasons);
        assert_ne!(finding.verdict, Verdict::Pass, "seed {seed} {:?}", finding.reasons);
    }
}

#[test]
fn counters_that_rise_with_the_load_show_the_sign() {
    let mut shown = 0;
    for seed in 0..10 {
        let mut scene = Scene::plain(seed, 1, Kind::PowerVoltage);
        (scene.meter.says_signed, scene.meter.unsigned, scene.meter.counters) = (false, true, true);
        let finding = judge(&scene.play().case, &CtOptions::default());
        assert_ne!(finding.verdict, Verdict::Fail, "seed {seed}");
        shown += u32::from(finding.body.sign.seen == Some(SignSeen::Counters));
    }
    assert!(shown >= 8, "{shown} of 10");
}

/// All CTs reversed, the load out of step with the marks, no voltage, and a plant that nobody switched off: the steps look
/// right, and the power is as negative as with a plant feeding in.
#[test]
fn marks_the_wrong_way_round_pass_no_reversed_ct_where_the_plant_may_run() {
    for seed in 0..40 {
        let mut random = Random::new(seed ^ 0x51);
        let kind = random.pick(&[Kind::Power, Kind::PowerReactive, Kind::Total, Kind::PowerVoltage]);
        let mut scene = Scene::plain(seed, random.pick(&[1, 3]), kind);
        scene.plant = Some((random.happens(0.5), 5000.0));
        scene.marks_swapped = true;
        scene.meter.says_signed = random.happens(0.5);
        for wire in &mut scene.house.wires {
            wire.reversed = true;
        }
        let finding = judge(&scene.play().case, &CtOptions::default());
        assert_ne!(finding.verdict, Verdict::Pass, "seed {seed} {kind:?} {:?}", finding.reasons);
        assert_ne!(finding.body.sign.seen, Some(SignSeen::Generation), "seed {seed} {kind:?}");
    }
}

#[test]
fn a_right_ct_passes_where_the_plant_is_marked_off_or_the_voltage_read() {
    for seed in 0..10 {
        let mut off = Scene::plain(seed, 1, Kind::Power);
        (off.plant, off.plant_off) = (Some((false, 5000.0)), true);
        let mut read = Scene::plain(seed, 1, Kind::PowerVoltage);
        read.plant = Some((false, 5000.0));
        for scene in [off, read] {
            let finding = judge(&scene.play().case, &CtOptions::default());
            assert_eq!(finding.verdict, Verdict::Pass, "seed {seed} {:?}", finding.reasons);
        }
    }
}
