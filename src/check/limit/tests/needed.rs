//! A pass is impossible without each single need: a passing window loses one, must not pass, and the reason names it.

use proptest::prelude::*;

use super::kinds::{COUNTER, add, counted, with_limit};
use super::world::Plan;
use crate::base::{Phase, PointKey, Quantity};
use crate::check::limit::{CtDocument, LimitBody, LimitOptions, judge};
use crate::check::{Finding, Verdict};
use crate::profile::{Netting, parse_profile};
use crate::reading::{Absent, Sample};

fn judged(plan: &Plan) -> Finding<LimitBody> {
    judge(&plan.case(&plan.truth()), &LimitOptions::default())
}

fn ct(verdict: &str, site: &str, meter: &str, status: &str) -> String {
    format!(
        "{{\"check\": \"ct\", \"verdict\": \"{verdict}\", \"site\": \"{site}\", \"meter\": \"{meter}\", \
         \"channels\": [{{\"channel\": \"L1\", \"status\": \"{status}\"}}]}}"
    )
}

/// What is taken away, and words of which its reason must hold one.
type Loss = (&'static str, fn(&mut Plan), &'static str);

const LOSSES: &[Loss] = &[
    ("no challenge", |plan| plan.switches.clear(), "challenges"),
    ("too few challenges", |plan| plan.switches.truncate(4), "2 of 3 challenges"),
    ("load too small", |plan| plan.load_w = 560.0, "too small"),
    ("no surplus", |plan| plan.sun = 0.03, "challenges"),
    ("unmarked loads", |plan| plan.marked = false, "which way this meter counts"),
    ("a gap", |plan| plan.gaps = vec![(100.0, 104.0)], "gap of"),
    ("poor coverage", |plan| plan.gaps = vec![(60.0, 62.8), (100.0, 102.8)], "99 % needed"),
    ("slow readings", |plan| plan.spacing_s = 4.0, "readings came"),
    ("slow update", |plan| (plan.update_s, plan.profile_update_s) = (3.0, 3.0), "renews its values"),
    ("slow update unsaid", |plan| plan.update_s = 3.0, "renews its values"),
    ("long averaging", |plan| (plan.averaging_s, plan.profile_averaging_s) = (4.0, 4.0), "averages over"),
    (
        "long averaging unsaid",
        |plan| plan.averaging_s = 3.5,
        "averages over|which way this meter counts|wrong way",
    ),
    ("steering meter without ct", |plan| plan.role = "steering", "steering meter without a `ct` pass"),
    (
        "steering meter with a failed ct",
        |plan| {
            plan.role = "steering";
            plan.verdicts = vec![ct("fail", "World", "connection", "faulty")];
        },
        "did not pass",
    ),
    (
        "ct of another meter",
        |plan| {
            plan.role = "steering";
            plan.verdicts = vec![ct("pass", "World", "other", "correct")];
        },
        "without a `ct` pass",
    ),
    (
        "ct of another site",
        |plan| {
            plan.role = "steering";
            plan.verdicts = vec![ct("pass", "Elsewhere", "connection", "correct")];
        },
        "without a `ct` pass",
    ),
    (
        "ct that passed and failed later",
        |plan| {
            plan.role = "steering";
            plan.verdicts = vec![
                ct("pass", "World", "connection", "correct"),
                ct("inconclusive", "World", "connection", "ambiguous"),
            ];
        },
        "did not pass",
    ),
    ("shared line", |plan| plan.shared = true, "shared with another master"),
    ("no class", |plan| plan.class = None, "class 2 was assumed"),
    ("storage", |plan| plan.storage = true, "storage"),
    ("no plant named", |plan| plan.plant_named = false, "names no plant"),
    ("short window", |plan| plan.window_s = 400.0, "the window lasted"),
    ("reversed meter", |plan| plan.reversed = true, "wrong way"),
    (
        "meter without sign",
        |plan| {
            plan.unsigned = true;
            plan.says_signed = false;
        },
        "no sign",
    ),
    (
        "meter that never went negative",
        |plan| {
            // A control so quick, and a margin so wide, that no reading is negative.
            (plan.dead_s, plan.tau_s, plan.target_w) = (0.02, 0.04, 900.0);
        },
        "can go negative",
    ),
    ("held at the limit", |plan| plan.target_w = 0.0, "than the uncertainty"),
    ("slow control", |plan| (plan.dead_s, plan.tau_s) = (1.5, 3.5), "the rule (0 W"),
];

fn tells(finding: &Finding<LimitBody>, words: &str) -> bool {
    words.split('|').any(|word| finding.reasons.iter().any(|reason| reason.contains(word)))
}

fn world(phases: usize, reports_phases: bool, seed: u64) -> Plan {
    Plan { phases, reports_phases, seed, target_w: 250.0, ..Plan::held() }
}

#[test]
fn a_held_limit_that_was_tried_passes() {
    for (phases, reports_phases) in [(1, true), (3, true), (3, false)] {
        let finding = judged(&world(phases, reports_phases, 1));
        assert_eq!(finding.verdict, Verdict::Pass, "{phases} {reports_phases}: {finding:#?}");
        assert!(finding.body.challenges.iter().filter(|one| one.counts).count() >= 3);
    }
}

#[test]
fn no_pass_without_each_single_need_and_the_reason_names_it() {
    for (phases, reports_phases) in [(1, true), (3, true), (3, false)] {
        for (name, lose, word) in LOSSES {
            let mut plan = world(phases, reports_phases, 1);
            lose(&mut plan);
            let finding = judged(&plan);
            assert_ne!(finding.verdict, Verdict::Pass, "{name}");
            let told = tells(&finding, word);
            assert!(told, "{name} on {phases} phases: `{word}` is not in {:#?}", finding.reasons);
            assert!(finding.verdict == Verdict::Fail || !finding.next.is_empty(), "{name}");
            assert!(finding.body.rules.iter().all(|rule| rule.verdict != Verdict::Pass), "{name}");
        }
    }
}

#[test]
fn what_stands_in_for_a_need_lets_it_pass() {
    let stand_ins: &[Loss] = &[
        (
            "steering meter with its ct pass",
            |plan| {
                plan.role = "steering";
                plan.verdicts = vec![ct("pass", "World", "connection", "correct")];
            },
            "",
        ),
        ("storage that is full", |plan| (plan.storage, plan.storage_idle) = (true, true), ""),
        ("a gap within the bound", |plan| plan.gaps = vec![(100.0, 101.4)], ""),
        ("sign seen, not said", |plan| plan.says_signed = false, ""),
    ];
    for (name, change, _) in stand_ins {
        let mut plan = world(1, true, 1);
        change(&mut plan);
        let finding = judged(&plan);
        assert_eq!(finding.verdict, Verdict::Pass, "{name}: {:#?}", finding.reasons);
    }
}

/// A window long enough that one gap of some 4 s leaves 99 % covered, with an export counter of these steps.
fn with_counter(step_wh: Option<f64>, netting: Netting) -> Finding<LimitBody> {
    let plan = Plan { duration_s: 500.0, window_s: 480.0, ..with_limit() };
    let truth = plan.truth();
    let mut case = plan.case(&truth);
    if let Some(step_wh) = step_wh {
        let samples = counted(&case, &truth, step_wh);
        add(&mut case, COUNTER, &PointKey::Of(Quantity::EnergyExport, Phase::Total), samples);
    }
    case.meters[0].meter.netting = netting;
    judge(&case, &LimitOptions::default())
}

#[test]
fn no_pass_with_a_gap_unless_a_counter_is_fine_enough_to_bound_it() {
    // 10 Wh over 5 s are 7.2 kW, more than the limit of 3 kW leaves; 0.1 Wh are 72 W.
    for (step_wh, netting) in [
        (None, Netting::Sum),
        (Some(10.0), Netting::Sum),
        (Some(10.0), Netting::Phase),
        (Some(1.0), Netting::Unknown),
        (Some(0.1), Netting::Unknown),
    ] {
        let finding = with_counter(step_wh, netting);
        let told = tells(&finding, "no export counter bounds");
        assert!(
            finding.verdict == Verdict::Inconclusive && told,
            "{step_wh:?} {netting:?}: {:?}",
            finding.reasons
        );
        assert!(!finding.next.is_empty());
    }
    for netting in [Netting::Sum, Netting::Phase] {
        let finding = with_counter(Some(0.1), netting);
        assert_eq!(finding.verdict, Verdict::Pass, "{netting:?}: {:?}", finding.reasons);
    }
}

#[test]
fn a_ct_document_given_by_hand_counts_like_one_in_the_capture() {
    let plan = Plan { role: "steering", ..world(1, true, 1) };
    let case = plan.case(&plan.truth());
    let given = |text: &str| {
        let options =
            LimitOptions { ct_document: Some(CtDocument::parse(text).unwrap()), ..LimitOptions::default() };
        judge(&case, &options).verdict
    };
    assert_eq!(given(&ct("pass", "World", "connection", "correct")), Verdict::Pass);
    assert_eq!(given(&ct("pass", "World", "connection", "ambiguous")), Verdict::Inconclusive);
    assert_eq!(given(&ct("fail", "World", "connection", "faulty")), Verdict::Inconclusive);
    assert!(CtDocument::parse("{\"check\": \"limit\"}").is_err());
    assert!(CtDocument::parse("[]").is_err());
}

/// The meter's own settings, read when given, at the start and at the end.
fn with_setting(read: [Option<f64>; 2]) -> Finding<LimitBody> {
    let plan = world(1, true, 1);
    let mut case = plan.case(&plan.truth());
    let text = "[profile]\nname = \"x\"\n[points.voltage]\nL1 = { address = 0, type = \"u16\" }\n[settings]\nct_ratio = { address = 100, type = \"u16\" }\n";
    let meter = &mut case.meters[0];
    meter.profile.settings = parse_profile("x.toml", text).unwrap().0.settings;
    meter.meter.ct_ratio = Some(40.0);
    let (first, last) = case.span.unwrap();
    let series = meter.series.points.entry(PointKey::Setting("ct_ratio".to_owned())).or_default();
    let samples = [(first, read[0]), (last, read[1])];
    series
        .samples
        .extend(samples.iter().filter_map(|(at, value)| Some(Sample { at: *at, value: (*value)? })));
    series.absent.extend(read.contains(&None).then_some((last, Absent::NoAnswer)));
    judge(&case, &LimitOptions::default())
}

#[test]
fn no_pass_with_a_setting_that_changed_or_may_have() {
    let steady = with_setting([Some(40.0), Some(40.0)]);
    assert_eq!(steady.verdict, Verdict::Pass, "{:?}", steady.reasons);
    for (read, told) in [
        ([Some(40.0), None], "the meter's ct_ratio was read at the start and not at the end"),
        ([None, Some(40.0)], "the meter's ct_ratio was read at the end and not at the start"),
        ([None, None], "the meter's ct_ratio was not read"),
        ([Some(60.0), Some(40.0)], "ct_ratio was 60 and is 40"),
        ([Some(60.0), Some(60.0)], "ct_ratio set to 60; expected 40"),
    ] {
        let finding = with_setting(read);
        assert_eq!(finding.verdict, Verdict::Inconclusive, "{read:?} {:?}", finding.reasons);
        assert!(finding.reasons[0].contains(told), "{read:?} {:?}", finding.reasons);
        assert!(!finding.next.is_empty());
    }
}

#[test]
fn a_control_that_is_off_fails() {
    for (phases, reports_phases) in [(1, true), (3, true), (3, false)] {
        let plan = Plan { controlled: false, ..world(phases, reports_phases, 1) };
        let finding = judged(&plan);
        assert_eq!(finding.verdict, Verdict::Fail, "{finding:#?}");
        assert!(finding.reasons[0].contains("stood above it for at least"), "{:?}", finding.reasons);
    }
}

#[test]
fn other_rules_judge_the_same_window_anew() {
    let plan = world(1, true, 1);
    let mut case = plan.case(&plan.truth());
    assert_eq!(judge(&case, &LimitOptions::default()).verdict, Verdict::Pass);
    let strict = Plan { rules: plan.rules.replace("longest_s = 5.0", "longest_s = 0.5"), ..plan };
    case.site = strict.case(&strict.truth()).site;
    assert_ne!(judge(&case, &LimitOptions::default()).verdict, Verdict::Pass);
}

#[test]
fn without_a_meter_or_rules_there_is_nothing_to_judge() {
    let plan = world(1, true, 1);
    let mut case = plan.case(&plan.truth());
    let options = LimitOptions { meter: Some("attic".into()), ..LimitOptions::default() };
    let finding = judge(&case, &options);
    assert!(finding.verdict == Verdict::Inconclusive && finding.reasons[0].contains("attic"));
    case.meters[0].series.points.clear();
    assert_eq!(judge(&case, &LimitOptions::default()).verdict, Verdict::Inconclusive);
    case.site.limit = None;
    assert_eq!(judge(&case, &LimitOptions::default()).verdict, Verdict::Inconclusive);
    case.meters[0].meter.netting = Netting::Sum;
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_pass_without_a_need_whatever_the_window(
        loss in 0..LOSSES.len(),
        seed in 0_u64..1_000_000,
        phases in prop_oneof![Just(1_usize), Just(3)],
        reports_phases: bool,
        margin in 100.0_f64..400.0,
        mark_after_s in -1.0_f64..1.0,
    ) {
        let (name, lose, word) = LOSSES[loss];
        let mut plan = world(phases, reports_phases, seed);
        plan.target_w = margin;
        plan.mark_after_s = mark_after_s;
        lose(&mut plan);
        let finding = judged(&plan);
        prop_assert_ne!(finding.verdict, Verdict::Pass, "{}", name);
        let told = tells(&finding, word);
        prop_assert!(told || finding.verdict == Verdict::Fail, "{}: {:#?}", name, finding.reasons);
    }
}
