//! What a log shows and what it can't: rules beside each other, long means, times nobody read, meters nobody heard.

use wattward::base::{Phase, PointKey, Quantity, Span, Stamp};
use wattward::check::review::{Review, review};
use wattward::evidence::long::{Gather, Long, Plan};
use wattward::profile::{parse_profile, parse_site};
use wattward::reading::{Absent, MeterSeries, Sample};

const PROFILE: &str = "[defaults]\npositive = \"import\"\n\
    [points.active_power]\neach = { address = 12, stride = 2, signed = true }\ntotal = { address = 18, signed = true }\n\
    [points.energy_export]\ntotal = { address = 22, type = \"u32\", unit = \"Wh\", scale = 10 }\n\
    [settings]\nexport_limit = { address = 60, type = \"u16\" }\n";

/// 2026-09-21T14:13:20Z.
const START: i64 = 1_790_000_000_000_000_000;

/// Two meters, the plant and these lines.
fn site(phases: u8, main: &str, rules: &str) -> String {
    let meter = |name: &str, more: &str| {
        format!(
            "[[meter]]\nname = \"{name}\"\nprofile = \"p\"\nclass = \"1\"\nline = {{ serial = \"x\" }}\n{more}\n"
        )
    };
    format!(
        "[site]\nname = \"Made house\"\nphases = {phases}\n{}{}[[plant]]\nname = \"roof\"\nrated_W = 5000\nstorage = false\n{rules}",
        meter("connection", &format!("role = \"reference\"\nunit = 1\n{main}")),
        meter("inverter", "role = \"steering\"\nunit = 2")
    )
}

/// A log in the making.
#[derive(Default)]
struct Log {
    meters: [MeterSeries; 2],
}

impl Log {
    fn put(&mut self, meter: usize, key: PointKey, second: f64, value: f64) {
        let at = Stamp::from_nanos(START) + Span::from_seconds(second);
        self.meters[meter].points.entry(key).or_default().samples.push(Sample { at, value });
    }

    fn total(&mut self, meter: usize, second: f64, watts: f64) {
        self.put(meter, PointKey::Of(Quantity::ActivePower, Phase::Total), second, watts);
    }

    fn counter(&mut self, second: f64, wh: f64) {
        let counted = (wh / 10.0).floor() * 10.0;
        self.put(0, PointKey::Of(Quantity::EnergyExport, Phase::Total), second, counted);
    }

    fn missed(&mut self, meter: usize, second: f64) {
        let at = Stamp::from_nanos(START) + Span::from_seconds(second);
        let key = PointKey::Of(Quantity::ActivePower, Phase::Total);
        self.meters[meter].points.entry(key).or_default().absent.push((at, Absent::NoAnswer));
    }

    fn review(self, site: &str, seconds: f64) -> Option<Review> {
        let site = parse_site("site", site).unwrap_or_else(|faults| unreachable!("{faults:#?}")).0;
        let profile = parse_profile("p", PROFILE).expect("a profile").0;
        let plan = Plan::new(&site, &[profile.clone(), profile], None).expect("meters");
        let mut long = Long::new(plan);
        let mut gather = Gather::new(2);
        for (meter, series) in self.meters.into_iter().enumerate() {
            gather.push(meter, series);
        }
        gather.finish().into_iter().for_each(|slice| long.take(slice));
        let at = |second: f64| Stamp::from_nanos(START) + Span::from_seconds(second);
        review(&long.finish(), (at(0.0), at(seconds)), None)
    }
}

fn first(review: &Review) -> &'static str {
    review.body.causes[0].cause
}

const ZERO: &str = "[limit]\nwindow_s = 200000\n[[limit.rule]]\nexport_W = 0\nlongest_s = 5.0\n";

#[test]
fn every_rule_is_followed_not_only_the_lowest() {
    let rules = "[limit]\nwindow_s = 200000\n[[limit.rule]]\nexport_W = 0\nlongest_s = 3600.0\n[[limit.rule]]\nexport_W = 1000\nlongest_s = 5.0\n";
    let mut log = Log::default();
    for second in 0..3600 {
        let power = if (1000..1060).contains(&second) { -1500.0 } else { 400.0 };
        log.total(0, f64::from(second), power);
        log.total(1, f64::from(second), power);
    }
    let found = log.review(&site(1, "", rules), 3600.0).expect("readings");
    let over = &found.body.over_limit;
    assert_eq!((over.rules.len(), over.rules[0].breaking, over.rules[1].breaking), (2, 0, 1));
    assert_eq!(over.limit_W, Some(1000.0), "the rule that is passed decides");
    assert_eq!(first(&found), "limit-passed-briefly", "{:#?}", found.body.causes);
}

/// 1200 W for twenty minutes of half an hour are 800 W by its mean (computed), and 1200 W by one of ten minutes.
#[test]
fn a_mean_over_half_an_hour_is_one_over_half_an_hour() {
    let rules =
        "[limit]\nwindow_s = 200000\n[[limit.rule]]\nexport_W = 300\naveraging_s = 1800.0\nlongest_s = 0.0\n";
    let mut log = Log::default();
    for second in 0..9000 {
        let power = if (4000..5200).contains(&second) { -1200.0 } else { 0.0 };
        log.total(0, f64::from(second), power);
        log.total(1, f64::from(second), power);
    }
    let found = log.review(&site(1, "", rules), 9000.0).expect("readings");
    let rule = &found.body.over_limit.rules[0];
    assert!((rule.worst_averaged_export_W - 800.0).abs() < 1.0, "{rule:?}");
    // Above 300 W by the mean from 450 s after the beginning to 450 s before the last of it has left the window, less what
    // is unsure of it.
    assert!(rule.count == 1 && (rule.time_s - 2100.0).abs() < 60.0, "{rule:?}");
}

#[test]
fn a_mean_longer_than_can_be_followed_is_said() {
    let rules = "[limit]\nwindow_s = 200000\n[[limit.rule]]\nexport_W = 300\naveraging_s = 100000.0\nlongest_s = 0.0\n";
    let mut log = Log::default();
    for second in 0..3600 {
        log.total(0, f64::from(second), 100.0);
        log.total(1, f64::from(second), 100.0);
    }
    let found = log.review(&site(1, "", rules), 3600.0).expect("readings");
    assert!(found.body.not_seen.iter().any(|text| text.contains("longer than a day")), "{found:?}");
    assert!(found.headline.contains("Much was not seen"), "{}", found.headline);
}

#[test]
fn nothing_is_found_in_what_was_read_only() {
    let mut log = Log::default();
    for second in (0..36_000).filter(|second| second % 3600 < 1800) {
        log.total(0, f64::from(second), 300.0);
        log.total(1, f64::from(second), 300.0);
    }
    let found = log.review(&site(1, "", ZERO), 36_000.0).expect("readings");
    assert_eq!(first(&found), "nothing-found");
    let headline = &found.headline;
    assert!(headline.contains("Much was not seen: what flowed in the 47.4 %"), "{headline}");
    assert!((found.body.causes[0].support - 0.526).abs() < 0.001, "{:?}", found.body.causes);
}

#[test]
fn a_meter_never_heard_was_not_silent_and_one_never_read_is_no_review() {
    let export = |second: i32| if (1000..1200).contains(&second) { -900.0 } else { 400.0 };
    let mut log = Log::default();
    for second in 0..3600 {
        log.total(0, f64::from(second), export(second));
    }
    let found = log.review(&site(1, "", ZERO), 3600.0).expect("readings");
    assert_eq!(first(&found), "limit-passed-steadily", "{:#?}", found.body.causes);
    assert!(found.body.not_seen.iter().any(|text| text.contains("`inverter`")), "{:?}", found.body.not_seen);
    let mut log = Log::default();
    for second in 0..3600 {
        log.total(1, f64::from(second), export(second));
    }
    assert!(log.review(&site(1, "", ZERO), 3600.0).is_none(), "the meter looked at was never read");
}

/// The steering meter reports the total only; a rule for each phase must not call it silent.
#[test]
fn a_meter_without_phases_is_not_silent_on_a_phase() {
    let rules =
        "[limit]\nwindow_s = 200000\n[[limit.rule]]\nexport_W = 0\nper = \"phase\"\nlongest_s = 5.0\n";
    let mut log = Log::default();
    for second in 0..3600 {
        let power = if (1000..1200).contains(&second) { -900.0 } else { 400.0 };
        let second = f64::from(second);
        for phase in Phase::LINES {
            log.put(0, PointKey::Of(Quantity::ActivePower, phase), second, power);
        }
        log.total(0, second, 3.0 * power);
        log.total(1, second, 3.0 * power);
    }
    let found = log.review(&site(3, "", rules), 3600.0).expect("readings");
    assert_eq!(first(&found), "limit-passed-steadily", "{:#?}", found.body.causes);
}

/// An hour without readings in which the counter rose: 1000 W of export, 1 kWh.
fn an_hour_off(site: &str, asked: bool) -> Review {
    let mut log = Log::default();
    for second in 0..10_800 {
        let off = (3600..7200).contains(&second);
        let at = f64::from(second);
        if off && asked {
            log.missed(0, at);
            log.missed(1, at);
        }
        if !off {
            log.total(0, at, 300.0);
            log.total(1, at, 300.0);
            log.counter(at, if second < 3600 { 5000.0 } else { 6000.0 });
        }
    }
    log.review(site, 10_800.0).expect("readings")
}

#[test]
fn a_recorder_switched_off_blames_no_meter() {
    let found = an_hour_off(&site(1, "", ZERO), false);
    assert_eq!(first(&found), "limit-passed-steadily", "{:#?}", found.body.causes);
    assert!(found.body.causes.iter().all(|cause| cause.cause != "meter-silent"));
    // A step of 10 Wh at the end of the hour is taken off, and nothing flowed out around it.
    assert!((found.body.energy.unseen_export_least_Wh - 990.0).abs() < 1.0, "{:?}", found.body.energy);
    let most = found.body.energy.unseen_export_most_Wh.expect("bounded");
    assert!((most - 1010.0).abs() < 1.0, "{most}");
    let found = an_hour_off(&site(1, "", ZERO), true);
    assert_eq!(first(&found), "meter-silent", "{:#?}", found.body.causes);
}

#[test]
fn a_counter_of_single_phases_proves_no_export_of_the_sum() {
    for netting in ["netting = \"phase\"", "netting = \"unknown\""] {
        let found = an_hour_off(&site(3, netting, ZERO), false);
        assert_eq!(first(&found), "nothing-found", "{netting}: {:#?}", found.body.causes);
        assert_eq!(found.body.energy.unseen_export_least_Wh, 0.0);
        assert!(found.headline.contains("Much was not seen"), "{}", found.headline);
    }
    assert_eq!(first(&an_hour_off(&site(3, "netting = \"sum\"", ZERO), false)), "limit-passed-steadily");
}

/// A step of the counter and no more: nothing surely flowed.
#[test]
fn one_step_of_a_counter_is_no_export() {
    let mut log = Log::default();
    for second in (0..3600).filter(|second| !(1000..1030).contains(second)) {
        let at = f64::from(second);
        log.total(0, at, 300.0);
        log.total(1, at, 300.0);
        log.counter(at, if second < 1000 { 5000.0 } else { 5010.0 });
    }
    let found = log.review(&site(1, "", ZERO), 3600.0).expect("readings");
    assert_eq!(first(&found), "nothing-found", "{:#?}", found.body.causes);
}

/// Before the change only what the rule allows, after it one long export: all that counts came after.
#[test]
fn a_changed_setting_is_held_against_what_counts() {
    let mut log = Log::default();
    for second in 0..14_400 {
        let at = f64::from(second);
        let brief = second < 7200 && second % 60 < 3;
        let power = if brief || (9000..9600).contains(&second) { -800.0 } else { 300.0 };
        log.total(0, at, power);
        log.total(1, at, power);
        if second % 60 == 0 {
            let limit = if second < 7300 { 0.0 } else { 2000.0 };
            log.put(1, PointKey::Setting("export_limit".into()), at, limit);
        }
    }
    let found = log.review(&site(1, "", ZERO), 14_400.0).expect("readings");
    let cause = &found.body.causes[0];
    assert_eq!(cause.cause, "settings-changed", "{:#?}", found.body.causes);
    assert!((cause.support - 1.0).abs() < 1e-9, "{cause:?}");
}
