//! A check that was left: its captures are read back, so that it can be gone on with. What they hold and what is recorded
//! from then on is one evidence, live as in a replay.

use std::path::PathBuf;

use super::judge::{Check, verdict_of};
use super::out::Out;
use super::source::{Loaded, SetUp, load, put_on_line};
use crate::base::{Failure, Span, Stamp};
use crate::pipeline::{Overrides, check_runs, replay, site_and_profiles};
use crate::record::{LineInfo, Mark, Record};

/// A check left longer ago than this is begun anew. Ours: the same day's work.
const LONGEST_AWAY: Span = Span::from_millis(12 * 3600 * 1000);

/// Parts of a check recorded earlier; none of a check that begins.
#[derive(Debug, Default)]
pub(crate) struct Earlier {
    /// When the check began.
    pub(crate) began: Option<Stamp>,
    /// When it was left.
    pub(crate) left: Option<Stamp>,
    /// Its captures, in order.
    pub(crate) captures: Vec<PathBuf>,
    lines: Vec<LineInfo>,
    records: Vec<Record>,
}

impl Earlier {
    /// Reads back a check that was left, with the site it was of and its options.
    ///
    /// # Errors
    /// A capture cannot be read, holds no such check, or one that is settled or too old.
    pub(crate) fn read(
        check: Check,
        captures: &[PathBuf],
        now: Stamp,
        out: &Out,
    ) -> Result<(Self, SetUp, Vec<String>), Failure> {
        let overrides = Overrides::default();
        let Loaded { lines, records, notes, .. } = load(captures, &overrides)?;
        for note in &notes {
            out.error(&format!("note: {note}"));
        }
        let case = replay(&lines, &records, &overrides)?.case;
        let runs = check_runs(&case.marks, case.span);
        let name = captures.iter().map(|path| path.display().to_string()).collect::<Vec<_>>().join(", ");
        let word = check.word();
        let Some(run) = runs.iter().rfind(|run| run.check == word) else {
            return Err(Failure::usage(format!("{name} holds no `{word}` to go on with")));
        };
        if let Some(began) = run.lacks {
            return Err(Failure::usage(format!(
                "{name} goes on with a check that began at {}, and that part is missing",
                began.rfc3339(0)
            ))
            .hint("give every part, in order: --resume FIRST --resume SECOND"));
        }
        let verdict =
            run.recorded.as_deref().and_then(verdict_of).filter(|verdict| verdict != "inconclusive");
        if let Some(verdict) = verdict {
            return Err(Failure::usage(format!("that check is settled: {verdict}"))
                .hint(format!("begin a new one: wattward {word}")));
        }
        let away = now - run.to;
        if away < Span::ZERO {
            return Err(Failure::usage(format!("{name} ends at {}, after now", run.to.rfc3339(0)))
                .hint("set this computer's clock"));
        }
        if away > LONGEST_AWAY {
            return Err(Failure::usage(format!("that check was left {away} ago: too much may have changed"))
                .hint(format!("begin a new one: wattward {word}")));
        }
        let marks = records.iter().filter_map(|record| match record {
            Record::Mark(mark) => Some(&**mark),
            _ => None,
        });
        let (site, profiles, warnings) = site_and_profiles(marks, &overrides)?;
        let options = run.options.clone();
        let earlier =
            Self { began: Some(run.from), left: Some(run.to), captures: captures.to_vec(), lines, records };
        Ok((earlier, SetUp { site, profiles, warnings }, options))
    }

    /// The line that a `check-start` mark goes on with this by.
    pub(crate) fn option(&self) -> Option<String> {
        Some(format!("{} {}", Mark::RESUME, self.began?.rfc3339(6)))
    }

    /// The lines of both, those of the session first, and the earlier records by these lines.
    pub(crate) fn beside(self, session: &[LineInfo]) -> (Vec<LineInfo>, Vec<Record>) {
        let mut lines = session.to_vec();
        let mut places: Vec<u16> = Vec::new();
        for line in self.lines {
            let same = |known: &LineInfo| known.name == line.name && known.medium == line.medium;
            let place = lines.iter().position(same).unwrap_or(lines.len());
            if place == lines.len() {
                lines.push(line);
            }
            places.push(place as u16);
        }
        let mut records = self.records;
        for record in &mut records {
            put_on_line(record, &places);
        }
        (lines, records)
    }
}
