//! The world as a whole: energy, repeatability, control, answers, commands.

use crate::base::{Span, Stamp};
use crate::sim::fixture::{profile, quiet, read, site};
use crate::sim::scenario::{Battery, Clouds, Control, Event, Scenario};
use crate::sim::{Command, World};

fn lively() -> Scenario {
    let mut scenario = Scenario::of(site(), vec![profile()]);
    scenario.plants[0].clouds = Some(Clouds { depth: 0.7, every_s: 20.0, lasting_s: 10.0, edge_s: 2.0 });
    scenario.plants[0].sun = 0.9;
    scenario.meters[0].noise_w = 2.0;
    let switched = Event { at: Span::from_millis(30_000), command: Command::Load(0, true) };
    scenario.events.push(switched);
    scenario
}

fn control(limit_w: f64) -> Control {
    Control {
        meter: 0,
        limit_w,
        bias_w: 20.0,
        gain: 0.9,
        dead_s: 0.4,
        period_s: 1.0,
        ramp_w_per_s: 5000.0,
        ramp_up_w_per_s: 5000.0,
        stop_after_s: None,
    }
}

#[test]
fn the_counters_hold_the_integral_of_the_true_power() {
    let scenario = lively();
    let mut world = World::new(&scenario, None);
    world.keep_truth(scenario.step);
    let (import, export) = (read(&world, 400), read(&world, 404));
    world.advance(scenario.start + Span::from_millis(120_000));
    let hours = scenario.step.seconds() / 3600.0;
    let sum = |part: fn(f64) -> f64| -> f64 {
        world.kept_truth().iter().map(|truth| part(truth.total_w()) * hours).sum()
    };
    let (want_import, want_export) = (sum(|w| w.max(0.0)), sum(|w| (-w).max(0.0)));
    assert!(want_export > 10.0 && want_import > 1.0, "{want_import} {want_export}");
    // shown at most one renewal late: 200 ms of some 4 kW
    assert!((read(&world, 400) - import - want_import).abs() < 0.3);
    assert!((read(&world, 404) - export - want_export).abs() < 0.3);
}

#[test]
fn one_seed_gives_one_world_however_time_is_cut() {
    let scenario = lively();
    let end = scenario.start + Span::from_millis(60_000);
    let mut whole = World::new(&scenario, Some(5));
    whole.advance(end);
    let mut cut = World::new(&scenario, Some(5));
    let mut at = scenario.start;
    for n in 0..60_000 {
        at += Span::from_micros(1000 + (n * 7919) % 1700);
        cut.advance(at.min(end));
    }
    assert_eq!(whole, cut);
    let mut other = World::new(&scenario, Some(6));
    other.advance(end);
    assert_ne!(whole.truth(), other.truth());
}

#[test]
fn without_noise_power_shown_is_power_true() {
    let mut scenario = lively();
    scenario.meters[0].noise_w = 0.0;
    let mut world = World::new(&scenario, None);
    let mut checked = 0;
    let mut before = read(&world, 300);
    for tick in 1..3000 {
        world.advance(scenario.start + Span::from_millis(10 * tick));
        let shown = read(&world, 300);
        if shown != before {
            // just renewed from this step
            let truth = world.truth();
            assert!((shown - truth.total_w()).abs() < 1e-6, "{shown} {truth:?}");
            let volts = read(&world, 0);
            assert!((volts - truth.volts[0]).abs() < 1e-9);
            checked += 1;
        }
        before = shown;
    }
    assert!(checked > 100, "{checked}");
}

/// Seconds above the limit by more than 60 W (four deviations of the household's noise), and the highest export.
fn above(scenario: &Scenario, limit_w: f64, seconds: i64) -> (f64, f64) {
    let mut world = World::new(scenario, None);
    world.advance(scenario.start + Span::from_millis(20_000));
    world.keep_truth(scenario.step);
    let from = world.now();
    for second in 0..seconds {
        world.switch("kettle", second / 10 % 2 == 0);
        world.advance(from + Span::from_millis(1000 * (second + 1)));
    }
    let over = world.kept_truth().iter().filter(|truth| truth.export_w() > limit_w + 60.0).count();
    let peak = world.kept_truth().iter().map(super::Truth::export_w).fold(0.0, f64::max);
    (over as f64 * scenario.step.seconds(), peak)
}

#[test]
fn a_working_control_brings_export_back_within_its_dead_time_period_and_ramp() {
    let mut scenario = lively();
    scenario.events.clear();
    scenario.plants[0].clouds = None;
    scenario.plants[0].control = Some(control(0.0));
    let (over_s, peak_w) = above(&scenario, 0.0, 60);
    // three drops of 2 kW, each over within 1 s period + 0.4 s dead + 0.4 s ramp + 0.2 s meter, and the 10 % left over
    assert!(peak_w > 1500.0, "{peak_w}");
    assert!(over_s > 1.0 && over_s < 3.0 * 3.2, "{over_s}");
    scenario.plants[0].control = None;
    let (over_s, _) = above(&scenario, 0.0, 60);
    assert!(over_s > 59.0, "{over_s}");
}

#[test]
fn a_reversed_steering_ct_lets_the_control_run_off() {
    let mut scenario = lively();
    scenario.events.clear();
    scenario.plants[0].clouds = None;
    scenario.plants[0].control = Some(control(0.0));
    for channel in &mut scenario.meters[0].channels {
        channel.reversed = true;
    }
    let (_, peak_w) = above(&scenario, 0.0, 60);
    // base loads of 360 W below a sun of 4500 W
    let mut world = World::new(&scenario, None);
    world.advance(scenario.start + Span::from_millis(30_000));
    let output = world.plants()[0].output_w;
    assert!(!(10.0..4490.0).contains(&output), "stuck at one end: {output}, peak {peak_w}");
}

#[test]
fn a_battery_hides_a_step_after_its_dead_time() {
    let mut scenario = lively();
    scenario.events.clear();
    scenario.plants[0].clouds = None;
    scenario.plants[0].sun = 0.0;
    scenario.plants[0].battery =
        Some(Battery { capacity_wh: 5000.0, charge_w: 2500.0, discharge_w: 2500.0, soc: 0.5 });
    scenario.plants[0].control = Some(Control { bias_w: 0.0, gain: 1.0, ..control(0.0) });
    let mut world = World::new(&scenario, None);
    let start = scenario.start;
    world.advance(start + Span::from_millis(20_000));
    assert!(world.truth().total_w().abs() < 60.0, "{:?}", world.truth());
    world.switch("kettle", true);
    world.advance(start + Span::from_millis(20_100));
    assert!(world.truth().total_w() > 1800.0);
    world.advance(start + Span::from_millis(25_000));
    assert!(world.truth().total_w().abs() < 60.0, "{:?}", world.truth());
    assert!(world.plants()[0].soc < 0.5);
}

#[test]
fn without_its_signal_a_plant_goes_on_or_stops_as_it_is_made() {
    for (stop_after_s, stops) in [(None, false), (Some(5.0), true)] {
        let mut scenario = lively();
        scenario.events.clear();
        scenario.plants[0].clouds = None;
        scenario.plants[0].control = Some(Control { stop_after_s, ..control(1000.0) });
        let mut world = World::new(&scenario, None);
        world.advance(scenario.start + Span::from_millis(20_000));
        assert!((world.truth().export_w() - 980.0).abs() < 60.0, "{:?}", world.truth());
        world.command(&Command::Signal(0, false));
        world.advance(scenario.start + Span::from_millis(30_000));
        assert_eq!(world.plants()[0].output_w < 1.0, stops, "{:?}", world.truth());
    }
}

/// Frames of facts 1.4 and the exceptions of facts 1.5 and 1.6.
#[test]
fn questions_it_cannot_answer_get_the_exceptions_of_the_protocol() {
    let scenario = quiet();
    let world = World::new(&scenario, None);
    let ask = |pdu: &[u8]| world.answer(0, 1, pdu).unwrap();
    assert_eq!(ask(&[6, 0, 1, 0, 1]), [0x86, 1]);
    assert_eq!(ask(&[1, 0, 0x13, 0, 0x13]), [0x81, 1]);
    assert_eq!(ask(&[3, 0, 0x6B, 0, 3]), [0x83, 2]);
    assert_eq!(ask(&[4, 4, 0xA1, 0, 1]), [0x84, 2]);
    assert_eq!(ask(&[4, 0, 0, 0, 0]), [0x84, 3]);
    assert_eq!(ask(&[4, 0, 0, 0, 126]), [0x84, 3]);
    assert_eq!(ask(&[4, 0, 0]), [0x84, 3]);
    assert_eq!(ask(&[]), [0x80, 1]);
    assert_eq!(ask(&[4, 0, 0, 0, 125]).len(), 2 + 250);
    // the last register is 407, and one past it is not there
    assert_eq!(ask(&[4, 1, 0x94, 0, 4])[0], 4);
    assert_eq!(ask(&[4, 1, 0x94, 0, 5]), [0x84, 2]);
    assert_eq!(ask(&[4, 0xFF, 0xFF, 0, 2]), [0x84, 2]);
    assert_eq!(world.answer(0, 2, &[4, 0, 0, 0, 1]), None);
    assert_eq!(world.answer(1, 1, &[4, 0, 0, 0, 1]), None);
}

#[test]
fn it_identifies_itself_as_simulated() {
    let world = World::new(&quiet(), None);
    let answer = world.answer(0, 1, &[0x2B, 0x0E, 1, 0]).unwrap();
    // function, MEI type, code, conformity, more follows, next object, three objects; then id, length, text
    assert_eq!(answer[..7], [0x2B, 0x0E, 1, 0x81, 0, 0, 3]);
    assert_eq!(&answer[7..18], b"\x00\x09Simulated");
    let one = world.answer(0, 1, &[0x2B, 0x0E, 4, 2]).unwrap();
    assert_eq!(&one[6..], b"\x01\x02\x031.0");
    assert_eq!(world.answer(0, 1, &[0x2B, 0x0E, 4, 9]).unwrap(), [0xAB, 2]);
    assert_eq!(world.answer(0, 1, &[0x2B, 0x0E, 9, 0]).unwrap(), [0xAB, 3]);
}

#[test]
fn commands_read_back_as_they_are_typed_and_refusals_name_what_there_is() {
    let scenario = quiet();
    let typed = [
        "kettle on",
        "roof off",
        "connection off",
        "signal roof off",
        "control roof on",
        "sun roof 40",
        "charge roof 100",
        "turn connection L2",
        "swap connection L1 L3",
        "put connection L2 N",
        "put connection L1 none",
    ];
    for text in typed {
        assert_eq!(Command::parse(text, &scenario).unwrap().words(&scenario), text);
    }
    let refused = Command::parse("toaster on", &scenario).unwrap_err();
    assert!(refused.contains("kettle") && refused.contains("toaster"), "{refused}");
    for text in ["", "on", "turn connection L4", "sun roof 140", "sun roof", "kettle maybe"] {
        assert!(Command::parse(text, &scenario).is_err(), "{text}");
    }
}

#[test]
fn swapped_and_turned_cts_show_at_once_in_what_the_meter_shows() {
    let scenario = quiet();
    let mut world = World::new(&scenario, None);
    let second = |n: i64| -> Stamp { scenario.start + Span::from_millis(1000 * n) };
    world.switch("kettle", true);
    world.command(&Command::Turn(0, 0));
    world.advance(second(1));
    assert!((read(&world, 100) + 2000.0).abs() < 1e-6);
    world.command(&Command::Turn(0, 0));
    world.command(&Command::Swap(0, 0, 1));
    world.advance(second(2));
    // the CT of channel L2 is now on L1: half the power, backwards
    assert!(read(&world, 100).abs() < 1e-6);
    assert!((read(&world, 104) + 1000.0).abs() < 1e-6);
}

#[test]
fn a_load_carried_to_another_socket_draws_there() {
    let scenario = quiet();
    let mut world = World::new(&scenario, None);
    let load = scenario.loads[0].name.clone();
    let mut seconds = 0;
    let mut powers = |world: &mut World, typed: &str| {
        world.command(&Command::parse(typed, &scenario).expect("a command"));
        seconds += 5;
        world.advance(scenario.start + Span::from_millis(seconds * 1000));
        world.truth().active_w
    };
    let off = powers(&mut world, &format!("{load} off"));
    for (line, phase) in ["L1", "L2", "L3"].into_iter().enumerate() {
        let plug = format!("plug {load} {phase}");
        assert_eq!(Command::parse(&plug, &scenario).expect("a command").words(&scenario), plug);
        powers(&mut world, &plug);
        let on = powers(&mut world, &format!("{load} on"));
        for other in 0..3 {
            let step = on[other] - off[other];
            let rated = scenario.loads[0].active_w;
            assert!((step - if other == line { rated } else { 0.0 }).abs() < 0.2 * rated, "{phase}: {step}");
        }
    }
    assert!(Command::parse("plug nothing L1", &scenario).is_err());
    assert!(Command::parse(&format!("plug {load} L4"), &scenario).is_err());
}
