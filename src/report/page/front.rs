//! The first thing seen: the verdicts in plain words, what to know before relying on them, and what was not tested.

use super::block::{Block, VerdictBox};
use super::doc::{Doc, Times};
use super::sheet::{Report, Sheet};
use crate::base::{Stamp, Zone};
use crate::report::Beside;
use crate::report::visit::Diary;

/// What no check of this program looks at.
const NEVER_TESTED: [&str; 3] = [
    "Electrical safety of the installation, earthing and protective devices.",
    "Settings of the plant's own protection: voltage and frequency trips, islanding.",
    "Behaviour at other times than those given: a verdict is of its window, with the settings found in it.",
];

/// Title, verdicts, doubts, what was not tested.
pub(super) fn front(report: &Report, zone: &Zone) -> Vec<Block> {
    let checks: Vec<String> = kinds(report);
    let mut page = vec![Block::Heading(1, format!("{}: {}", report.site(), checks.join(" and ")))];
    let written = Stamp::parse(&report.record.written);
    let tool = &report.record.tool;
    let zone_words = match report.zone() {
        Some((_, "UTC")) => "Times are UTC".to_owned(),
        Some((_, name)) => format!("Times are those of {name}, with their offset from UTC"),
        None => "Times are UTC: no site file at hand names a time zone".to_owned(),
    };
    page.push(Block::Text(format!(
        "Measured over the meter's own data line, without writing to any device. Report written {} by {} {}. {zone_words}.",
        Times { zone: zone.clone(), usual: None }.whole(written),
        tool.name,
        tool.version
    )));
    page.push(Block::Heading(2, "Verdicts".into()));
    let numbers = 0..report.sheets.len();
    let (standing, before): (Vec<usize>, Vec<usize>) =
        numbers.partition(|index| later(report, *index).is_none());
    let verdict = |index: usize| Block::Verdict(Box::new(verdict_box(report, index, zone)));
    page.extend(standing.into_iter().map(verdict));
    if !before.is_empty() {
        page.push(Block::Heading(3, "Before that".into()));
        page.extend(before.into_iter().map(verdict));
    }
    page.extend(warnings(report, zone));
    if report.sheets.iter().any(|sheet| !sheet.doc().text("verdict").is_empty()) {
        page.push(Block::Facts(vec![
            ("pass".into(), "shown to hold, with every uncertainty counted against it".into()),
            ("fail".into(), "shown not to hold, with every uncertainty counted in its favour".into()),
            (
                "inconclusive".into(),
                "neither was shown; the reasons say what is missing and what would settle it".into(),
            ),
        ]));
    }
    page.push(Block::Heading(2, "Not tested".into()));
    page.push(Block::List(untested(report)));
    page
}

fn kinds(report: &Report) -> Vec<String> {
    let mut kinds: Vec<String> = Vec::new();
    for sheet in &report.sheets {
        let title = sheet.title();
        let title = if kinds.is_empty() { title } else { lower_first(&title) };
        if !kinds.iter().any(|kind| kind.eq_ignore_ascii_case(&title)) {
            kinds.push(title);
        }
    }
    kinds
}

/// `Export limit` inside a sentence; `CT direction` stays as it is.
pub(super) fn lower_first(words: &str) -> String {
    let mut chars = words.chars();
    match (chars.next(), chars.next()) {
        (Some(first), Some(second)) if second.is_lowercase() => {
            first.to_lowercase().collect::<String>() + &words[first.len_utf8()..]
        }
        _ => words.to_owned(),
    }
}

/// `1. CT direction`, numbered where there are several checks.
pub(super) fn name_of(report: &Report, index: usize) -> String {
    let title = report.sheets[index].title();
    if report.sheets.len() > 1 { format!("{}. {title}", index + 1) } else { title }
}

/// The verdict of one check as it stands on the first page and over its own part.
pub(super) fn verdict_box(report: &Report, index: usize, zone: &Zone) -> VerdictBox {
    let sheet = &report.sheets[index];
    let doc = sheet.doc();
    let times = Times::from(zone, doc.time("start"));
    let mut doubts = Vec::new();
    if let Some(later) = later(report, index) {
        doubts.push(format!("Followed by check {}, which shows how it stands since.", later + 1));
    }
    match &sheet.evidence {
        None => doubts.push(
            "Taken from a document as it was given: its captures were not at hand, and nothing of it was computed again."
                .to_owned(),
        ),
        Some(_) if !Beside::of_document(doc.0).is_empty() => doubts.push(
            "Judged with options or files given beside the captures, which its own part names; not as it was recorded."
                .to_owned(),
        ),
        Some(evidence) => match &evidence.recorded {
            Some(recorded) if !evidence.differences.is_empty() => doubts.push(format!(
                "The verdict recorded in the capture is \"{recorded}\", and its document differs from this one; see under \
                 Captures."
            )),
            None => doubts.push("No verdict was recorded in the capture when it was taken; this one was found later.".into()),
            Some(_) => {}
        },
    }
    VerdictBox {
        word: doc.text("verdict").to_owned(),
        of: format!(
            "{}, meter \"{}\", {}",
            name_of(report, index),
            doc.text("meter"),
            times.span(doc.time("start"), doc.time("end"))
        ),
        headline: doc.text("headline").to_owned(),
        doubts,
    }
}

/// The last check of the same kind on the same meter, where it is not this one.
fn later(report: &Report, index: usize) -> Option<usize> {
    let key = |sheet: &Sheet| {
        let doc = sheet.doc();
        (doc.text("check").to_owned(), doc.text("meter").to_owned())
    };
    let mine = key(&report.sheets[index]);
    (index + 1..report.sheets.len()).rev().find(|other| key(&report.sheets[*other]) == mine)
}

/// What must be read beside the verdicts.
fn warnings(report: &Report, zone: &Zone) -> Vec<Block> {
    let mut list = Vec::new();
    let mut warn = |title: &str, words: String| list.push(Block::Warning(title.to_owned(), words));
    for (index, sheet) in report.sheets.iter().enumerate() {
        let doc = sheet.doc();
        let passed = doc.text("check") == "limit" && doc.text("verdict") == "pass";
        let open = last_ct(report, doc).filter(|(_, ct)| passed && ct.text("verdict") != "pass");
        if let Some((number, ct)) = open {
            warn(
                "Open",
                format!(
                    "{} passed by meter \"{}\", and the last CT check of that meter (check {}) is \"{}\". Which way the \
                         meter counts is not settled: settle it, then repeat the window.",
                    name_of(report, index),
                    doc.text("meter"),
                    number + 1,
                    ct.text("verdict")
                ),
            );
        }
    }
    if let Some(evidence) = report.sheets.iter().find_map(|sheet| sheet.evidence.as_ref())
        && Zone::named(&evidence.case.site.time_zone).is_none()
    {
        {
            warn(
                "Note",
                format!("No time zone is called \"{}\"; times are UTC.", evidence.case.site.time_zone),
            );
        }
    }
    let given = &report.record.given;
    let files: Vec<&str> = given.site.iter().chain(&given.profile).map(|text| text.file.as_str()).collect();
    if !files.is_empty() {
        warn(
            "Note",
            format!(
                "Judged by files given beside the captures in place of those recorded in them: {}.",
                files.join(", ")
            ),
        );
    }
    let written = Stamp::parse(&report.record.written);
    let after = |sheet: &&Sheet| {
        sheet.doc().time("end").is_some_and(|end| written.is_some_and(|written| written < end))
    };
    if let Some(sheet) = report.sheets.iter().find(after) {
        let times = Times { zone: zone.clone(), usual: None };
        warn(
            "Note",
            format!(
                "By its date this report was written before a check ended ({}): one of the two clocks was wrong.",
                times.whole(sheet.doc().time("end"))
            ),
        );
    }
    list
}

/// The last CT check of the meter a limit check judged.
fn last_ct<'a>(report: &'a Report, limit: Doc<'_>) -> Option<(usize, Doc<'a>)> {
    let mut docs = report.sheets.iter().map(Sheet::doc).enumerate();
    docs.rfind(|(_, doc)| doc.text("check") == "ct" && doc.text("meter") == limit.text("meter"))
}

/// What these checks left open, and what none of them looks at.
fn untested(report: &Report) -> Vec<String> {
    let mut list = Vec::new();
    let has = |check: &str| report.sheets.iter().any(|sheet| sheet.doc().text("check") == check);
    for (check, words) in [
        ("ct", "CT direction: no check of it is in this report."),
        ("limit", "Export limit: no check of it is in this report."),
    ] {
        if !has(check) {
            list.push(words.to_owned());
        }
    }
    for (index, sheet) in
        report.sheets.iter().enumerate().filter(|(index, _)| later(report, *index).is_none())
    {
        let doc = sheet.doc();
        let name = name_of(report, index);
        for channel in doc.list("channels").filter(|channel| channel.text("status") == "untested") {
            list.push(format!(
                "{name}: channel {}, no load was switched on its phase.",
                channel.text("channel")
            ));
        }
        for source in doc.list("position").filter(|position| position.at("seen").0.is_null()) {
            list.push(format!("{name}: whether \"{}\" moves this meter.", source.text("source")));
        }
        let open = |rule: &Doc<'_>| rule.text("verdict") == "inconclusive";
        for (number, _) in doc.list("rules").enumerate().filter(|(_, rule)| open(rule)) {
            list.push(format!("{name}: rule {} is open.", number + 1));
        }
        let lost = |challenge: Doc<'_>| challenge.text("kind") == "signal-loss";
        if doc.text("check") == "limit" && !doc.list("challenges").any(lost) {
            list.push(format!("{name}: what the plant does when the steering signal is lost."));
        }
    }
    list.extend(Diary::left_out(&report.record.visit));
    list.extend(NEVER_TESTED.iter().map(|words| (*words).to_owned()));
    list
}
