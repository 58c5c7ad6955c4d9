//! Why did it feed in? Causes ranked by how much of the exceedance each explains, with the times to look at.

use super::body::{Cause, CtDoubt, EnergyBody, Evidence};
use crate::base::Phase;
use crate::evidence::long::spans::{OverSpan, Shares};
use crate::evidence::long::swing::Train;
use crate::evidence::long::{Long, Row, TICK_S, Unseen, UnseenSum, tick_start};

/// A cause that explains less is not named.
const LEAST_SUPPORT: f64 = 0.05;

/// So many times to look at for each cause.
const MOST_EVIDENCE: usize = 5;

/// Swings that the rule allows each by itself count once they take this share of the time (ours).
const HUNTING_SHARE: f64 = 0.005;

/// Before a change of settings the log must have run this long to say how it was, in s.
const BEFORE_S: f64 = 3600.0;

/// What was above the limit, and what of it counts.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Exceedance {
    /// The rule that is passed by the most energy, by its place in the site file; nothing without a limit.
    pub(super) rule: Option<usize>,
    /// What counts.
    pub(super) shares: Shares,
    /// Of it shown only by the export counter.
    pub(super) unseen: UnseenSum,
}

impl Exceedance {
    /// Of the rule that is passed by the most energy, else of the first one. `netted`: the export counter nets the phases,
    /// so that what it rose by was exported.
    pub(super) fn of(long: &Long, netted: bool) -> Self {
        let plan = &long.plan;
        let mut worst: Option<Self> = None;
        for rule in (0..plan.rules()).filter(|rule| !plan.unfollowed.contains(rule)) {
            let lowest = plan.lowest().is_some_and(|watch| watch.rule == rule);
            let unseen = if lowest && netted { long.unseen_sum } else { UnseenSum::default() };
            let here = Self { rule: Some(rule), shares: counting(long, rule), unseen };
            if worst.is_none_or(|worst| here.energy_ws() > worst.energy_ws()) {
                worst = Some(here);
            }
        }
        worst.unwrap_or_default()
    }

    pub(super) fn energy_ws(&self) -> f64 {
        self.shares.energy_ws + self.unseen.over_ws
    }

    /// The worst spans of the rule.
    pub(super) fn worst(&self, long: &Long) -> Vec<OverSpan> {
        long.spans().worst(|watch| Some(long.plan.watches[watch].rule) == self.rule)
    }
}

/// Spans a rule forbids; short ones too where together they take more of the time than it allows, or where they are the
/// swings of a control that hunts.
fn counting(long: &Long, rule: usize) -> Shares {
    let covered: f64 = long.rows.iter().fold(0.0, |sum, row| sum + covered_s(row));
    let mut all = Shares::default();
    for (watch, above) in long.plan.watches.iter().zip(&long.spans().above) {
        if watch.rule != rule {
            continue;
        }
        let both = above.breaking.plus(above.allowed);
        all = all.plus(if both.time_s > watch.share.unwrap_or(f64::INFINITY) * covered {
            both
        } else {
            let hunts = long.hunting_s >= HUNTING_SHARE * covered;
            let part = if hunts && above.allowed.energy_ws > 0.0 {
                above.allowed.hunting_ws / above.allowed.energy_ws
            } else {
                0.0
            };
            Shares {
                energy_ws: above.breaking.energy_ws + part * above.allowed.energy_ws,
                hunting_ws: above.breaking.hunting_ws + part * above.allowed.energy_ws,
                after_ws: above.breaking.after_ws + part * above.allowed.after_ws,
                ..above.breaking
            }
        });
    }
    all
}

pub(super) fn covered_s(row: &Row) -> f64 {
    row.energy[0].covered_s + row.energy[1].covered_s
}

/// The causes, most likely first; `nothing-found` alone where there is none, with what could not be seen.
pub(super) fn causes(
    long: &Long,
    over: &Exceedance,
    energy: &EnergyBody,
    doubts: &[CtDoubt],
    volts: Option<(f64, Vec<Evidence>)>,
    unseen: &[String],
) -> Vec<Cause> {
    let all_ws = over.energy_ws();
    let exceeded = all_ws > 0.0;
    let share = |part: f64| if exceeded { (part / all_ws).clamp(0.0, 1.0) } else { 0.0 };
    let worst = over.worst(long);
    let mut found: Vec<Cause> = Vec::new();
    if !doubts.is_empty() {
        let evidence = doubts.iter().map(|doubt| {
            Evidence::whole(format!("meter `{}`, channel {}: {}", doubt.meter, doubt.channel, doubt.evidence))
        });
        // Whatever the control did, it did by a wrong figure.
        let support = if exceeded { 1.0 } else { 0.0 };
        found.push(Cause { cause: "ct-direction", support, evidence: evidence.collect() });
    }
    let settings = settings_changed(long, over);
    let by_settings = settings.as_ref().map_or(0.0, |cause| cause.support);
    found.extend(settings);
    let mut silent = looks(&worst, |span| span.silent_ws, "the meter the plant steers by was silent");
    silent.extend(by_counter(long, over, true));
    silent.truncate(MOST_EVIDENCE);
    let specific = [
        ("meter-silent", share(over.shares.silent_ws + over.unseen.silent_ws), silent),
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
        ("limit-passed-steadily", over.shares.steady_ws + over.unseen.over_ws - over.unseen.silent_ws, true),
        ("limit-passed-briefly", over.shares.brief_ws, false),
    ] {
        let support = share(part) * left;
        if support >= LEAST_SUPPORT {
            let mut evidence = spans(&worst, wants);
            if wants {
                evidence.extend(by_counter(long, over, false));
                evidence.truncate(MOST_EVIDENCE);
            }
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
        let text = if exceeded || over.rule.is_none() {
            "no doubt about a CT, no voltage above its limit"
        } else {
            "nothing above the limit that the rule forbids, no doubt about a CT, no voltage above its limit"
        };
        let not_seen = unseen.iter().map(|text| Evidence::whole(format!("not seen: {text}")));
        let evidence = std::iter::once(Evidence::whole(text)).chain(not_seen).collect();
        found.push(Cause { cause: "nothing-found", support: covered_share(long).clamp(0.0, 1.0), evidence });
    }
    found
}

/// Share of the time from the first slice to the last one that readings of the meter cover.
pub(super) fn covered_share(long: &Long) -> f64 {
    let Some((first, last)) = long.ticks else { return 0.0 };
    // The ends lie anywhere within their slices.
    let within = (last - first + 1) as f64 * TICK_S;
    let covered = long.rows.iter().fold(0.0, |sum, row| sum + covered_s(row));
    let ends = long.ends_s();
    (covered / (within - ends).max(1e-9)).min(1.0)
}

/// Times without readings in which the export counter rose by more than the limit allows.
fn by_counter<'a>(long: &'a Long, over: &Exceedance, silent: bool) -> impl Iterator<Item = Evidence> + 'a {
    let counts = over.unseen.over_ws > 0.0;
    let over = move |unseen: &&Unseen| counts && unseen.over_ws > 0.0 && unseen.silent == silent;
    long.unseen.iter().filter(over).take(MOST_EVIDENCE).map(|unseen| {
        let text = format!(
            "no reading for {:.0} s, in which the export counter shows {:.0} Wh at least",
            unseen.to.seconds_since(unseen.from),
            unseen.least_wh
        );
        Evidence::at(unseen.from, text)
    })
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
    let say = |train: &Train| {
        let text = format!(
            "{} swings of ±{:.0} W, one every {:.1} s, for {:.0} s",
            train.periods,
            train.amplitude_w,
            train.period_s,
            train.length_s()
        );
        Evidence::at(train.from, text)
    };
    long.hunting.iter().take(MOST_EVIDENCE).map(say).collect()
}

/// How much more fed in after a setting changed than before it.
fn settings_changed(long: &Long, over: &Exceedance) -> Option<Cause> {
    let first = long.changed.first()?;
    // Time before and after; a slice in which it changed is parted there.
    let (mut before_s, mut after_s) = (0.0, 0.0);
    for row in &long.rows {
        let share = (first.at.seconds_since(tick_start(row.tick)) / TICK_S).clamp(0.0, 1.0);
        before_s += share * covered_s(row);
        after_s += (1.0 - share) * covered_s(row);
    }
    let all_ws = over.energy_ws();
    let after_ws = over.shares.after_ws + over.unseen.after_ws;
    let usual_ws = (all_ws - after_ws) / f64::max(before_s, 1e-9) * after_s;
    let tells = before_s >= BEFORE_S && all_ws > 0.0;
    let support = if tells { ((after_ws - usual_ws) / all_ws).clamp(0.0, 1.0) } else { 0.0 };
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
