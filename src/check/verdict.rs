//! Verdicts: pass, fail or inconclusive, never a guess.

use serde::{Deserialize, Serialize};

use crate::base::Stamp;

/// What a check found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Shown to hold.
    Pass,
    /// Shown not to hold.
    Fail,
    /// Neither was shown; the reasons say what is missing.
    Inconclusive,
}

impl Verdict {
    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::Inconclusive => "inconclusive",
        }
    }
}

/// What a check says: the common part of every verdict document, and the check's own part.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding<B> {
    /// Pass, fail or inconclusive.
    pub verdict: Verdict,
    /// One sentence a person can act on.
    pub headline: String,
    /// Why this verdict and no other, most important first.
    pub reasons: Vec<String>,
    /// What would settle what is open.
    pub next: Vec<String>,
    /// Name of the meter judged.
    pub meter: String,
    /// First instant of the evidence used.
    pub start: Option<Stamp>,
    /// Last instant of the evidence used.
    pub end: Option<Stamp>,
    /// The check's own part of the document.
    pub body: B,
}
