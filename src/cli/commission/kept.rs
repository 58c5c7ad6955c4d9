//! The files of a visit: what they are called, and whether a check was made by the site file and profiles as they are now.

use std::path::{Path, PathBuf};

use super::Visit;
use super::steps::Step;
use crate::base::Failure;
use crate::cli::judge::verdict_of;
use crate::cli::source::{SetUp, load, read_text};
use crate::pipeline::{Overrides, site_and_profiles};
use crate::profile::{Profile, Site};
use crate::record::Record;

/// The number-th file of a step.
fn file(folder: &Path, step: Step, number: usize, ending: &str) -> PathBuf {
    let place = Step::ALL.iter().position(|one| *one == step).map_or(0, |index| index + 1);
    let again = if number > 1 { format!("-{number}") } else { String::new() };
    folder.join(format!("{place}-{}{again}.{ending}", step.word()))
}

impl Visit<'_> {
    /// A file of this step that is not there yet.
    pub(super) fn free(&self, step: Step, ending: &str) -> PathBuf {
        let mut names = (1..1000).map(|number| file(self.folder, step, number, ending));
        names.find(|path| !path.exists()).unwrap_or_else(|| file(self.folder, step, 1000, ending))
    }

    /// The files of this step, the oldest first.
    pub(super) fn files(&self, step: Step, ending: &str) -> Vec<PathBuf> {
        (1..1000).map(|number| file(self.folder, step, number, ending)).filter(|path| path.exists()).collect()
    }

    /// The newest file of this step.
    pub(super) fn newest(&self, step: Step, ending: &str) -> Option<PathBuf> {
        self.files(step, ending).pop()
    }

    /// The verdict of the newest check of this kind. Nothing where it was made by another site file or profile: what it
    /// showed is of another meter, line or load.
    pub(super) fn verdict(&self, step: Step) -> Option<String> {
        let document = self.newest(step, "json")?;
        let verdict = verdict_of(&read_text(&document).ok()?.text)?;
        let then = set_up_in(&document.with_extension("pcapng")).ok()?;
        let now = self.set_up().ok()?;
        (bearing(step, &then) == bearing(step, &now)).then_some(verdict)
    }
}

/// The site and profiles a capture holds.
fn set_up_in(capture: &Path) -> Result<SetUp, Failure> {
    let overrides = Overrides::default();
    let loaded = load(&[capture.to_owned()], &overrides)?;
    let marks = loaded.records.iter().filter_map(|record| match record {
        Record::Mark(mark) => Some(&**mark),
        _ => None,
    });
    let (site, profiles, warnings) = site_and_profiles(marks, &overrides)?;
    Ok(SetUp { site, profiles, warnings })
}

/// What of a set-up bears on a check: not how the files are laid out, and on CT direction no limit.
pub(super) fn bearing(step: Step, set_up: &SetUp) -> (Site, Vec<Profile>) {
    let mut site = Site { text: String::new(), ..set_up.site.clone() };
    if step == Step::Ct {
        site.limit = None;
    }
    let profiles = set_up.profiles.iter().map(|profile| Profile { text: String::new(), ..profile.clone() });
    (site, profiles.collect())
}
