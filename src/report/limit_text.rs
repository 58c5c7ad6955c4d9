//! What the limit check shows between verdict and reasons: the window's export against the limit, rules, excursions,
//! challenges. Every line fits `width` columns, at least 80.

use std::fmt::Write as _;

use super::plot::{Plot, ROWS};
use crate::base::{Phase, Quantity, Stamp};
use crate::check::Finding;
use crate::check::limit::LimitBody;
use crate::check::limit::body::{ChallengeEntry, ExcursionEntry, RuleEntry};
use crate::evidence::{Case, MeterCase};
use crate::profile::{MeterRole, Per, RuleLimit};
use crate::record::MarkKind;

/// Excursions shown in full; the rest are counted.
const SHOWN: usize = 8;

/// The plot and the tables.
pub fn table(case: &Case, finding: &Finding<LimitBody>, width: usize) -> String {
    let width = width.clamp(80, 99);
    let body = &finding.body;
    let flow = if body.meter_role == MeterRole::Generation { "generation" } else { "export" };
    let mut text = plot(case, finding, width);
    window(&mut text, body, flow);
    rules(&mut text, &body.rules);
    challenges(&mut text, body, flow);
    excursions(&mut text, &body.rules);
    distributions(&mut text, body, flow);
    for one in &body.side_by_side {
        text.push('\n');
        text.push_str(&super::text::wrapped("  ", &one.words(), width));
    }
    for note in &body.notes {
        text.push_str(&super::text::wrapped("note: ", note, width));
    }
    text
}

fn clock(at: Stamp) -> String {
    at.rfc3339(0).get(11..19).unwrap_or("").to_owned()
}

fn seconds(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.1} s"))
}

fn watts(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.0} W"))
}

/// The total of the meter judged over the window; of several phases without a total, their sum where they came together.
fn plot(case: &Case, finding: &Finding<LimitBody>, width: usize) -> String {
    let (Some(meter), Some(start), Some(end)) = (case.meter(&finding.meter), finding.start, finding.end)
    else {
        return String::new();
    };
    let points: Vec<(f64, f64)> = export(meter, case.site.lines())
        .into_iter()
        .filter(|(at, _)| (start..=end).contains(at))
        .map(|(at, export)| (at.seconds_since(start), export))
        .collect();
    let marks: Vec<(f64, char)> = case
        .marks
        .iter()
        .filter(|mark| (start..=end).contains(&mark.at))
        .filter_map(|mark| {
            let sign = match mark.kind {
                MarkKind::LoadOn => '^',
                MarkKind::LoadOff => 'v',
                MarkKind::SignalOff => 'x',
                MarkKind::SignalOn => 'o',
                _ => return None,
            };
            Some((mark.at.seconds_since(start), sign))
        })
        .collect();
    let totals = finding.body.rules.iter().filter(|rule| rule.per == Per::Total);
    let limit_w = totals.map(|rule| rule.export_w).reduce(f64::min);
    let Some(limit_w) = limit_w else { return String::new() };
    let plot = Plot {
        points: &points,
        span: (0.0, (end - start).seconds()),
        limit_w: Some(limit_w),
        marks: &marks,
        ends: (clock(start), format!("{} UTC", clock(end))),
        rows: ROWS,
    };
    let mut text = plot.render(width);
    if !text.is_empty() {
        let legend = match (marks.is_empty(), finding.body.meter_role) {
            (_, MeterRole::Generation) => "generation is up; = the limit\n\n",
            (true, _) => "export is up, import down; = the limit\n\n",
            (false, _) => {
                "export is up, import down; = the limit; ^ load on, v load off, x signal away, o signal back\n\n"
            }
        };
        text.push_str(legend);
    }
    text
}

pub(crate) fn export(meter: &MeterCase, lines: &[Phase]) -> Vec<(Stamp, f64)> {
    let of = |phase: Phase| meter.series.of(Quantity::ActivePower, phase);
    if let Some(total) = of(Phase::Total) {
        return total.samples.iter().map(|sample| (sample.at, -sample.value)).collect();
    }
    let phases: Vec<_> = lines.iter().filter_map(|phase| of(*phase)).collect();
    let Some((first, others)) = phases.split_first() else { return Vec::new() };
    first
        .samples
        .iter()
        .filter_map(|sample| {
            let mut sum = sample.value;
            for other in others {
                let index = other.samples.partition_point(|one| one.at < sample.at);
                let near = [index.checked_sub(1), Some(index)]
                    .into_iter()
                    .filter_map(|i| other.samples.get(i?))
                    .min_by_key(|one| (one.at - sample.at).nanos().saturating_abs())?;
                sum += near.value;
            }
            Some((sample.at, -sum))
        })
        .collect()
}

fn window(text: &mut String, body: &LimitBody, flow: &str) {
    let timing = &body.timing;
    let _ = writeln!(
        text,
        "window {:.0} s, {:.1} % covered, longest gap {:.1} s; {flow}ed {:.1} Wh; uncertainty {:.0} W (k = 2)",
        body.window.duration_s,
        (1000.0 * body.window.coverage).floor() / 10.0,
        body.window.longest_gap_s,
        body.exported_wh,
        body.expanded_uncertainty_w,
        flow = if flow == "export" { "export" } else { "generat" },
    );
    let measured =
        |value: Option<f64>| value.map_or_else(String::new, |value| format!(" (found {value:.1} s)"));
    let _ = writeln!(
        text,
        "{} meter: readings {:.1} s apart, renews every {:.1} s{}, averages over {:.1} s{}; needed {}",
        body.meter_role.word(),
        timing.spacing_s,
        timing.update_profile_s,
        measured(timing.update_measured_s),
        timing.averaging_profile_s,
        measured(timing.averaging_measured_s),
        seconds(timing.needed_s),
    );
}

/// How the export was spread over the window, and the answers over the challenges.
fn distributions(text: &mut String, body: &LimitBody, flow: &str) {
    let rows = [
        (flow, &body.response.export_w, "W", 0),
        ("back within", &body.response.back_within_s, "s", 1),
        ("dead time", &body.response.dead_time_s, "s", 1),
    ];
    if rows.iter().all(|(_, spread, _, _)| spread.is_none()) {
        return;
    }
    let _ =
        writeln!(text, "\n  {:<14} {:>10} {:>10} {:>10} {:>10}", "spread", "half", "90 %", "99 %", "largest");
    for (name, spread, unit, places) in rows {
        let Some(spread) = spread else { continue };
        let figure = |value: f64| format!("{value:.places$} {unit}");
        let _ = writeln!(
            text,
            "  {name:<14} {:>10} {:>10} {:>10} {:>10}",
            figure(spread.p50),
            figure(spread.p90),
            figure(spread.p99),
            figure(spread.max)
        );
    }
    if body.response.held_at_limit_s > 0.0 {
        let _ = writeln!(
            text,
            "  {flow} stood at the limit, within the uncertainty, for {:.0} s",
            body.response.held_at_limit_s
        );
    }
}

fn rules(text: &mut String, rules: &[RuleEntry]) {
    if rules.is_empty() {
        return;
    }
    let _ = writeln!(
        text,
        "\n  {:<20} {:>7} {:>8} {:>9} {:>9} {:>16} {:>8}  verdict",
        "rule", "mean", "allowed", "worst", "possible", "longest", "share"
    );
    for rule in rules {
        let limit = match rule.limit {
            RuleLimit::Watts(limit_w) => format!("{limit_w:.0} W"),
            RuleLimit::Amps(amps) => format!("{amps} A"),
            RuleLimit::Percent(percent) => format!("{percent} % = {:.0} W", rule.export_w),
        };
        let band = if rule.tolerance_w > 0.0 { format!(" +{:.0}", rule.tolerance_w) } else { String::new() };
        let place = if rule.per == Per::Phase { " per phase" } else { "" };
        let longest = rule.excursions.iter().max_by(|a, b| a.longest_s.total_cmp(&b.longest_s));
        let length = longest.map_or_else(
            || "none".to_owned(),
            |one| format!("{:.1} to {:.1} s", one.shortest_s, one.longest_s),
        );
        let allowed = if rule.longest_s > 0.0 { format!("{} s", rule.longest_s) } else { "never".to_owned() };
        let _ = writeln!(
            text,
            "  {:<20} {:>7} {allowed:>8} {:>9} {:>9} {length:>16} {:>8}  {}",
            format!("{limit}{band}{place}"),
            format!("{} s", rule.averaging_s),
            watts(rule.worst_averaged_export_w),
            watts(rule.worst_possible_export_w),
            format!("{:.1} %", 100.0 * rule.share_at_most),
            rule.verdict.word(),
        );
    }
}

fn challenges(text: &mut String, body: &LimitBody, flow: &str) {
    if body.challenges.is_empty() {
        let _ = writeln!(text, "\n  no challenge in the window, {} needed", body.challenges_required);
        return;
    }
    let counted = body.challenges.iter().filter(|one| one.counts).count();
    let _ = writeln!(
        text,
        "\n  {:<8} {:<16} {:<16} {:>12} {:>9} {:>9} {:>9}  counts ({counted} of {})",
        "UTC", "challenge", "", "uncontrolled", "peak", "back in", "settled", body.challenges_required
    );
    for one in &body.challenges {
        challenge(text, one);
    }
    let _ = writeln!(text, "  uncontrolled: what the {flow} would have been had nothing acted");
}

fn challenge(text: &mut String, one: &ChallengeEntry) {
    let source: String = one.source.as_deref().unwrap_or("").chars().take(16).collect();
    let _ = writeln!(
        text,
        "  {:<8} {:<16} {source:<16} {:>12} {:>9} {:>9} {:>9}  {}",
        clock(one.at),
        one.kind,
        watts(Some(one.uncontrolled_export_w)),
        watts(Some(one.peak_export_w)),
        seconds(one.back_within_s),
        seconds(one.settled_s),
        if one.counts { "yes" } else { "no" },
    );
    if one.kind == "signal-loss" {
        let back = one.resumed_s.map_or_else(
            || "the plant did not deliver again while the window lasted".to_owned(),
            |resumed| format!("{resumed:.1} s after the signal was back the plant delivered again"),
        );
        text.push_str(&super::text::wrapped("           ", &back, 95));
    }
    if let Some(why) = &one.why_not {
        text.push_str(&super::text::wrapped("           ", why, 95));
    }
}

fn excursions(text: &mut String, rules: &[RuleEntry]) {
    for (number, rule) in rules.iter().enumerate().filter(|(_, rule)| !rule.excursions.is_empty()) {
        let name = if rules.len() > 1 { format!(" of rule {}", number + 1) } else { String::new() };
        let _ = writeln!(
            text,
            "\n  excursions{name}: {} possible, {} certain",
            rule.excursions.len(),
            rule.excursions.iter().filter(|one| one.certain).count()
        );
        let _ = writeln!(text, "  {:<8} {:<6} {:>18} {:>10} {:>10}", "UTC", "on", "length", "peak", "energy");
        let mut longest: Vec<&ExcursionEntry> = rule.excursions.iter().collect();
        longest.sort_by(|a, b| b.longest_s.total_cmp(&a.longest_s));
        longest.truncate(SHOWN);
        longest.sort_by_key(|one| one.start);
        for one in longest {
            let kind = match (one.certain, one.gap) {
                (true, _) => "certain",
                (false, true) => "possible: nothing was read",
                (false, false) => "possible: within the uncertainty",
            };
            let _ = writeln!(
                text,
                "  {:<8} {:<6} {:>18} {:>10} {:>10}  {kind}",
                clock(one.start),
                one.channel,
                format!("{:.1} to {:.1} s", one.shortest_s, one.longest_s),
                watts(Some(one.peak_export_w)),
                format!("{:.2} Wh", one.energy_wh),
            );
        }
        if rule.excursions.len() > SHOWN {
            let _ = writeln!(text, "  the {SHOWN} longest shown");
        }
    }
}
