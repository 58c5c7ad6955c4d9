//! The visit's folder and its diary, written after every step.

use std::path::{Path, PathBuf};

use super::Visit;
use super::steps::Step;
use crate::base::Failure;
use crate::cli::exit::Exit;
use crate::cli::source::read_text;
use crate::cli::written::write_whole;
use crate::report::visit::{Came, Diary, FILE, VisitStep};
use crate::rim::clock::Clock;

/// The diary with the place it is kept.
pub(super) struct Book {
    path: PathBuf,
    /// What it holds.
    pub(super) diary: Diary,
}

impl Book {
    /// Opens the diary of a folder, or begins one.
    pub(super) fn open(folder: &Path, site: Option<&Path>) -> Result<Self, Failure> {
        std::fs::create_dir_all(folder)
            .map_err(|error| Failure::usage(format!("{} cannot be made: {error}", folder.display())))?;
        let path = folder.join(FILE);
        let named = site.map(|site| std::path::absolute(site).unwrap_or_else(|_| site.to_owned()));
        let named = named.map(|site| site.display().to_string());
        let diary = if path.exists() {
            let text = read_text(&path)?;
            let diary: Diary = serde_json::from_str(&text.text).map_err(|error| {
                Failure::usage(format!("{} is no diary of a visit: {error}", path.display()))
                    .hint("name another folder")
            })?;
            if named.as_ref().is_some_and(|named| *named != diary.visit) {
                return Err(Failure::usage(format!("this visit is of {}", diary.visit))
                    .hint("name another folder for another site file"));
            }
            diary
        } else {
            Diary { visit: named.unwrap_or_else(|| "site.toml".into()), steps: Vec::new() }
        };
        Ok(Self { path, diary })
    }

    /// The site file.
    pub(super) fn site(&self, folder: &Path) -> PathBuf {
        folder.join(&self.diary.visit)
    }

    /// Notes how a step ended, and keeps it.
    pub(super) fn settle(
        &mut self,
        step: Step,
        came: Came,
        reason: Option<String>,
        noted: Vec<String>,
    ) -> Result<(), Failure> {
        self.diary.steps.push(VisitStep {
            step: step.word().to_owned(),
            title: step.title().to_owned(),
            came,
            reason,
            noted,
            at: Clock::start().now().rfc3339(0),
        });
        write_whole(&self.path, &(self.text() + "\n"))
    }

    /// As it is kept.
    pub(super) fn text(&self) -> String {
        serde_json::to_string_pretty(&self.diary).unwrap_or_default()
    }

    /// What the visit amounts to: the worst of the newest verdicts of its checks, those left out where there was nothing to
    /// check; inconclusive where one was not made.
    pub(super) fn exit(visit: &Visit<'_>) -> Exit {
        let checks = [Step::Ct, Step::Limit].into_iter().filter(|step| step.needless(visit).is_none());
        worst(&checks.map(|step| visit.verdict(step)).collect::<Vec<_>>())
    }
}

fn worst(made: &[Option<String>]) -> Exit {
    if made.iter().flatten().any(|verdict| verdict == "fail") {
        Exit::Fail
    } else if made.iter().all(|verdict| verdict.as_deref() == Some("pass")) {
        Exit::Done
    } else {
        Exit::Inconclusive
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_visit_passes_only_when_every_check_there_is_has_passed() {
        let of = |words: &[&str]| {
            worst(
                &words
                    .iter()
                    .map(|word| Some(word.to_string()).filter(|word| !word.is_empty()))
                    .collect::<Vec<_>>(),
            )
        };
        assert_eq!(of(&["pass", "pass"]), Exit::Done);
        // A site without a limit has one check.
        assert_eq!(of(&["pass"]), Exit::Done);
        assert_eq!(of(&["pass", ""]), Exit::Inconclusive);
        assert_eq!(of(&["inconclusive", "pass"]), Exit::Inconclusive);
        assert_eq!(of(&["", "fail"]), Exit::Fail);
    }
}
