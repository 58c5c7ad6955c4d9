//! What shows only when a site file and its profiles lie side by side.

use std::borrow::Cow;
use std::ops::Range;

use super::site::{meter_place, nominal_default, placement_lines};
use super::walk::Desk;
use crate::base::{Faults, Phase, PointKey, Quantity};
use crate::profile::{Door, Meter, MeterRole, Per, Profile, RuleLimit, Site, SiteRatio, Source};

/// Fills in what the site file leaves to the profiles of its meters.
///
/// `phases`: the highest line that a meter's profile, a load or a plant names. Where nothing names a line (a meter with
/// a total only), three stay assumed: a check then asks for a step on each, and can't pass with a phase untested.
pub fn resolve(site: &mut Site, profiles: &[Profile]) {
    if !site.stated.phases {
        let lines_of = |key: &PointKey| -> &'static [Phase] {
            match key {
                PointKey::Of(_, phase) => lines(*phase),
                _ => &[],
            }
        };
        let points =
            profiles.iter().flat_map(|profile| &profile.points).flat_map(|point| lines_of(&point.key));
        let loads = site.loads.iter().filter_map(|load| load.phase).flat_map(placement_lines);
        let plants = site.plants.iter().flat_map(|plant| plant.phases.iter().copied());
        let highest = points.chain(loads).copied().chain(plants).filter_map(Phase::line_index).max();
        if let Some(highest) = highest {
            site.phases = highest as u8 + 1;
        }
    }
    if !site.stated.nominal {
        site.nominal_v = nominal_default(site.phases, site.network);
    }
}

/// The line conductors a phase name touches.
const fn lines(phase: Phase) -> &'static [Phase] {
    match phase {
        Phase::L1 => &[Phase::L1],
        Phase::L2 => &[Phase::L2],
        Phase::L3 => &[Phase::L3],
        Phase::L1L2 => &[Phase::L1, Phase::L2],
        Phase::L2L3 => &[Phase::L2, Phase::L3],
        Phase::L3L1 => &[Phase::L3, Phase::L1],
        Phase::N | Phase::Total => &[],
    }
}

/// The profile as a site with these lines uses it: without points of phases the site does not have, and without them in
/// its sums.
pub fn narrow<'p>(profile: &'p Profile, site_lines: &[Phase]) -> Cow<'p, Profile> {
    let has = |key: &PointKey| match key {
        PointKey::Of(_, phase) => lines(*phase).iter().all(|line| site_lines.contains(line)),
        _ => true,
    };
    let whole = profile.points.iter().all(|point| {
        has(&point.key)
            && match &point.source {
                Source::Sum(parts) => parts.iter().all(has),
                Source::Registers { .. } => true,
            }
    });
    if whole {
        return Cow::Borrowed(profile);
    }
    let mut narrowed = profile.clone();
    narrowed.points.retain(|point| has(&point.key));
    for point in &mut narrowed.points {
        if let Source::Sum(parts) = &mut point.source {
            parts.retain(has);
        }
    }
    narrowed.points.retain(|point| !matches!(&point.source, Source::Sum(parts) if parts.is_empty()));
    Cow::Owned(narrowed)
}

/// Where a key of the meter of this index stands in a site's text: for faults that show only beside other files.
pub fn place_in_site(text: &str, index: usize, key: &str) -> Range<usize> {
    let (mut desk, root) = Desk::open("", text, &[]);
    meter_place(&mut desk, &root, index, key)
}

/// Faults that need both files: the site (read from `site_file`, resolved) and the profile of its meter `index`. They
/// point into the site file.
pub fn check_pair(site_file: &str, site: &Site, index: usize, profile: &Profile) -> Faults {
    let (mut desk, root) = Desk::open(site_file, &site.text, &[]);
    // What is wrong with the site file alone has been said.
    let whole = |desk: &mut Desk, key: &str| -> Range<usize> { meter_place(desk, &root, index, key) };
    let Some(meter) = site.meters.get(index) else { return Faults::new(site_file, site.text.as_str()) };
    let mut found: Vec<(bool, Range<usize>, String, String)> = Vec::new();
    let multiplies = |ratio: SiteRatio| {
        profile.points.iter().chain(&profile.settings).find(|point| point.multiply.contains(&ratio))
    };
    for (ratio, value, key) in
        [(SiteRatio::Ct, meter.ct_ratio, "ct_ratio"), (SiteRatio::Vt, meter.vt_ratio, "vt_ratio")]
    {
        match (multiplies(ratio), value) {
            (Some(point), None) => found.push((
                true,
                whole(&mut desk, "profile"),
                format!("the profile multiplies {} by `{key}`, and the meter `{}` has none", point.key, meter.name),
                format!("add `{key} = …` to this meter, primary over secondary: 200 A to 5 A is 40"),
            )),
            (None, Some(_)) => found.push((
                false,
                whole(&mut desk, key),
                format!("`{key}` is used nowhere: the profile of `{}` multiplies nothing by it", meter.name),
                format!(
                    "leave it out if the meter has the ratio set in itself; else add `multiply = [\"{key}\"]` to the \
                     points of the profile that need it"
                ),
            )),
            _ => {}
        }
    }
    let has = |quantity, phase| profile.points.iter().any(|point| point.key == PointKey::Of(quantity, phase));
    let power = |phase| has(Quantity::ActivePower, phase) || has(Quantity::ActivePowerImport, phase);
    let blind: Vec<&str> =
        site.lines().iter().filter(|phase| !power(**phase)).map(|phase| phase.word()).collect();
    let judged = matches!(meter.role, MeterRole::Reference | MeterRole::Steering);
    let any = site.lines().iter().any(|phase| power(*phase));
    if judged && any && !blind.is_empty() && !power(Phase::Total) {
        found.push((
            false,
            whole(&mut desk, "profile"),
            format!("the site has {} phases, and this profile no power of {}", site.phases, blind.join(", ")),
            "a check of this meter can't pass; correct `phases` under [site], or add the points".to_owned(),
        ));
    }
    if judged && !any && power(Phase::Total) && !site.stated.phases {
        found.push((
            false,
            whole(&mut desk, "profile"),
            format!("this profile has only a total, and nothing says how many phases the site has: {} are assumed", site.phases),
            "add `[site]` with `phases = 1` if it is a single-phase site; every phase needs a load step".to_owned(),
        ));
    }
    rules(site, judged, &power, &has, &mut |message, mend| {
        found.push((false, whole(&mut desk, "profile"), message, mend));
    });
    let mut faults = Faults::new(site_file, site.text.as_str());
    for (error, span, message, mend) in found {
        if error { faults.error(span, message, mend) } else { faults.warning(span, message, mend) }
    }
    faults.sort();
    faults
}

/// What shows only when all meters of a site are known: two of them behind one address, or one line at two speeds. `profiles`
/// are those of the meters, in their order.
pub fn check_lines(site_file: &str, site: &Site, profiles: &[Profile]) -> Faults {
    let (mut desk, root) = Desk::open(site_file, &site.text, &[]);
    let mut faults = Faults::new(site_file, site.text.as_str());
    let meters: Vec<_> = site.meters.iter().zip(profiles).enumerate().collect();
    for (index, (meter, profile)) in &meters {
        let same =
            |other: &&(usize, (&Meter, &Profile))| other.0 < *index && other.1.0.line.door == meter.line.door;
        for (_, (other, others)) in meters.iter().filter(same) {
            let unit = meter.unit.unwrap_or(profile.unit);
            if unit == other.unit.unwrap_or(others.unit) {
                let place = meter_place(&mut desk, &root, *index, "unit");
                let message = format!(
                    "`{}` and `{}` are both unit {unit} on {}",
                    other.name,
                    meter.name,
                    meter.line.door.name()
                );
                let mend = "give each its own `unit`; where one meter has both, leave it";
                faults.warning(place, message, mend);
            }
            let (own, theirs) = (meter.line.settings(profile.line), other.line.settings(others.line));
            if own != theirs && matches!(meter.line.door, Door::Serial(_)) {
                let place = meter_place(&mut desk, &root, *index, "line");
                let message = format!(
                    "{} at {own} for `{}` and at {theirs} for `{}`",
                    meter.line.door.name(),
                    meter.name,
                    other.name
                );
                let mend = "a line has one speed: set both meters alike, and write it here as `baud`, `parity` and `stop_bits`";
                faults.warning(place, message, mend);
            }
        }
    }
    faults.sort();
    faults
}

/// Rules that this profile can't serve.
fn rules(
    site: &Site,
    judged: bool,
    power: &impl Fn(Phase) -> bool,
    has: &impl Fn(Quantity, Phase) -> bool,
    warn: &mut impl FnMut(String, String),
) {
    let Some(limit) = site.limit.as_ref().filter(|_| judged) else { return };
    let by_phase = limit.rules.iter().any(|rule| rule.per == Per::Phase);
    if by_phase && !site.lines().iter().all(|phase| power(*phase)) {
        warn(
            "a rule holds for each phase, and this profile lacks the power of some".to_owned(),
            "the rule stays open with this meter; add the points by phase if it has them".to_owned(),
        );
    }
    let in_amps = limit.rules.iter().any(|rule| matches!(rule.limit, RuleLimit::Amps(_)));
    let voltages = site.lines().iter().all(|phase| has(Quantity::Voltage, *phase));
    if in_amps && !voltages {
        warn(
            "a rule limits the current, and this profile has no voltage to make it from the power".to_owned(),
            "add [points.voltage] if the meter has it".to_owned(),
        );
    }
}
