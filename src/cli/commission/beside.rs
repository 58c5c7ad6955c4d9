//! Readings beside another instrument, and the meter's settings as found and as left.

use std::collections::BTreeMap;
use std::path::Path;

use super::Visit;
use super::steps::Done;
use crate::base::{Failure, Phase, PointKey, Span};
use crate::check::ct::{CtOptions, compared};
use crate::cli::live::{Live, Purpose, Step};
use crate::cli::remarks::{remarks, words};
use crate::cli::seen::value;
use crate::cli::source::load;
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
                }
            }
            out.error(">> Type what the clamp meter shows: L1 8.9A, L2 231V. Enter alone: done");
        }
        if !shown && live.now() > last {
            return Err(Failure::nothing("no meter answered")
                .hint("`wattward find` looks for meters and their settings; check the unit address and the polarity of the pair"));
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
                    out.note(words.as_deref().unwrap_or("Kept."));
                }
            },
            Step::Interrupt => {
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

/// What the meter is set to in a capture, by meter and point.
fn settings(capture: &Path) -> Result<BTreeMap<(String, PointKey), f64>, Failure> {
    let overrides = Overrides::default();
    let loaded = load(&[capture.to_owned()], &overrides)?;
    let case = replay(&loaded.lines, &loaded.records, &overrides)?.case;
    let mut found = BTreeMap::new();
    for meter in &case.meters {
        let known = latest(&meter.series);
        for point in &meter.profile.settings {
            if let Some(sample) = known.get(&point.key) {
                found.insert((meter.meter.name.clone(), point.key.clone()), sample.value);
            }
        }
    }
    Ok(found)
}

/// Says which settings differ between the first reading and the last.
pub(super) fn as_left(visit: &Visit<'_>, found: Option<&Path>, left: &Path) -> Result<(), Failure> {
    let left = settings(left)?;
    let found = found.map(settings).transpose()?.unwrap_or_default();
    if left.is_empty() {
        visit.out.note("The profile names no settings to compare.");
    }
    for ((meter, key), now) in left {
        let words = match found.get(&(meter.clone(), key.clone())) {
            Some(before) if *before == now => format!("{now} as found"),
            Some(before) => format!("CHANGED: {before} as found, {now} as left"),
            None => format!("{now} as left"),
        };
        visit.out.note(&format!("{meter}  {key}  {words}"));
    }
    Ok(())
}
