//! Random windows against the truth of their continuous power. A false pass is the one sin; a false fail comes next.
//!
//! `cargo test` runs a few hundred; `WATTWARD_SWEEP=20000 cargo test --release limit::tests::sweep -- --nocapture` the full
//! set. A failure prints the seed, which `WATTWARD_SWEEP_SEED=N` repeats alone.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::reasons::Ground;
use super::truth::{TrueRule, kept, real_drops};
use super::world::{Dice, Plan};
use crate::check::Verdict;
use crate::check::limit::{LimitOptions, judge};

/// First seed of the sweep.
const FIRST_SEED: u64 = 40_000;

/// How many `cargo test` runs.
const SHORT: u64 = 400;

/// A random window, with its rules as the truth needs them.
pub(crate) fn random(seed: u64) -> (Plan, Vec<TrueRule>) {
    let mut dice = Dice(seed);
    let mut plan = Plan { seed, ..Plan::held() };
    plan.phases = dice.pick(&[1, 3, 3]);
    plan.reports_phases = dice.chance(0.6);
    plan.plant_on_one = dice.chance(0.5);
    plan.rated_w = dice.between(2000.0, 15_000.0).round();
    plan.sun = if dice.chance(0.15) { dice.between(0.02, 0.3) } else { dice.between(0.4, 1.0) };
    plan.clouds = if dice.chance(0.3) { dice.between(0.2, 2.0) } else { 0.0 };
    for base in &mut plan.base_w {
        *base = dice.between(50.0, 700.0);
    }
    plan.load_phase = (dice.next() % plan.phases as u64) as usize;
    plan.load_w = dice.between(400.0, 4000.0).round();
    plan.storage = dice.chance(0.15);
    plan.storage_idle = plan.storage && dice.chance(0.5);
    plan.duration_s = dice.between(150.0, 260.0).round();
    plan.window_s = plan.duration_s - 12.0;
    plan.marked = dice.chance(0.9);
    // One in eight walks from the switch to the screen.
    plan.mark_after_s = if dice.chance(0.125) { dice.between(1.5, 12.0) } else { dice.between(-1.5, 1.5) };
    plan.pairs = dice.chance(0.25);
    plan.switches.clear();
    let mut at = dice.between(12.0, 25.0);
    while at < plan.duration_s - 12.0 {
        plan.switches.push(at);
        at += dice.between(14.0, 30.0);
    }
    let rules = random_rules(&mut dice, &mut plan);
    random_control(&mut dice, &mut plan, rules[0].level_w);
    random_meter(&mut dice, &mut plan);
    // Every other window is one that could pass, its control near the edge of its rule: there a false pass would hide.
    if seed % 2 == 1 {
        make_fair(&mut dice, &mut plan, rules[0]);
    }
    (plan, rules)
}

pub(super) fn make_fair(dice: &mut Dice, plan: &mut Plan, rule: TrueRule) {
    plan.load_w = (plan.rated_w * dice.between(0.25, 0.9)).min(9000.0).round();
    plan.sun = dice.between(0.7, 1.0);
    plan.clouds *= 0.3;
    plan.marked = true;
    plan.role = "reference";
    plan.class = plan.class.or(Some("1"));
    plan.spacing_s = dice.pick(&[0.2, 0.25, 0.5, 1.0]);
    plan.jitter_s = plan.spacing_s * dice.between(0.0, 0.15);
    plan.update_s = dice.pick(&[0.1, 0.2, 0.5, 1.0]);
    plan.averaging_s = dice.pick(&[0.0, 0.2, 0.5, 1.0, 2.0]);
    if dice.chance(0.9) {
        (plan.profile_update_s, plan.profile_averaging_s) = (plan.update_s, plan.averaging_s);
    }
    plan.resolution_w = dice.pick(&[0.1, 1.0, 10.0]);
    if dice.chance(0.7) {
        plan.controlled = true;
        plan.sharp = dice.chance(0.3);
        plan.dead_s = dice.between(0.1, if plan.sharp { 0.8 } else { 0.3 } * rule.longest_s);
        plan.tau_s = plan.dead_s * dice.between(0.8, 3.0);
    }
}

fn random_rules(dice: &mut Dice, plan: &mut Plan) -> Vec<TrueRule> {
    let limit_w =
        if dice.chance(0.5) { 0.0 } else { dice.between(0.0, 10_000.0).min(0.7 * plan.rated_w) }.round();
    let tolerance_w = if dice.chance(0.3) { dice.between(0.0, 200.0).round() } else { 0.0 };
    let longest_s = dice.pick(&[2.0, 5.0, 5.0, 10.0, 15.0]);
    let averaging_s = dice.pick(&[0.2, 1.0, 1.0, 1.0, 2.0]);
    let share = dice.chance(0.4).then(|| dice.pick(&[0.05, 0.1, 0.2]));
    let per_phase = plan.reports_phases && plan.phases == 3 && dice.chance(0.15);
    let mut rules =
        vec![TrueRule { level_w: limit_w + tolerance_w, averaging_s, longest_s, share, per_phase }];
    let per = if per_phase { "phase" } else { "total" };
    plan.rules = format!(
        "[[limit.rule]]\nexport_W = {limit_w:.1}\ntolerance_W = {tolerance_w:.1}\nper = \"{per}\"\naveraging_s = {averaging_s:.1}\n\
         longest_s = {longest_s:.1}\n"
    );
    if let Some(share) = share {
        let _ = writeln!(plan.rules, "share = {share}");
    }
    if dice.chance(0.3) {
        let averaging_s = dice.pick(&[1.0, 3.0, 10.0, 60.0]);
        let limit_w = (limit_w + dice.between(0.0, 3000.0)).round();
        rules.push(TrueRule { level_w: limit_w, averaging_s, longest_s: 0.0, share: None, per_phase: false });
        let _ = writeln!(
            plan.rules,
            "[[limit.rule]]\nexport_W = {limit_w:.1}\naveraging_s = {averaging_s:.1}\nlongest_s = 0.0"
        );
    }
    rules
}

fn random_control(dice: &mut Dice, plan: &mut Plan, level_w: f64) {
    plan.dead_s = dice.between(0.1, 1.5);
    let margin = dice.between(0.0, 400.0);
    match dice.next() % 8 {
        // good
        0..=2 => plan.tau_s = plan.dead_s * dice.between(2.0, 4.0),
        // slow
        3 => plan.tau_s = dice.between(3.0, 25.0),
        // hunting
        4 => plan.tau_s = plan.dead_s * dice.between(0.45, 0.9),
        // off
        5 => plan.controlled = false,
        // biased
        6 => plan.tau_s = plan.dead_s * 2.5,
        _ => plan.tau_s = plan.dead_s * dice.between(1.2, 3.0),
    }
    plan.sharp = dice.chance(0.25);
    if plan.sharp {
        plan.dead_s = dice.between(0.2, 9.0);
    }
    plan.target_w = -level_w + margin;
    if dice.chance(0.2) {
        plan.target_w = -level_w - dice.between(0.0, 300.0);
    }
}

fn random_meter(dice: &mut Dice, plan: &mut Plan) {
    plan.role = if dice.chance(0.93) { "reference" } else { "steering" };
    let (class, limit) =
        dice.pick(&[(Some("0.5"), 0.006), (Some("1"), 0.02), (Some("2"), 0.03), (Some("B"), 0.025)]);
    plan.class = if dice.chance(0.95) { class } else { None };
    for gain in &mut plan.gain {
        *gain = 1.0 + dice.between(-limit, limit);
    }
    plan.noise_w = dice.pick(&[0.2, 1.0, 3.0, 10.0]);
    plan.resolution_w = dice.pick(&[0.1, 1.0, 1.0, 10.0, 100.0]);
    plan.update_s = dice.pick(&[0.1, 0.2, 0.5, 1.0, 1.0, 2.0]);
    plan.averaging_s = dice.pick(&[0.0, 0.0, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0]);
    // One profile in five says too little; the truth is then in the readings alone.
    let honest = dice.chance(0.8);
    plan.profile_update_s = if honest { plan.update_s } else { 0.1 };
    plan.profile_averaging_s = if honest { plan.averaging_s } else { 0.0 };
    plan.reversed = dice.chance(0.04);
    plan.unsigned = dice.chance(0.04);
    plan.says_signed = dice.chance(0.8);
    plan.spacing_s = dice.pick(&[0.2, 0.25, 0.5, 0.5, 1.0, 1.0, 2.0, 5.0, 10.0]);
    plan.jitter_s = plan.spacing_s * dice.between(0.0, 0.15);
    if dice.chance(0.2) {
        for _ in 0..=dice.next() % 3 {
            let from = dice.between(10.0, plan.duration_s - 15.0);
            plan.gaps.push((from, from + dice.between(0.5, 12.0)));
        }
    }
    plan.shared = dice.chance(0.02);
}

#[derive(Default, Debug)]
struct Tally {
    pass: u32,
    fail: u32,
    inconclusive: u32,
    kept_and_inconclusive: u32,
    broken_and_inconclusive: u32,
    false_passes: Vec<u64>,
    false_fails: Vec<u64>,
    /// Of those, windows whose meter counts the wrong way and that had no marked load to show it.
    unshown: u32,
    /// Inconclusive windows none of whose reasons really held.
    unfounded: Vec<u64>,
    /// By kind of reason: how often it held, how often not, how often nobody can tell here, and first seeds where not.
    reasons: BTreeMap<&'static str, (u32, u32, u32, Vec<u64>)>,
}

impl Tally {
    /// Whether each reason that was given really held.
    fn reasons(&mut self, seed: u64, ground: &Ground<'_>) {
        let mut founded = false;
        for reason in &ground.finding.reasons {
            let (kind, held) = ground.held(reason);
            let count = self.reasons.entry(kind).or_default();
            match held {
                Some(true) => count.0 += 1,
                Some(false) => {
                    count.1 += 1;
                    if count.3.len() < 5 {
                        count.3.push(seed);
                    }
                }
                None => count.2 += 1,
            }
            // What nobody can tell here founds nothing.
            founded |= held == Some(true);
        }
        if !founded {
            self.unfounded.push(seed);
        }
    }
}

fn run(seeds: impl Iterator<Item = u64>) -> Tally {
    let mut tally = Tally::default();
    for seed in seeds {
        let (plan, rules) = random(seed);
        let truth = plan.truth();
        let case = plan.case(&truth);
        let finding = judge(&case, &LimitOptions::default());
        let kept: Vec<_> = rules.iter().map(|rule| kept(&plan, &truth, *rule)).collect();
        let held = kept.iter().all(|one| one.held);
        let lowest = rules.iter().map(|rule| rule.level_w).fold(f64::INFINITY, f64::min);
        let total_level = if rules[0].per_phase { lowest } else { rules[0].level_w };
        match finding.verdict {
            Verdict::Pass => {
                tally.pass += 1;
                let tried = rules[0].per_phase || real_drops(&plan, &truth, total_level) >= 3;
                if !held || !tried || plan.reversed || plan.unsigned || plan.shared {
                    println!("false pass: seed {seed} {kept:?} {plan:#?} {finding:#?}");
                    tally.false_passes.push(seed);
                }
            }
            Verdict::Fail => {
                tally.fail += 1;
                if held {
                    tally.unshown += u32::from(plan.reversed && !plan.marked);
                    println!("false fail: seed {seed} {kept:?} {plan:#?} {finding:#?}");
                    tally.false_fails.push(seed);
                }
            }
            Verdict::Inconclusive => {
                tally.inconclusive += 1;
                tally.kept_and_inconclusive += u32::from(held);
                tally.broken_and_inconclusive += u32::from(!held);
                assert!(!finding.reasons.is_empty() && !finding.next.is_empty(), "seed {seed}: {finding:#?}");
                let ground = Ground {
                    plan: &plan,
                    truth: &truth,
                    rules: &rules,
                    kept: &kept,
                    case: &case,
                    finding: &finding,
                };
                tally.reasons(seed, &ground);
            }
        }
    }
    tally
}

#[test]
fn random_windows_never_pass_when_the_limit_was_broken() {
    let number = |name: &str| std::env::var(name).ok().and_then(|text| text.parse::<u64>().ok());
    if let Some(seed) = number("WATTWARD_SWEEP_SEED") {
        let tally = run(seed..=seed);
        println!("{tally:?}");
        assert!(tally.false_passes.is_empty() && tally.false_fails.is_empty());
        return;
    }
    let count = number("WATTWARD_SWEEP").unwrap_or(SHORT);
    let tally = run(FIRST_SEED..FIRST_SEED + count);
    println!("{count} windows from seed {FIRST_SEED}: {tally:?}");
    for (kind, (held, not, open, seeds)) in &tally.reasons {
        println!("{kind:>26}: held {held:5}, not {not:4}, open {open:4} {seeds:?}");
    }
    println!("unfounded: {} {:?}", tally.unfounded.len(), &tally.unfounded[..tally.unfounded.len().min(10)]);
    assert!(tally.false_passes.is_empty(), "false passes: {:?}", tally.false_passes);
    assert!(tally.false_fails.len() as u64 * 1000 <= count, "false fails: {:?}", tally.false_fails);
    assert!(tally.unfounded.len() as u64 * 200 <= count, "reasons that did not hold: {:?}", tally.unfounded);
    assert!(tally.pass > 0 && tally.fail > 0, "a sweep that never decides shows nothing: {tally:?}");
}

#[test]
fn a_drop_amid_a_restless_sun_is_said_to_be_untold_with_reason() {
    // Clouds swing the import by 330 W in the half minute before a drop of 821 W: the check does not tell the drop from them
    // and says so. The same window under a steady sun gives no such reason.
    let tally = run(40_390..=40_390);
    assert_eq!((tally.inconclusive, tally.unfounded), (1, Vec::new()), "{:?}", tally.reasons);
    let (mut plan, rules) = random(40_390);
    plan.clouds = 0.0;
    let truth = plan.truth();
    let case = plan.case(&truth);
    let finding = judge(&case, &LimitOptions::default());
    let kept: Vec<_> = rules.iter().map(|rule| kept(&plan, &truth, *rule)).collect();
    let ground =
        Ground { plan: &plan, truth: &truth, rules: &rules, kept: &kept, case: &case, finding: &finding };
    let untold = "1 marked load drop can't be told in the readings";
    assert_eq!(ground.held(untold), ("not told", Some(false)));
    assert!(finding.reasons.iter().all(|reason| !reason.contains("can't be told")), "{:?}", finding.reasons);
}
