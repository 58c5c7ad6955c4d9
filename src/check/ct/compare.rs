//! Beside the meter: values read off another instrument (`seen` marks) and the ratio set in the meter itself.

use super::measure::Bench;
use super::tell::number;
use crate::base::{Phase, PointKey};
use crate::evidence::Case;
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

/// The meter's own ratio against the site file.
pub(super) fn settings(bench: &Bench<'_>) -> Vec<String> {
    let meter = bench.meter;
    let Some(series) = meter.series.points.get(&PointKey::Setting("ct_ratio".to_owned())) else {
        return Vec::new();
    };
    let values: Vec<f64> = series.samples.iter().map(|sample| sample.value).collect();
    let (Some(first), Some(last)) = (values.first(), values.last()) else { return Vec::new() };
    let mut list = Vec::new();
    if first != last {
        list.push(format!("The meter's CT ratio changed from {first} to {last} during the check."));
    }
    if let Some(ratio) = meter.meter.ct_ratio.filter(|ratio| (ratio - last).abs() > 1e-6 * ratio.abs()) {
        list.push(format!("The meter is set to a CT ratio of {last}, the site file says {ratio}."));
    }
    list
}
