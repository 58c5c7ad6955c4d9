//! `report --verify`: the verdicts computed again from the captures, compared figure by figure with the documents inside the
//! report, and the page made again from them, compared line by line with the page as it is.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde::Serialize;

use super::Format;
use super::evidence::{Ground, Place, captures_of, locate};
use crate::base::{Failure, FailureKind};
use crate::cli::exit::Exit;
use crate::cli::judge::overrides_of;
use crate::cli::out::Out;
use crate::cli::source::read_text;
use crate::report::page::record::ToolName;
use crate::report::page::verify::shown_differences;
use crate::report::page::{Entry, Given, Record, Report, Sheet};
use crate::report::text::wrapped;
use crate::report::{Beside, differences};

/// Differences listed in full; the rest are counted.
const SHOWN: usize = 20;

/// What came of it.
#[derive(Debug, Default, Serialize)]
struct Outcome {
    report: String,
    /// Yes, no, or null where it could not be settled.
    holds: Option<bool>,
    /// What differs.
    differences: Vec<String>,
    /// What could not be compared, and why.
    open: Vec<String>,
    checks: usize,
    captures: usize,
    page_compared: bool,
}

/// Runs the verification.
pub(super) fn verify(path: &Path, places: &[PathBuf], out: &Out) -> Result<Exit, Failure> {
    let shown = path.display().to_string();
    let unreadable = |why: String| Failure::unreadable(format!("{shown} can't be verified: {why}"));
    let text = read_text(path).map_err(|failure| unreadable(failure.message))?.text;
    let record = Record::find(&text).map_err(unreadable)?;
    if record.checks.is_empty() {
        return Err(unreadable("it holds no check".into()));
    }
    let mut outcome = Outcome { report: shown, checks: record.checks.len(), ..Outcome::default() };
    let quiet = Out { quiet: true, ..*out };
    let mut sheets = Vec::new();
    for (index, entry) in record.checks.iter().enumerate() {
        match again(index, entry, path, places, &record, &mut outcome, &quiet) {
            Ok(sheet) => sheets.push(sheet),
            Err(failure) => {
                let kind = failure.kind;
                outcome.open.push(format!("check {}: {}", index + 1, failure.message));
                if kind != FailureKind::Unreadable {
                    outcome.differences.push(format!("check {}: {}", index + 1, failure.message));
                }
            }
        }
    }
    if sheets.len() == record.checks.len() {
        compare_page(&text, record, sheets, &mut outcome);
    }
    let exit = settle(&mut outcome);
    if out.json {
        out.print(&serde_json::to_string_pretty(&outcome).unwrap_or_default());
    } else {
        out.print(&words(&outcome, exit, out.width));
    }
    Ok(exit)
}

/// One check computed again; what differs goes into the outcome.
fn again(
    index: usize,
    entry: &Entry,
    path: &Path,
    places: &[PathBuf],
    record: &Record,
    outcome: &mut Outcome,
    out: &Out,
) -> Result<Sheet, Failure> {
    let name = format!("check {}", index + 1);
    let mut captures = captures_of(&entry.document);
    let mut paths = Vec::new();
    for capture in &mut captures {
        match locate(capture, path, places)? {
            Place::Same(found) => paths.push(found),
            Place::Changed(found, sha256) => {
                outcome.differences.push(format!(
                    "{name}: capture {} has changed: its SHA-256 is {sha256}, the report says {}",
                    found.display(),
                    capture.sha256
                ));
                // So that the page is made from what is there.
                capture.sha256 = sha256;
                paths.push(found);
            }
            Place::Missing => {
                let message = format!("capture {} is not at hand", capture.file);
                return Err(Failure::unreadable(message));
            }
        }
    }
    if paths.is_empty() {
        return Err(Failure::unreadable("its document names no capture"));
    }
    outcome.captures += paths.len();
    let mut beside = Beside::of_document(&entry.document);
    let given = if record.given.is_empty() { beside.given.clone() } else { record.given.clone() };
    if !record.given.is_empty() {
        beside.given = Given::default();
    }
    let ground = Ground::of(&paths, &overrides_of(&given), out)?;
    let checked = ground.of_document(&entry.document, &captures, &beside)?;
    let found = differences(&entry.document.to_string(), &checked.sheet.document.to_string());
    outcome.differences.extend(found.into_iter().map(|difference| {
        let difference = difference.replace(": recorded ", ": the report has ");
        format!("{name}: {}", difference.replace(", replayed ", ", the captures give "))
    }));
    let mut sheet = checked.sheet;
    // The program that wrote it does not count; the page shows its name all the same.
    if let (Some(keys), Some(tool)) = (sheet.document.as_object_mut(), entry.document.get("tool")) {
        keys.insert("tool".to_owned(), tool.clone());
    }
    if !entry.recomputed {
        // Its page was made without its captures.
        sheet.evidence = None;
    }
    Ok(sheet)
}

/// The page as it should be, against the page as it is.
fn compare_page(text: &str, record: Record, sheets: Vec<Sheet>, outcome: &mut Outcome) {
    let format = match text.trim_start().chars().next() {
        Some('{') => return,
        Some('<') => Format::Html,
        _ => Format::Markdown,
    };
    if record.tool != ToolName::default() {
        outcome.open.push(format!(
            "the page was written by {} {}, and this is {}: pages of another version can't be compared, only the documents \
             inside. Verify it with that version",
            record.tool.name,
            record.tool.version,
            env!("CARGO_PKG_VERSION")
        ));
        return;
    }
    let checks = record.checks.iter().zip(&sheets);
    let checks = checks.map(|(entry, sheet)| Entry { document: sheet.document.clone(), ..entry.clone() });
    let record = Record { checks: checks.collect(), ..record };
    let should = format.render(&Report { record, sheets });
    let found = shown_differences(text, &should);
    // The record's own line was compared figure by figure.
    let figures = !outcome.differences.is_empty();
    let seen = found.into_iter().filter(|difference| !(figures && difference.contains("wattward-record ")));
    outcome.differences.extend(seen.map(|difference| format!("page: {difference}")));
    outcome.page_compared = true;
}

fn settle(outcome: &mut Outcome) -> Exit {
    let (holds, exit) = match (outcome.differences.is_empty(), outcome.open.is_empty()) {
        (false, _) => (Some(false), Exit::Fail),
        (true, true) => (Some(true), Exit::Done),
        // Another version's page is a question for that version; a capture that is not there is unreadable.
        (true, false)
            if outcome.captures > 0 && outcome.open.iter().all(|open| open.starts_with("the page")) =>
        {
            (None, Exit::Inconclusive)
        }
        (true, false) => (None, Exit::Unreadable),
    };
    outcome.holds = holds;
    exit
}

fn words(outcome: &Outcome, exit: Exit, width: usize) -> String {
    let plural = |count: usize, noun: &str| format!("{count} {noun}{}", if count == 1 { "" } else { "s" });
    let checks = plural(outcome.checks, "check");
    let mut text = match exit {
        Exit::Done => {
            let page = if outcome.page_compared { " and every line of the page" } else { "" };
            wrapped(
                "HOLDS  ",
                &format!(
                    "{} says what its captures give: {checks} computed again, every figure{page} compared.",
                    outcome.report
                ),
                width,
            )
        }
        Exit::Fail => {
            let count = plural(outcome.differences.len(), "difference");
            let words = format!("{} does not say what its captures give: {count}.", outcome.report);
            wrapped("DIFFERS  ", &words, width)
        }
        _ => wrapped("OPEN  ", &format!("{} could not be verified.", outcome.report), width),
    };
    let list = |title: &str, items: &[String], text: &mut String| {
        if items.is_empty() {
            return;
        }
        text.push('\n');
        text.push_str(title);
        text.push('\n');
        for item in items.iter().take(SHOWN) {
            text.push_str(&wrapped("  - ", item, width));
        }
        if items.len() > SHOWN {
            let _ = writeln!(text, "  and {} more", items.len() - SHOWN);
        }
    };
    list("why", &outcome.differences, &mut text);
    list(if outcome.differences.is_empty() { "why" } else { "open" }, &outcome.open, &mut text);
    if exit == Exit::Unreadable {
        let next = format!(
            "put the captures beside the report, or name their folder: wattward report --verify {} FOLDER",
            outcome.report
        );
        text.push_str("\nnext\n");
        text.push_str(&wrapped("  - ", &next, width));
    }
    text
}
