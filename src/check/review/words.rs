//! What a review says in sentences.

use super::body::ReviewBody;
use super::unseen;
use crate::evidence::long::Long;

/// What each cause means, and what settles it.
fn plain(cause: &str) -> (&'static str, &'static str) {
    match cause {
        "limit-passed-steadily" => (
            "the export stood above the limit for long: it is set otherwise, or not in force",
            "read the limit in the plant's settings, then run `wattward limit` on site",
        ),
        "limit-passed-briefly" => (
            "the control came back, but too late",
            "run `wattward limit` on site: it measures how long the control takes",
        ),
        "hunting" => (
            "the control swings about its limit",
            "slow the control down or allow it more room below the limit; whoever maintains the plant can",
        ),
        "voltage-rise" => (
            "the site's own export raises the voltage above its limit",
            "give the network operator the supply impedance and the worst ten minutes; ask for the voltage or the line",
        ),
        "meter-silent" => (
            "the meter the plant steers by was silent, and the plant went on delivering",
            "run `wattward line` on that meter, and set the plant to stop when its meter is silent",
        ),
        "ct-direction" => (
            "a CT may sit the wrong way round or on another phase",
            "run `wattward ct` on site: it switches a known load and says which",
        ),
        "energy-mismatch" => (
            "the meter's counters say something else than its power",
            "ask how the counters treat phases, and compare with the operator's own figures: --against FILE",
        ),
        "storage-full" => (
            "the export began when the storage was full",
            "check that the limit holds without the storage: `wattward limit` with the storage full or idle",
        ),
        "outside-ct" => (
            "something feeds in that the plant's own meter does not see",
            "look for what is connected upstream of that meter's CTs; `wattward ct` tries each source",
        ),
        "settings-changed" => (
            "it feeds in since a setting of the meter was changed",
            "find out who changed it, set it back and run `wattward ct` again",
        ),
        _ => ("nothing found", ""),
    }
}

pub(super) fn headline(long: &Long, body: &ReviewBody, over_ws: f64) -> String {
    let first = body.causes.first();
    let cause = first.map_or("nothing-found", |cause| cause.cause);
    if cause == "nothing-found" {
        let mut text = if long.plan.watches.is_empty() {
            "nothing found; the site file has no limit to hold the export against".to_owned()
        } else {
            "nothing found: no export above the limit that the rule forbids".to_owned()
        };
        if unseen::weighty(long) {
            text.push_str(". Much was not seen: ");
            text.push_str(body.not_seen.first().map_or("", String::as_str));
        } else if !long.plan.watches.is_empty() {
            text.push_str(". Nobody challenged the control: `wattward limit` does");
        }
        return text;
    }
    let meaning = plain(cause).0;
    if over_ws > 0.0 {
        let share = first.map_or(0.0, |cause| cause.support);
        return format!(
            "{} above the limit; {:.0} % of it: {meaning}",
            energy(over_ws),
            (share * 100.0).floor()
        );
    }
    meaning.to_owned()
}

/// Energy with as many digits as it needs.
fn energy(ws: f64) -> String {
    let wh = ws / 3600.0;
    if wh < 1000.0 { format!("{wh:.0} Wh") } else { format!("{:.1} kWh", wh / 1000.0) }
}

pub(super) fn reasons(long: &Long, body: &ReviewBody) -> Vec<String> {
    let mut reasons = Vec::new();
    let energy = &body.energy;
    reasons.push(format!(
        "{:.1} kWh in and {:.2} kWh out by the power",
        energy.import_Wh / 1000.0,
        energy.export_Wh / 1000.0
    ));
    if let (Some(import), Some(export)) = (energy.import_counter_Wh, energy.export_counter_Wh) {
        let agree = match (energy.agree, energy.netting) {
            (Some(true), _) => "which agrees",
            (_, "phase") => "which agrees with each phase by itself and not with their sum",
            _ => "which does not agree",
        };
        reasons.push(format!(
            "{:.1} kWh in and {:.2} kWh out by the meter's counters, {agree}",
            import / 1000.0,
            export / 1000.0
        ));
    }
    let over = &body.over_limit;
    for rule in &over.rules {
        let which = if rule.per == "phase" { " on a phase" } else { "" };
        let mean = if over.rules.len() > 1 && rule.averaging_s > 0.0 {
            format!(" by its mean over {}", crate::base::Span::from_seconds(rule.averaging_s))
        } else {
            String::new()
        };
        reasons.push(format!(
            "{} spans above {:.0} W{which}{mean} (and the uncertainty), {} of them longer than the rule allows",
            rule.count, rule.limit_W, rule.breaking
        ));
    }
    if over.rules.is_empty() && long.plan.unfollowed.is_empty() {
        reasons.push("no limit in the site file: give one there or with --export".to_owned());
    }
    for volts in &body.voltage {
        if let (Some(ohm), Some(u)) = (volts.supply_ohm, volts.supply_u_ohm) {
            reasons.push(format!(
                "supply of {}: {ohm:.3} ohm ± {u:.3} ohm by {} steps",
                volts.phase, volts.steps
            ));
        }
    }
    for cause in body.causes.iter().skip(1) {
        reasons.push(format!("also: {} (support {:.2})", plain(cause.cause).0, cause.support));
    }
    reasons.extend(body.not_seen.iter().map(|text| format!("not seen: {text}")));
    if long.plan.site.meters[long.plan.main].class.is_none() {
        reasons.push("the site file gives no class for the meter: class 2 is assumed".to_owned());
    }
    reasons
}

pub(super) fn next(body: &ReviewBody) -> Vec<String> {
    let steps = body.causes.iter().map(|cause| plain(cause.cause).1);
    steps.filter(|step| !step.is_empty()).map(str::to_owned).collect()
}
