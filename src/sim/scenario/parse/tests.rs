//! Scenario files: what they say, and every fault at once.

use super::*;
use crate::sim::fixture::{profile, site};
use crate::sim::scenario::{Conductor, Spot};

const FULL: &str = r#"
[scenario]
name = "Two faults"
site = "site.toml"
seed = 7
start = "2026-06-21T10:00:00Z"
step_ms = 20

[supply]
level = [1.02, 1.0, 0.99]
drift_V = 0.4
line_ohm = [0.3, 0.1]
frequency_Hz = 50.02

[line]
lump_ms = 16
flip = 0.001
second_master = { every_ms = 700, unit = 4 }

[[base]]
phase = "L2"
power_W = 300
noise_W = 12

[[appliance]]
name = "fridge"
phase = "L3"

[[load]]
name = "kettle"
power_W = 1930
phase = "L2"

[[plant]]
name = "roof"
sun = 90
clouds = { depth = 0.5 }
battery = { capacity_Wh = 8000, charged = 100 }
control = { meter = "connection", limit_W = 500, dead_s = 0.8 }

[[meter]]
misses = ["fridge"]
channels = { L1 = { ct = "L2", reversed = true }, L3 = { gain = 0.5 } }
update_ms = 400
counted_Wh = [1000, 2000]

[[event]]
at_s = 30
do = "kettle off"
[[event]]
at_s = 10
do = "kettle on"
"#;

fn parse(text: &str) -> Result<(Scenario, Faults), Faults> {
    parse_scenario("scenario.toml", text, site(), vec![profile()])
}

#[test]
fn a_scenario_says_how_the_site_differs_from_its_file() {
    let (scenario, faults) = parse(FULL).unwrap();
    assert!(faults.list.is_empty());
    assert_eq!(site_of(FULL).as_deref(), Some("site.toml"));
    assert!(is_scenario(FULL));
    assert_eq!((scenario.seed, scenario.step), (7, Span::from_millis(20)));
    assert_eq!(scenario.supply.level[0], 1.02);
    // what the file leaves out stays as usual
    assert_eq!(scenario.supply.neutral_ohm, Supply::default().neutral_ohm);
    assert_eq!((scenario.line.flip, scenario.line.lump), (0.001, Span::from_millis(16)));
    assert_eq!(scenario.line.second_master.unwrap().unit, 4);
    assert_eq!((scenario.base.len(), scenario.base[0].power_w), (1, 300.0));
    assert_eq!(scenario.loads[0].active_w, 1930.0);
    assert_eq!(scenario.loads[0].placement.word(), "L2");
    assert_eq!(scenario.loads[1].active_w, 2000.0);
    let plant = &scenario.plants[0];
    assert_eq!((plant.sun, plant.battery.unwrap().soc), (0.9, 1.0));
    assert_eq!(plant.control.unwrap().limit_w, 500.0);
    let meter = &scenario.meters[0];
    assert_eq!(meter.channels[0].conductor, Conductor::Line(1));
    assert!(meter.channels[0].reversed && !meter.channels[1].reversed);
    assert_eq!((meter.channels[2].gain, meter.spot), (0.5, Spot::Grid));
    assert_eq!(meter.update, Some(Span::from_millis(400)));
    // in order of time, whatever the order in the file
    let words: Vec<String> = scenario.events.iter().map(|event| event.command.words(&scenario)).collect();
    assert_eq!(words, ["kettle on", "kettle off"]);
}

#[test]
fn every_fault_is_found_at_once_with_its_place_and_its_mend() {
    let text = FULL
        .replace("seed = 7", "sed = 7")
        .replace("phase = \"L3\"", "phase = \"L4\"")
        .replace("ct = \"L2\"", "ct = \"L5\"")
        .replace("name = \"kettle\"", "name = \"toaster\"")
        .replace("do = \"kettle on\"", "do = \"kettle perhaps\"")
        .replace("at_s = 30\n", "")
        .replace("drift_V = 0.4", "drift_V = -1")
        .replace("misses = [\"fridge\"]", "misses = [\"cellar\"]");
    let faults = parse(&text).unwrap_err();
    let found: Vec<&str> = faults.list.iter().map(|fault| fault.message.as_str()).collect();
    for part in ["`sed`", "L4", "L5", "toaster", "perhaps", "`at_s`", "drift_V", "nothing here has this name"]
    {
        assert!(found.iter().any(|message| message.contains(part)), "{part} in {found:#?}");
    }
    assert!(faults.list.iter().all(|fault| fault.mend.is_some()), "{faults:?}");
    let seed = faults.list.iter().find(|fault| fault.message.contains("`sed`")).unwrap();
    assert_eq!(&faults.text[seed.span.clone()], "sed");
    assert!(seed.mend.as_deref().unwrap().contains("seed"));
}

/// The manual shows every key; what it shows can be used as it stands.
#[test]
fn the_scenario_in_the_manual_is_a_scenario() {
    let manual = include_str!("../../../../docs/simulate.md");
    let start = manual.find("```toml").unwrap() + "```toml".len();
    let text = &manual[start..start + manual[start..].find("```").unwrap()];
    let (scenario, faults) = parse(text).unwrap_or_else(|faults| panic!("{:#?}", faults.list));
    assert!(faults.list.is_empty(), "{faults:?}");
    assert_eq!(scenario.meters[0].misses, ["roof"]);
}

#[test]
fn nothing_but_the_heading_is_the_site_as_its_file_says() {
    let (scenario, _) = parse("[scenario]\nsite = \"site.toml\"\n").unwrap();
    assert_eq!(scenario, Scenario::of(site(), vec![profile()]));
    assert!(parse("").is_err());
    assert!(!is_scenario("[site]\nname = \"x\"\n"));
}

proptest::proptest! {
    #[test]
    fn no_text_makes_it_panic(cut in 0..FULL.len(), junk in "\\PC{0,12}") {
        let mut cut = cut;
        while !FULL.is_char_boundary(cut) {
            cut -= 1;
        }
        let text = format!("{}{junk}{}", &FULL[..cut], &FULL[(cut + junk.len() / 2).min(FULL.len())..]);
        let _ = parse(&text);
        let _ = site_of(&text);
    }
}
