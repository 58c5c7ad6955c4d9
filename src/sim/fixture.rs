//! Sites and profiles for the tests of this room.

use super::scenario::{Scenario, Supply};
use crate::base::Span;
use crate::profile::{Profile, Site, parse_profile, parse_site};

/// f64 registers: voltage at 0, active power at 100, reactive power at 200, total power at 300, energy at 400 and 404.
pub(crate) const PROFILE: &str = r#"
[profile]
name = "Fixture"
[read]
update_ms = 200
[defaults]
table = "input"
type = "f64"
positive = "import"
[points.voltage]
each = { address = 0, stride = 4 }
[points.active_power]
each = { address = 100, stride = 4, signed = true }
total = { address = 300, signed = true }
[points.reactive_power]
each = { address = 200, stride = 4 }
[points.energy_import]
total = { address = 400 }
[points.energy_export]
total = { address = 404 }
"#;

pub(crate) const SITE: &str = r#"
[site]
name = "Fixture"
phases = 3
nominal_V = 230
[[meter]]
name = "connection"
role = "reference"
profile = "fixture.toml"
line = { serial = "sim" }
netting = "sum"
[[plant]]
name = "roof"
rated_W = 5000
phases = ["L1"]
[[load]]
name = "kettle"
power_W = 2000
rated_V = 230
resistive = true
phase = "L1"
[[load]]
name = "heater"
power_W = 2000
rated_V = 230
resistive = true
phase = "L2"
[[load]]
name = "oven"
power_W = 2000
rated_V = 230
resistive = true
phase = "L3"
[[load]]
name = "boiler"
power_W = 2000
rated_V = 230
resistive = true
phase = "L1+L2+L3"
"#;

pub(crate) fn profile() -> Profile {
    parse_profile("fixture.toml", PROFILE).unwrap().0
}

pub(crate) fn site() -> Site {
    parse_site("site.toml", SITE).unwrap().0
}

/// Without noise, drift or impedance, and with the plant off.
pub(crate) fn quiet() -> Scenario {
    let mut scenario = Scenario::of(site(), vec![profile()]);
    scenario.supply = Supply { drift_v: 0.0, line_ohm: [0.0; 2], neutral_ohm: [0.0; 2], ..Supply::default() };
    scenario.base.clear();
    scenario.plants[0].on = false;
    scenario.meters[0].update = Some(Span::from_millis(200));
    scenario
}

/// The number in an f64 register of the fixture's profile, read through a question and its answer.
pub(crate) fn read(world: &super::World, address: u16) -> f64 {
    let [high, low] = address.to_be_bytes();
    let answer = world.answer(0, 1, &[4, high, low, 0, 4]).unwrap();
    assert_eq!(answer[..2], [4, 8]);
    f64::from_be_bytes(answer[2..].try_into().unwrap())
}
