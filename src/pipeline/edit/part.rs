//! What a `check-start` mark says of a check of which only a part is there: `--part FROM/TO of FROM/TO`, a line for each
//! stretch. What was left out might have told against it, so a part never passes; joined again the lines go.

use std::fmt::Write as _;

use crate::base::Stamp;
use crate::record::Mark;

/// The option.
pub const PART: &str = "--part";

/// A stretch of time, its end not included.
type Stretch = (Stamp, Stamp);

/// The stretches of a check that are there, and the whole of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Parts {
    pub(super) there: Vec<Stretch>,
    pub(super) whole: Stretch,
}

impl Parts {
    /// What a mark says; nothing where the check is whole.
    pub(super) fn of(mark: &Mark) -> Option<Self> {
        let lines = mark.text.as_deref()?.lines().filter_map(|line| line.trim().strip_prefix(PART));
        let read: Vec<(Stretch, Stretch)> = lines
            .filter_map(|line| {
                let (part, whole) = line.split_once(" of ")?;
                Some((stretch(part)?, stretch(whole)?))
            })
            .collect();
        let whole = read.first()?.1;
        Some(Self { there: read.into_iter().map(|(part, _)| part).collect(), whole })
    }

    /// What is left of it between two instants.
    pub(super) fn within(mut self, from: Stamp, to: Stamp) -> Self {
        for (first, last) in &mut self.there {
            (*first, *last) = ((*first).max(from), (*last).min(to));
        }
        self.there.retain(|(first, last)| first < last);
        self
    }

    /// Both together, stretches that meet being one.
    pub(super) fn with(mut self, other: &Self) -> Self {
        self.there.extend(&other.there);
        self.there.sort();
        let mut joined: Vec<Stretch> = Vec::new();
        for (first, last) in self.there {
            match joined.last_mut() {
                Some(known) if first <= known.1 => known.1 = known.1.max(last),
                _ => joined.push((first, last)),
            }
        }
        Self { there: joined, whole: self.whole }
    }

    fn is_whole(&self) -> bool {
        self.there.iter().any(|(first, last)| *first <= self.whole.0 && *last >= self.whole.1)
    }

    /// The text of a mark that says so.
    pub(super) fn written(&self, text: &str) -> String {
        let mut text = without(text);
        if !self.is_whole() {
            for (first, last) in &self.there {
                let stretch = |(first, last): Stretch| format!("{}/{}", first.rfc3339(9), last.rfc3339(9));
                let _ = write!(text, "\n{PART} {} of {}", stretch((*first, *last)), stretch(self.whole));
            }
        }
        text
    }
}

/// The text as it was of the whole check.
pub(super) fn without(text: &str) -> String {
    let lines: Vec<&str> = text.lines().filter(|line| !line.trim().starts_with(PART)).collect();
    lines.join("\n")
}

fn stretch(text: &str) -> Option<Stretch> {
    let (first, last) = text.trim().split_once('/')?;
    Some((Stamp::parse(first)?, Stamp::parse(last)?))
}
