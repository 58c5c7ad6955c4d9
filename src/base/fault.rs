//! Faults in a file the user wrote: collected, located, each with its mend. Rendering is `cli/render.rs`.

use std::ops::Range;

/// How bad a fault is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// The file cannot be used.
    Error,
    /// Legal, and unlikely to be meant.
    Warning,
}

/// One fault of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Whether the file can be used all the same.
    pub severity: Severity,
    /// The bytes of the text at fault; empty at the end of the file when something is missing from it.
    pub span: Range<usize>,
    /// What is wrong: a fragment without a full stop.
    pub message: String,
    /// Shown under the underlined text, when it adds something.
    pub label: String,
    /// What to write instead.
    pub mend: Option<String>,
}

/// All faults of one file, with the text they point into.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Faults {
    /// The file's name as the user knows it.
    pub file: String,
    /// The whole text.
    pub text: String,
    /// In order of place.
    pub list: Vec<Fault>,
}

impl Faults {
    /// An empty bag for one file.
    pub fn new(file: impl Into<String>, text: impl Into<String>) -> Self {
        Self { file: file.into(), text: text.into(), list: Vec::new() }
    }

    /// Adds an error.
    pub fn error(&mut self, span: Range<usize>, message: impl Into<String>, mend: impl Into<String>) {
        self.push(Severity::Error, span, message.into(), mend.into());
    }

    /// Adds a warning.
    pub fn warning(&mut self, span: Range<usize>, message: impl Into<String>, mend: impl Into<String>) {
        self.push(Severity::Warning, span, message.into(), mend.into());
    }

    fn push(&mut self, severity: Severity, span: Range<usize>, message: String, mend: String) {
        let mend = (!mend.is_empty()).then_some(mend);
        self.list.push(Fault { severity, span, message, label: String::new(), mend });
    }

    /// Whether any of them stops the file from being used.
    pub fn any_error(&self) -> bool {
        self.list.iter().any(|fault| fault.severity == Severity::Error)
    }

    /// Sorted by place, errors before warnings at the same one.
    pub fn sort(&mut self) {
        self.list.sort_by_key(|fault| (fault.span.start, fault.severity));
    }

    /// Line and column (both from 1, columns in characters) of a byte offset.
    pub fn place(&self, offset: usize) -> (usize, usize) {
        let mut offset = offset.min(self.text.len());
        while !self.text.is_char_boundary(offset) {
            offset -= 1;
        }
        let before = &self.text[..offset];
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
        (line, column)
    }
}
