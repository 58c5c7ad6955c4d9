//! What can be said before the window starts: what can't pass, and what a real trial of the control needs.

use super::rules::{Bounds, limit_w};
use super::words::{seconds, watts};
use crate::base::{Phase, Quantity};
use crate::evidence::accuracy::{Accuracy, PhasePower};
use crate::profile::{Meter, MeterRole, Profile, Rule, Site};

/// What stands in the way of a pass with this site, meter and reading interval (`every_s`; nothing when only listening).
/// Each is a sentence; none means that a pass is possible.
pub fn foresee(site: &Site, meter: &Meter, profile: &Profile, every_s: Option<f64>) -> Vec<String> {
    let Some(limit) = &site.limit else { return vec!["the site file has no [[limit.rule]] to judge".into()] };
    let mut found = Vec::new();
    let needed = Bounds::of(&limit.rules).fast_s;
    let power = profile.points.iter().filter(|point| {
        matches!(
            &point.key,
            crate::base::PointKey::Of(Quantity::ActivePower | Quantity::ActivePowerExport, _)
        )
    });
    let update = power.clone().map(|point| profile.update_of(point).seconds()).fold(0.0, f64::max);
    let averaging = power.map(|point| profile.averaging_of(point).seconds()).fold(0.0, f64::max);
    let speeds = [
        ("one reading every", every_s.unwrap_or(0.0)),
        ("values renewed every", update),
        ("averaging over", averaging),
    ];
    for (what, value) in speeds {
        if value > needed {
            found.push(format!(
                "{what} {} is too slow for these rules: {} needed",
                seconds(value),
                seconds(needed)
            ));
        }
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
    found.extend(limit.rules.iter().filter_map(|rule| no_margin(site, meter, rule)));
    found
}

/// A plant that holds exactly at its limit shows excursions of a metering error; only a band or an allowed time takes them.
fn no_margin(site: &Site, meter: &Meter, rule: &Rule) -> Option<String> {
    let level = limit_w(rule, site)?;
    let accuracy = Accuracy::of(meter, true);
    let power = PhasePower {
        active_w: level.max(0.05 * site.rated_w()),
        reactive_var: 0.0,
        voltage_v: site.nominal_v,
    };
    let guard = 2.0 * accuracy.active_standard_w(power);
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

/// What the site needs for a trial that counts, and the cautions that go with it.
pub fn preparation(site: &Site, meter: &Meter) -> Vec<String> {
    let mut list = vec![
        "a load drop at full sun is a disturbance: have the network operator's consent, and a hand at the isolator".to_owned(),
        "the plant has to deliver more than the site needs: sun, and known loads to switch off".to_owned(),
    ];
    if site.has_storage() {
        list.push("the battery has to be full, or its charging off: a battery that can absorb the surplus hides the control".into());
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
}
