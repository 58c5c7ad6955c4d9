//! Faults underlined in the text they stand in, failures as one sentence and a hint.

use super::out::Out;
use crate::base::{Failure, Faults};

/// All faults of one file.
pub(crate) fn faults(faults: &Faults, _out: &Out) -> String {
    let rows: Vec<String> = faults
        .list
        .iter()
        .map(|fault| {
            let (line, column) = faults.place(fault.span.start);
            let mend = fault.mend.as_deref().map(|mend| format!(" ({mend})")).unwrap_or_default();
            format!("{}:{line}:{column}: {}{mend}", faults.file, fault.message)
        })
        .collect();
    rows.join("\n")
}

/// A failure: the faults of the user's files where those are the cause, else one sentence, and the hint under it.
pub(crate) fn failure(failure: &Failure, out: &Out) -> String {
    let mut text: String = failure.faults.iter().map(|found| faults(found, out) + "\n").collect();
    text.push_str("error: ");
    text.push_str(&failure.message);
    if let Some(hint) = &failure.hint {
        text.push_str("\nhint: ");
        text.push_str(hint);
    }
    text
}
