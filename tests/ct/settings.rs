//! The meter's own settings beside what the load shows and what the site file says.

use wattward::base::{PointKey, Span};
use wattward::check::ct::body::CtFault;
use wattward::check::ct::{CtOptions, judge};
use wattward::check::{Finding, Verdict, ct::body::CtBody};
use wattward::profile::parse_profile;
use wattward::reading::{Absent, Sample};

use super::meter::{Kind, START};
use super::scene::Scene;

/// A three-phase site whose first `wrong` channels read a fifth of the load, with the ratio the meter is set to at the start
/// and at the end, and the one in the site file.
fn with_ratio(wrong: usize, set: [f64; 2], stated: Option<f64>) -> Finding<CtBody> {
    read_at(wrong, [Some(set[0]), Some(set[1])], stated, false)
}

fn read_at(wrong: usize, set: [Option<f64>; 2], stated: Option<f64>, under_way: bool) -> Finding<CtBody> {
    let mut scene = Scene::plain(3, 3, Kind::PowerReactiveVoltage);
    for wire in &mut scene.house.wires[..wrong] {
        wire.ratio = 0.2;
    }
    let mut played = scene.play();
    let text = "[profile]\nname = \"x\"\n[points.voltage]\nL1 = { address = 0, type = \"u16\" }\n[settings]\nct_ratio = { address = 100, type = \"u16\" }\n";
    let (profile, _) = parse_profile("x.toml", text).expect("a profile");
    let meter = &mut played.case.meters[0];
    meter.profile.settings = profile.settings;
    meter.meter.ct_ratio = stated;
    let end = played.case.span.expect("readings").1;
    let series = meter.series.points.entry(PointKey::Setting("ct_ratio".to_owned())).or_default();
    let samples = &mut series.samples;
    let [first, last] = set;
    samples.extend(first.map(|value| Sample { at: START + Span::from_millis(100), value }));
    samples.extend(last.map(|value| Sample { at: end, value }));
    series.absent.extend(set.contains(&None).then_some((end, Absent::NoAnswer)));
    judge(&played.case, &CtOptions { under_way, ..CtOptions::default() })
}

/// 100/5 is a ratio of 20, 500/5 one of 100: a meter set to the first on CTs of the second reads a fifth.
#[test]
fn a_wrong_ratio_is_named_with_the_question_and_the_ratio_that_would_fit() {
    let finding = with_ratio(1, [20.0, 20.0], None);
    assert_eq!(finding.verdict, Verdict::Fail, "{:?}", finding.reasons);
    assert_eq!(finding.body.channels[0].faults, [CtFault::WrongRatio]);
    assert!(finding.headline.contains("is the meter set to 100/5 for a 500/5 CT"), "{}", finding.headline);
    let fits = finding.next.iter().find(|next| next.starts_with("The meter is set to a CT ratio of 20;"));
    let about: f64 = fits
        .and_then(|text| text.split("about ").nth(1)?.split('.').next()?.parse().ok())
        .unwrap_or_else(|| panic!("{:?}", finding.next));
    assert!((about / 100.0 - 1.0).abs() < 0.1, "{about}");
}

#[test]
fn one_factor_on_all_channels_is_open_and_the_setting_is_named_all_the_same() {
    let finding = with_ratio(3, [20.0, 20.0], Some(100.0));
    assert_eq!(finding.verdict, Verdict::Inconclusive, "{:?}", finding.reasons);
    let named = |list: &[String], start: &str| list.iter().any(|one| one.starts_with(start));
    assert!(
        named(&finding.reasons, "The meter has ct_ratio set to 20; expected 100"),
        "{:?}",
        finding.reasons
    );
    assert!(named(&finding.next, "The meter is set to a CT ratio of 20;"), "{:?}", finding.next);
}

#[test]
fn a_setting_that_fits_says_nothing_and_one_that_changed_forbids_a_pass() {
    let steady = with_ratio(0, [40.0, 40.0], Some(40.0));
    assert_eq!(steady.verdict, Verdict::Pass, "{:?}", steady.reasons);
    assert!(!steady.reasons.iter().any(|reason| reason.contains("ct_ratio")), "{:?}", steady.reasons);
    let changed = with_ratio(0, [40.0, 60.0], Some(40.0));
    assert_eq!(changed.verdict, Verdict::Inconclusive, "{:?}", changed.reasons);
    assert!(changed.headline.starts_with("A setting of the meter changed"), "{}", changed.headline);
    assert!(
        changed
            .reasons
            .iter()
            .any(|reason| reason.starts_with("The meter's ct_ratio was 40 and is 60; expected the same")),
        "{:?}",
        changed.reasons
    );
}

/// What was read once can't be compared: that is a gap, and no "no change".
#[test]
fn a_setting_not_read_at_the_start_or_at_the_end_forbids_a_pass_and_is_named() {
    for (set, told) in [
        ([Some(40.0), None], "The meter's ct_ratio was read at the start and not at the end"),
        ([None, Some(40.0)], "The meter's ct_ratio was read at the end and not at the start"),
        ([None, None], "The meter's ct_ratio was not read"),
    ] {
        let finding = read_at(0, set, Some(40.0), false);
        assert_eq!(finding.verdict, Verdict::Inconclusive, "{:?}", finding.reasons);
        assert!(finding.headline.starts_with(told), "{}", finding.headline);
        assert!(
            finding.next.iter().any(|next| next.contains("settings are read again")),
            "{:?}",
            finding.next
        );
    }
    // While it runs the end is not there yet, and nothing keeps a check open for it.
    assert_eq!(read_at(0, [Some(40.0), None], Some(40.0), true).verdict, Verdict::Pass);
}
