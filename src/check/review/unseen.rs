//! What the log can't show: without this, "nothing found" would say more than it knows.

use super::body::{EnergyBody, VoltageBody};
use super::causes::{covered_s, covered_share};
use crate::base::Phase;
use crate::evidence::long::Long;
use crate::evidence::long::plan::LONGEST_MEAN_S;

/// Less of the time covered by readings than this is said.
pub(super) const WHOLE: f64 = 0.99;

/// Sentences, the weightiest first.
pub(super) fn not_seen(long: &Long, energy: &EnergyBody, voltage: &[VoltageBody]) -> Vec<String> {
    let plan = &long.plan;
    let mut found = Vec::new();
    let share = covered_share(long);
    if share < WHOLE {
        let missing_s =
            long.rows.iter().fold(0.0, |sum, row| sum + covered_s(row)) * (1.0 / share.max(1e-9) - 1.0);
        let by_counter = energy.unseen_export_most_Wh.map_or_else(
            || "and no export counter bounds it".to_owned(),
            |most| format!("the export counter allows up to {most:.0} Wh in it"),
        );
        found.push(format!(
            "what flowed in the {:.1} % of the time without readings ({:.1} h): {by_counter}",
            (1.0 - share) * 100.0,
            missing_s / 3600.0
        ));
    }
    if plan.watches.is_empty() && plan.unfollowed.is_empty() {
        found.push("whether a limit was kept: the site file has none, and --export was not given".to_owned());
    }
    for rule in &plan.unfollowed {
        let long = plan.rule(*rule).is_some_and(|rule| rule.averaging_s > LONGEST_MEAN_S);
        let why = if long { "its mean is longer than a day" } else { "it is a share of no plant" };
        found.push(format!("rule {} of the limit: {why}", rule + 1));
    }
    let unread = plan.watches.iter().filter(|watch| !long.read(plan.main, watch.phase));
    let mut phases: Vec<Phase> = unread.map(|watch| watch.phase).collect();
    phases.dedup();
    if !phases.is_empty() {
        let words: Vec<&str> = phases.iter().map(|phase| phase.word()).collect();
        found.push(format!("the power of {}, which a rule of the limit is about", words.join(", ")));
    }
    if let Some(slow) = slow(long) {
        found.push(slow);
    }
    if long.steering_heard() == Some(false) {
        let name = plan.steering.map_or("", |meter| &plan.site.meters[meter].name);
        found.push(format!(
            "meter `{name}`, which the plant steers by: the log has no reading of it, so nobody can tell whether it was \
             silent or missed something"
        ));
    }
    if energy.import_counter_Wh.is_none() && energy.export_counter_Wh.is_none() {
        found.push("whether the counters agree with the power: none was read".to_owned());
    }
    if voltage.is_empty() {
        found.push("voltage rise, and what voltage says about CTs: no voltage was read".to_owned());
    } else {
        let few: Vec<&str> =
            voltage.iter().filter(|volts| volts.supply_ohm.is_none()).map(|volts| volts.phase).collect();
        if !few.is_empty() {
            let text = "the supply's impedance, and by it a CT that sits wrong: too few steps of the current";
            found.push(format!("on {} {text}", few.join(", ")));
        }
    }
    found
}

/// Readings too far apart for a rule.
fn slow(long: &Long) -> Option<String> {
    let spacing = long.spacing_s()?;
    let rules = long.plan.watches.iter();
    let fast = |longest_s: f64, averaging_s: f64| if longest_s > 0.0 { longest_s } else { averaging_s };
    let needs =
        rules.map(|watch| fast(watch.longest_s, watch.averaging_s) / 2.0).fold(f64::INFINITY, f64::min);
    (spacing > needs * 1.01).then(|| {
        format!(
            "exports between two readings: they come every {spacing:.1} s, and a rule needs one every {needs:.1} s"
        )
    })
}

/// Whether anything on this list keeps "nothing found" from being said of the whole time.
pub(super) fn weighty(long: &Long) -> bool {
    covered_share(long) < WHOLE
        || long.steering_heard() == Some(false)
        || slow(long).is_some()
        || !long.plan.unfollowed.is_empty()
        || long.plan.watches.iter().any(|watch| !long.read(long.plan.main, watch.phase))
}
