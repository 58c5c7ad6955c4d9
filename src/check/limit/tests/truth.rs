//! Whether a rule really held, from the continuous power alone: nothing of the evidence floor is used.

use super::world::{Plan, STEP_S, Truth, WINDOW_FROM_S};

/// A rule as the truth needs it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TrueRule {
    pub(crate) level_w: f64,
    pub(crate) averaging_s: f64,
    pub(crate) longest_s: f64,
    pub(crate) share: Option<f64>,
    pub(crate) per_phase: bool,
}

/// What became of a rule in truth.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Kept {
    pub(crate) held: bool,
    pub(crate) longest_s: f64,
    pub(crate) share: f64,
    pub(crate) worst_w: f64,
}

/// Judges the continuous power in the window.
pub(crate) fn kept(plan: &Plan, truth: &Truth, rule: TrueRule) -> Kept {
    let mut whole = Kept { held: true, longest_s: 0.0, share: 0.0, worst_w: f64::NEG_INFINITY };
    let channels: Vec<&Vec<f64>> =
        if rule.per_phase { truth.phases_w.iter().collect() } else { vec![&truth.total_w] };
    for power in channels {
        let one = channel(plan, power, rule);
        whole.held &= one.held;
        whole.longest_s = whole.longest_s.max(one.longest_s);
        whole.share = whole.share.max(one.share);
        whole.worst_w = whole.worst_w.max(one.worst_w);
    }
    whole
}

fn channel(plan: &Plan, power: &[f64], rule: TrueRule) -> Kept {
    let from = (WINDOW_FROM_S / STEP_S) as usize;
    let to = ((plan.window_end_s() / STEP_S) as usize).min(power.len() - 1);
    let width = ((rule.averaging_s / STEP_S).round() as usize).max(1);
    let mut sum: f64 = power[from..from + width].iter().fold(0.0, |sum, value| sum + value);
    let (mut run, mut longest, mut above, mut worst) = (0_usize, 0_usize, 0_usize, f64::NEG_INFINITY);
    for end in from + width..=to {
        let export = (-sum / width as f64).max(0.0);
        worst = worst.max(export);
        if export > rule.level_w {
            run += 1;
            above += 1;
            longest = longest.max(run);
        } else {
            run = 0;
        }
        sum += power[end] - power[end - width];
    }
    let longest_s = longest as f64 * STEP_S;
    let share = above as f64 / (to - from) as f64;
    let kept = if rule.longest_s > 0.0 { longest_s <= rule.longest_s } else { longest == 0 };
    Kept { held: kept && rule.share.is_none_or(|most| share <= most), longest_s, share, worst_w: worst }
}

/// How many load drops of the window really gave the control work: without it, export above the level would have followed.
pub(crate) fn real_drops(plan: &Plan, truth: &Truth, level_w: f64) -> usize {
    let inside = |at: f64| at > WINDOW_FROM_S && at < plan.window_end_s();
    plan.switches
        .iter()
        .enumerate()
        .filter(|(index, at)| {
            let before = truth.total_w[((**at - STEP_S) / STEP_S) as usize];
            !plan.switches_on(*index) && inside(**at) && plan.load_w - before > level_w
        })
        .count()
}
