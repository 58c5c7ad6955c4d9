//! The page from top to bottom: verdicts first, then what was not tested, then each check, then what it all rests on.

use super::block::Block;
use super::doc::Times;
use super::sheet::{Report, Sheet};
use super::{ct, front, limit, other, place, review};
use crate::base::{Stamp, Zone};
use crate::report::grid::Table;
use crate::report::visit::{Came, VisitStep};
use crate::report::{Beside, cautions};

/// All blocks of the page.
pub fn compose(report: &Report) -> Vec<Block> {
    let zone = report.zone().map(|(zone, _)| zone).unwrap_or_default();
    let mut page = front::front(report, &zone);
    for (index, sheet) in report.sheets.iter().enumerate() {
        check(&mut page, report, index, sheet, &zone);
    }
    visit(&mut page, &report.record.visit, &zone);
    place::place(&mut page, report, &zone);
    place::evidence(&mut page, report);
    page.push(Block::Heading(2, "Cautions".into()));
    page.push(Block::List(cautions::PANEL.iter().map(|caution| (*caution).to_owned()).collect()));
    page.push(Block::Text(cautions::RULES.into()));
    page.push(Block::Heading(2, "Signatures".into()));
    let fields = ["Name", "Company, licence or registration", "Place and date", "Signature"];
    let fields = || fields.iter().map(|field| (*field).to_owned()).collect();
    page.push(Block::Signature(vec![("Measured by".into(), fields()), ("Received by".into(), fields())]));
    page
}

/// The steps of a guided visit as they went, with what was noted at each; nothing where there was none.
fn visit(page: &mut Vec<Block>, steps: &[VisitStep], zone: &Zone) {
    if steps.is_empty() {
        return;
    }
    page.push(Block::Heading(2, "The visit".into()));
    let times = Times::from(zone, steps.first().and_then(|step| Stamp::parse(&step.at)));
    let mut table = Table::new(
        "Steps of the guided visit. Noted by the program while it went on, and not computed again.",
        &["step", &times.title(), "how it went", "noted"],
    );
    for step in steps {
        let came = match (step.came, step.reason.as_deref()) {
            (Came::Done, None) => "done".to_owned(),
            (Came::Done, Some(reason)) => format!("left as it came out: {reason}"),
            (Came::Needless, reason) => format!("not called for: {}", reason.unwrap_or("nothing to do")),
            (Came::Skipped, reason) => format!("left out: {}", reason.unwrap_or("no reason was given")),
        };
        let noted = step.noted.join("; ");
        table.row([step.title.clone(), times.clock(Stamp::parse(&step.at)), came, noted]);
    }
    page.push(Block::Table(table));
}

/// One check in full.
fn check(page: &mut Vec<Block>, report: &Report, index: usize, sheet: &Sheet, zone: &Zone) {
    let doc = sheet.doc();
    let times = Times::from(zone, doc.time("start"));
    page.push(Block::Heading(2, front::name_of(report, index)));
    page.push(Block::Verdict(Box::new(front::verdict_box(report, index, zone))));
    let mut facts = vec![
        ("Meter".to_owned(), place::meter_in_short(sheet)),
        ("Time".to_owned(), times.span(doc.time("start"), doc.time("end"))),
    ];
    let beside = Beside::of_document(doc.0).words();
    if !beside.is_empty() {
        facts.push(("Told beside the captures".to_owned(), beside.join("; ")));
    }
    match doc.text("check") {
        "ct" => ct::section(page, sheet, &times, facts),
        "limit" => limit::section(page, sheet, &times, facts),
        "review" => review::section(page, sheet, &times, &mut facts),
        _ => other::section(page, sheet, &mut facts),
    }
    for (title, key) in [("Why", "reasons"), ("What next", "next")] {
        let items = doc.texts(key);
        if !items.is_empty() {
            page.push(Block::Heading(3, title.into()));
            page.push(Block::List(items));
        }
    }
    place::events(page, sheet, &times);
}
