//! Exit codes: contracts, section 7. One place maps an outcome to a number.

use std::process::ExitCode;

use crate::base::{Failure, FailureKind};
use crate::check::Verdict;

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Exit {
    /// Done, or pass.
    Done,
    /// Fail, or a replay that differs.
    Fail,
    /// Usage, or a file the user wrote is wrong.
    Usage,
    /// Inconclusive.
    Inconclusive,
    /// Nothing could be measured or found.
    Nothing,
    /// A capture or log cannot be read.
    Unreadable,
    /// A check interrupted.
    Interrupted,
}

impl Exit {
    /// The number.
    pub(crate) const fn code(self) -> u8 {
        match self {
            Self::Done => 0,
            Self::Fail => 1,
            Self::Usage => 2,
            Self::Inconclusive => 3,
            Self::Nothing => 4,
            Self::Unreadable => 5,
            Self::Interrupted => 130,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit.code())
    }
}

impl From<Verdict> for Exit {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Pass => Self::Done,
            Verdict::Fail => Self::Fail,
            Verdict::Inconclusive => Self::Inconclusive,
        }
    }
}

impl From<&Failure> for Exit {
    fn from(failure: &Failure) -> Self {
        match failure.kind {
            FailureKind::Usage => Self::Usage,
            FailureKind::NothingMeasured => Self::Nothing,
            FailureKind::Unreadable => Self::Unreadable,
            FailureKind::Interrupted => Self::Interrupted,
        }
    }
}
