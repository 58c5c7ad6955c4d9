//! What can be said before the window starts: what can't pass, and what a real trial of the control needs.

use super::rules::Bounds;
use super::words::{seconds, watts};
use crate::base::{Phase, PointKey, Quantity};
use crate::evidence::accuracy::{Accuracy, PhasePower};
use crate::profile::{Meter, MeterRole, Profile, Rule, Site};

/// What stands in the way of a pass with this site, meter and reading interval (`every_s`; nothing when only listening).
/// Each is a sentence; none means that a pass is possible.
pub fn foresee(site: &Site, meter: &Meter, profile: &Profile, every_s: Option<f64>) -> Vec<String> {
    let Some(limit) = &site.limit else { return vec!["the site file has no [[limit.rule]] to judge".into()] };
    let mut found = Vec::new();
    let bounds = Bounds::of(&limit.rules);
    let needed = bounds.fast_s;
    let (update, averaging) = times_s(profile);
    let every_s = every_s.unwrap_or(0.0);
    let speeds =
        [("one reading every", every_s), ("values renewed every", update), ("averaging over", averaging)];
    for (what, value) in speeds.into_iter().filter(|(_, value)| *value > needed) {
        found.push(format!(
            "{what} {} is too slow for these rules: {} needed",
            seconds(value),
            seconds(needed)
        ));
    }
    if let Some(left_s) =
        back_within_s(site, profile, every_s).filter(|left_s| found.is_empty() && *left_s <= 0.0)
    {
        found.push(format!(
            "an excursion reads up to {} longer than it was with this meter and rate, all that the rules allow: none can pass",
            seconds(bounds.shortest_allowed_s.unwrap_or(0.0) - left_s)
        ));
    }
    if meter.class.is_none() {
        found.push(format!(
            "the site file gives meter `{}` no accuracy class, so the window can't pass",
            meter.name
        ));
    }
    if site.plants.is_empty() {
        found.push("the site file names no [[plant]], so no challenge can be measured against it".into());
    }
    found.extend(contradictions(&limit.rules));
    found.extend(limit.rules.iter().filter_map(|rule| no_margin(site, meter, profile, rule)));
    found.extend(too_small(site, meter, profile));
    found
}

/// The longest update and averaging time of the profile's powers, in s.
fn times_s(profile: &Profile) -> (f64, f64) {
    let power = profile.points.iter().filter(|point| {
        let quantity = Quantity::ActivePower;
        matches!(&point.key, PointKey::Of(key, _) if *key == quantity || *key == Quantity::ActivePowerExport)
    });
    let update = power.clone().map(|point| profile.update_of(point).seconds()).fold(0.0, f64::max);
    (update, power.map(|point| profile.averaging_of(point).seconds()).fold(0.0, f64::max))
}

/// How fast the export has to be back for a pass, in s, by the rule that leaves least: what the rule allows, less its mean,
/// the readings next to the excursion on either side, and the meter's own times, in which nobody knows. Nothing where every
/// rule is a ceiling.
pub fn back_within_s(site: &Site, profile: &Profile, every_s: f64) -> Option<f64> {
    let (update, averaging) = times_s(profile);
    let rules = &site.limit.as_ref()?.rules;
    let left = rules.iter().filter(|rule| rule.longest_s > 0.0);
    left.map(|rule| rule.longest_s - rule.averaging_s - 2.0 * every_s - update - averaging).reduce(f64::min)
}

/// The guard band around a rule's limit, in W: the expanded uncertainty of a total held there. Where the meter reports each
/// phase, the largest known load is taken to flow in on one and out on others (ours); else all the plants can do.
pub fn guard_w(site: &Site, meter: &Meter, profile: &Profile, level_w: f64) -> f64 {
    let phases = site.lines().iter();
    let reads = |phase: &Phase| profile.point(&PointKey::Of(Quantity::ActivePower, *phase)).is_some();
    let complete = site.phases == 1 || phases.filter(|phase| reads(phase)).count() == site.lines().len();
    // A load on one phase that plants on others feed flows out there and in here.
    let largest_w = site.loads.iter().map(|load| load.power_w).fold(0.1 * site.rated_w(), f64::max);
    let everywhere =
        site.plants.iter().all(|plant| plant.phases.is_empty() || plant.phases.len() == site.lines().len());
    let hidden_w = match (complete, site.phases, everywhere) {
        (true, 1, _) => 0.05 * site.rated_w(),
        (true, _, true) => largest_w * 4.0 / 3.0,
        (true, _, false) => largest_w * 2.0,
        (false, ..) => site.rated_w(),
    };
    let active_w = level_w + hidden_w;
    // As the check takes it where nobody reads the reactive power: it counts through the CTs' angle alone.
    let power = PhasePower { active_w, reactive_var: 0.33 * active_w, voltage_v: site.nominal_v };
    2.0 * Accuracy::of(meter, site.phases > 1).active_standard_w(power)
}

/// Rules that contradict themselves.
fn contradictions(rules: &[Rule]) -> impl Iterator<Item = String> {
    let bad = rules
        .iter()
        .enumerate()
        .filter(|(_, rule)| rule.longest_s > 0.0 && rule.averaging_s > rule.longest_s);
    bad.map(|(index, rule)| {
        let name = if rules.len() > 1 { format!("rule {}", index + 1) } else { "the rule".to_owned() };
        format!(
            "{name} averages over {} and allows {} above: a moment of export stands in the mean for longer than that; write \
             a short mean with an allowed time, or a long mean with longest_s = 0",
            seconds(rule.averaging_s),
            seconds(rule.longest_s)
        )
    })
}

/// A plant that holds exactly at its limit shows excursions of a metering error; only a band or an allowed time takes them.
fn no_margin(site: &Site, meter: &Meter, profile: &Profile, rule: &Rule) -> Option<String> {
    let level = rule.limit_w(site)?;
    let guard = guard_w(site, meter, profile, level);
    (rule.longest_s <= 0.0 && rule.tolerance_w < guard).then(|| {
        format!(
            "a plant that holds exactly at {} can't pass: the uncertainty there is some {}, the rule allows {} and no time \
             above; leave at least that margin",
            watts(level),
            watts(guard),
            watts(rule.tolerance_w)
        )
    })
}

/// Known loads none of which makes a challenge that counts, with a plant that holds a guard band below its limit.
fn too_small(site: &Site, meter: &Meter, profile: &Profile) -> Option<String> {
    let rules = &site.limit.as_ref()?.rules;
    let level =
        rules.iter().filter_map(|rule| Some(rule.limit_w(site)? + rule.tolerance_w)).reduce(f64::min)?;
    let largest =
        site.loads.iter().max_by(|a, b| a.power_w.total_cmp(&b.power_w)).filter(|load| load.power_w > 0.0)?;
    let guard = guard_w(site, meter, profile, level);
    let needed = (5.0 * guard).max(0.1 * site.rated_w()) + guard;
    (largest.power_w * (1.0 - largest.tolerance) <= needed).then(|| {
        format!(
            "the largest known load, {} with {}, is too small to count as a challenge: this plant and this meter need more than \
             some {}",
            largest.name,
            watts(largest.power_w),
            watts(needed / (1.0 - largest.tolerance))
        )
    })
}

/// What the site needs for a trial that counts, and the cautions that go with it.
pub fn preparation(site: &Site, meter: &Meter, profile: &Profile, every_s: Option<f64>) -> Vec<String> {
    let mut list = vec![
        "a load drop at full sun is a disturbance: have the network operator's consent, and a hand at the isolator".to_owned(),
        "the plant has to deliver more than the site needs: sun, and known loads to switch off".to_owned(),
    ];
    if site.has_storage() {
        list.push("the battery has to be full, or its charging off: a battery that can absorb the surplus hides the control".into());
    }
    let tight = site.limit.iter().flat_map(|limit| &limit.rules).filter(|rule| rule.longest_s > 0.0);
    let margins = tight.filter_map(|rule| {
        let level = rule.limit_w(site)?;
        Some(guard_w(site, meter, profile, level) - rule.tolerance_w)
    });
    if let Some(margin) = margins.reduce(f64::max).filter(|margin| *margin > 0.0) {
        list.push(format!(
            "the plant has to hold at least {} below the limit: closer to it, this meter can't show that it held",
            watts(margin)
        ));
    }
    if let Some(left_s) = back_within_s(site, profile, every_s.unwrap_or(0.0)).filter(|left_s| *left_s > 0.0)
    {
        list.push(format!(
            "for a pass the export has to be back within some {}: the rest of what the rules allow goes to the mean, the meter \
             and the time between readings",
            seconds(left_s)
        ));
    }
    if meter.role != MeterRole::Reference {
        list.push(format!(
            "`{}` is a {} meter: a pass needs its `ct` pass on this site (--ct DOCUMENT, or a verdict in these captures)",
            meter.name,
            meter.role.word()
        ));
    }
    let movable = site.loads.iter().any(|load| load.power_w > 0.0);
    if !movable {
        list.push(
            "the site file names no [[load]]: nothing will be asked for, so switch loads and note them"
                .into(),
        );
    }
    if site.lines().len() > 1 && !site.loads.iter().any(|load| load.phase.is_some()) {
        list.push(format!("say which phase each load is on, of {}", phases(site.lines())));
    }
    list
}

fn phases(lines: &[Phase]) -> String {
    lines.iter().map(|phase| phase.word()).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::{parse_profile, parse_site};

    fn site(more: &str) -> Site {
        let text = format!(
            "[[meter]]\nname = \"grid\"\nrole = \"reference\"\nclass = \"1\"\nprofile = \"x\"\nline = {{ serial = \"x\" }}\n\
             [[plant]]\nname = \"roof\"\nrated_W = 5000\n[limit]\n{more}"
        );
        parse_site("site.toml", &text).expect("a site").0
    }

    fn profile(update_ms: u32) -> Profile {
        let text = format!(
            "[profile]\nname = \"x\"\n[read]\nupdate_ms = {update_ms}\n[defaults]\ntype = \"i32\"\ntable = \"input\"\n\
             positive = \"import\"\n[points.active_power]\ntotal = {{ address = 0, signed = true }}\n"
        );
        parse_profile("x", &text).expect("a profile").0
    }

    #[test]
    fn what_cannot_pass_is_said_before_the_window() {
        let usual = site("[[limit.rule]]\nexport_W = 0\nlongest_s = 5\n");
        let meter = usual.meters[0].clone();
        assert_eq!(foresee(&usual, &meter, &profile(1000), Some(1.0)), Vec::<String>::new());
        assert!(foresee(&usual, &meter, &profile(3000), Some(1.0))[0].contains("renewed every"));
        assert!(foresee(&usual, &meter, &profile(1000), Some(3.0))[0].contains("one reading every"));
        let mut unknown = meter.clone();
        unknown.class = None;
        assert!(foresee(&usual, &unknown, &profile(1000), Some(1.0))[0].contains("accuracy class"));
        // A ceiling without a band: exactly at the limit no meter can show that it held.
        let ceiling = site("[[limit.rule]]\nexport_W = 3000\nlongest_s = 0\naveraging_s = 60\n");
        assert!(foresee(&ceiling, &meter, &profile(1000), Some(1.0))[0].contains("can't pass"));
    }

    #[test]
    fn rules_that_contradict_themselves_are_named() {
        let told = |rule: &str| {
            let site =
                site(&format!("window_s = 600\n[[limit.rule]]\nexport_W = 0\ntolerance_W = 400\n{rule}"));
            foresee(&site, &site.meters[0].clone(), &profile(1000), Some(1.0)).join("\n")
        };
        assert!(told("averaging_s = 60\nlongest_s = 20\n").contains("averages over 60 s and allows 20 s"));
        assert_eq!(told("averaging_s = 60\nlongest_s = 0\n"), "");
    }

    #[test]
    fn what_the_meter_leaves_of_the_time_allowed_is_said() {
        let site = site("[[limit.rule]]\nexport_W = 0\naveraging_s = 1.0\nlongest_s = 5\n");
        let meter = site.meters[0].clone();
        // 5 s less a mean of 1 s, two readings of 0.5 s and a renewal of 0.2 s.
        assert!((back_within_s(&site, &profile(200), 0.5).unwrap() - 2.8).abs() < 1e-9);
        let told = preparation(&site, &meter, &profile(200), Some(0.5)).join("\n");
        assert!(told.contains("back within some 2.8 s") && told.contains("W below the limit"), "{told}");
        let slow = foresee(&site, &meter, &profile(2200), Some(1.2)).join("\n");
        assert!(slow.contains("none can pass"), "{slow}");
    }

    #[test]
    fn loads_too_small_for_this_plant_and_meter_are_named() {
        let rules = "[[limit.rule]]\nexport_W = 0\nlongest_s = 5\n";
        let told = |power: &str| {
            let site =
                site(&format!("{rules}[[load]]\nname = \"kettle\"\npower_W = {power}\nphase = \"L1\"\n"));
            foresee(&site, &site.meters[0].clone(), &profile(1000), Some(1.0)).join("\n")
        };
        // Three phases by their total alone: class 1 of 5 kW, five times that, and a tenth of the tolerance.
        assert!(told("400").contains("kettle with 400 W, is too small"), "{}", told("400"));
        assert_eq!(told("2500"), "");
    }
}
