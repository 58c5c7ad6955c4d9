//! Against the limits of the standards and a budget computed by hand.

use super::*;
use crate::profile::{Door, DriverDirection, MeterLine, MeterRole, Netting};

fn meter(class: Option<MeterClass>, ct: Option<CtClass>, rated_a: Option<f64>) -> Meter {
    let door = Door::Serial("/dev/ttyUSB0".into());
    Meter {
        name: "connection".into(),
        role: MeterRole::Reference,
        profile: "meter.toml".into(),
        line: MeterLine {
            door,
            baud: None,
            parity: None,
            stop_bits: None,
            direction: DriverDirection::Adapter,
        },
        unit: None,
        ct_ratio: None,
        vt_ratio: None,
        ct_primary_a: rated_a,
        class,
        ct_class: ct,
        resolution_w: None,
        netting: Netting::Unknown,
        serial: None,
        calibrated: None,
    }
}

fn near(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "found {found}, expected {expected} within {within}");
}

#[test]
fn a_meter_of_class_1_with_cts_of_class_05_at_rated_current_has_the_budget_computed_by_hand() {
    // 4800 W: ±1 % → 27.713 W, ±0.5 % → 13.856 W; together 30.984 W.
    let accuracy = Accuracy::of(&meter(Some(MeterClass::C1), Some(CtClass::C05), Some(20.0)), false);
    let power = PhasePower { active_w: 4800.0, reactive_var: 0.0, voltage_v: 240.0 };
    near(accuracy.active_standard_w(power), 30.984, 1e-3);
}

#[test]
fn ct_angle_costs_what_the_tables_say_at_power_factor_one_half() {
    // δ = 60′ at cos φ = 0.5: tan φ · δ = 3.02 % of P (IEC 61869-2 class 1 at rated current).
    let limit = ct_limit(CtClass::C1, 1.0);
    near(limit.ratio, 0.01, 1e-12);
    near(limit.angle * libm::tan(libm::acos(0.5)), 0.0302, 1e-4);
}

#[test]
fn limits_widen_as_the_current_falls_and_say_so_when_assumed() {
    // IEC 61869-2: class 0.5 has 0.5 / 0.75 / 1.5 % at 100, 20, 5 %; class 0.5S reaches down to 1 %.
    for (share, percent) in
        [(1.2, 0.5), (1.0, 0.5), (0.99, 0.75), (0.2, 0.75), (0.05, 1.5), (0.025, 3.0), (0.001, 3.0)]
    {
        near(ct_limit(CtClass::C05, share).ratio, percent / 100.0, 1e-12);
    }
    near(ct_limit(CtClass::C05S, 0.01).ratio, 0.015, 1e-12);
    // IEC 62053-21, balanced loads: class 1 has 1.5 % from 0.05 Ib, 1.0 % from 0.1 Ib; one phase alone 2 %.
    near(meter_limit(MeterClass::C1, 0.06, 1.0, false), 0.015, 1e-12);
    near(meter_limit(MeterClass::C1, 0.5, 1.0, false), 0.01, 1e-12);
    near(meter_limit(MeterClass::C1, 0.5, 1.0, true), 0.02, 1e-12);
    near(meter_limit(MeterClass::C2, 0.15, 0.5, false), 0.025, 1e-12);
    near(meter_limit(MeterClass::B, 0.5, 1.0, false), 0.02, 1e-12);
    let assumed = Accuracy::of(&meter(None, None, None), false);
    assert!(assumed.assumed());
    let power = PhasePower { active_w: 2300.0, reactive_var: 0.0, voltage_v: 230.0 };
    near(assumed.active_standard_w(power), 46.0 / 3.0_f64.sqrt(), 1e-9);
    near(assumed.active_standard_w(PhasePower { active_w: 0.0, ..power }), 0.0, 0.0);
}

proptest::proptest! {
    #[test]
    fn more_power_is_never_less_uncertain_by_more_than_a_step_of_the_table(
        watts in 1.0_f64..20_000.0, reactive in -5000.0_f64..5000.0
    ) {
        let accuracy = Accuracy::of(&meter(Some(MeterClass::C1), Some(CtClass::C1), Some(100.0)), true);
        let power = PhasePower { active_w: watts, reactive_var: reactive, voltage_v: 230.0 };
        let u = accuracy.active_standard_w(power);
        proptest::prop_assert!(u.is_finite() && u > 0.0 && u < watts.abs() + reactive.abs());
        let mirrored = accuracy.active_standard_w(PhasePower { active_w: -watts, ..power });
        proptest::prop_assert_eq!(u, mirrored);
    }
}
