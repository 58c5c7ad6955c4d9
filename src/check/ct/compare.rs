//! Beside the meter's powers: values read off another instrument (`seen` marks) and the meter's own settings.

use super::body::CtFault;
use super::decide::{Decision, Weighed, Why};
use super::measure::{Bench, Measured};
use super::tell::number;
use crate::base::{Phase, PointKey, Span, Stamp};
use crate::evidence::Case;
use crate::evidence::trace::Trace;
use crate::reading::{judge_settings, unread_settings};
use crate::record::{Mark, MarkKind};

/// A value off another instrument agrees with the meter within this factor, or these amounts in A, W or V (ours: a clamp meter
/// of a few percent, read while the house goes on).
const AGREES: f64 = 1.1;
const LITTLE_A: f64 = 0.3;
const LITTLE_W: f64 = 60.0;
const LITTLE_V: f64 = 4.0;
/// Beyond this factor (that of a wrong ratio) and this many times the amounts it contradicts the meter.
const CONTRADICTS: f64 = 1.25;
const MUCH: f64 = 3.0;

/// A value read off another instrument beside what the meter said at that time.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Compared {
    /// What was compared.
    pub sentence: String,
    /// The current of a conductor that the meter does not show: no pass while that stands.
    pub contradicts: bool,
    key: (String, Option<Phase>),
}

/// Every value read off another instrument; of several of one quantity on one phase only the last may contradict.
pub(super) fn read_off(case: &Case, bench: &Bench<'_>, loads: &[&Measured]) -> Vec<Compared> {
    let mut list: Vec<Compared> = Vec::new();
    for mark in case.marks.iter().filter(|mark| mark.kind == MarkKind::Seen && mark.plant.is_none()) {
        if let Some(compared) = compare(bench, mark, loads) {
            for earlier in list.iter_mut().filter(|earlier| earlier.key == compared.key) {
                earlier.contradicts = false;
            }
            list.push(compared);
        }
    }
    list
}

/// One value beside what the meter said then: its channel, or the load alone (a clamp around the load's own lead).
pub(super) fn compare(bench: &Bench<'_>, mark: &Mark, loads: &[&Measured]) -> Option<Compared> {
    let stated = number(mark.value.as_deref()?)?;
    let word = mark.quantity.as_deref().unwrap_or("value").replace('_', " ");
    let (unit, little) = match word.as_str() {
        word if word.contains("current") => ("A", LITTLE_A),
        word if word.contains("voltage") => ("V", LITTLE_V),
        _ => ("W", LITTLE_W),
    };
    let phase = mark.phase.as_deref().and_then(Phase::parse);
    let place = phase.map_or_else(String::new, |phase| format!(" on {phase}"));
    let lead = format!("Read off another instrument: {word} {stated} {unit}{place}");
    let key = (word, phase);
    let told = |text: String| Some(Compared { sentence: text, contradicts: false, key: key.clone() });
    let at = mark.at.seconds_since(bench.origin);
    let near = |trace: &Trace| {
        let index = trace.last_by(at + bench.board.period_s)?;
        (at - trace.times[index] < 5.0 * bench.board.period_s).then(|| trace.values[index])
    };
    let line = phase.and_then(Phase::line_index);
    let volts = line.and_then(|line| bench.voltages.get(line)?.as_ref()).and_then(near);
    let channel = bench.channels.iter().position(|channel| phase.is_none_or(|phase| channel.phase == phase));
    let power = channel.and_then(|index| near(&bench.channels[index].active));
    let per_volt = 1.0 / volts.unwrap_or(bench.site.nominal_v).max(1.0);
    let amps = || {
        let about = &bench.channels[channel?];
        let apparent = || {
            let reactive = about.reactive.as_ref().and_then(near).unwrap_or(0.0);
            Some(libm::hypot(power?, reactive) * per_volt)
        };
        about.current.as_ref().and_then(near).map(f64::abs).or_else(apparent)
    };
    let ours = match unit {
        "A" => amps(),
        "V" => volts,
        _ => power,
    };
    let Some(ours) = ours else {
        return told(format!("{lead}; the meter gave no value then."));
    };
    let number =
        |value: f64| if unit == "A" { format!("{value:.2} A") } else { format!("{value:.0} {unit}") };
    let within = |value: f64, factor: f64, little: f64| {
        // A clamp meter's current has no sign; a power has, and import is no export.
        let value = if unit == "A" { value.abs() } else { value };
        let (one, other) = (stated.abs(), value.abs());
        (stated - value).abs() <= little || stated * value > 0.0 && one.max(other) <= factor * one.min(other)
    };
    // The step of the load on that phase, in the value's own unit.
    let steps =
        loads.iter().filter(|one| one.test.placement.and_then(|place| Phase::parse(place.word())) == phase);
    let steps = steps.filter_map(|one| one.responses.get(channel?)?.as_ref());
    let steps: Vec<f64> = steps
        .map(|response| {
            let reactive = response.reactive.unwrap_or_default().value;
            if unit == "A" {
                libm::hypot(response.active.value, reactive) * per_volt
            } else {
                response.active.value
            }
        })
        .collect();
    let meter = format!("the meter had {}", number(ours));
    if within(ours, AGREES, little) {
        return told(format!("{lead}; {meter}: they agree."));
    }
    if let Some(step) = steps.iter().find(|step| unit != "V" && within(**step, AGREES, little)) {
        return told(format!("{lead}; {meter}, {} of it the load's: that agrees.", number(step.abs())));
    }
    let near_either = within(ours, CONTRADICTS, MUCH * little)
        || steps.iter().any(|step| within(*step, CONTRADICTS, MUCH * little));
    let contradicts = unit == "A" && !near_either;
    let share = if unit != "A" && stated * ours < 0.0 {
        "of the opposite sign".to_owned()
    } else {
        format!("{:.2} of it", ours.abs() / stated.abs().max(1e-9))
    };
    Some(Compared { sentence: format!("{lead}; {meter}, {share}: they do not agree."), contradicts, key })
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

/// Settings that nobody read before the first switching and after the last one: each that was asked for forbids a pass, with
/// what would settle it; the others are said. `end` is that of the record; nothing while the check runs.
pub(super) fn unread(
    bench: &Bench<'_>,
    tests: &[Weighed<'_>],
    end: Option<Stamp>,
) -> (Vec<(String, String)>, Vec<String>) {
    let meter = bench.meter;
    let spans = || tests.iter().map(|test| test.measured.test.span_s());
    let at = |seconds| bench.origin + Span::from_seconds(seconds);
    let Some(first) = spans().map(|span| span.0).reduce(f64::min) else { return Default::default() };
    let last = spans().fold(first, |last, span| last.max(span.1));
    let unread = unread_settings(&meter.profile, &meter.series, at(first), end.map(|_| at(last)));
    let (asked, never): (Vec<_>, Vec<_>) = unread.into_iter().partition(|one| one.asked);
    let forbids = asked.iter().map(|one| {
        let why = format!("The meter's {}: whether it stayed what it was is not known.", one.missing);
        (why, "Let the check end by itself with the line sound, so that the settings are read again; or test again.".to_owned())
    });
    let said = never.iter().map(|one| format!("The meter's {}.", one.missing));
    (forbids.collect(), said.collect())
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
