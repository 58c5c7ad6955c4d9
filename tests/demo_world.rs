//! The demo's house in simulated time: what its checks find follows from how the house is, not from the demo. The demo itself,
//! in real time, is in the full test run (`tests/peers/demo_test.py`).

#![cfg(feature = "rim")]
#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test may stop where it stands"
)]

use std::process::Command;

use wattward::base::Span;
use wattward::profile::{parse_profile, parse_site};
use wattward::sim::run::{RunPlan, run};
use wattward::sim::scenario::{Scenario, parse_scenario};
use wattward::sim::visit::{self, Manner, Visit};

const SITE: &str = include_str!("../src/cli/demo/site.toml");
const METER: &str = include_str!("../src/cli/demo/meter.toml");
const SCENARIO: &str = include_str!("../src/cli/demo/scenario.toml");

/// The house with another seed, and its meter independent of the plant, so that the limit check needs no other document.
fn house(seed: u64) -> Scenario {
    let (site, _) = parse_site("site.toml", &SITE.replace("\"steering\"", "\"reference\"")).expect("a site");
    let (profile, _) = parse_profile("meter.toml", METER).expect("a profile");
    let (mut house, warnings) =
        parse_scenario("scenario.toml", SCENARIO, site, vec![profile]).expect("a scenario");
    assert!(warnings.list.is_empty(), "{warnings:?}");
    house.seed = seed;
    house
}

/// The verdict of a check over a visit.
fn verdict(check: &str, house: &Scenario, visit: &Visit) -> String {
    let plan =
        RunPlan { begin: Span::from_millis(100), ..RunPlan::of(house, Span::from_millis(200), visit.end) };
    let folder = tempfile::tempdir().expect("a folder");
    let capture = folder.path().join("visit.pcapng");
    std::fs::write(&capture, run(house, &visit.steps, &plan).capture()).expect("written");
    let output = Command::new(env!("CARGO_BIN_EXE_wattward"))
        .args([check, "--json", "--quiet", "--from"])
        .arg(&capture)
        .output()
        .expect("the program runs");
    let document: serde_json::Value = serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&output.stderr)));
    document["verdict"].as_str().expect("a verdict").to_owned()
}

/// As the demo's procedure goes about it: the hand before the mark, holds of 1.2 to 1.8 s.
const QUICK: Manner = Manner { pairs: 3, hold_s: (1.3, 1.95), hand_s: (-0.05, -0.01), rest_s: 1.5 };

#[test]
fn the_ct_check_finds_the_ct_as_it_is() {
    for seed in 1..=5 {
        let mut house = house(seed);
        // a fridge may spoil one of three pairs; the live procedure then asks for one more, and these hands don't
        house.appliances.clear();
        let visit = visit::ct(&house, &[], &QUICK);
        assert_eq!(verdict("ct", &house, &visit), "fail", "seed {seed}, turned round");
        house.meters[0].channels[0].reversed = false;
        assert_eq!(verdict("ct", &house, &visit), "pass", "seed {seed}, put right");
        house.meters[0].channels[2].gain = 0.2;
        assert_eq!(verdict("ct", &house, &visit), "fail", "seed {seed}, a ratio of five");
    }
}

#[test]
fn the_limit_check_finds_the_control_as_it_is() {
    let manner = Manner { hold_s: (2.9, 3.1), rest_s: 1.2, ..QUICK };
    for seed in 1..=5 {
        let mut house = house(seed);
        house.meters[0].channels[0].reversed = false;
        let visit = visit::limit(&house, "oven", &manner);
        assert_eq!(verdict("limit", &house, &visit), "pass", "seed {seed}");
        let control = house.plants[0].control.take();
        assert_eq!(verdict("limit", &house, &visit), "fail", "seed {seed}, without control");
        house.plants[0].control = control;
        house.meters[0].channels[0].reversed = true;
        assert_ne!(verdict("limit", &house, &visit), "pass", "seed {seed}, steering by a CT turned round");
    }
}
