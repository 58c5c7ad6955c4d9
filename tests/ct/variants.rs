//! Loads of every sort and in every place: what is true is said, and what cannot be told is left open.

use wattward::check::Verdict;
use wattward::check::ct::body::Status;
use wattward::check::ct::{CtOptions, judge};

use super::meter::Kind;
use super::random::Random;
use super::scene::Scene;
use super::world::Wire;

/// Plays a scene made right and made wrong in a random way; counts verdicts and panics at a false one.
fn play(name: &str, count: u64, least: [u64; 2], make: impl Fn(u64) -> Scene) {
    let mut decided = [0_u64; 2];
    for seed in 0..count {
        for wrong in [false, true] {
            let mut random = Random::new(seed ^ 0x7A21);
            let mut scene = make(seed);
            if wrong {
                let line = random.below(scene.house.phases);
                scene.house.wires[line] = wrong_wire(&mut random, scene.house.phases, line);
            }
            let right = scene.is_right();
            let wires = scene.house.wires.clone();
            let finding = judge(&scene.play().case, &CtOptions::default());
            let told =
                format!("{name} seed {seed} {wires:?} {:?} {:#?}", finding.reasons, finding.body.channels);
            assert!(right || finding.verdict != Verdict::Pass, "{told}");
            assert!(!right || finding.verdict != Verdict::Fail, "{told}");
            for (line, channel) in finding.body.channels.iter().enumerate() {
                let blamed = channel.status == Status::Faulty && channel.channel != "total";
                assert!(!(blamed && wires[line].is_right(line)), "{told}");
            }
            if finding.verdict == Verdict::Inconclusive && std::env::var("WATTWARD_OPEN").is_ok() {
                println!("{name} {seed} {wires:?} {:?}", finding.reasons);
            }
            decided[usize::from(!right)] += u64::from(finding.verdict != Verdict::Inconclusive);
        }
    }
    println!("{name}: {} of {count} right ones pass, {} of {count} wrong ones fail", decided[0], decided[1]);
    assert!(decided[0] >= least[0] && decided[1] >= least[1], "{name}: {decided:?}");
}

fn wrong_wire(random: &mut Random, phases: usize, line: usize) -> Wire {
    let right = Wire::right(line);
    match random.below(if phases > 1 { 4 } else { 2 }) {
        0 => Wire { reversed: true, ..right },
        1 => Wire { conductors: 0, ..right },
        2 => Wire { conductors: 1 << ((line + 1) % phases), ..right },
        _ => Wire { conductors: 1 << ((line + 1) % phases), reversed: true, ..right },
    }
}

#[test]
fn nobody_knows_the_phase_of_the_socket() {
    play("phase unknown, P Q V", 12, [10, 8], |seed| Scene {
        says_phase: false,
        ..Scene::plain(seed, 3, Kind::PowerReactiveVoltage)
    });
    play("phase unknown, P V", 12, [0, 0], |seed| Scene {
        says_phase: false,
        ..Scene::plain(seed, 3, Kind::PowerVoltage)
    });
    play("phase unknown, P", 12, [0, 0], |seed| Scene {
        says_phase: false,
        ..Scene::plain(seed, 3, Kind::Power)
    });
    play("phase unknown, total", 12, [0, 0], |seed| Scene {
        says_phase: false,
        ..Scene::plain(seed, 3, Kind::Total)
    });
}

#[test]
fn a_load_with_a_power_factor_turns_no_channel() {
    for tan in [0.62, -0.48] {
        for kind in [Kind::PowerReactiveVoltage, Kind::PowerVoltage, Kind::Factor] {
            play(&format!("tan φ {tan}, {kind:?}"), 8, [7, 5], |seed| {
                let mut scene = Scene::plain(seed, 3, kind);
                scene.house.load_tan = tan;
                scene
            });
        }
    }
}

#[test]
fn a_load_between_two_lines_tests_both() {
    play("between, three phases", 10, [9, 7], |seed| {
        let mut scene =
            Scene { placements: vec![10, 11, 12], ..Scene::plain(seed, 3, Kind::PowerReactiveVoltage) };
        (scene.rated_v, scene.house.load_rated_v) = (230.0 * 3.0_f64.sqrt(), 230.0);
        scene
    });
    play("between, split phase", 10, [0, 0], |seed| {
        let mut scene = Scene { placements: vec![10], ..Scene::plain(seed, 2, Kind::PowerReactiveVoltage) };
        (scene.rated_v, scene.house.load_rated_v) = (240.0, 120.0);
        scene
    });
}

#[test]
fn a_delta_is_tested_between_its_lines() {
    for kind in [Kind::Total, Kind::PowerReactive] {
        play(&format!("delta, {kind:?}"), 10, [9, 0], |seed| {
            let mut scene =
                Scene { placements: vec![10, 11, 12], delta: true, ..Scene::plain(seed, 3, kind) };
            (scene.rated_v, scene.house.load_rated_v) = (230.0 * 3.0_f64.sqrt(), 230.0);
            scene
        });
    }
}

/// Two rounds on one phase, the second with another load by name and power as stated.
fn two_loads(
    seed: u64,
    ratio: f64,
    stated: [f64; 2],
) -> wattward::check::Finding<wattward::check::ct::body::CtBody> {
    let mut scene = Scene { placements: vec![0, 0], ..Scene::plain(seed, 1, Kind::PowerVoltage) };
    scene.house.wires[0].ratio = ratio;
    scene.tolerance = 0.02;
    let mut played = scene.play();
    let half = played.case.marks.len() / 2;
    for (index, mark) in played.case.marks.iter_mut().enumerate() {
        let (name, watts) = if index < half { ("heater", stated[0]) } else { ("iron", stated[1]) };
        (mark.load, mark.load_w) = (Some(name.to_owned()), Some(format!("{watts}")));
    }
    judge(&played.case, &CtOptions::default())
}

#[test]
fn a_second_load_tells_a_wrong_ratio_from_a_wrong_figure() {
    for seed in 0..5 {
        let one = two_loads(seed, 2.0, [2000.0, 2000.0]);
        assert_eq!(one.verdict, Verdict::Fail, "{:?}", one.reasons);
        assert!(one.reasons[0].contains("of the load"), "{:?}", one.reasons);
        let other = two_loads(seed, 1.0, [1000.0, 2000.0]);
        assert_eq!(other.verdict, Verdict::Inconclusive, "{:?}", other.reasons);
        assert_eq!(two_loads(seed, 1.0, [2000.0, 2000.0]).verdict, Verdict::Pass);
    }
}

#[test]
fn a_balanced_load_tests_every_channel() {
    play("balanced", 10, [9, 7], |seed| Scene {
        placements: vec![20],
        load_w: 3000.0,
        ..Scene::plain(seed, 3, Kind::PowerReactiveVoltage)
    });
    play("balanced, P", 10, [0, 0], |seed| Scene {
        placements: vec![20],
        load_w: 3000.0,
        ..Scene::plain(seed, 3, Kind::PowerVoltage)
    });
    // A total needs a step on every phase by itself.
    play("balanced, total", 10, [0, 0], |seed| Scene {
        placements: vec![20],
        load_w: 3000.0,
        ..Scene::plain(seed, 3, Kind::Total)
    });
}

#[test]
fn shows_one() {
    if std::env::var("WATTWARD_ONE").is_err() {
        return;
    }
    let text = std::env::var("WATTWARD_ONE").unwrap_or_default();
    let (kind, seed) = text.split_once(' ').unwrap_or(("", "0"));
    let seed = seed.parse().unwrap_or(0);
    let scene = match kind {
        "battery" => super::adversarial::answering(seed).0,
        "swapped-right" => super::adversarial::swapped(seed, false),
        _ => super::adversarial::swapped(seed, true),
    };
    println!("{:?}", scene.house.battery);
    println!("{:?} {:?} load {}", scene.meter, scene.house.wires, scene.load_w);
    let judged = wattward::check::ct::examine(&scene.play().case, &CtOptions::default());
    for one in &judged.measured {
        println!(
            "{:?} {:?} {:?} falls {:?}",
            one.test.placement, one.consensus.found, one.consensus.answer, one.falls
        );
        for edge in &one.consensus.edges {
            println!(
                "  {:.1} {:.1} {} {:?}",
                edge.event.from_s,
                edge.event.to_s,
                edge.on,
                edge.event
                    .deltas
                    .iter()
                    .map(|delta| delta.map(|delta| (delta.value.round(), delta.standard.round())))
                    .collect::<Vec<_>>()
            );
        }
    }
    println!("{:?} {:#?}", judged.finding.verdict, judged.finding.reasons);
}

#[test]
fn a_value_read_off_a_clamp_meter_is_kept_compared_and_shows_that_the_load_ran() {
    // A CT on no conductor, and a meter without voltage: nothing but the clamp meter says that the load ran.
    let mut scene = Scene::plain(5, 1, Kind::Power);
    scene.house.wires[0].conductors = 0;
    let mut played = scene.play();
    assert_eq!(judge(&played.case, &CtOptions::default()).body.channels[0].status, Status::Ambiguous);
    let mut mark =
        wattward::record::Mark::new(played.case.marks[2].at, wattward::record::MarkKind::Seen, "clamp meter");
    mark.quantity = Some("current".to_owned());
    mark.value = Some("8.7 A".to_owned());
    mark.phase = Some("L1".to_owned());
    played.case.marks.insert(3, mark);
    let finding = judge(&played.case, &CtOptions::default());
    assert_eq!(finding.verdict, Verdict::Fail, "{:?}", finding.reasons);
    let kept = finding
        .reasons
        .iter()
        .find(|reason| reason.starts_with("Read off another instrument: current 8.7 A on L1"));
    assert!(kept.is_some(), "{:?}", finding.reasons);
}
