//! The verdict.

use hdrhistogram::Histogram;

use super::bench::{Bench, Window, choose, window_of};
use super::body::{ChallengeEntry, LimitBody, Response, Spread, TimingEntry, WindowEntry};
use super::needs::{Direction, direction, missing};
use super::options::LimitOptions;
use super::rules::{Outcome, judge_rule};
use super::side::side_by_side;
use super::words::{seconds, watts};
use crate::base::Span;
use crate::check::{Finding, Verdict};
use crate::evidence::case::{Case, MeterCase};
use crate::evidence::challenge::{Challenge, ChallengeKind};
use crate::evidence::energy::exported_wh;
use crate::profile::MeterRole;

/// Judges whether the export limit of the case's site held in its window.
pub fn judge(case: &Case, options: &LimitOptions) -> Finding<LimitBody> {
    let case = &*options.applied(case);
    let Some(meter) = choose(case, options.meter.as_deref()) else {
        let asked = options.meter.as_deref().map_or_else(
            || "no meter with the role `reference` or `steering` was heard".to_owned(),
            |name| format!("no meter `{name}` was heard"),
        );
        return nothing(case, options, None, &asked, "name a meter of the site file with --meter");
    };
    let Some(limit) = case.site.limit.as_ref().filter(|limit| !limit.rules.is_empty()) else {
        let next = "add [limit] with at least one [[limit.rule]] to the site file";
        return nothing(case, options, Some(meter), "the site file has no limit to judge", next);
    };
    let window = window_of(case, meter, options);
    let bench = window.and_then(|window| Bench::of(case, options, meter, limit, window));
    let Some(bench) = bench else {
        let next = "check the line and the profile with `read`, then repeat the window";
        let mut finding =
            nothing(case, options, Some(meter), "the meter gave no active power in the window", next);
        finding.start = window.map(|window| window.start);
        finding.end = window.map(|window| window.end);
        return finding;
    };
    decide(&bench)
}

/// The verdict on what was measured.
pub(super) fn decide(bench: &Bench<'_>) -> Finding<LimitBody> {
    let rules = bench.limit.rules.iter().enumerate();
    let mut outcomes: Vec<Outcome> = rules.map(|(index, rule)| judge_rule(bench, rule, index + 1)).collect();
    let missing = missing(bench);
    // Import on a meter that counts the wrong way reads as export: no fail either while nothing shows which way it counts.
    let shown = !matches!(direction(bench), Direction::Against(..) | Direction::Unknown(0));
    let broken = outcomes.iter().any(|outcome| outcome.broken.is_some());
    let open = outcomes.iter().any(|outcome| !outcome.open.is_empty());
    let verdict = if broken && shown {
        Verdict::Fail
    } else if !broken && !open && missing.is_empty() {
        Verdict::Pass
    } else {
        Verdict::Inconclusive
    };
    for outcome in &mut outcomes {
        outcome.entry.verdict = if outcome.broken.is_some() && shown {
            Verdict::Fail
        } else if outcome.broken.is_none() && outcome.open.is_empty() && missing.is_empty() {
            Verdict::Pass
        } else {
            Verdict::Inconclusive
        };
    }
    let (mut reasons, mut next) = (Vec::new(), Vec::new());
    let add = |reasons: &mut Vec<String>, next: &mut Vec<String>, reason: &str, mend: &str| {
        reasons.push(reason.to_owned());
        if !mend.is_empty() && !next.iter().any(|known| known == mend) {
            next.push(mend.to_owned());
        }
    };
    for text in outcomes.iter().filter_map(|outcome| outcome.broken.as_deref()) {
        if shown {
            add(&mut reasons, &mut next, text, BROKEN_NEXT);
        } else {
            add(&mut reasons, &mut next, &format!("as this meter counts, {text}"), "");
        }
    }
    if verdict == Verdict::Inconclusive {
        for one in &missing {
            add(&mut reasons, &mut next, &one.reason, &one.next);
        }
    }
    if verdict != Verdict::Pass {
        for (reason, mend) in outcomes.iter().flat_map(|outcome| &outcome.open) {
            add(&mut reasons, &mut next, reason, mend);
        }
    }
    if verdict == Verdict::Pass {
        reasons = passed(bench, &outcomes);
    }
    let headline = headline(bench, verdict, &reasons);
    let entries = outcomes.into_iter().map(|outcome| outcome.entry).collect();
    Finding {
        verdict,
        headline,
        reasons,
        next,
        meter: bench.meter.meter.name.clone(),
        start: Some(bench.window.start),
        end: Some(bench.window.end),
        body: body(bench, entries),
    }
}

const BROKEN_NEXT: &str = "look at the control's limit, its delay and the meter it follows, then repeat the window; `ct` shows \
                           whether that meter's CTs sit right";

fn headline(bench: &Bench<'_>, verdict: Verdict, reasons: &[String]) -> String {
    let first = reasons.first().map_or("", String::as_str);
    match verdict {
        Verdict::Pass => {
            let counted = bench.challenges.iter().filter(|one| one.counts());
            let worst = counted.filter_map(|one| one.reaction.back_within_s).fold(0.0, f64::max);
            format!(
                "The export limit held, also when it was tried: export was back within {} at worst",
                seconds(worst)
            )
        }
        Verdict::Fail => format!("The export limit was broken: {first}"),
        Verdict::Inconclusive => format!("Not settled: {first}"),
    }
}

fn passed(bench: &Bench<'_>, outcomes: &[Outcome]) -> Vec<String> {
    let counted = bench.challenges.iter().filter(|one| one.counts()).count();
    let longest = outcomes
        .iter()
        .flat_map(|outcome| &outcome.entry.excursions)
        .fold(0.0_f64, |longest, one| longest.max(one.longest_s));
    let guard = bench.main().map_or(0.0, |channel| channel.mean_expanded_w(bench.from, bench.to));
    let mut reasons = vec![
        format!("{counted} challenges counted, {} asked", bench.limit.challenges.max(1)),
        if longest > 0.0 {
            format!(
                "no excursion can have lasted longer than {}, its uncertainty of {} counted against the plant",
                seconds(longest),
                watts(guard)
            )
        } else {
            format!("export never came within the uncertainty of {} of a limit", watts(guard))
        },
        format!(
            "{:.1} % of {} covered by readings",
            (1000.0 * bench.coverage.share).floor() / 10.0,
            seconds(bench.duration_s())
        ),
    ];
    reasons.push(match direction(bench) {
        Direction::ByLoads(count) => {
            format!("the meter's direction was shown by {count} steps of known loads")
        }
        _ => "the meter's direction was shown by its `ct` pass on this site".to_owned(),
    });
    reasons
}

fn body(bench: &Bench<'_>, rules: Vec<super::body::RuleEntry>) -> LimitBody {
    let main = bench.main();
    let timing = &bench.timing;
    let finite = |value: f64| value.is_finite().then_some(value);
    let mut notes = Vec::new();
    if bench.power.overrange > 0 {
        notes.push(format!(
            "{} readings left out: the current was above 120 % of the CTs' primary rating",
            bench.power.overrange
        ));
    }
    if let Some(measured) =
        timing.update_measured_s.filter(|measured| *measured > 1.2 * timing.update_profile_s)
    {
        notes.push(format!(
            "the meter renews its values every {}, the profile says {}: the longer counts",
            seconds(measured),
            seconds(timing.update_profile_s)
        ));
    }
    if let Some(measured) = timing.averaging_measured_s {
        notes.push(format!(
            "steps take as long to show as a mean over {} at least, the profile says {}: the longer counts",
            seconds(measured),
            seconds(timing.averaging_profile_s)
        ));
    }
    LimitBody {
        rules,
        window: WindowEntry {
            start: Some(bench.window.start),
            end: Some(bench.window.end),
            duration_s: bench.duration_s(),
            coverage: bench.coverage.share,
            longest_gap_s: bench.coverage.longest_gap_s,
        },
        challenges: bench.challenges.iter().map(entry).collect(),
        challenges_required: bench.limit.challenges.max(1),
        meter_role: bench.meter.meter.role,
        exported_wh: main
            .map_or(0.0, |channel| exported_wh(channel, bench.from, bench.to, &bench.coverage.gaps)),
        expanded_uncertainty_w: main.map_or(0.0, |channel| channel.mean_expanded_w(bench.from, bench.to)),
        response: response(bench),
        timing: TimingEntry {
            spacing_s: bench.coverage.spacing_s,
            update_profile_s: timing.update_profile_s,
            update_measured_s: timing.update_measured_s,
            averaging_profile_s: timing.averaging_profile_s,
            averaging_measured_s: timing.averaging_measured_s,
            needed_s: finite(bench.bounds.fast_s),
        },
        side_by_side: side_by_side(bench),
        notes,
    }
}

fn entry(one: &Challenge) -> ChallengeEntry {
    ChallengeEntry {
        at: one.at,
        kind: one.kind.word(),
        uncontrolled_export_w: one.uncontrolled_export_w,
        peak_export_w: one.reaction.peak_export_w,
        back_within_s: one.reaction.back_within_s,
        storage_could_absorb: one.storage_could_absorb,
        counts: one.counts(),
        why_not: one.why_not.clone(),
        source: one.source.clone(),
        dead_time_s: one.reaction.dead_time_s,
        dead_time_between_s: one.reaction.dead_time_between_s,
        settled_s: one.reaction.settled_s,
        overshoot_w: one.reaction.overshoot_w,
        resumed_s: one.resumed_s,
    }
}

/// Figures of a histogram of whole numbers, each times `unit`.
fn spread(values: impl Iterator<Item = (f64, u64)>, unit: f64) -> Option<Spread> {
    // Three digits up to 1e9 of the unit; what is larger counts as that.
    let mut histogram = Histogram::<u64>::new_with_bounds(1, 1_000_000_000, 3).ok()?;
    for (value, count) in values {
        histogram.saturating_record_n((value / unit).round().clamp(0.0, 1e9) as u64, count);
    }
    if histogram.is_empty() {
        return None;
    }
    let at = |quantile: f64| histogram.value_at_quantile(quantile) as f64 * unit;
    Some(Spread { p50: at(0.5), p90: at(0.9), p99: at(0.99), max: histogram.max() as f64 * unit })
}

fn response(bench: &Bench<'_>) -> Response {
    let counted =
        || bench.challenges.iter().filter(|one| one.excess_w > 0.0 && one.kind != ChallengeKind::HeldAtLimit);
    let times = |time: &dyn Fn(&Challenge) -> Option<f64>| {
        spread(counted().filter_map(|one| time(one).map(|value| (value, 1))), 0.001)
    };
    let main = bench.main();
    let stretches = main.into_iter().flat_map(|channel| {
        channel.at.windows(2).zip(&channel.active_w).filter_map(|(pair, power)| {
            let (from, to) = (pair[0].max(bench.from), pair[1].min(bench.to));
            (to > from && to - from <= bench.bounds.gap_s)
                .then(|| ((-power).max(0.0), Span::from_seconds(to - from).millis().round() as u64))
        })
    });
    Response {
        export_w: spread(stretches, 1.0),
        back_within_s: times(&|one| one.reaction.back_within_s),
        dead_time_s: times(&|one| one.reaction.dead_time_s),
        held_at_limit_s: held_at_limit_s(bench),
    }
}

/// Time the export stood within the uncertainty of the lowest limit on the total; 0 where that is nothing.
fn held_at_limit_s(bench: &Bench<'_>) -> f64 {
    let levels =
        bench.limit.rules.iter().filter_map(|rule| Some(rule.limit_w(&bench.case.site)? + rule.tolerance_w));
    let (Some(level), Some(channel)) = (levels.reduce(f64::min), bench.main()) else { return 0.0 };
    channel.at.windows(2).enumerate().fold(0.0, |sum, (index, pair)| {
        let (from, to) = (pair[0].max(bench.from), pair[1].min(bench.to));
        let near = (-channel.active_w[index] - level).abs() <= channel.expanded_w[index];
        if to > from && near { sum + (to - from) } else { sum }
    })
}

/// A finding without anything measured.
fn nothing(
    case: &Case,
    options: &LimitOptions,
    meter: Option<&MeterCase>,
    reason: &str,
    next: &str,
) -> Finding<LimitBody> {
    let window: Option<Window> = options.window.or(case.span).map(|(start, end)| Window { start, end });
    let limit = case.site.limit.as_ref();
    Finding {
        verdict: Verdict::Inconclusive,
        headline: format!("Not settled: {reason}"),
        reasons: vec![reason.to_owned()],
        next: vec![next.to_owned()],
        meter: meter.map_or_else(String::new, |one| one.meter.name.clone()),
        start: window.map(|window| window.start),
        end: window.map(|window| window.end),
        body: LimitBody {
            rules: Vec::new(),
            window: WindowEntry {
                start: window.map(|window| window.start),
                end: window.map(|window| window.end),
                duration_s: window.map_or(0.0, |window| (window.end - window.start).seconds()),
                coverage: 0.0,
                longest_gap_s: window.map_or(0.0, |window| (window.end - window.start).seconds()),
            },
            challenges: Vec::new(),
            challenges_required: limit.map_or(1, |limit| limit.challenges.max(1)),
            meter_role: meter.map_or(MeterRole::Steering, |one| one.meter.role),
            exported_wh: 0.0,
            expanded_uncertainty_w: 0.0,
            response: Response::default(),
            timing: TimingEntry::default(),
            side_by_side: Vec::new(),
            notes: Vec::new(),
        },
    }
}
