//! Doubts about CTs from the long view: voltage that rises when a channel's power rises, voltage of another line that falls
//! with it, export at night with import that follows the sun. Doubts, never a verdict: `ct` switches a known load.

use std::collections::BTreeMap;

use super::body::CtDoubt;
use crate::base::Phase;
use crate::base::zone::Zone;
use crate::evidence::long::{Long, impedance, tick_start};

/// A channel's current shows on another line where that falls by this many times what the own line does.
const OTHER_TIMES: f64 = 3.0;

/// A resistance smaller than this, in ohm, is none to speak of.
const LEAST_OHM: f64 = 0.02;

/// Export at night below this is no export, in W (ours).
const NIGHT_W: f64 = 50.0;

/// Nights that must show it, and the share of all nights.
const LEAST_NIGHTS: usize = 2;
const NIGHTS: f64 = 0.8;

/// Every doubt, of the main meter and of the one the plant steers by.
pub(super) fn doubts(long: &Long) -> Vec<CtDoubt> {
    let mut found = Vec::new();
    let meters = std::iter::once(long.plan.main).chain(long.plan.steering);
    for (place, meter) in meters.enumerate() {
        let name = &long.plan.site.meters[meter].name;
        let mut channels: Vec<(&'static str, &'static str, Vec<String>)> = Vec::new();
        let mut note = |channel: &'static str, doubt: &'static str, text: String| match channels
            .iter_mut()
            .find(|(known, kind, _)| (*known, *kind) == (channel, doubt))
        {
            Some((.., texts)) => texts.push(text),
            None => channels.push((channel, doubt, vec![text])),
        };
        for (line, phase) in long.plan.site.lines().iter().enumerate() {
            let steps = long.meters[meter].steps[line].clone().largest();
            if let Some((doubt, text)) = by_voltage(&steps, line, long.plan.site.lines()) {
                note(phase.word(), doubt, text);
            }
        }
        let lines = long.plan.site.lines().iter().enumerate().map(|(line, phase)| (line, *phase));
        let all: Vec<(usize, Phase)> = lines.chain([(3, Phase::Total)]).collect();
        let mut any_line = false;
        for (line, phase) in all {
            if phase == Phase::Total && any_line {
                continue;
            }
            if let Some(text) = by_night(long, place, line) {
                any_line = true;
                note(phase.word(), "reversed", text);
            }
        }
        found.extend(channels.into_iter().map(|(channel, doubt, texts)| CtDoubt {
            meter: name.clone(),
            channel,
            doubt,
            evidence: texts.join("; "),
        }));
    }
    found
}

fn by_voltage(steps: &[impedance::Step], line: usize, lines: &[Phase]) -> Option<(&'static str, String)> {
    let (own, own_u) = impedance::seen_on(steps, line)?;
    let count = steps.len();
    if own + own_u < -LEAST_OHM {
        let text = format!(
            "its voltage rises by {:.2} V for each A more it says is drawn ({count} steps); a supply makes it fall",
            -own
        );
        return Some(("reversed", text));
    }
    for (other, phase) in lines.iter().enumerate().filter(|(other, _)| *other != line) {
        let (seen, seen_u) = impedance::seen_on(steps, other)?;
        if seen.abs() - seen_u > LEAST_OHM.max(OTHER_TIMES * (own.abs() + own_u)) && seen > 0.0 {
            let text = format!(
                "when its power steps, the voltage of {phase} moves ({seen:.2} V for each A), its own does not \
                 ({own:.2}; {count} steps)"
            );
            return Some(("other-phase", text));
        }
    }
    None
}

/// Export in the small hours, most nights, and import that follows the sun. With a battery nights say nothing.
fn by_night(long: &Long, place: usize, line: usize) -> Option<String> {
    if long.plan.site.has_storage() || long.plan.site.plants.is_empty() {
        return None;
    }
    let zone = Zone::named(&long.plan.site.time_zone).unwrap_or_default();
    // (sum, count) of the night (0 to 4 h) and of midday (11 to 15 h) of each day.
    let mut days: BTreeMap<String, [(f64, f64); 2]> = BTreeMap::new();
    for row in &long.rows {
        let Some(mean) = row.mean_w[place][line] else { continue };
        let local = zone.local(tick_start(row.tick));
        let hour: u32 = local.time.get(..2).and_then(|hour| hour.parse().ok()).unwrap_or(12);
        let part = match hour {
            0..=3 => 0,
            11..=14 => 1,
            _ => continue,
        };
        let day = days.entry(local.date).or_default();
        day[part] = (day[part].0 + mean, day[part].1 + 1.0);
    }
    let means = |part: usize| {
        days.values().filter(move |day| day[part].1 >= 6.0).map(move |day| day[part].0 / day[part].1)
    };
    let nights: Vec<f64> = means(0).collect();
    let exporting = nights.iter().filter(|mean| **mean < -NIGHT_W).count();
    let midday: Vec<f64> = means(1).collect();
    if exporting < LEAST_NIGHTS || (exporting as f64) < NIGHTS * nights.len() as f64 || midday.is_empty() {
        return None;
    }
    let (night, noon) = (crate::base::uncertain::mean(&nights), crate::base::uncertain::mean(&midday));
    (noon > night + NIGHT_W).then(|| {
        format!(
            "it shows {:.0} W of export from midnight to four in {exporting} of {} nights, and {:.0} W more import at \
             midday",
            -night,
            nights.len(),
            noon - night
        )
    })
}
