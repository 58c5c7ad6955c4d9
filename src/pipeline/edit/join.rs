//! Several captures as one: of one site, and no stretch of a line twice.

use super::part::{Parts, without};
use crate::base::{Failure, Stamp};
use crate::profile::parse_site;
use crate::record::{LineInfo, Mark, MarkKind, Record};

/// A capture that is to be joined.
#[derive(Clone, Debug)]
pub struct Piece {
    /// Its name, for words about it.
    pub file: String,
    /// Its lines.
    pub lines: Vec<LineInfo>,
    /// What it holds.
    pub records: Vec<Record>,
}

/// Whether these captures can be one.
///
/// # Errors
/// They are of different sites, or two of them hold the same time of one line.
pub fn fits(pieces: &[Piece]) -> Result<(), Failure> {
    let mut sites: Vec<(&str, String)> = Vec::new();
    let mut stretches: Vec<(&str, &str, Stamp, Stamp)> = Vec::new();
    for piece in pieces {
        sites.extend(piece.records.iter().filter_map(|record| match record {
            Record::Mark(mark) if mark.kind == MarkKind::Site => {
                let (site, _) = parse_site("site", mark.text.as_deref()?).ok()?;
                Some((piece.file.as_str(), site.name))
            }
            _ => None,
        }));
        for (index, line) in (0u16..).zip(&piece.lines) {
            let at = piece.records.iter().filter(|record| record.line() == Some(index)).map(Record::at);
            if let Some((first, last)) = at.clone().min().zip(at.max()) {
                let other = stretches.iter().find(|(file, name, begins, ends)| {
                    *name == line.name && *file != piece.file && first <= *ends && last >= *begins
                });
                if let Some((file, ..)) = other {
                    return Err(Failure::usage(format!(
                        "{file} and {} both hold line {} at {}",
                        piece.file,
                        line.name,
                        first.max(other.map_or(first, |other| other.2)).rfc3339(3)
                    ))
                    .hint("cut one of them before it with `wattward capture cut`, or leave one out"));
                }
                stretches.push((&piece.file, &line.name, first, last));
            }
        }
    }
    let Some((first, name)) = sites.first() else { return Ok(()) };
    match sites.iter().find(|(_, other)| other != name) {
        Some((file, other)) => Err(Failure::usage(format!(
            "{first} is of the site `{name}`, {file} of `{other}`: captures of different sites are no one case"
        ))
        .hint("join each site's captures by themselves")),
        None => Ok(()),
    }
}

/// The records of all of them, in time order, as one capture: what several say alike is there once, and a check whose parts
/// are all there is whole again.
pub fn joined(records: Vec<Record>) -> Vec<Record> {
    let mut out: Vec<Record> = Vec::with_capacity(records.len());
    let mut marks: Vec<usize> = Vec::new();
    for record in records {
        let Record::Mark(mark) = &record else {
            out.push(record);
            continue;
        };
        let twin = marks.iter().rev().copied().find(|place| match &out[*place] {
            Record::Mark(known) => alike(known, mark),
            _ => false,
        });
        let Some(place) = twin else {
            marks.push(out.len());
            out.push(record);
            continue;
        };
        if let Record::Mark(known) = &mut out[place] {
            merge(known, mark);
        }
    }
    out
}

fn alike(one: &Mark, other: &Mark) -> bool {
    if one.at != other.at || one.kind != other.kind {
        return false;
    }
    if one.kind != MarkKind::CheckStart {
        return one == other;
    }
    let words = |mark: &Mark| without(mark.text.as_deref().unwrap_or(&mark.message));
    words(one) == words(other)
}

/// Two marks of one check, each perhaps of a part of it.
fn merge(known: &mut Mark, other: &Mark) {
    if known.kind != MarkKind::CheckStart {
        return;
    }
    match (Parts::of(known), Parts::of(other)) {
        (Some(one), Some(two)) => {
            let text = known.text.clone().unwrap_or_default();
            known.text = Some(one.with(&two).written(&text));
        }
        // One of them holds all of it.
        (Some(_), None) => known.text.clone_from(&other.text),
        (None, _) => {}
    }
}
