//! Why did it feed in? Causes ranked by how much of the exceedance each explains, with the times to look at.

use super::body::{Cause, CtDoubt, EnergyBody, Evidence};
use crate::base::{Phase, Stamp};
use crate::evidence::long::spans::{OverSpan, Shares};
use crate::evidence::long::{Long, Row, tick_start};

/// A cause that explains less is not named.
const LEAST_SUPPORT: f64 = 0.05;

/// So many times to look at for each cause.
const MOST_EVIDENCE: usize = 5;

/// Swings that the rule allows each by itself count once they take this share of the time (ours).
const HUNTING_SHARE: f64 = 0.005;

/// Before a change of settings the log must have run this long to say how it was, in s.
const BEFORE_S: f64 = 3600.0;

/// What was above the limit, and what of it counts.
#[derive(Clone, Copy, Debug)]
pub(super) struct Exceedance {
    /// What counts.
    pub(super) shares: Shares,
    /// Of it shown only by the export counter, in Ws.
    pub(super) unseen_ws: f64,
}

impl Exceedance {
    /// Spans the rule forbids; short ones too where together they take more of the time than the rule allows, or where
    /// they are the swings of a control that hunts.
    pub(super) fn of(long: &Long) -> Self {
        let covered: f64 = long.rows.iter().fold(0.0, |sum, row| sum + covered_s(row));
        let share = long.plan.watches.iter().filter_map(|watch| watch.share).fold(f64::INFINITY, f64::min);
        let all = long.spans.breaking.plus(long.spans.allowed);
        let shares = if all.time_s > share * covered {
            all
        } else {
            let hunts = long.hunting_s >= HUNTING_SHARE * covered;
            let hunting_ws = if hunts { long.spans.allowed.hunting_ws } else { 0.0 };
            Shares {
                energy_ws: long.spans.breaking.energy_ws + hunting_ws,
                hunting_ws: long.spans.breaking.hunting_ws + hunting_ws,
                ..long.spans.breaking
            }
        };
        Self { shares, unseen_ws: long.unseen.iter().fold(0.0, |sum, unseen| sum + unseen.over_ws) }
    }

    pub(super) fn energy_ws(&self) -> f64 {
        self.shares.energy_ws + self.unseen_ws
    }
}

pub(super) fn covered_s(row: &Row) -> f64 {
    row.energy[0].covered_s + row.energy[1].covered_s
}

/// The causes, most likely first; `nothing-found` alone where there is none.
pub(super) fn causes(
    long: &Long,
    over: &Exceedance,
    energy: &EnergyBody,
    doubts: &[CtDoubt],
    volts: Option<(f64, Vec<Evidence>)>,
) -> Vec<Cause> {
    let all_ws = over.energy_ws();
    let exceeded = all_ws > 0.0;
    let share = |part: f64| if exceeded { (part / all_ws).clamp(0.0, 1.0) } else { 0.0 };
    let worst = long.spans.worst();
    let mut found: Vec<Cause> = Vec::new();
    if !doubts.is_empty() {
        let evidence = doubts.iter().map(|doubt| {
            Evidence::whole(format!("meter `{}`, channel {}: {}", doubt.meter, doubt.channel, doubt.evidence))
        });
        // Whatever the control did, it did by a wrong figure.
        let support = if exceeded { 1.0 } else { 0.0 };
        found.push(Cause { cause: "ct-direction", support, evidence: evidence.collect() });
    }
    let settings = settings_changed(long, all_ws);
    let by_settings = settings.as_ref().map_or(0.0, |cause| cause.support);
    found.extend(settings);
    let mut silent = looks(&worst, |span| span.silent_ws, "the meter the plant steers by was silent");
    for unseen in long.unseen.iter().filter(|unseen| unseen.over_ws > 0.0).take(MOST_EVIDENCE) {
        let text = format!(
            "no reading for {:.0} s, in which the export counter rose by {:.0} Wh",
            unseen.to.seconds_since(unseen.from),
            unseen.export_wh
        );
        silent.push(Evidence::at(unseen.from, text));
    }
    let specific = [
        ("meter-silent", share(over.shares.silent_ws + over.unseen_ws), silent),
        (
            "outside-ct",
            share(over.shares.outside_ws),
            looks(&worst, |span| span.outside_ws, "the meter the plant steers by did not see it"),
        ),
        ("hunting", share(over.shares.hunting_ws), hunting(long)),
        (
            "storage-full",
            share(over.shares.full_ws),
            looks(&worst, |span| span.full_ws, "the storage was full"),
        ),
    ];
    for (cause, support, evidence) in specific {
        if support >= LEAST_SUPPORT {
            found.push(Cause { cause, support, evidence });
        }
    }
    let left = if doubts.is_empty() { 1.0 - by_settings } else { 0.0 };
    for (cause, part, wants) in [
        ("limit-passed-steadily", over.shares.steady_ws, true),
        ("limit-passed-briefly", over.shares.brief_ws, false),
    ] {
        let support = share(part) * left;
        if support >= LEAST_SUPPORT {
            let evidence = spans(&worst, wants);
            found.push(Cause { cause, support, evidence });
        }
    }
    // The order above stands where two explain as much: the special before the general.
    found.sort_by_key(|cause| -rounded(cause.support));
    if let Some((support, evidence)) = volts {
        found.push(Cause { cause: "voltage-rise", support, evidence });
    }
    found.extend(mismatch(energy));
    if found.is_empty() {
        let text = "nothing above the limit, counters and power agree, no doubt about a CT".to_owned();
        found.push(Cause { cause: "nothing-found", support: 1.0, evidence: vec![Evidence::whole(text)] });
    }
    found
}

/// In steps of a twentieth: nearer figures are alike.
fn rounded(support: f64) -> i64 {
    (support * 20.0).round() as i64
}

fn looks(worst: &[OverSpan], of: impl Fn(&OverSpan) -> f64, what: &str) -> Vec<Evidence> {
    let mut spans: Vec<&OverSpan> = worst.iter().filter(|span| of(span) > 0.0).collect();
    spans.sort_by(|one, other| of(other).total_cmp(&of(one)).then(one.from.cmp(&other.from)));
    spans
        .into_iter()
        .take(MOST_EVIDENCE)
        .map(|span| Evidence::at(span.from, format!("{}: {what}", say(span))))
        .collect()
}

fn spans(worst: &[OverSpan], long: bool) -> Vec<Evidence> {
    let fits = |span: &&OverSpan| (span.length_s() > 60.0) == long;
    worst.iter().filter(fits).take(MOST_EVIDENCE).map(|span| Evidence::at(span.from, say(span))).collect()
}

fn say(span: &OverSpan) -> String {
    let phase = if span.phase == Phase::Total { String::new() } else { format!(" on {}", span.phase) };
    format!(
        "{:.0} s above the limit{phase}, up to {:.0} W, {:.1} Wh",
        span.length_s(),
        span.worst_w,
        span.energy_ws / 3600.0
    )
}

fn hunting(long: &Long) -> Vec<Evidence> {
    let say = |(from, to, train): &(Stamp, Stamp, crate::evidence::long::swing::Train)| {
        let text = format!(
            "{} swings of ±{:.0} W, one every {:.1} s, for {:.0} s",
            train.periods,
            train.amplitude_w,
            train.period_s,
            to.seconds_since(*from)
        );
        Evidence::at(*from, text)
    };
    long.hunting.iter().take(MOST_EVIDENCE).map(say).collect()
}

/// How much more fed in after a setting changed than before it.
fn settings_changed(long: &Long, all_ws: f64) -> Option<Cause> {
    let first = long.changed.first()?;
    let (mut before, mut after) = ((0.0, 0.0), (0.0, 0.0));
    for row in &long.rows {
        let side = if tick_start(row.tick) < first.at { &mut before } else { &mut after };
        side.0 += row.over_ws;
        side.1 += covered_s(row);
    }
    let usual = if before.1 >= BEFORE_S { before.0 / before.1 * after.1 } else { 0.0 };
    let more = (after.0 - usual).max(0.0);
    let support = if all_ws > 0.0 && before.1 >= BEFORE_S { (more / all_ws).min(1.0) } else { 0.0 };
    let evidence = long.changed.iter().take(MOST_EVIDENCE).map(|change| {
        let meter = &long.plan.site.meters[change.meter].name;
        let text = format!("meter `{meter}`: {} went from {} to {}", change.name, change.from, change.to);
        Evidence::at(change.at, text)
    });
    Some(Cause { cause: "settings-changed", support, evidence: evidence.collect() })
}

fn mismatch(energy: &EnergyBody) -> Option<Cause> {
    let (counted, own) = (energy.export_counter_Wh.unwrap_or(0.0), energy.export_Wh);
    if energy.agree != Some(false) && energy.netting != "phase" {
        return None;
    }
    let text = if energy.netting == "phase" {
        format!(
            "the export counter rose by {counted:.0} Wh while the sum of the phases exported {own:.0} Wh: it counts each \
             phase by itself ({:.0} Wh)",
            energy.export_by_phase_Wh.unwrap_or(0.0)
        )
    } else {
        format!(
            "counters say {:.0} Wh in and {counted:.0} Wh out, the power adds up to {:.0} Wh in and {own:.0} Wh out",
            energy.import_counter_Wh.unwrap_or(0.0),
            energy.import_Wh
        )
    };
    let most = counted.max(own).max(1e-9);
    let support = ((counted - own).abs() / most).clamp(0.0, 1.0);
    Some(Cause { cause: "energy-mismatch", support, evidence: vec![Evidence::whole(text)] })
}
