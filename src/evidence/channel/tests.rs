//! Channels out of whatever a meter says. Signs as IEC 60375 and IEC 61557-12 quadrants have them: importing and inductive is
//! P > 0, Q > 0; a power factor in IEC mode follows P, in lag-lead mode minus is lagging whatever way the power flows.

use super::*;
use crate::evidence::MeterCase;
use crate::profile::{parse_profile, parse_site};
use crate::reading::{MeterSeries, Series};

fn origin() -> Stamp {
    Stamp::from_nanos(1_780_000_000_000_000_000)
}

fn meter(points: &str, values: &[(Quantity, f64)]) -> (MeterCase, Site) {
    let text = "[[meter]]\nprofile = \"m.toml\"\nline = { serial = \"x\" }\n[[load]]\nname = \"kettle\"\npower_W = 2000\n";
    let (site, _) = parse_site("site.toml", text).expect("a site");
    let profile = format!(
        "[profile]\nname = \"Invented\"\n[defaults]\ntype = \"f32\"\npositive = \"import\"\n{points}"
    );
    let (profile, _) = parse_profile("m.toml", &profile).unwrap_or_else(|faults| panic!("{:?}", faults.list));
    let mut series = MeterSeries::default();
    for (quantity, value) in values {
        let samples = vec![Sample { at: origin(), value: *value }];
        let points = &mut series.points;
        points.insert(PointKey::Of(*quantity, Phase::L1), Series { samples, absent: Vec::new() });
    }
    (MeterCase { meter: site.meters[0].clone(), profile, series }, site)
}

#[test]
fn a_lag_lead_power_factor_gives_reactive_power_its_sign_in_all_four_quadrants() {
    // Quadrants I to IV: (P, Q, lagging).
    let quadrants =
        [(800.0, 600.0, true), (-800.0, 600.0, false), (-800.0, -600.0, true), (800.0, -600.0, false)];
    for (active, reactive, lagging) in quadrants {
        let points = "[points.active_power]\nL1 = { address = 0, signed = true }\n[points.voltage]\nL1 = { address = 2 }\n[points.current]\nL1 = { address = 4 }\n[points.power_factor]\nL1 = { address = 6, sign = \"lag-lead\" }\n";
        let values = [
            (Quantity::ActivePower, active),
            (Quantity::Voltage, 250.0),
            (Quantity::Current, 4.0),
            (Quantity::PowerFactor, if lagging { -0.8 } else { 0.8 }),
        ];
        let (meter, site) = meter(points, &values);
        let found = channels(&meter, &site, origin());
        let trace = found[0].reactive.as_ref().expect("reactive power");
        assert!((trace.values[0] - reactive).abs() < 1e-9, "{active} {reactive}: {:?}", trace.values);
    }
}

#[test]
fn a_power_factor_that_follows_the_power_says_nothing_of_lag() {
    let points = "[points.active_power]\nL1 = { address = 0 }\n[points.voltage]\nL1 = { address = 2 }\n[points.current]\nL1 = { address = 4 }\n[points.power_factor]\nL1 = { address = 6 }\n";
    let values = [
        (Quantity::ActivePower, 800.0),
        (Quantity::Voltage, 250.0),
        (Quantity::Current, 4.0),
        (Quantity::PowerFactor, 0.8),
    ];
    let (meter, site) = meter(points, &values);
    assert_eq!(channels(&meter, &site, origin())[0].reactive, None);
}

#[test]
fn an_angle_gives_reactive_power_at_right_angles_too() {
    let points = "[points.active_power]\nL1 = { address = 0 }\n[points.voltage]\nL1 = { address = 2 }\n[points.current]\nL1 = { address = 4 }\n[points.phase_angle]\nL1 = { address = 6 }\n";
    for (angle, reactive) in [(90.0, 1000.0), (-120.0, -866.025), (30.0, 500.0)] {
        let values = [
            (Quantity::ActivePower, 0.0),
            (Quantity::Voltage, 250.0),
            (Quantity::Current, 4.0),
            (Quantity::PhaseAngle, angle),
        ];
        let (meter, site) = meter(points, &values);
        let trace = channels(&meter, &site, origin())[0].reactive.clone().expect("reactive power");
        assert!((trace.values[0] - reactive).abs() < 1e-2, "{angle}: {:?}", trace.values);
    }
}

#[test]
fn import_and_export_registers_give_one_power_that_can_go_negative() {
    let points = "[points.active_power_import]\nL1 = { address = 0 }\n[points.active_power_export]\nL1 = { address = 2 }\n";
    let values = [(Quantity::ActivePowerImport, 0.0), (Quantity::ActivePowerExport, 700.0)];
    let (meter, site) = meter(points, &values);
    let found = channels(&meter, &site, origin());
    assert_eq!(found[0].active.values, [-700.0]);
    assert!(found[0].signed);
}

#[test]
fn power_without_a_register_comes_from_voltage_current_and_power_factor() {
    let points = "[points.voltage]\nL1 = { address = 2 }\n[points.current]\nL1 = { address = 4 }\n[points.power_factor]\nL1 = { address = 6 }\n";
    let values = [(Quantity::Voltage, 250.0), (Quantity::Current, 4.0), (Quantity::PowerFactor, -0.8)];
    let (meter, site) = meter(points, &values);
    let found = channels(&meter, &site, origin());
    assert_eq!(found[0].active.values, [-800.0]);
    assert!(!found[0].signed);
}
