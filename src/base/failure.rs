//! The world refused: a port, a line, a disk, a capture. One sentence, a mend that works, and the exit code it means.

use std::fmt;

use super::fault::Faults;

/// Which exit code a failure leads to (contracts, exit codes).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FailureKind {
    /// Usage, or a file the user wrote is wrong: 2.
    Usage,
    /// Nothing could be measured or found: no port, no answer, line lost, disk full: 4.
    NothingMeasured,
    /// A capture or log cannot be read: 5.
    Unreadable,
    /// A person interrupted a check: 130.
    Interrupted,
}

/// Something outside the program went wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// Which exit code.
    pub kind: FailureKind,
    /// One sentence fragment naming the place.
    pub message: String,
    /// What the person can do, only where it would work.
    pub hint: Option<String>,
    /// Faults of the user's files, where those are the cause; shown in place of the message.
    pub faults: Vec<Faults>,
}

impl Failure {
    /// A failure of this kind.
    pub fn new(kind: FailureKind, message: impl Into<String>) -> Self {
        Self { kind, message: message.into(), hint: None, faults: Vec::new() }
    }

    /// Wrong use (exit 2).
    pub fn usage(message: impl Into<String>) -> Self {
        Self::new(FailureKind::Usage, message)
    }

    /// Nothing measured (exit 4).
    pub fn nothing(message: impl Into<String>) -> Self {
        Self::new(FailureKind::NothingMeasured, message)
    }

    /// Capture unreadable (exit 5).
    pub fn unreadable(message: impl Into<String>) -> Self {
        Self::new(FailureKind::Unreadable, message)
    }

    /// Files of the user are wrong (exit 2).
    pub fn faulty_files(faults: Vec<Faults>) -> Self {
        let names: Vec<&str> = faults.iter().map(|f| f.file.as_str()).collect();
        let message = format!("{} cannot be used", names.join(", "));
        Self { kind: FailureKind::Usage, message, hint: None, faults }
    }

    /// With a mend.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)?;
        match &self.hint {
            Some(hint) => write!(f, " (hint: {hint})"),
            None => Ok(()),
        }
    }
}

impl std::error::Error for Failure {}
