//! The diary of a guided visit: which steps were taken, which were left out, and why.

use serde::{Deserialize, Serialize};

/// A visit's folder holds it under this name.
pub const FILE: &str = "visit.json";

/// The whole diary.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Diary {
    /// The site file, as the visit found it or wrote it.
    pub visit: String,
    /// Steps settled so far, in the order in which they were.
    pub steps: Vec<VisitStep>,
}

/// One step of a visit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct VisitStep {
    /// Its word: `ct`, `limit`.
    pub step: String,
    /// What it is, for people.
    pub title: String,
    /// How it ended.
    pub came: Came,
    /// Why it was left out or could not be done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// What was seen and noted, a sentence each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub noted: Vec<String>,
    /// When it was settled, RFC 3339.
    pub at: String,
}

/// How a step ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Came {
    /// It was done; a check may still have failed.
    Done,
    /// It was left out, with a reason.
    Skipped,
    /// There was nothing to do, for the reason given.
    Needless,
}

impl Diary {
    /// The newest entry of a step.
    pub fn of(&self, step: &str) -> Option<&VisitStep> {
        self.steps.iter().rfind(|one| one.step == step)
    }

    /// Sentences on what was left out, and on what was left as it came out: the newest entry of each step counts.
    pub fn left_out(steps: &[VisitStep]) -> Vec<String> {
        let newest = steps
            .iter()
            .enumerate()
            .filter(|(index, one)| !steps.iter().skip(index + 1).any(|later| later.step == one.step));
        let words = |(_, one): (usize, &VisitStep)| match (one.came, one.reason.as_deref()) {
            (Came::Skipped, reason) => Some(format!(
                "{}: left out on the visit ({}).",
                one.title,
                reason.unwrap_or("no reason was given")
            )),
            (Came::Done, Some(reason)) => Some(format!("{}: left as it came out ({reason}).", one.title)),
            (Came::Needless, reason) => {
                Some(format!("{}: not called for ({}).", one.title, reason.unwrap_or("nothing to do")))
            }
            (Came::Done, None) => None,
        };
        newest.filter_map(words).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_newest_entry_of_a_step_counts() {
        let step = |step: &str, came, reason: Option<&str>| VisitStep {
            step: step.into(),
            title: step.to_uppercase(),
            came,
            reason: reason.map(str::to_owned),
            noted: Vec::new(),
            at: String::new(),
        };
        let steps = [
            step("ct", Came::Skipped, Some("no kettle")),
            step("limit", Came::Skipped, Some("no consent")),
            step("ct", Came::Done, None),
        ];
        assert_eq!(Diary::left_out(&steps), ["LIMIT: left out on the visit (no consent)."]);
        let left = [step("ct", Came::Done, Some("the clamp is behind a seal"))];
        assert_eq!(Diary::left_out(&left), ["CT: left as it came out (the clamp is behind a seal)."]);
        let diary = Diary { visit: "site.toml".into(), steps: steps.to_vec() };
        assert_eq!(diary.of("ct").map(|one| one.came), Some(Came::Done));
        let text = serde_json::to_string(&diary).expect("JSON");
        assert_eq!(serde_json::from_str::<Diary>(&text).expect("read back"), diary);
    }
}
