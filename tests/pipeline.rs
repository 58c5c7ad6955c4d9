//! From captures of an independent writer to series, through the whole line. The samples were written to the contract by a
//! program that shares no code with this one.
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

use std::path::PathBuf;

use wattward::base::{Phase, Quantity};
use wattward::link::Outcome;
use wattward::pipeline::{Overrides, Replayed, Text, replay};
use wattward::record::{frame_all, read_capture};

fn sample(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/samples").join(name)
}

fn replayed(name: &str, overrides: &Overrides) -> Replayed {
    let bytes = std::fs::read(sample(name).join("case.pcapng")).expect("a sample");
    let capture = read_capture(&bytes).expect("a capture");
    assert_eq!(capture.cut, None);
    replay(&capture.lines, &frame_all(&capture), overrides).expect("a case")
}

#[test]
fn every_answer_becomes_a_value_of_every_point() {
    for (name, quantity, phases) in [
        ("ct-right", Quantity::ActivePower, &[Phase::L1, Phase::L2, Phase::L3, Phase::Total][..]),
        ("ct-split-phase-wrong", Quantity::ReactivePower, &[Phase::L1, Phase::L2]),
        ("ct-total-right", Quantity::ActivePower, &[Phase::Total]),
        ("limit-held", Quantity::ActivePower, &[Phase::Total]),
        ("limit-broken", Quantity::Voltage, &[Phase::L1]),
    ] {
        let replayed = replayed(name, &Overrides::default());
        let answers = replayed.transactions.iter().filter(|asked| asked.answered_at().is_some());
        // Behind a silence the next answers to the same question are in doubt.
        let (suspect, good): (Vec<_>, Vec<_>) = answers.partition(|asked| asked.suspect);
        let answers = suspect.len() + good.len();
        // The last question may still be open when a recording stops.
        let settled = replayed.transactions.iter().filter(|asked| asked.outcome != Outcome::Open);
        let asked = settled.count();
        assert!(answers * 100 >= asked * 99, "{name}: {answers} answers to {asked} questions");
        for phase in phases {
            let series = replayed.case.meters[0].series.of(quantity, *phase).expect("a series");
            assert_eq!(series.samples.len(), good.len(), "{name} {quantity} {phase}");
            assert_eq!(
                series.absent.len(),
                asked - good.len(),
                "{name}: a question without an answer left no trace"
            );
        }
    }
}

#[test]
fn the_first_values_are_those_that_stand_in_the_bytes() {
    // ct-right: registers 0076 0000 … as i32, low word first; ct-split-phase-wrong: f32 with both orders turned.
    let right = replayed("ct-right", &Overrides::default());
    let first = |replayed: &Replayed, quantity, phase| {
        let series = replayed.case.meters[0].series.of(quantity, phase).expect("a series");
        series.samples[0].value
    };
    assert_eq!(first(&right, Quantity::ActivePower, Phase::L1), 118.0);
    assert_eq!(first(&right, Quantity::ActivePower, Phase::Total), 1519.0);
    let split = replayed("ct-split-phase-wrong", &Overrides::default());
    // 96 A4 F0 42 is the float 0x42F0A496, by IEEE 754.
    assert_eq!(first(&split, Quantity::Voltage, Phase::L1), f64::from(f32::from_bits(0x42F0_A496)));
}

#[test]
fn a_network_capture_of_another_program_replays_with_a_site_beside_it() {
    let text = |name: &str| Text {
        file: name.to_owned(),
        text: std::fs::read_to_string(sample("ct-foreign-network").join(name)).expect("a text"),
    };
    let overrides = Overrides {
        site: Some(text("site.toml")),
        profiles: vec![("profiles/grid.toml".into(), text("profiles/grid.toml"))],
        ..Overrides::default()
    };
    let replayed = replayed("ct-foreign-network", &overrides);
    let series = replayed.case.meters[0].series.of(Quantity::ActivePower, Phase::L1).expect("a series");
    assert!(series.samples.len() > 150, "{} values", series.samples.len());
    // Register 30008 = FFF9 = -7, × 0.01 kW, export positive: 70 W of import.
    assert!((series.samples[0].value - 70.0).abs() < 1e-9);
}
