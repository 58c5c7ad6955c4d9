//! The visit's folder and its diary, written after every step.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::steps::Step;
use crate::base::Failure;
use crate::cli::exit::Exit;
use crate::cli::source::read_text;
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
    pub(super) fn settle(&mut self, step: Step, came: Came, reason: Option<String>) -> Result<(), Failure> {
        self.diary.steps.push(VisitStep {
            step: step.word().to_owned(),
            title: step.title().to_owned(),
            came,
            reason,
            at: Clock::start().now().rfc3339(0),
        });
        write(&self.path, &(self.text() + "\n"))
    }

    /// As it is kept.
    pub(super) fn text(&self) -> String {
        serde_json::to_string_pretty(&self.diary).unwrap_or_default()
    }

    /// What the visit in a folder amounts to: the worst of its newest verdicts; inconclusive where a check was left out.
    pub(super) fn exit(folder: &Path) -> Exit {
        let made = [Step::Ct, Step::Limit].map(|step| super::steps::newest_verdict(folder, step));
        let has = |word: &str| made.iter().flatten().any(|verdict| verdict == word);
        if has("fail") {
            Exit::Fail
        } else if made.iter().all(|verdict| verdict.as_deref() == Some("pass")) {
            Exit::Done
        } else {
            Exit::Inconclusive
        }
    }
}

/// The verdict in a document.
pub(super) fn verdict_in(path: &Path) -> Option<String> {
    let value: Value = serde_json::from_str(&read_text(path).ok()?.text).ok()?;
    value.get("verdict")?.as_str().map(str::to_owned)
}

/// Writes a file of the visit whole, so that a laptop that goes to sleep leaves the old or the new one.
#[expect(clippy::disallowed_methods, reason = "the command line writes the visit's files")]
pub(super) fn write(path: &Path, text: &str) -> Result<(), Failure> {
    let beside = path.with_extension("new");
    let put = || {
        std::fs::write(&beside, text)?;
        std::fs::rename(&beside, path)
    };
    put().map_err(|error| Failure::nothing(format!("{} cannot be written: {error}", path.display())))
}
