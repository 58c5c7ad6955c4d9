//! Beside the meter's powers: values read off another instrument (`seen` marks) and the meter's own settings.

use super::body::CtFault;
use super::decide::{Decision, Why};
use super::measure::Bench;
use super::tell::number;
use crate::base::{Phase, PointKey};
use crate::evidence::Case;
use crate::reading::judge_settings;
use crate::record::{Mark, MarkKind};

/// Sentences on every value read off another instrument, with what the meter said at that time.
pub(super) fn read_off(case: &Case, bench: &Bench<'_>) -> Vec<String> {
    case.marks
        .iter()
        .filter(|mark| mark.kind == MarkKind::Seen && mark.plant.is_none())
        .filter_map(|mark| one(bench, mark))
        .collect()
}

fn one(bench: &Bench<'_>, mark: &Mark) -> Option<String> {
    let stated = number(mark.value.as_deref()?)?;
    let quantity = mark.quantity.as_deref().unwrap_or("value").replace('_', " ");
    let phase = mark.phase.as_deref().and_then(Phase::parse);
    let place = phase.map_or_else(String::new, |phase| format!(" on {phase}"));
    let at = mark.at.seconds_since(bench.origin);
    let of = |channel: &&crate::evidence::channel::Channel| phase.is_none_or(|phase| channel.phase == phase);
    let channel = bench.channels.iter().find(of)?;
    let near = |trace: &crate::evidence::trace::Trace| {
        let index = trace.last_by(at + bench.board.period_s)?;
        (at - trace.times[index] < 5.0 * bench.board.period_s).then(|| trace.values[index])
    };
    let power = near(&channel.active);
    let ours = if quantity.contains("current") {
        channel.current.as_ref().and_then(near).map(|amps| format!("{amps:.2} A")).or_else(|| {
            power.map(|watts| {
                format!("{:.2} A by its power at nominal voltage", watts / bench.site.nominal_v.max(1.0))
            })
        })
    } else {
        power.map(|watts| format!("{watts:.0} W"))
    };
    let ours = ours.map_or_else(
        || "the meter gave no value then".to_owned(),
        |ours| format!("channel {} of the meter had {ours}", channel.phase),
    );
    Some(format!("Read off another instrument: {quantity} {stated}{place}; {ours}."))
}

/// The meter's own settings: what contradicts the site file or changed meanwhile, and whether one changed.
pub(super) fn settings(bench: &Bench<'_>) -> (Vec<String>, bool) {
    let meter = bench.meter;
    let remarks = judge_settings(&meter.profile, &meter.meter, &meter.series);
    let told =
        remarks.iter().map(|remark| sentence(&format!("{}; expected {}", remark.saw, remark.expected)));
    let changed = meter.profile.settings.iter().any(|point| {
        let samples = meter.series.points.get(&point.key).map_or(&[][..], |series| &series.samples);
        samples.iter().any(|sample| sample.value != samples[0].value)
    });
    (told.collect(), changed)
}

/// A remark as a sentence.
fn sentence(text: &str) -> String {
    if let Some(rest) = text.strip_prefix("settings.") {
        return format!("The meter's {rest}.");
    }
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| format!("{}{}.", first.to_uppercase(), letters.as_str()))
}

/// The ratio that would fit, where the meter says what it is set to and a channel reads a wrong share of the load.
pub(super) fn fitting_ratio(bench: &Bench<'_>, decisions: &[Decision]) -> Option<String> {
    let series = bench.meter.series.points.get(&PointKey::Setting("ct_ratio".to_owned()))?;
    let set = series.samples.last()?.value;
    let off = |decision: &&Decision| {
        decision.faults.contains(&CtFault::WrongRatio) || decision.why == Why::CommonFactor
    };
    let (gain, _) = decisions.iter().find(off)?.gain?;
    (set > 0.0 && gain > 0.0).then(|| {
        format!(
            "The meter is set to a CT ratio of {set}; what it reads of the load would fit a CT of about {:.0}. Compare with the CT's plate.",
            set / gain
        )
    })
}
