//! A part of a capture. A question and what came of it stay together, so that parts laid end to end are the whole again.

use super::part::Parts;
use crate::base::Stamp;
use crate::pipeline::{CheckRun, check_runs};
use crate::record::{Mark, MarkKind, Record, Role};

/// The records of a part, from the first instant on, the last not included; they must stand in time order. Beside what
/// happened then it holds what says how things stood: the site and its profiles, the starts of the checks it lies in, the
/// clock, and marks still in force. Verdicts of checks that are not wholly in it are left out.
pub fn cut(records: &[Record], from: Stamp, to: Stamp) -> Vec<Record> {
    let marks: Vec<Mark> = marks(records).cloned().collect();
    let ends = records.iter().filter(|record| !is_verdict(record)).map(Record::at);
    let span = ends.clone().min().zip(ends.max());
    let runs = check_runs(&marks, span);
    let standing = standing(&marks, from);
    let mut places = marks.iter().enumerate();
    let mut asked: Vec<Option<Stamp>> = Vec::new();
    let mut part = Vec::new();
    for record in records {
        if let Record::Mark(mark) = record {
            let place = places.next().map_or(0, |(place, _)| place);
            part.extend(
                kept(mark, &runs, (from, to), standing.contains(&place))
                    .map(|mark| Record::Mark(Box::new(mark))),
            );
            continue;
        }
        let line = usize::from(record.line().unwrap_or(0));
        if asked.len() <= line {
            asked.resize(line + 1, None);
        }
        if matches!(record, Record::Frame(frame) if frame.role == Role::Request) {
            asked[line] = Some(record.at());
        }
        let at = asked[line].unwrap_or(record.at());
        if (from..to).contains(&at) {
            part.push(record.clone());
        }
    }
    part
}

fn marks(records: &[Record]) -> impl Iterator<Item = &Mark> {
    records.iter().filter_map(|record| match record {
        Record::Mark(mark) => Some(&**mark),
        _ => None,
    })
}

fn is_verdict(record: &Record) -> bool {
    matches!(record, Record::Mark(mark) if mark.kind == MarkKind::Verdict)
}

/// The mark as it stands in the part, if it does.
fn kept(mark: &Mark, runs: &[CheckRun], (from, to): (Stamp, Stamp), stands: bool) -> Option<Mark> {
    let inside = (from..to).contains(&mark.at);
    let whole = |run: &CheckRun| run.from >= from && run.to < to;
    match mark.kind {
        MarkKind::CheckStart => {
            // A start that nothing overlaps is left out, and so is one after the part.
            let run = runs.iter().rfind(|run| (run.from..=run.to).contains(&mark.at) && starts(mark, run))?;
            if run.from >= to || run.to < from {
                return None;
            }
            if whole(run) {
                return Some(mark.clone());
            }
            let mut mark = mark.clone();
            let ends = (run.from, run.to);
            let parts = Parts::of(&mark).unwrap_or(Parts { there: vec![ends], whole: ends });
            let text = mark.text.as_deref().unwrap_or(&mark.message);
            mark.text = Some(parts.within(from, to).written(text));
            Some(mark)
        }
        MarkKind::Verdict => {
            let check = crate::pipeline::runs::document_check(mark.text.as_deref()?)?;
            let run = runs.iter().rfind(|run| run.check == check && run.from <= mark.at)?;
            whole(run).then(|| mark.clone())
        }
        _ => (inside || stands).then(|| mark.clone()),
    }
}

/// Whether this mark is the start of the run, or of a part of it that was gone on with.
fn starts(mark: &Mark, run: &CheckRun) -> bool {
    let text = mark.text.as_deref().unwrap_or(&mark.message);
    text.split_whitespace().next() == Some(run.check.as_str())
}

/// The marks from before an instant that say how things stand then, by their place.
fn standing(marks: &[Mark], from: Stamp) -> Vec<usize> {
    let before = || marks.iter().enumerate().filter(|(_, mark)| mark.at < from);
    let last = |of: &dyn Fn(&Mark) -> bool| before().rfind(|(_, mark)| of(mark)).map(|(place, _)| place);
    let mut places: Vec<usize> = before()
        .filter(|(place, mark)| match mark.kind {
            MarkKind::Site | MarkKind::Profile => true,
            MarkKind::StorageIdle => last(&|other| other.kind == mark.kind) == Some(*place),
            MarkKind::Clock => last(&|other| other.kind == mark.kind) == Some(*place),
            MarkKind::PlantOff => {
                let of = |other: &Mark| {
                    matches!(other.kind, MarkKind::PlantOff | MarkKind::PlantOn)
                        && (other.plant == mark.plant || other.plant.is_none())
                };
                last(&of) == Some(*place)
            }
            MarkKind::SignalOff => {
                last(&|other| matches!(other.kind, MarkKind::SignalOff | MarkKind::SignalOn)) == Some(*place)
            }
            MarkKind::LoadOn => {
                let of = |other: &Mark| {
                    matches!(other.kind, MarkKind::LoadOn | MarkKind::LoadOff)
                        && (&other.load, &other.phase) == (&mark.load, &mark.phase)
                };
                last(&of) == Some(*place)
            }
            MarkKind::WindowStart => {
                last(&|other| matches!(other.kind, MarkKind::WindowStart | MarkKind::WindowEnd))
                    == Some(*place)
            }
            MarkKind::LineLost => {
                let of = |other: &Mark| {
                    matches!(other.kind, MarkKind::LineLost | MarkKind::LineBack) && other.line == mark.line
                };
                last(&of) == Some(*place)
            }
            _ => false,
        })
        .map(|(place, _)| place)
        .collect();
    places.sort_unstable();
    places
}
