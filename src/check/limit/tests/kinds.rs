//! Kinds of rule, of challenge and of evidence, each once: counters that bound a gap, batteries, the steering signal,
//! another meter on the plant, limits per phase, in amperes and in percent, and the document's words.

use super::world::{Plan, Truth};
use crate::base::{Phase, PointKey, Quantity, Span, Stamp};
use crate::check::Verdict;
use crate::check::limit::{LimitOptions, judge};
use crate::evidence::case::{Case, MeterCase};
use crate::profile::{MeterRole, Netting, parse_profile};
use crate::reading::{MeterSeries, Sample, Series};
use crate::record::{Mark, MarkKind};

fn start(case: &Case) -> Stamp {
    case.span.unwrap().0
}

fn series(samples: impl IntoIterator<Item = (Stamp, f64)>) -> Series {
    Series {
        samples: samples.into_iter().map(|(at, value)| Sample { at, value }).collect(),
        absent: Vec::new(),
    }
}

/// Adds a point to the profile and its readings to the case.
pub(super) fn add(
    case: &mut Case,
    section: &str,
    key: &PointKey,
    samples: impl IntoIterator<Item = (Stamp, f64)>,
) {
    let meter = &mut case.meters[0];
    let text = format!("{}{section}", meter.profile.text);
    meter.profile = parse_profile("m.toml", &text).unwrap_or_else(|faults| panic!("{:?}", faults.list)).0;
    meter.series.points.insert(key.clone(), series(samples));
}

/// What an export counter that steps by this many watt hours showed every half second.
pub(super) fn counted(case: &Case, truth: &Truth, step_wh: f64) -> Vec<(Stamp, f64)> {
    let mut energy = 340_000.0;
    let mut samples = Vec::new();
    for (index, power) in truth.total_w.iter().enumerate() {
        energy += (-power).max(0.0) * super::world::STEP_S / 3600.0;
        if index % 25 == 10 {
            let at = start(case) + Span::from_seconds(index as f64 * super::world::STEP_S);
            samples.push((at, (energy / step_wh).floor() * step_wh));
        }
    }
    samples
}

pub(super) const COUNTER: &str =
    "[points.energy_export]\ntotal = { address = 60, unit = \"Wh\", scale = 0.1 }\n";

/// Limit 3 kW; while the load runs some 2 kW are exported.
pub(super) fn with_limit() -> Plan {
    Plan {
        rules: "[[limit.rule]]\nexport_W = 3000\naveraging_s = 1.0\nlongest_s = 5.0\n".into(),
        target_w: -2500.0,
        rated_w: 7000.0,
        load_w: 3500.0,
        gaps: vec![(112.0, 115.8)],
        phases: 3,
        reports_phases: false,
        ..Plan::held()
    }
}

#[test]
fn an_export_counter_fine_enough_bounds_a_gap_and_netting_is_honoured() {
    let plan = with_limit();
    let truth = plan.truth();
    let mut case = plan.case(&truth);
    let verdict = |case: &Case| judge(case, &LimitOptions::default());
    let bare = verdict(&case);
    assert_eq!(bare.verdict, Verdict::Inconclusive);
    assert!(bare.reasons.iter().any(|reason| reason.contains("gap of")), "{:?}", bare.reasons);
    let key = PointKey::Of(Quantity::EnergyExport, Phase::Total);
    let samples = counted(&case, &truth, 0.1);
    add(&mut case, COUNTER, &key, samples);
    // Of three phases, a counter nobody knows the netting of bounds nothing.
    assert!(verdict(&case).reasons.iter().any(|reason| reason.contains("gap of")));
    case.meters[0].meter.netting = Netting::Phase;
    assert!(!verdict(&case).reasons.iter().any(|reason| reason.contains("gap of")));
    case.meters[0].meter.netting = Netting::Sum;
    // Coverage stays below 99 %: 4 s of 180 s are gone. The gap itself is no reason any more.
    let found = verdict(&case);
    assert!(!found.reasons.iter().any(|reason| reason.contains("gap of")), "{:?}", found.reasons);
    assert!(found.reasons.iter().all(|reason| reason.contains("99 % needed")), "{:?}", found.reasons);
    // A step of 10 Wh hides kilowatts.
    for sample in &mut case.meters[0].series.points.get_mut(&key).unwrap().samples {
        sample.value = (sample.value / 10.0).floor() * 10.0;
    }
    assert!(verdict(&case).reasons.iter().any(|reason| reason.contains("gap of")));
}

#[test]
fn a_counter_that_counts_more_than_the_readings_show_forbids_a_pass() {
    let plan = Plan::held();
    let truth = plan.truth();
    let mut case = plan.case(&truth);
    let key = PointKey::Of(Quantity::EnergyExport, Phase::Total);
    let honest = counted(&case, &truth, 0.1);
    add(&mut case, COUNTER, &key, honest.clone());
    assert_eq!(judge(&case, &LimitOptions::default()).verdict, Verdict::Pass);
    // 300 W more than was read, all along.
    let more =
        honest.iter().map(|(at, value)| (*at, value + 300.0 * at.seconds_since(start(&case)) / 3600.0));
    let more: Vec<(Stamp, f64)> = more.map(|(at, value)| (at, (value * 10.0).floor() / 10.0)).collect();
    case.meters[0].series.points.insert(key, series(more));
    let found = judge(&case, &LimitOptions::default());
    assert_eq!(found.verdict, Verdict::Inconclusive);
    assert!(found.reasons[0].contains("export counter rose"), "{:?}", found.reasons);
}

/// State of charge, marks with the plant they name, and the verdict that follows.
type Told = (Option<f64>, &'static [(MarkKind, Option<&'static str>)], Verdict);

#[test]
fn a_battery_counts_as_unable_to_absorb_only_when_something_says_so() {
    let plan = Plan { storage: true, ..Plan::held() };
    let truth = plan.truth();
    let verdict_with = |charge: Option<f64>, marks: &[(MarkKind, Option<&str>)]| {
        let mut case = plan.case(&truth);
        if let Some(charge) = charge {
            let times: Vec<_> =
                (0..200).map(|k| (start(&case) + Span::from_millis(1000 * k), charge)).collect();
            let section =
                "[points.other]\nstate_of_charge = { address = 80, type = \"u16\", unit = \"%\" }\n";
            add(&mut case, section, &PointKey::Other("state_of_charge".into()), times);
        }
        for (index, (kind, plant)) in marks.iter().enumerate() {
            let mut mark = Mark::new(start(&case) + Span::from_millis(10 * index as i64), *kind, "");
            mark.plant = plant.map(str::to_owned);
            case.marks.insert(index, mark);
        }
        judge(&case, &LimitOptions::default())
    };
    let cases: [Told; 7] = [
        (None, &[], Verdict::Inconclusive),
        (Some(100.0), &[], Verdict::Pass),
        (Some(80.0), &[], Verdict::Inconclusive),
        (None, &[(MarkKind::StorageIdle, Some("roof"))], Verdict::Pass),
        (None, &[(MarkKind::StorageIdle, Some("shed"))], Verdict::Inconclusive),
        (None, &[(MarkKind::PlantOff, None)], Verdict::Inconclusive),
        (
            None,
            &[(MarkKind::StorageIdle, Some("roof")), (MarkKind::PlantOn, Some("roof"))],
            Verdict::Inconclusive,
        ),
    ];
    for (charge, marks, expected) in cases {
        let found = verdict_with(charge, marks);
        assert_eq!(found.verdict, expected, "{charge:?} {marks:?}: {:?}", found.reasons);
        let absorbing = expected != Verdict::Pass;
        assert!(found.body.challenges.iter().all(|one| one.storage_could_absorb == absorbing));
    }
}

#[test]
fn the_loss_of_the_steering_signal_must_end_what_the_plant_gives() {
    let plan = Plan::held();
    let truth = plan.truth();
    let options = LimitOptions { signal_loss: true, ..LimitOptions::default() };
    let judged = |stops: bool, marked: bool| {
        let mut case = plan.case(&truth);
        let at = |t: f64| start(&case) + Span::from_seconds(t);
        let (off, on) = (at(158.0), at(168.0));
        if marked {
            for (at, kind) in [(off, MarkKind::SignalOff), (on, MarkKind::SignalOn)] {
                case.marks.push(Mark::new(at, kind, "steering signal"));
            }
            case.marks.sort_by_key(|mark| mark.at);
        }
        if stops {
            // The load of 2 kW runs on the grid alone while the plant stands.
            let points = case.meters[0].series.points.values_mut();
            for sample in points.flat_map(|series| &mut series.samples) {
                if sample.at > off + Span::from_millis(800) && sample.at < on + Span::from_millis(500) {
                    sample.value = 2400.0 + (sample.value % 3.0);
                }
            }
        }
        judge(&case, &options)
    };
    let found = judged(true, true);
    assert_eq!(found.verdict, Verdict::Pass, "{:?}", found.reasons);
    let loss = found.body.challenges.iter().find(|one| one.kind == "signal-loss").unwrap();
    assert!(loss.counts && loss.dead_time_s.unwrap() < 2.0, "{loss:?}");
    for (stops, marked) in [(false, true), (true, false), (false, false)] {
        let found = judged(stops, marked);
        assert_eq!(found.verdict, Verdict::Inconclusive, "{stops} {marked}");
        assert!(found.reasons.iter().any(|reason| reason.contains("steering signal")), "{:?}", found.reasons);
    }
}

#[test]
fn unmarked_drops_count_only_where_another_meter_saw_the_plant_come_down() {
    let ct = "{\"check\": \"ct\", \"verdict\": \"pass\", \"site\": \"World\", \"meter\": \"connection\", \"channels\": \
              [{\"channel\": \"L1\", \"status\": \"correct\"}]}";
    let plan = Plan { marked: false, verdicts: vec![ct.into()], ..Plan::held() };
    let truth = plan.truth();
    let mut case = plan.case(&truth);
    let alone = judge(&case, &LimitOptions::default());
    assert_eq!(alone.verdict, Verdict::Inconclusive);
    assert!(alone.reasons.iter().any(|reason| reason.contains("no mark says")), "{:?}", alone.reasons);
    let mut meter = case.meters[0].meter.clone();
    (meter.name, meter.role) = ("yield".into(), MeterRole::Generation);
    let mut generation = MeterSeries::default();
    // The first of these loads is on from 20 s; its own power is known, the rest of the site's is drift below 60 W.
    let plant = truth.total_w.iter().enumerate().step_by(25).map(|(index, grid)| {
        let t = index as f64 * super::world::STEP_S;
        let load = plan.load_w * plan.loads_on(t);
        (start(&case) + Span::from_seconds(t), grid - plan.base_w[0] - load)
    });
    generation.points.insert(PointKey::Of(Quantity::ActivePower, Phase::Total), series(plant));
    case.meters.push(MeterCase { meter, profile: case.meters[0].profile.clone(), series: generation });
    let seen = judge(&case, &LimitOptions::default());
    assert_eq!(seen.verdict, Verdict::Pass, "{:#?}", seen.reasons);
}

#[test]
fn limits_in_percent_and_in_amperes_are_the_same_limits_in_watts() {
    let plan = Plan { target_w: -2800.0, ..Plan::held() };
    let truth = plan.truth();
    let with = |rule: &str| {
        let rules = format!("[[limit.rule]]\n{rule}\naveraging_s = 1.0\nlongest_s = 5.0\n");
        judge(&Plan { rules, ..plan.clone() }.case(&truth), &LimitOptions::default())
    };
    // 60 % of 5 kW; nobody reads the voltage, so ±10 % of it stand in the uncertainty: 3000 W ± 350 W is not surely kept.
    let percent = with("percent = 60");
    assert_eq!(
        (percent.verdict, percent.body.rules[0].export_w),
        (Verdict::Pass, 3000.0),
        "{:?}",
        percent.reasons
    );
    let amperes = with("export_A = 13.043478260869565");
    assert!((amperes.body.rules[0].export_w - 3000.0).abs() < 1e-6);
    assert_eq!(amperes.verdict, Verdict::Inconclusive);
    assert!(amperes.reasons[0].contains("than the uncertainty"), "{:?}", amperes.reasons);
    let wide = with("export_A = 16");
    assert_eq!(wide.body.rules[0].export_w, 16.0 * 230.0);
}

#[test]
fn a_rule_per_phase_sees_what_cancels_in_the_total() {
    // The plant feeds L1, the loads sit on L2 and L3: the total imports, L1 exports 2 kW.
    let plan = Plan {
        phases: 3,
        controlled: false,
        sun: 0.5,
        rated_w: 5000.0,
        base_w: [500.0, 1500.0, 1500.0],
        load_phase: 2,
        rules: "[[limit.rule]]\nexport_W = 0\nper = \"phase\"\naveraging_s = 1.0\nlongest_s = 5.0\n".into(),
        ..Plan::held()
    };
    let truth = plan.truth();
    let found = judge(&plan.case(&truth), &LimitOptions::default());
    assert_eq!(found.verdict, Verdict::Fail, "{:?}", found.reasons);
    assert!(found.reasons[0].contains("on L1"), "{:?}", found.reasons);
    let total = Plan { rules: plan.rules.replace("phase", "total"), ..plan.clone() };
    assert_ne!(judge(&total.case(&truth), &LimitOptions::default()).verdict, Verdict::Fail);
    // A meter that reports only the total cannot tell, and says so.
    let blind = Plan { reports_phases: false, ..plan };
    let found = judge(&blind.case(&truth), &LimitOptions::default());
    assert_eq!(found.verdict, Verdict::Inconclusive);
    assert!(
        found.reasons.iter().any(|reason| reason.contains("does not report the power")),
        "{:?}",
        found.reasons
    );
}

#[test]
fn phases_that_cancel_keep_their_uncertainty() {
    // 3 kW in on two phases, 6 kW out on one: near zero in sum, and class 1 of 9 kW, not of the sum.
    let phases = Plan {
        phases: 3,
        controlled: false,
        sun: 1.0,
        rated_w: 6500.0,
        base_w: [500.0, 3000.0, 3000.0],
        switches: Vec::new(),
        ..Plan::held()
    };
    let found = judge(&phases.case(&phases.truth()), &LimitOptions::default());
    let single = Plan { phases: 1, base_w: [6500.0, 0.0, 0.0], ..phases };
    let alone = judge(&single.case(&single.truth()), &LimitOptions::default());
    assert!(found.body.expanded_uncertainty_w > 100.0, "{}", found.body.expanded_uncertainty_w);
    assert!(alone.body.expanded_uncertainty_w < 20.0, "{}", alone.body.expanded_uncertainty_w);
}

#[test]
fn documents_have_the_contracts_words_and_speak_of_generation_on_a_generation_meter() {
    let plan = Plan::held();
    let mut case = plan.case(&plan.truth());
    let text = serde_json::to_value(judge(&case, &LimitOptions::default()).body).unwrap();
    let keys = |value: &serde_json::Value| value.as_object().unwrap().keys().cloned().collect::<Vec<_>>();
    for key in ["rules", "window", "challenges", "meter_role", "exported_Wh", "expanded_uncertainty_W"] {
        assert!(keys(&text).contains(&key.to_owned()), "{key}");
    }
    let rule = keys(&text["rules"][0]);
    for key in [
        "export_W",
        "per",
        "averaging_s",
        "longest_s",
        "tolerance_W",
        "verdict",
        "excursions",
        "worst_averaged_export_W",
    ] {
        assert!(rule.contains(&key.to_owned()), "{key}");
    }
    let excursion = keys(&text["rules"][0]["excursions"][0]);
    for key in ["start", "shortest_s", "longest_s", "peak_export_W", "energy_Wh", "certain"] {
        assert!(excursion.contains(&key.to_owned()), "{key}");
    }
    let challenge = keys(&text["challenges"][0]);
    for key in
        ["at", "kind", "uncontrolled_export_W", "peak_export_W", "back_within_s", "storage_could_absorb"]
    {
        assert!(challenge.contains(&key.to_owned()), "{key}");
    }
    assert_eq!(
        keys(&text["window"]),
        ["coverage", "duration_s", "end", "longest_gap_s", "start"].map(str::to_owned)
    );
    (case.meters[0].meter.role, case.site.meters[0].role) = (MeterRole::Generation, MeterRole::Generation);
    let options = LimitOptions { meter: Some("connection".into()), ..LimitOptions::default() };
    let found = judge(&case, &options);
    assert_ne!(found.verdict, Verdict::Pass, "a generation meter is not independent of the plant");
    let text = serde_json::to_string(&found.body).unwrap();
    assert!(!text.contains("export_W") && text.contains("generation_W") && text.contains("generated_Wh"));
}
