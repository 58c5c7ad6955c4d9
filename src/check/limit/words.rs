//! Sentences of the limit check.

use super::bench::Bench;
use crate::base::Stamp;
use crate::evidence::excursion::Excursion;
use crate::profile::{Per, Rule, RuleLimit};

/// A length of time as people say it.
pub fn seconds(value: f64) -> String {
    if value >= 600.0 {
        format!("{:.0} min", value / 60.0)
    } else if value >= 10.0 || (value - value.round()).abs() < 1e-9 {
        format!("{value:.0} s")
    } else {
        format!("{value:.1} s")
    }
}

/// A power as people say it.
pub fn watts(value: f64) -> String {
    if value.abs() >= 10_000.0 { format!("{:.1} kW", value / 1000.0) } else { format!("{value:.0} W") }
}

/// The time of day in UTC, to the second.
pub fn time_of_day(at: Stamp) -> String {
    at.rfc3339(0).get(11..19).unwrap_or("").to_owned()
}

/// A rule in a few words: `rule 2 (0 W for at most 5 s)`.
pub fn rule_name(rule: &Rule, number: usize, of: usize) -> String {
    let limit = match rule.limit {
        RuleLimit::Watts(limit_w) => watts(limit_w),
        RuleLimit::Amps(amps) => format!("{amps} A"),
        RuleLimit::Percent(percent) => format!("{percent} % of the plant"),
    };
    let place = if rule.applies_per() == Per::Phase { " per phase" } else { "" };
    let time = if rule.longest_s > 0.0 {
        format!("at most {} above", seconds(rule.longest_s))
    } else if rule.averaging_s > 1.0 {
        format!("{} mean never above", seconds(rule.averaging_s))
    } else {
        "never above".to_owned()
    };
    if of > 1 {
        format!("rule {number} ({limit}{place}, {time})")
    } else {
        format!("the rule ({limit}{place}, {time})")
    }
}

/// A certain breach.
pub fn broken(rule: &Rule, name: &str, place: &str, surely_s: f64, at: Stamp, peak_w: f64) -> String {
    let allowed = if rule.longest_s > 0.0 {
        format!("{} allowed", seconds(rule.longest_s))
    } else {
        "none allowed".to_owned()
    };
    format!(
        "{name}: averaged export{place} stood above it for at least {} from {} UTC, {allowed}; {} at the peak",
        seconds(surely_s),
        time_of_day(at),
        watts(peak_w)
    )
}

/// A possible excursion that is too long for a pass, with what would settle it.
pub fn open_excursion(
    bench: &Bench<'_>,
    rule: &Rule,
    name: &str,
    place: &str,
    longest: &Excursion,
    at: Stamp,
) -> (String, String) {
    let when = time_of_day(at);
    let length = seconds(longest.longest_s);
    if longest.gap_only {
        return (
            format!(
                "{name}: nothing was read{place} for up to {length} from {when} UTC, and export may have stood above it"
            ),
            "repeat the window with an undisturbed line".to_owned(),
        );
    }
    let guard = bench.main().map_or(0.0, |channel| channel.mean_expanded_w(bench.from, bench.to));
    let blur_s = 4.0 * (bench.coverage.spacing_s + bench.timing.lag_s());
    let held_close = longest.longest_s - longest.certain_s > blur_s.max(rule.averaging_s);
    if longest.certain && !held_close {
        return (
            format!(
                "{name}: an excursion{place} from {when} UTC lasted between {} and {length}; {} allowed",
                seconds(longest.shortest_s),
                seconds(rule.longest_s)
            ),
            "read more often, or use a meter that renews its values faster, so that its length is known closer; or \
             make the control faster"
                .to_owned(),
        );
    }
    (
        format!(
            "{name}: averaged export{place} may have stood above it for up to {length} from {when} UTC: it was closer to it \
             than the uncertainty of {}",
            watts(guard)
        ),
        format!(
            "let the plant hold at least {} below the limit, or give the rule the tolerance_W it allows, or use a \
             meter of a better class",
            watts(guard)
        ),
    )
}
