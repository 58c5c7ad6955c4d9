//! Readings beside another instrument, and the meter's settings as found and as left.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use super::Visit;
use super::steps::Done;
use crate::base::{Failure, Phase, PointKey, Span};
use crate::check::ct::{CtOptions, compared};
use crate::cli::live::{Live, Purpose, Step};
use crate::cli::remarks::{remarks, words};
use crate::cli::seen::value;
use crate::cli::source::load;
use crate::cli::subject::no_answer;
use crate::pipeline::{Overrides, replay};
use crate::report::table::{latest, reading};

/// How long the first reading may take, after the listening.
const FIRST: Span = Span::from_millis(15_000);

/// Shows a reading, then takes values off another instrument until Enter.
pub(super) fn readings(visit: &Visit<'_>, capture: &Path) -> Result<Done, Failure> {
    let out = visit.out;
    let set_up = visit.set_up()?;
    let lines = set_up.site.lines();
    let purpose = Purpose {
        name: "reading",
        evidence: true,
        meters: Vec::new(),
        cycles: None,
        settings: true,
        segments: None,
        keyboard: true,
    };
    let mut live = Live::begin(set_up, &visit.live(capture.to_owned()), purpose, out)?;
    let last = live.now() + visit.listen_first + FIRST;
    let mut shown = false;
    loop {
        let case = live.pipeline.so_far();
        let read = |meter: &crate::evidence::MeterCase| {
            meter.series.points.values().any(|one| !one.samples.is_empty())
        };
        if !shown && case.meters.iter().all(read) {
            shown = true;
            for meter in &case.meters {
                out.print(&format!("{}\n{}", meter.meter.name, reading(&meter.profile, &meter.series)));
                for remark in remarks(&case, meter) {
                    out.note(words(&remark, out).trim_end());
                    visit
                        .noted
                        .borrow_mut()
                        .push(format!("{}: {}; expected {}", meter.meter.name, remark.saw, remark.expected));
                }
            }
            out.error(">> Type what the clamp meter shows: L1 8.9A, L2 231V. Enter alone: done");
        }
        if !shown && live.now() > last {
            return Err(no_answer());
        }
        match live.next(live.now() + Span::from_millis(500), out)? {
            Step::Line(_) if !shown => out.error("nothing has been read yet"),
            Step::Line(text) if ["", "s", "done"].contains(&text.trim()) => break,
            Step::Line(text) if text.trim().eq_ignore_ascii_case("q") => {
                live.close()?;
                return Ok(Done::Leave);
            }
            Step::Line(text) => match value(&text) {
                None => out.error(&format!("`{}`? A value with its unit, or Enter alone", text.trim())),
                Some(Err(why)) => out.error(&why),
                Some(Ok(value)) if value.phase().is_none() && lines.len() > 1 => {
                    out.error("on which phase? L1 8.9A");
                }
                Some(Ok(value)) => {
                    let mark = value.mark(live.now(), Phase::L1);
                    live.mark(mark.clone());
                    let words = compared(&live.pipeline.so_far(), &CtOptions::default(), &mark);
                    match words {
                        Some(words) => visit.note_down(&words),
                        None => visit.note_down(&mark.message),
                    }
                }
            },
            Step::Interrupt => {
                live.close()?;
                return Ok(Done::Leave);
            }
            Step::InputEnd if !shown => {
                live.close()?;
                return Ok(Done::Leave);
            }
            Step::InputEnd => break,
            Step::Records(_) | Step::Tick | Step::Done => {}
        }
    }
    live.close()?;
    Ok(Done::Settled)
}

/// What each meter of a capture is set to, by the settings its profile names; nothing where one was not read.
type Settings = BTreeMap<(String, PointKey), Option<f64>>;

fn settings(capture: &Path) -> Result<Settings, Failure> {
    let overrides = Overrides::default();
    let loaded = load(&[capture.to_owned()], &overrides)?;
    let case = replay(&loaded.lines, &loaded.records, &overrides)?.case;
    let mut found = Settings::new();
    for meter in &case.meters {
        let known = latest(&meter.series);
        for point in &meter.profile.settings {
            let value = known.get(&point.key).map(|sample| sample.value);
            found.insert((meter.meter.name.clone(), point.key.clone()), value);
        }
    }
    Ok(found)
}

/// Says which settings differ between the readings at the start of the visit and the last. As found is what the first
/// reading that got one says: what came after may have been changed already.
pub(super) fn as_left(visit: &Visit<'_>, readings: &[PathBuf], left: &Path) -> Result<(), Failure> {
    let mut found = Settings::new();
    for capture in readings {
        for (key, value) in settings(capture)? {
            let known = found.entry(key).or_default();
            *known = known.or(value);
        }
    }
    for line in told(&found, &settings(left)?) {
        visit.note_down(&line);
    }
    Ok(())
}

fn told(found: &Settings, left: &Settings) -> Vec<String> {
    let keys: BTreeSet<&(String, PointKey)> = found.keys().chain(left.keys()).collect();
    if keys.is_empty() {
        return vec!["The profile names no settings to compare.".to_owned()];
    }
    let of = |all: &Settings, key: &(String, PointKey)| all.get(key).copied().flatten();
    let line = |key: &(String, PointKey)| {
        let words = match (of(found, key), of(left, key)) {
            (Some(before), Some(now)) if before == now => format!("{now} as found"),
            (Some(before), Some(now)) => format!("CHANGED: {before} as found, {now} as left"),
            (None, Some(now)) => format!("{now} as left; not read at the start"),
            (Some(before), None) => format!("NOT READ as left; {before} as found"),
            (None, None) => "not read, neither as found nor as left".to_owned(),
        };
        format!("{}  {}  {words}", key.0, key.1)
    };
    keys.into_iter().map(line).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_setting_that_was_not_read_is_named_and_never_taken_for_unchanged() {
        let key = |name: &str| ("connection".to_owned(), PointKey::Setting(name.to_owned()));
        let of = |values: [Option<f64>; 2]| -> Settings {
            [key("ct_ratio"), key("wiring")].into_iter().zip(values).collect()
        };
        let lines = |found, left| told(&of(found), &of(left)).join("\n");
        assert!(lines([Some(40.0), None], [Some(40.0), None]).contains("40 as found"));
        assert!(lines([Some(40.0), None], [Some(40.0), None]).contains("neither as found nor as left"));
        assert!(lines([Some(40.0), None], [None, Some(1.0)]).contains("NOT READ as left; 40 as found"));
        assert!(lines([Some(40.0), None], [None, Some(1.0)]).contains("1 as left; not read at the start"));
        assert!(lines([Some(40.0), None], [Some(4.0), None]).contains("CHANGED: 40 as found, 4 as left"));
        assert_eq!(told(&Settings::new(), &Settings::new()), ["The profile names no settings to compare."]);
    }
}
