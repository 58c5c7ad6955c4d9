//! Readings made from textbook relations, sound ones and ones with the slips of the trade.

use super::*;
use crate::base::Stamp;
use crate::profile::{parse_profile, parse_site, resolve};
use crate::reading::{MeterSeries, Series};

const METER: &str = "[defaults]\npositive = \"import\"\n\
    [points.voltage]\neach = { address = 0, stride = 2 }\n[points.current]\neach = { address = 6, stride = 2 }\n\
    [points.active_power]\neach = { address = 12, stride = 2 }\ntotal = { address = 18 }\n\
    [points.reactive_power]\neach = { address = 20, stride = 2 }\n\
    [points.apparent_power]\neach = { address = 26, stride = 2 }\n\
    [points.power_factor]\neach = { address = 32, stride = 2 }\n[points.frequency]\ntotal = { address = 38 }\n\
    [points.energy_import]\ntotal = { address = 40, unit = \"kWh\" }\n\
    [points.energy_export]\ntotal = { address = 42, unit = \"kWh\", type = \"u32\", scale = 0.01, rollover = 100000 }\n";

const SITE: &str = "[site]\nphases = 3\nnominal_V = 230\n[[plant]]\nname = \"roof\"\nrated_W = 5000\n\
    [[meter]]\nprofile = \"m\"\nline = { serial = \"p\" }\nclass = \"1\"\n";

fn key(name: &str) -> PointKey {
    PointKey::parse(name).unwrap_or_else(|| panic!("{name}"))
}

/// Voltage, current, P, Q and the rest of one phase: 230 V, `amps` at `degrees` behind.
fn phase(reading: &mut BTreeMap<PointKey, Sample>, name: &str, amps: f64, degrees: f64) {
    let at = millis(0);
    let (sin, cos) = libm::sincos(degrees.to_radians());
    let apparent = 230.0 * amps;
    for (quantity, value) in [
        ("voltage", 230.0),
        ("current", amps),
        ("active_power", apparent * cos),
        ("reactive_power", apparent * sin),
        ("apparent_power", apparent),
        ("power_factor", cos),
    ] {
        reading.insert(key(&format!("{quantity}.{name}")), Sample { at, value });
    }
}

fn millis(millis: i64) -> Stamp {
    Stamp::from_micros(millis * 1000)
}

fn sound() -> BTreeMap<PointKey, Sample> {
    let mut reading = BTreeMap::new();
    phase(&mut reading, "L1", 10.0, 0.0);
    phase(&mut reading, "L2", 5.0, 30.0);
    phase(&mut reading, "L3", 8.0, 180.0);
    let total =
        ["L1", "L2", "L3"].iter().map(|name| reading[&key(&format!("active_power.{name}"))].value).sum();
    let at = Stamp::from_nanos(0);
    reading.insert(key("active_power.total"), Sample { at, value: total });
    reading.insert(key("frequency.total"), Sample { at, value: 50.02 });
    reading
}

fn judged(profile: &str, site: &str, reading: &BTreeMap<PointKey, Sample>) -> Vec<Remark> {
    let (profile, _) = parse_profile("p", profile).unwrap_or_else(|faults| panic!("{faults:#?}"));
    let (mut site, _) = parse_site("s", site).unwrap_or_else(|faults| panic!("{faults:#?}"));
    resolve(&mut site, std::slice::from_ref(&profile));
    judge(&profile, &site, &site.meters[0], reading)
}

fn with(name: &str, value: f64) -> Vec<Remark> {
    let mut reading = sound();
    reading.insert(key(name), Sample { at: Stamp::from_nanos(0), value });
    judged(METER, SITE, &reading)
}

fn only(remarks: &[Remark]) -> &Remark {
    let [remark] = remarks else { panic!("{remarks:#?}") };
    remark
}

#[test]
fn a_sound_reading_gets_no_remark() {
    assert_eq!(judged(METER, SITE, &sound()), []);
}

#[test]
fn a_total_that_is_not_the_sum_is_a_contradiction_with_its_likely_cause() {
    // 10 A, 5 A at 30° and 8 A out: 2300 + 995.9 - 1840 = 1455.9 W.
    let remarks = with("active_power.total", 1455.9 / 1000.0);
    let remark = only(&remarks);
    assert_eq!(remark.weight, Weight::Contradiction);
    assert!(remark.expected.contains("a thousand times too small"), "{remark:?}");
    // Without signs 5135.9 W: the export of L3 is lost.
    let remarks = with("active_power.total", 5135.9);
    assert!(only(&remarks).expected.contains("without their signs"));
    let remarks = with("active_power.total", -1455.9);
    assert!(only(&remarks).expected.contains("wrong sign"));
}

#[test]
fn values_from_different_answers_may_differ_as_loads_come_and_go() {
    let mut reading = sound();
    reading.insert(key("active_power.total"), Sample { at: Stamp::from_nanos(300_000_000), value: 1900.0 });
    assert_eq!(judged(METER, SITE, &reading), []);
}

#[test]
fn a_power_beyond_volts_times_amps_is_a_contradiction() {
    let mut reading = sound();
    reading.insert(key("current.L1"), Sample { at: Stamp::from_nanos(0), value: 1.0 });
    let remarks = judged(METER, SITE, &reading);
    let remark = only(&remarks);
    assert!(remark.expected.contains("ten times too large"), "{remark:?}");
    assert_eq!(remark.points[0], key("active_power.L1"));
}

#[test]
fn apparent_power_below_p_and_q_is_a_contradiction_and_above_may_be_harmonics() {
    // L2: 1150 VA at 30° is 995.9 W and 575 var.
    let remarks = with("apparent_power.L2", 700.0);
    assert_eq!(remarks[0].weight, Weight::Contradiction);
    assert!(remarks[0].saw.starts_with("L2"), "{remarks:?}");
    assert!(remarks[0].expected.contains("about 1150 VA"));
    // A rectifier load at a power factor of 0.6 is no fault of the profile.
    let mut reading = sound();
    for (name, value) in [("apparent_power.L2", 1660.0), ("power_factor.L2", 0.6), ("current.L2", 7.2)] {
        reading.insert(key(name), Sample { at: Stamp::from_nanos(0), value });
    }
    assert_eq!(judged(METER, SITE, &reading), []);
}

#[test]
fn a_power_factor_in_percent_or_off_is_found_and_either_sign_convention_is_known() {
    let remarks = with("power_factor.L1", 100.0);
    assert!(only(&remarks).expected.contains("unit = \"%\""));
    let remarks = with("power_factor.L1", 0.5);
    assert!(only(&remarks).saw.contains("0.5"));
    // L2 lags by 30° on import. The size is right; under `iec` the minus is not.
    let remarks = with("power_factor.L2", -0.866);
    let hint = only(&remarks);
    assert_eq!(hint.weight, Weight::Hint);
    assert!(hint.expected.contains("lag-lead"), "{hint:?}");
    let lag_lead = METER.replace(
        "each = { address = 32, stride = 2 }",
        "each = { address = 32, stride = 2, sign = \"lag-lead\" }",
    );
    let mut reading = sound();
    reading.insert(key("power_factor.L2"), Sample { at: Stamp::from_nanos(0), value: -0.866 });
    reading.insert(key("power_factor.L3"), Sample { at: Stamp::from_nanos(0), value: 1.0 });
    assert_eq!(judged(&lag_lead, SITE, &reading), []);
}

#[test]
fn frequency_lies_between_45_and_65_hertz() {
    assert!(only(&with("frequency.total", 5002.0)).expected.contains("a hundred times too large"));
    assert_eq!(with("frequency.total", 60.0), []);
    assert_eq!(with("frequency.total", 44.9).len(), 1);
}

#[test]
fn voltages_lie_near_nominal_and_the_usual_mix_ups_are_named() {
    // EN 50160: 195.5 to 253 V at 230 V for any ten minutes.
    for volts in [195.5, 253.0] {
        let remarks = with("voltage.L3", volts);
        assert!(remarks.iter().all(|remark| remark.points != [key("voltage.L3")]), "{remarks:?}");
    }
    let about = |volts| {
        let remarks = with("voltage.L3", volts);
        remarks.into_iter().find(|remark| remark.points == [key("voltage.L3")]).unwrap().expected
    };
    assert!(about(400.0).contains("between two lines"));
    assert!(about(2300.0).contains("ten times too large"));
    assert!(about(120.0).contains("half or double"));
    assert!(about(0.0).contains("no voltage"));
    // 400 V between the lines of a 230 V star (IEC 60038), 240 V over a 120 V split phase.
    let between = "[points.voltage]\nL1-L2 = { address = 0 }\n";
    let reading =
        |volts| BTreeMap::from([(key("voltage.L1-L2"), Sample { at: Stamp::from_nanos(0), value: volts })]);
    assert_eq!(judged(between, SITE, &reading(400.0)), []);
    let split = SITE.replace("phases = 3", "phases = 2").replace("230", "120");
    assert_eq!(judged(between, &split, &reading(240.0)), []);
    assert_eq!(judged(between, SITE, &reading(230.0)).len(), 1);
    let delta = SITE.replace("phases = 3", "phases = 3\nnetwork = \"delta\"").replace("230", "400");
    assert_eq!(judged(between, &delta, &reading(400.0)), []);
}

/// Facts 8.1 (computed from the phase angles): a resistive load seen through the CT on another phase's conductor.
#[test]
fn the_angle_of_a_swapped_ct_is_a_hint_and_an_ordinary_load_none() {
    for (degrees, reversed) in [(120.0, false), (-120.0, false), (60.0, true), (-60.0, true)] {
        let mut reading = sound();
        phase(&mut reading, "L1", 10.0, degrees);
        reading.remove(&key("active_power.total"));
        let remarks = judged(METER, SITE, &reading);
        let hint = only(&remarks);
        assert_eq!(hint.weight, Weight::Hint);
        assert_eq!(hint.expected.contains("reversed"), reversed, "{hint:?}");
    }
    for degrees in [0.0, 31.8, -25.0, 180.0, 160.0] {
        let mut reading = sound();
        phase(&mut reading, "L1", 10.0, degrees);
        reading.remove(&key("active_power.total"));
        assert_eq!(judged(METER, SITE, &reading), [], "{degrees}");
    }
    // A filter's few milliamperes, and a site with one phase, give no hint.
    let mut reading = sound();
    phase(&mut reading, "L2", 0.2, 120.0);
    reading.remove(&key("active_power.total"));
    assert_eq!(judged(METER, SITE, &reading), []);
}

/// A site that only consumes shows no export, unless a CT or the convention is the wrong way round.
#[test]
fn export_where_nothing_generates_is_a_hint() {
    let bare = &SITE.replace("[[plant]]\nname = \"roof\"\nrated_W = 5000\n", "");
    let remarks = judged(METER, bare, &sound());
    assert_eq!(only(&remarks).weight, Weight::Hint);
    assert!(only(&remarks).saw.starts_with("L3: -1840 W, which is export"), "{remarks:?}");
    let generation = bare.replace("class", "role = \"generation\"\nclass");
    assert_eq!(judged(METER, &generation, &sound()), []);
    let mut imports = sound();
    phase(&mut imports, "L3", 8.0, 0.0);
    imports.remove(&key("active_power.total"));
    assert_eq!(judged(METER, bare, &imports), []);
}

#[test]
fn a_float_in_the_wrong_word_order_is_named_as_such() {
    // 230.0 is 0x43660000 as a float; with its halves swapped 0x00004366, 2.4e-41.
    let swapped = f64::from(f32::from_bits(0x0000_4366));
    let remarks = with("voltage.L1", swapped);
    assert!(only(&remarks).expected.contains("word_order"));
}

fn series(points: &[(&str, &[(i64, f64)])]) -> MeterSeries {
    let mut series = MeterSeries::default();
    for (name, samples) in points {
        let samples = samples.iter().map(|(at, value)| Sample { at: millis(*at), value: *value });
        series.points.insert(key(name), Series { samples: samples.collect(), absent: Vec::new() });
    }
    series
}

fn counters(points: &[(&str, &[(i64, f64)])]) -> Vec<Remark> {
    let (profile, _) = parse_profile("p", METER).unwrap();
    judge_counters(&profile, crate::profile::Netting::Unknown, &series(points))
}

#[test]
fn counters_only_rise_but_for_a_roll_over() {
    assert_eq!(counters(&[("energy_export.total", &[(0, 5000.0), (1000, 5010.0), (2000, 5010.0)])]), []);
    let fell = counters(&[("energy_export.total", &[(0, 5000.0), (1000, 4990.0)])]);
    assert_eq!(only(&fell).weight, Weight::Contradiction);
    // 100,000 counts of 0.01 kWh are 1 MWh.
    assert_eq!(counters(&[("energy_export.total", &[(0, 999_990.0), (1000, 10.0)])]), []);
    // A counter read as a float wavers in its last bit: 2^24 counts and more can't be told apart.
    assert_eq!(counters(&[("energy_import.total", &[(0, 16_777_216.0), (1000, 16_777_215.0)])]), []);
}

#[test]
fn a_counter_agrees_with_the_integral_of_the_power() {
    // 3600 W for 100 s are 100 Wh.
    let power: Vec<(i64, f64)> = (0..=100).map(|second| (second * 1000, 3600.0)).collect();
    let at = |rise: f64| {
        counters(&[
            ("active_power.total", &power),
            ("energy_import.total", &[(0, 50_000.0), (100_000, 50_000.0 + rise)]),
        ])
    };
    assert_eq!(at(100.0), []);
    assert!(only(&at(0.1)).expected.contains("a thousand times too small"));
    assert!(only(&at(100_000.0)).expected.contains("a thousand times too large"));
    assert!(only(&at(0.0)).expected.contains("other direction"));
    // Too short to say anything: one step of 10 Wh.
    let short: Vec<(i64, f64)> = (0..=10).map(|second| (second * 1000, -3600.0)).collect();
    let remarks =
        counters(&[("active_power.total", &short), ("energy_export.total", &[(0, 0.0), (10_000, 0.0)])]);
    assert_eq!(remarks, []);
}

#[test]
fn a_ratio_other_than_the_site_says_and_a_setting_that_changes_are_contradictions() {
    let text = format!("{METER}[settings]\nct_ratio = {{ address = 90, type = \"u16\" }}\n");
    let (profile, _) = parse_profile("p", &text).unwrap();
    let (site, _) = parse_site("s", &format!("{SITE}ct_ratio = 40\n")).unwrap();
    let judged = |samples: &[(i64, f64)]| {
        judge_settings(&profile, &site.meters[0], &series(&[("settings.ct_ratio", samples)]))
    };
    assert_eq!(judged(&[(0, 40.0), (60_000, 40.0)]), []);
    assert!(only(&judged(&[(0, 30.0), (60_000, 30.0)])).expected.contains("40, as the site file says"));
    assert!(only(&judged(&[(0, 30.0), (60_000, 40.0)])).saw.contains("was 30 and is 40"));
    assert_eq!(judged(&[]), []);
}
