//! A rise of generation as a challenge, and two meters side by side.

use super::world::{Plan, START_NS, STEP_S, Truth};
use crate::base::{Phase, PointKey, Quantity, Span, Stamp};
use crate::check::Verdict;
use crate::check::limit::{LimitOptions, judge};
use crate::evidence::case::{Case, MeterCase};
use crate::profile::MeterRole;
use crate::reading::{MeterSeries, Sample, Series};

fn stamp(t: f64) -> Stamp {
    Stamp::from_nanos(START_NS) + Span::from_seconds(t)
}

/// A meter beside the first, with a total every `spacing_s`.
fn beside(case: &mut Case, name: &str, role: MeterRole, spacing_s: f64, power: impl Fn(f64) -> f64) {
    let mut meter = case.meters[0].meter.clone();
    (meter.name, meter.role) = (name.into(), role);
    let mut series = MeterSeries::default();
    let mut t = 0.2;
    let mut samples = Vec::new();
    while t < 199.0 {
        samples.push(Sample { at: stamp(t), value: power(t) });
        t += spacing_s;
    }
    let key = PointKey::Of(Quantity::ActivePower, Phase::Total);
    series.points.insert(key, Series { samples, absent: Vec::new() });
    let profile = case.meters[0].profile.clone();
    case.site.meters.push(meter.clone());
    case.meters.push(MeterCase { meter, profile, series });
}

/// What the plant gives above its 250 W when a cloud goes at 120 s: 3 kW within a second, all of it, until the control takes
/// it back from 122 s on, within a second.
fn sunburst(t: f64) -> f64 {
    match t - 120.0 {
        since if since < 0.0 => 0.0,
        since if since < 1.0 => 3000.0 * since,
        since if since < 2.0 => 3000.0,
        since if since < 3.0 => 3000.0 * (3.0 - since),
        _ => 0.0,
    }
}

/// Two load drops, and the sun coming out.
fn with_sunburst(taken_back: bool) -> Case {
    let mut plan = Plan::held();
    plan.switches.truncate(4);
    let mut case = plan.case(&plan.truth());
    let given = move |t: f64| if taken_back { sunburst(t) } else { sunburst(t.min(121.9)) };
    for series in case.meters[0].series.points.values_mut() {
        for sample in &mut series.samples {
            sample.value -= given(sample.at.seconds_since(stamp(0.0)));
        }
    }
    // 250 W while the load is off; what the control does about the two drops is not asked of this meter.
    beside(&mut case, "yield", MeterRole::Generation, 0.5, move |t| -(250.0 + given(t) + libm::sin(t * 7.0)));
    case
}

#[test]
fn generation_that_rises_and_is_taken_back_is_a_challenge() {
    let case = with_sunburst(true);
    let found = judge(&case, &LimitOptions::default());
    let rises: Vec<_> = found.body.challenges.iter().filter(|one| one.kind == "generation-rise").collect();
    assert_eq!(rises.len(), 1, "{:#?}", found.body.challenges);
    let rise = rises[0];
    // 150 W of import before: 3000 W more of generation would be 2850 W of export.
    assert!(rise.counts && (rise.uncontrolled_export_w - 2850.0).abs() < 60.0, "{rise:?}");
    assert!((rise.peak_export_w - 2850.0).abs() < 60.0, "{rise:?}");
    // From 120 s until 122.95 s, read twice a second.
    assert!((rise.back_within_s.unwrap() - 2.95).abs() <= 0.6, "{rise:?}");
    assert!((rise.at - stamp(120.0)).seconds().abs() < 0.6, "{rise:?}");
    assert_eq!(found.verdict, Verdict::Pass, "{:#?}", found.reasons);
    // The two drops alone are too few, and without the plant's own meter nobody knows of the rise.
    let mut alone = case;
    alone.meters.truncate(1);
    let found = judge(&alone, &LimitOptions::default());
    assert_eq!(found.verdict, Verdict::Inconclusive);
    assert!(found.reasons.iter().any(|reason| reason.contains("2 of 3 challenges")), "{:?}", found.reasons);
}

#[test]
fn generation_that_rises_and_stays_is_a_failure_and_no_challenge_that_counts() {
    let found = judge(&with_sunburst(false), &LimitOptions::default());
    assert_eq!(found.verdict, Verdict::Fail, "{:#?}", found.reasons);
    let counts =
        |one: &&crate::check::limit::body::ChallengeEntry| one.kind == "generation-rise" && one.counts;
    assert_eq!(found.body.challenges.iter().filter(counts).count(), 0);
}

/// What the true power was, a while before.
fn then(truth: &Truth, t: f64, behind_s: f64) -> f64 {
    let index = (((t - behind_s) / STEP_S).round().max(0.0) as usize).min(truth.total_w.len() - 1);
    truth.total_w[index]
}

#[test]
fn a_steering_meter_is_set_beside_the_reference() {
    // Switched by hand, not by a clock: from loads that keep step no lag can be told.
    let switches = vec![20.0, 39.0, 66.0, 84.0, 113.0, 130.0, 157.0, 171.0];
    let plan = Plan { switches, ..Plan::held() };
    let truth = plan.truth();
    for (turned, sign) in [(1.0, 1), (-1.0, -1)] {
        let mut case = plan.case(&truth);
        beside(&mut case, "inverter", MeterRole::Steering, 1.0, |t| {
            turned * 1.01 * then(&truth, t, 1.6) + 5.0
        });
        let found = judge(&case, &LimitOptions::default());
        assert_eq!(found.meter, "connection");
        let one = &found.body.side_by_side[0];
        assert_eq!((one.meter.as_str(), one.against.as_str()), ("inverter", "connection"));
        assert_eq!(one.found.sign, Some(sign), "{one:?}");
        // The reference itself shows a mean of 0.2 s renewed every 0.2 s.
        assert!((one.found.lag_s.unwrap() - 1.4).abs() < 0.4, "{one:?}");
        let text = serde_json::to_value(&found.body).unwrap();
        assert_eq!(text["side_by_side"][0]["sign"], sign);
        assert_eq!(text["side_by_side"][0]["role"], "steering");
        assert!(one.words().contains(if sign < 0 { "OTHER WAY" } else { "same way" }), "{}", one.words());
        // Asked for by name, the steering meter is judged; the reference stays the one that is compared with.
        let options = LimitOptions { meter: Some("inverter".into()), ..LimitOptions::default() };
        let judged = judge(&case, &options);
        assert_ne!(judged.verdict, Verdict::Pass);
        assert_eq!(judged.body.side_by_side[0].against, "connection");
    }
    let alone = judge(&plan.case(&truth), &LimitOptions::default());
    assert!(serde_json::to_value(&alone.body).unwrap().get("side_by_side").is_none());
}
