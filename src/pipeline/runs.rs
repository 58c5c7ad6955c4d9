//! The checks a capture holds: each `check-start` with what follows it.

use crate::base::Stamp;
use crate::record::{Mark, MarkKind};

/// One check as it was run. A `check-start` mark's text has the check on its first line and one option a line after it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CheckRun {
    /// `ct`, `limit`, or a command that records (`log`).
    pub check: String,
    /// Options that bear on its verdict, one each: `--meter connection`.
    pub options: Vec<String>,
    /// Its `check-start`.
    pub from: Stamp,
    /// Its `check-end`; else the next `check-start` or the end of the evidence.
    pub to: Stamp,
    /// The verdict document recorded for it.
    pub recorded: Option<String>,
    /// It goes on with a check that began then, and nothing here holds that part.
    pub lacks: Option<Stamp>,
}

impl CheckRun {
    /// The value of an option, or an empty text for a switch; nothing when it was not given.
    pub fn option(&self, name: &str) -> Option<&str> {
        self.options.iter().find_map(|option| {
            let rest = option.strip_prefix(name)?;
            (rest.is_empty() || rest.starts_with(' ')).then(|| rest.trim_start())
        })
    }

    /// Whether an option was given.
    pub fn has(&self, name: &str) -> bool {
        self.option(name).is_some()
    }
}

/// Every check the marks tell of, in the order of their last starts. Parts of one that was left and gone on with are one run.
pub fn check_runs(marks: &[Mark], span: Option<(Stamp, Stamp)>) -> Vec<CheckRun> {
    let mut runs: Vec<CheckRun> = Vec::new();
    let mut open = false;
    for mark in marks {
        match mark.kind {
            MarkKind::CheckStart => {
                if let (true, Some(last)) = (open, runs.last_mut()) {
                    last.to = mark.at;
                }
                // Other writers may put the words into the message alone.
                let text = mark.text.as_deref().unwrap_or(&mark.message);
                let mut words = text.lines().map(str::trim).filter(|line| !line.is_empty());
                let first = words.next().unwrap_or("");
                let (check, inline) = first.split_once(' ').unwrap_or((first, ""));
                let mut options: Vec<String> = words.map(str::to_owned).collect();
                options.extend(split_inline(inline));
                let to = span.map_or(mark.at, |(_, last)| last.max(mark.at));
                let began = mark.resumes();
                let left = began.and_then(|began| left(&mut runs, check, began));
                let lacks = began.filter(|_| left.is_none());
                let from = left.as_ref().map_or(mark.at, |left| left.from);
                for option in left.into_iter().flat_map(|left| left.options) {
                    if !options.contains(&option) {
                        options.push(option);
                    }
                }
                options.retain(|option| !option.starts_with(Mark::RESUME));
                runs.push(CheckRun { check: check.to_owned(), options, from, to, recorded: None, lacks });
                open = true;
            }
            MarkKind::CheckEnd => {
                if let (true, Some(last)) = (open, runs.last_mut()) {
                    last.to = mark.at;
                }
                open = false;
            }
            MarkKind::Verdict => {
                if let Some(text) = &mark.text {
                    let check = document_check(text);
                    let run = runs.iter_mut().rev().find(|run| check.as_deref() == Some(run.check.as_str()));
                    if let Some(run) = run {
                        run.recorded = Some(text.clone());
                    }
                }
            }
            _ => {}
        }
    }
    runs
}

/// Takes out the part of a check that began then.
fn left(runs: &mut Vec<CheckRun>, check: &str, began: Stamp) -> Option<CheckRun> {
    let index = runs.iter().rposition(|run| run.check == check && run.from == began)?;
    Some(runs.remove(index))
}

/// Options that stand behind the check on one line: `--meter grid --share-line`.
fn split_inline(text: &str) -> Vec<String> {
    let mut options: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match options.last_mut() {
            Some(last) if !word.starts_with("--") => {
                last.push(' ');
                last.push_str(word);
            }
            _ => options.push(word.to_owned()),
        }
    }
    options
}

/// Which check a verdict document is of.
pub fn document_check(text: &str) -> Option<String> {
    let value: serde_json::Value = serde_json::from_str(text).ok()?;
    value.get("check")?.as_str().map(str::to_owned)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Span;

    fn mark(seconds: i64, kind: MarkKind, text: Option<&str>) -> Mark {
        let at = Stamp::from_nanos(0) + Span::from_millis(seconds * 1000);
        let mut mark = Mark::new(at, kind, "");
        mark.text = text.map(str::to_owned);
        mark
    }

    #[test]
    fn each_start_owns_what_follows_it_and_its_own_verdict() {
        let marks = [
            mark(0, MarkKind::CheckStart, Some("ct\n--meter connection")),
            mark(10, MarkKind::CheckEnd, None),
            mark(11, MarkKind::Verdict, Some(r#"{"check":"ct","verdict":"fail"}"#)),
            mark(20, MarkKind::CheckStart, Some("limit --share-line --meter grid")),
        ];
        let end = Stamp::from_nanos(0) + Span::from_millis(90_000);
        let runs = check_runs(&marks, Some((marks[0].at, end)));
        assert_eq!(runs.len(), 2);
        assert_eq!((runs[0].to, runs[1].to), (marks[1].at, end));
        assert_eq!(runs[0].option("--meter"), Some("connection"));
        assert!(runs[0].recorded.is_some() && runs[1].recorded.is_none());
        assert!(runs[1].has("--share-line") && !runs[1].has("--share"));
        assert_eq!(runs[1].option("--meter"), Some("grid"));
    }

    #[test]
    fn parts_of_a_check_that_was_left_are_one_run() {
        let began = Stamp::from_nanos(0).rfc3339(6);
        let again = format!("ct\n--resume {began}");
        let marks = [
            mark(0, MarkKind::CheckStart, Some("ct\n--meter grid\n--share-line")),
            mark(10, MarkKind::CheckEnd, None),
            mark(20, MarkKind::CheckStart, Some("limit")),
            mark(30, MarkKind::CheckEnd, None),
            mark(40, MarkKind::CheckStart, Some(&again)),
            mark(50, MarkKind::CheckEnd, None),
            mark(60, MarkKind::CheckStart, Some(&again)),
            mark(70, MarkKind::CheckEnd, None),
            mark(70, MarkKind::Verdict, Some(r#"{"check":"ct","verdict":"pass"}"#)),
        ];
        let runs = check_runs(&marks, None);
        assert_eq!(runs.iter().map(|run| run.check.as_str()).collect::<Vec<_>>(), ["limit", "ct"]);
        assert_eq!((runs[1].from, runs[1].to), (marks[0].at, marks[7].at));
        assert_eq!(runs[1].options, ["--meter grid", "--share-line"]);
        assert!(runs[1].recorded.is_some() && runs[1].lacks.is_none());
        // The later part alone stands for itself, and says what it goes on with.
        let runs = check_runs(&marks[6..], None);
        assert_eq!((runs[0].from, runs[0].lacks), (marks[6].at, Some(marks[0].at)));
    }
}
