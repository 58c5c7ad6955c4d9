//! Sites and profiles for the tests of this room, built without the parsers.

use super::scenario::{Scenario, Supply};
use crate::base::{Network, Phase, PointKey, Quantity, Span, Unit};
use crate::profile::{
    Door, DriverDirection, Load, Meter, MeterLine, MeterRole, Netting, Order, Placement, Plant, Point,
    Positive, PowerFactorSign, Profile, ReadRules, Registers, SerialSettings, Site, Source, Table, Type,
};

pub(crate) fn point(quantity: Quantity, phase: Phase, address: u16) -> Point {
    Point {
        key: PointKey::Of(quantity, phase),
        source: Source::Registers {
            at: Registers { table: Table::Input, address, count: 4 },
            kind: Type::F64,
            word_order: Order::HighFirst,
            byte_order: Order::HighFirst,
            bits: None,
        },
        scale: 1.0,
        offset: 0.0,
        unit: Some(Unit::base(quantity.dimension())),
        unit_word: quantity.dimension().base().to_owned(),
        positive: (quantity == Quantity::ActivePower).then_some(Positive::Import),
        signed: true,
        direction: None,
        exponent_at: None,
        multiply_at: None,
        multiply: Vec::new(),
        missing: Vec::new(),
        valid: None,
        rollover: None,
        update: None,
        averaging: None,
        floor_w: None,
        power_factor_sign: PowerFactorSign::Iec,
    }
}

/// f64 registers: voltage at 0, active power at 100, reactive power at 200, total power at 300, energy at 400 and 404.
pub(crate) fn profile(update: Span) -> Profile {
    let mut points = Vec::new();
    for (line, phase) in Phase::LINES.into_iter().enumerate() {
        let at = 4 * line as u16;
        points.push(point(Quantity::Voltage, phase, at));
        points.push(point(Quantity::ActivePower, phase, 100 + at));
        points.push(point(Quantity::ReactivePower, phase, 200 + at));
    }
    points.push(point(Quantity::ActivePower, Phase::Total, 300));
    points.push(point(Quantity::EnergyImport, Phase::Total, 400));
    points.push(point(Quantity::EnergyExport, Phase::Total, 404));
    Profile {
        name: "Fixture".into(),
        notes: String::new(),
        line: SerialSettings::default(),
        unit: 1,
        read: ReadRules { update, ..ReadRules::default() },
        update_stated: true,
        points,
        settings: Vec::new(),
        text: String::new(),
    }
}

pub(crate) fn site() -> Site {
    let line = MeterLine {
        door: Door::Serial("sim".into()),
        baud: None,
        parity: None,
        stop_bits: None,
        direction: DriverDirection::Adapter,
    };
    let meter = Meter {
        name: "connection".into(),
        role: MeterRole::Reference,
        profile: "fixture.toml".into(),
        line,
        unit: None,
        ct_ratio: None,
        vt_ratio: None,
        ct_primary_a: None,
        class: None,
        ct_class: None,
        resolution_w: None,
        netting: Netting::Sum,
        serial: None,
        calibrated: None,
    };
    let load = |name: &str, phase| Load {
        name: name.into(),
        power_w: 2000.0,
        rated_v: Some(230.0),
        resistive: true,
        power_factor: 1.0,
        leading: false,
        tolerance: 0.1,
        phase: Some(phase),
    };
    Site {
        name: "Fixture".into(),
        phases: 3,
        network: Network::Wye,
        nominal_v: 230.0,
        time_zone: "UTC".into(),
        meters: vec![meter],
        plants: vec![Plant { name: "roof".into(), rated_w: 5000.0, phases: vec![Phase::L1], storage: false }],
        loads: vec![
            load("kettle", Placement::Line(Phase::L1)),
            load("heater", Placement::Line(Phase::L2)),
            load("oven", Placement::Line(Phase::L3)),
            load("boiler", Placement::Balanced),
        ],
        limit: None,
        text: String::new(),
    }
}

/// Without noise, drift or impedance, and with the plant off.
pub(crate) fn quiet() -> Scenario {
    let mut scenario = Scenario::of(site(), vec![profile(Span::from_millis(200))]);
    scenario.supply = Supply { drift_v: 0.0, line_ohm: [0.0; 2], neutral_ohm: [0.0; 2], ..Supply::default() };
    scenario.base.clear();
    scenario.plants[0].on = false;
    scenario
}

/// The number in an f64 register of the fixture's profile, read through a question and its answer.
pub(crate) fn read(world: &super::World, address: u16) -> f64 {
    let [high, low] = address.to_be_bytes();
    let answer = world.answer(0, 1, &[4, high, low, 0, 4]).unwrap();
    assert_eq!(answer[..2], [4, 8]);
    f64::from_be_bytes(answer[2..].try_into().unwrap())
}
