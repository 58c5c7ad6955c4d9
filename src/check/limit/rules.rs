//! Each rule against what was measured: excursions, the guarded decision, what is open.

use super::bench::Bench;
use super::body::{ExcursionEntry, RuleEntry};
use super::words;
use crate::base::Phase;
use crate::base::uncertain::{expanded, rectangular};
use crate::check::Verdict;
use crate::evidence::coverage::coverage;
use crate::evidence::energy::Counter;
use crate::evidence::excursion::{Excursions, Question, excursions};
use crate::evidence::power::Channel;
use crate::profile::{Per, Rule, RuleLimit};

/// Plants may give a little more than they are rated for (ours): what a gap may hide.
const ABOVE_RATED: f64 = 1.1;

/// Half-width of the voltage where nobody reads it, as a fraction (EN 50160's ±10 %, as contract 6 takes it).
const VOLTAGE_BAND: f64 = 0.1;

/// What the rules need of the readings' distance and of the meter's own times.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// The shortest `longest_s` that is not 0, in s.
    pub shortest_allowed_s: Option<f64>,
    /// Readings further apart leave a gap, in s: half of that, 2 s where all are 0.
    pub gap_s: f64,
    /// Spacing, update and averaging time must not be longer, in s.
    pub fast_s: f64,
}

impl Bounds {
    /// Of a set of rules.
    pub fn of(rules: &[Rule]) -> Self {
        let allowed = rules.iter().map(|rule| rule.longest_s).filter(|longest| *longest > 0.0);
        let shortest_allowed_s = allowed.reduce(f64::min);
        let half = shortest_allowed_s.map(|shortest| shortest / 2.0);
        let ceilings = rules.iter().filter(|rule| rule.longest_s <= 0.0).map(|rule| rule.averaging_s);
        let fast_s = ceilings.chain(half).fold(f64::INFINITY, f64::min);
        Self { shortest_allowed_s, gap_s: half.unwrap_or(2.0), fast_s }
    }
}

/// What became of a rule.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// For the document; its verdict is still open.
    pub entry: RuleEntry,
    /// How it was surely broken, as a sentence.
    pub broken: Option<String>,
    /// Why it can't be said to hold, each with what would settle it.
    pub open: Vec<(String, String)>,
}

/// Judges one rule; `number` counts from 1 and `many` says whether there are others, for the words.
pub fn judge_rule(bench: &Bench<'_>, rule: &Rule, number: usize) -> Outcome {
    let name = words::rule_name(rule, number, bench.limit.rules.len());
    let mut outcome = Outcome { entry: empty_entry(bench, rule), broken: None, open: Vec::new() };
    let Some(limit_w) = rule.limit_w(&bench.case.site) else {
        outcome.open.push((
            format!("{name} is a share of the plants' power, and the site file names no plant"),
            "add a [[plant]] with its rated_W to the site file".to_owned(),
        ));
        return outcome;
    };
    let channels = channels(bench, rule);
    let expected = if rule.applies_per() == Per::Phase { bench.case.site.lines().len() } else { 1 };
    if channels.len() < expected {
        outcome.open.push((
            format!("{name}: the meter does not report the power it applies to"),
            "add the missing points of active power to the profile, or use a meter that reports each phase"
                .to_owned(),
        ));
    }
    let level_w = limit_w + rule.tolerance_w;
    let mut sums = (0.0_f64, 0.0_f64);
    let mut least_expanded = f64::INFINITY;
    for channel in &channels {
        let bounded = bounded_gaps(bench, rule, channel, level_w);
        let undershoots = undershoots(bench, channel);
        let mut asked = question(bench, rule, channel, level_w, &bounded);
        asked.undershoots = &undershoots;
        let found = excursions(channel, &asked);
        let (most, least) = found.sums_s();
        sums = (sums.0.max(most), sums.1.max(least));
        least_expanded = least_expanded.min(channel.mean_expanded_w(bench.from, bench.to));
        take(bench, rule, channel, &found, &mut outcome);
        decide(bench, rule, &name, channel, &found, &mut outcome);
    }
    decide_share(bench, rule, &name, sums, &mut outcome);
    let guard = if least_expanded.is_finite() { least_expanded } else { 0.0 };
    outcome.entry.acceptance_w = level_w - guard;
    outcome.entry.excursions.sort_by_key(|one| one.start);
    outcome
}

fn empty_entry(bench: &Bench<'_>, rule: &Rule) -> RuleEntry {
    RuleEntry {
        limit: rule.limit,
        export_w: rule.limit_w(&bench.case.site).unwrap_or(0.0),
        per: rule.applies_per(),
        averaging_s: rule.averaging_s,
        longest_s: rule.longest_s,
        tolerance_w: rule.tolerance_w,
        share: rule.share,
        verdict: Verdict::Inconclusive,
        excursions: Vec::new(),
        worst_averaged_export_w: None,
        worst_possible_export_w: None,
        share_at_most: 0.0,
        acceptance_w: 0.0,
    }
}

/// The channels a rule applies to. A limit in amperes judges each phase's power at nominal voltage, so that one line of
/// reasoning serves both.
fn channels(bench: &Bench<'_>, rule: &Rule) -> Vec<Channel> {
    if rule.applies_per() == Per::Total {
        return bench.power.total.iter().cloned().collect();
    }
    let mut phases = bench.power.phases.clone();
    if matches!(rule.limit, RuleLimit::Amps(_)) {
        let nominal_v = bench.case.site.phase_v();
        for phase in &mut phases {
            for index in 0..phase.at.len() {
                if let Some(volts) = phase.volts.get(index).filter(|volts| **volts > 1.0) {
                    phase.active_w[index] *= nominal_v / volts;
                    phase.expanded_w[index] *= nominal_v / volts;
                } else {
                    let band = expanded(rectangular(VOLTAGE_BAND * phase.active_w[index]));
                    phase.expanded_w[index] = libm::hypot(phase.expanded_w[index], band);
                }
            }
        }
    }
    phases
}

/// The bound on the distance of readings that this rule sets.
fn bound_of(bench: &Bench<'_>, rule: &Rule) -> f64 {
    if rule.longest_s > 0.0 { bench.bounds.gap_s } else { bench.bounds.gap_s.min(rule.averaging_s) }
}

/// Gaps in which an export counter shows that the rule was kept whatever the shape: (reading before, Wh at most).
pub fn bounded_gaps(bench: &Bench<'_>, rule: &Rule, channel: &Channel, level_w: f64) -> Vec<(f64, f64)> {
    let found = coverage(&channel.at, bench.from, bench.to, bound_of(bench, rule));
    if found.gaps.is_empty() {
        return Vec::new();
    }
    let Some(counter) = Counter::of(bench.meter, &bench.case.site, channel.phase, bench.origin) else {
        return Vec::new();
    };
    let allowed_wh = most_hidden_wh(level_w, rule.longest_s, rule.averaging_s);
    found
        .gaps
        .iter()
        .filter_map(|gap| {
            let energy_wh = counter.most_wh(gap.between.0, gap.between.1)?;
            (energy_wh < allowed_wh).then_some((gap.between.0, energy_wh))
        })
        .collect()
}

/// What a gap must stay below, in Wh, so that all of it in one go makes no excursion longer than allowed. A mean above the
/// level for the time allowed holds the level for that long; what lies outside the gap, at the level at most, can give to
/// that no more than one averaging time. Where no length is allowed, the mean itself; excursions take it at its worst.
fn most_hidden_wh(level_w: f64, longest_s: f64, averaging_s: f64) -> f64 {
    let time_s = if longest_s > 0.0 { (longest_s - averaging_s).max(0.0) } else { averaging_s };
    level_w * time_s / 3600.0
}

fn question<'a>(
    bench: &'a Bench<'_>,
    rule: &Rule,
    channel: &'a Channel,
    level_w: f64,
    bounded: &'a [(f64, f64)],
) -> Question<'a> {
    let site = &bench.case.site;
    let rated = site.rated_w();
    let highest = channel.active_w.iter().fold(0.0_f64, |highest, power| highest.max(*power));
    let loads: f64 = site.loads.iter().map(|load| load.power_w).sum();
    Question {
        from: bench.from,
        to: bench.to,
        averaging_s: rule.averaging_s,
        level_w,
        lag_s: bench.timing.lag_s(),
        update_s: bench.timing.update_s,
        bound_s: bound_of(bench, rule),
        bounded,
        // Without a plant nobody knows what may flow.
        most_export_w: if rated > 0.0 { (ABOVE_RATED * rated).max(2.0 * level_w) } else { 1e9 },
        most_import_w: highest + loads + rated,
        ceiling: rule.longest_s <= 0.0,
        undershoots: &[],
    }
}

/// Where a marked load fell away: until a reading showed it, the power may have stood as low as the load makes it.
fn undershoots(bench: &Bench<'_>, channel: &Channel) -> Vec<(f64, f64, f64)> {
    let main = bench.main().map(|main| main.phase);
    let falls = bench.steps.iter().filter(|step| !step.on && Some(channel.phase) == main);
    falls
        .filter_map(|step| {
            let edge = step.edge.filter(|edge| edge.step_w < 0.0)?;
            let size_w = step.size_w.map_or(0.0, |(size, tolerance)| size * (1.0 + tolerance));
            let before = *channel.at.get(edge.first.checked_sub(1)?)?;
            let low = edge.before_w - size_w.max(edge.step_w.abs()) - channel.expanded_w.get(edge.first)?;
            Some((before - bench.timing.lag_s(), *channel.at.get(edge.first)?, low))
        })
        .collect()
}

fn take(bench: &Bench<'_>, rule: &Rule, channel: &Channel, found: &Excursions, outcome: &mut Outcome) {
    let entry = &mut outcome.entry;
    let larger = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    };
    entry.worst_averaged_export_w = larger(entry.worst_averaged_export_w, found.worst_averaged_w);
    entry.worst_possible_export_w = larger(entry.worst_possible_export_w, found.worst_possible_w);
    let channel = if rule.applies_per() == Per::Total { Phase::Total } else { channel.phase };
    entry.excursions.extend(found.list.iter().map(|one| ExcursionEntry {
        start: bench.stamp(one.start),
        shortest_s: one.shortest_s,
        longest_s: one.longest_s,
        peak_export_w: one.peak_export_w,
        energy_wh: one.energy_wh,
        certain: one.certain,
        gap: one.gap_only,
        channel: channel.word(),
    }));
}

/// The guarded decision for one channel.
fn decide(
    bench: &Bench<'_>,
    rule: &Rule,
    name: &str,
    channel: &Channel,
    found: &Excursions,
    outcome: &mut Outcome,
) {
    let place =
        if rule.applies_per() == Per::Phase { format!(" on {}", channel.phase) } else { String::new() };
    if found.judged_s <= 0.0 {
        outcome.open.push((
            format!("{name}: the window is shorter than the mean it limits"),
            format!("run the check for longer than {}", words::seconds(rule.averaging_s)),
        ));
        return;
    }
    let surely = found.surely_s().unwrap_or(0.0);
    if surely > rule.longest_s {
        let worst =
            found.list.iter().filter(|one| one.certain).max_by(|a, b| a.shortest_s.total_cmp(&b.shortest_s));
        let at = worst.map_or(bench.origin, |one| bench.stamp(one.start));
        let peak = worst.map_or(0.0, |one| one.peak_export_w);
        outcome.broken = Some(words::broken(rule, name, &place, surely, at, peak));
        return;
    }
    let Some(longest) = found.list.iter().max_by(|a, b| a.longest_s.total_cmp(&b.longest_s)) else { return };
    if rule.longest_s > 0.0 && longest.longest_s <= rule.longest_s {
        return;
    }
    let at = bench.stamp(longest.start);
    outcome.open.push(words::open_excursion(bench, rule, name, &place, longest, at));
}

/// The rule's share of the window: fail when certain excursions pass it, open when possible ones may.
fn decide_share(
    bench: &Bench<'_>,
    rule: &Rule,
    name: &str,
    (most, least): (f64, f64),
    outcome: &mut Outcome,
) {
    let length = (bench.to - bench.from).max(1e-9);
    outcome.entry.share_at_most = (most / length).min(1.0);
    let Some(share) = rule.share else { return };
    if least > share * length {
        let percent = 100.0 * least / length;
        outcome.broken.get_or_insert_with(|| {
            format!("{name}: export stood above the limit for {percent:.1} % of the window at least, {:.1} % allowed", 100.0 * share)
        });
    } else if most > share * length {
        outcome.open.push((
            format!(
                "{name}: export may have stood above the limit for up to {:.1} % of the window, {:.1} % allowed",
                100.0 * most / length,
                100.0 * share
            ),
            "read more often, or use a meter that renews its values faster, so that short excursions are measured closer"
                .to_owned(),
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn energy_in_a_gap_and_export_just_below_the_limit_beside_it_make_no_excursion_too_long() {
        // A second's mean above 3000 W for 5 s holds 15 kWs, of which at most a second's worth, 3 kWs, can lie outside the
        // gap at no more than the limit: 12 kWs, 3.33 Wh, is what the gap must stay below. 4 Wh don't.
        let allowed = |longest_s, averaging_s| most_hidden_wh(3000.0, longest_s, averaging_s);
        assert!((allowed(5.0, 1.0) - 12_000.0 / 3600.0).abs() < 1e-9);
        // No length allowed: the mean itself, which the excursions then take at its worst.
        assert!((allowed(0.0, 60.0) - 50.0).abs() < 1e-9);
        assert_eq!(allowed(2.0, 3.0), 0.0);
    }
}
