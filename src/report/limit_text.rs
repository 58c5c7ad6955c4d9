//! What the limit check shows between verdict and reasons: the window's export against the limit, rules, excursions,
//! challenges. Every line fits `width` columns, at least 80.

use std::fmt::Write as _;

use super::grid::Table;
use super::plot::{Plot, ROWS};
use super::text::wrapped;
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
    text.push_str(&window(body, flow, width));
    text.push_str(&rules(&body.rules, width));
    text.push_str(&challenges(body, flow, width));
    text.push_str(&excursions(&body.rules, width));
    text.push_str(&distributions(body, flow, width));
    for one in &body.side_by_side {
        text.push('\n');
        text.push_str(&wrapped("  ", &one.words(), width));
    }
    for note in &body.notes {
        text.push_str(&wrapped("note: ", note, width));
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
            (_, MeterRole::Generation) => "generation is up; = the limit",
            (true, _) => "export is up, import down; = the limit",
            (false, _) => {
                "export is up, import down; = the limit; ^ load on, v load off, x signal away, o signal back"
            }
        };
        text.push_str(&wrapped("", legend, width));
        text.push('\n');
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

fn window(body: &LimitBody, flow: &str, width: usize) -> String {
    let timing = &body.timing;
    let covered = format!(
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
    let read = format!(
        "{} meter: readings {:.1} s apart, renews every {:.1} s{}, averages over {:.1} s{}; needed {}",
        body.meter_role.word(),
        timing.spacing_s,
        timing.update_profile_s,
        measured(timing.update_measured_s),
        timing.averaging_profile_s,
        measured(timing.averaging_measured_s),
        seconds(timing.needed_s),
    );
    wrapped("", &covered, width) + &wrapped("", &read, width)
}

/// How the export was spread over the window, and the answers over the challenges.
fn distributions(body: &LimitBody, flow: &str, width: usize) -> String {
    let mut table = Table::new("", &["spread", ">half", ">90 %", ">99 %", ">largest"]);
    for (name, spread, unit, places) in [
        (flow, &body.response.export_w, "W", 0),
        ("back within", &body.response.back_within_s, "s", 1),
        ("dead time", &body.response.dead_time_s, "s", 1),
    ] {
        let Some(spread) = spread else { continue };
        let figures = [spread.p50, spread.p90, spread.p99, spread.max];
        let figures = figures.map(|value| format!("{value:.places$} {unit}"));
        table.row(std::iter::once(name.to_owned()).chain(figures));
    }
    let mut text = below(&table, width);
    if body.response.held_at_limit_s > 0.0 {
        let held = body.response.held_at_limit_s;
        let words = format!("{flow} stood at the limit, within the uncertainty, for {held:.0} s");
        text.push_str(&wrapped("  ", &words, width));
    }
    text
}

fn rules(rules: &[RuleEntry], width: usize) -> String {
    let titles = ["rule", ">mean", ">allowed", ">worst", ">possible", ">longest", ">share", "verdict"];
    let mut table = Table::new("", &titles);
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
        table.row([
            format!("{limit}{band}{place}"),
            format!("{} s", rule.averaging_s),
            allowed,
            watts(rule.worst_averaged_export_w),
            watts(rule.worst_possible_export_w),
            length,
            format!("{:.1} %", 100.0 * rule.share_at_most),
            rule.verdict.word().to_owned(),
        ]);
    }
    below(&table, width)
}

fn challenges(body: &LimitBody, flow: &str, width: usize) -> String {
    let needed = body.challenges_required;
    if body.challenges.is_empty() {
        return format!("\n  no challenge in the window, {needed} needed\n");
    }
    let titles = ["UTC", "challenge", ">uncontrolled", ">peak", ">back in", ">settled", "counts"];
    let mut table = Table::new("", &titles);
    for one in &body.challenges {
        table.row([
            clock(one.at),
            format!("{} {}", one.kind, one.source.as_deref().unwrap_or("")),
            watts(Some(one.uncontrolled_export_w)),
            watts(Some(one.peak_export_w)),
            seconds(one.back_within_s),
            seconds(one.settled_s),
            if one.counts { "yes" } else { "no" }.to_owned(),
        ]);
    }
    let mut text = below(&table, width);
    for one in &body.challenges {
        let lead = format!("  {} ", clock(one.at));
        for words in beside(one) {
            text.push_str(&wrapped(&lead, &words, width));
        }
    }
    let counted = body.challenges.iter().filter(|one| one.counts).count();
    let legend = format!(
        "{counted} counted, {needed} needed; uncontrolled: what the {flow} would have been had nothing acted"
    );
    text + &wrapped("  ", &legend, width)
}

/// What has to be said of a challenge beside its figures.
fn beside(one: &ChallengeEntry) -> Vec<String> {
    let mut list = Vec::new();
    if one.kind == "signal-loss" {
        list.push(one.resumed_s.map_or_else(
            || "the plant did not deliver again while the window lasted".to_owned(),
            |resumed| format!("{resumed:.1} s after the signal was back the plant delivered again"),
        ));
    }
    list.extend(one.why_not.clone());
    list
}

fn excursions(rules: &[RuleEntry], width: usize) -> String {
    let mut text = String::new();
    for (number, rule) in rules.iter().enumerate().filter(|(_, rule)| !rule.excursions.is_empty()) {
        let name = if rules.len() > 1 { format!(" of rule {}", number + 1) } else { String::new() };
        let certain = rule.excursions.iter().filter(|one| one.certain).count();
        let all = rule.excursions.len();
        let shown = if all > SHOWN { format!("; the {SHOWN} longest") } else { String::new() };
        let _ = writeln!(text, "\n  excursions{name}: {all} possible, {certain} certain{shown}");
        let mut longest: Vec<&ExcursionEntry> = rule.excursions.iter().collect();
        longest.sort_by(|a, b| b.longest_s.total_cmp(&a.longest_s));
        longest.truncate(SHOWN);
        longest.sort_by_key(|one| one.start);
        let mut table = Table::new("", &["UTC", "on", ">length", ">peak", ">energy", ""]);
        for one in longest {
            let kind = match (one.certain, one.gap) {
                (true, _) => "certain",
                (false, true) => "possible: nothing was read",
                (false, false) => "possible: within the uncertainty",
            };
            table.row([
                clock(one.start),
                one.channel.to_owned(),
                format!("{:.1} to {:.1} s", one.shortest_s, one.longest_s),
                watts(Some(one.peak_export_w)),
                format!("{:.2} Wh", one.energy_wh),
                kind.to_owned(),
            ]);
        }
        text.push_str(&table.text(2, width));
    }
    text
}

/// A table under a blank line; nothing of one without rows.
fn below(table: &Table, width: usize) -> String {
    let text = table.text(2, width);
    if text.is_empty() { text } else { format!("\n{text}") }
}
