//! Faults underlined in the text they stand in, failures as one sentence and a hint.

use std::fmt::Write as _;
use std::ops::Range;

use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

use super::out::Out;
use crate::base::{Failure, FailureKind};
use crate::base::{Fault, Faults, Severity};
use crate::report::text;

/// All faults of one file, one after the other with a blank line between.
pub(crate) fn faults(faults: &Faults, out: &Out) -> String {
    let renderer = if out.colour_on_error { Renderer::styled() } else { Renderer::plain() };
    let renderer = renderer.decor_style(DecorStyle::Ascii).term_width(out.width);
    let shown: Vec<String> =
        faults.list.iter().map(|fault| one(&renderer, faults, fault, out.width)).collect();
    shown.join("\n\n")
}

fn one(renderer: &Renderer, faults: &Faults, fault: &Fault, width: usize) -> String {
    let level = match fault.severity {
        Severity::Error => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let annotation = AnnotationKind::Primary.span(within(&faults.text, &fault.span));
    let annotation = match fault.label.as_str() {
        "" => annotation,
        label => annotation.label(label),
    };
    let snippet = Snippet::source(faults.text.as_str()).path(faults.file.as_str()).annotation(annotation);
    let mut group = level.primary_title(wrapped(&fault.message, width, 9)).element(snippet);
    if let Some(mend) = &fault.mend {
        group = group.element(Level::HELP.with_name("mend").message(wrapped(mend, width, 14)));
    }
    renderer.render(&[group])
}

/// A span the text really has, cut at whole characters.
fn within(text: &str, span: &Range<usize>) -> Range<usize> {
    let floor = |mut at: usize| {
        at = at.min(text.len());
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    };
    let start = floor(span.start);
    start..floor(span.end).max(start)
}

/// Text in lines that fit beside `indent` columns; words are never cut.
pub(crate) fn wrapped(text: &str, width: usize, indent: usize) -> String {
    let room = width.saturating_sub(indent).max(30);
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= room => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines.join("\n")
}

/// A capture with its hash, on two lines where one is too narrow.
pub(crate) fn evidence(file: &str, sha256: &str, out: &Out) -> String {
    let line = format!("evidence  {file}  sha256 {sha256}");
    if !out.live || line.chars().count() < out.width {
        line
    } else {
        format!("evidence  {file}\n  sha256  {sha256}")
    }
}

/// A failure: the faults of the user's files where those are the cause, else one sentence, and the hint under it.
pub(crate) fn failure(failure: &Failure, out: &Out) -> String {
    let mut text: String = failure.faults.iter().map(|found| faults(found, out) + "\n\n").collect();
    let mut message = failure.message.clone();
    if failure.kind == FailureKind::Usage && !failure.faults.is_empty() {
        let errors = failure.faults.iter().flat_map(|found| &found.list);
        let count = errors.filter(|fault| fault.severity == Severity::Error).count();
        let _ = write!(message, " ({count} {})", if count == 1 { "fault" } else { "faults" });
    }
    text.push_str(&led("error: ", &message, out));
    if let Some(hint) = &failure.hint {
        text.push('\n');
        text.push_str(&led("hint: ", hint, out));
    }
    text
}

/// A sentence behind its lead: broken between words on a terminal, which would break it within one; whole for a program.
fn led(lead: &str, words: &str, out: &Out) -> String {
    if out.live && !words.contains('\n') {
        text::wrapped(lead, words, out.width.saturating_sub(1)).trim_end().to_owned()
    } else {
        format!("{lead}{words}")
    }
}

#[cfg(test)]
mod tests;
