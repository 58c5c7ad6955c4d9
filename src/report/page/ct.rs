//! The part of a CT check: channels, answers to loads elsewhere, position, steps.

use super::block::Block;
use super::doc::{Doc, Times};
use super::sheet::Sheet;
use super::steps_picture;
use crate::report::figures::with_uncertainty;
use crate::report::grid::Table;

/// Facts, tables and pictures.
pub(super) fn section(page: &mut Vec<Block>, sheet: &Sheet, times: &Times, mut facts: Vec<(String, String)>) {
    let doc = sheet.doc();
    let seen = match doc.text("sign.seen") {
        "generation" => "shown: it went negative as the plant fed in",
        "counters" => "shown: the import counter rose with the load, and the export counter did not",
        "profile" => "stated by the profile",
        _ => "not shown: nothing says that this power can go negative",
    };
    facts.push(("That the power can go negative".to_owned(), seen.to_owned()));
    facts.push(("Sign in this report".to_owned(), doc.text("sign.convention").to_owned()));
    page.push(Block::Facts(facts));
    page.push(Block::Table(channels(doc)));
    let responses = responses(doc);
    if !responses.rows.is_empty() {
        page.push(Block::Table(responses));
    }
    let position = position(doc);
    if !position.rows.is_empty() {
        page.push(Block::Table(position));
    }
    if let Some(evidence) = &sheet.evidence {
        page.extend(
            steps_picture::figure(&evidence.curves, doc).map(|figure| Block::Figure(Box::new(figure))),
        );
    }
    let steps = steps(doc, times);
    if !steps.rows.is_empty() {
        page.push(Block::Table(steps));
    }
}

fn channels(doc: Doc<'_>) -> Table {
    let mut table = Table::new(
        "Channels of the meter. Step: how far the known load moved the channel. Share: of what the load draws; 0.8 to 1.25 is \
         no fault. Uncertainties are expanded (k = 2).",
        &[
            "channel",
            "finding",
            ">step,\u{a0}W",
            ">expected,\u{a0}W",
            ">share",
            ">on/off pairs",
            ">confidence",
        ],
    );
    for channel in doc.list("channels") {
        let pair = |value: &str, uncertainty: &str, otherwise: i32| {
            channel.number(value).map_or_else(
                || "-".to_owned(),
                |number| with_uncertainty(number, channel.number(uncertainty), otherwise),
            )
        };
        table.row([
            channel.text("channel").to_owned(),
            finding(channel),
            pair("step.active_W", "step.active_u_W", 0),
            channel.number("expected.active_W").map_or_else(|| "-".to_owned(), |watts| format!("{watts:.0}")),
            pair("gain", "gain_u", 2),
            channel.number("pairs").map_or_else(|| "-".to_owned(), |pairs| format!("{pairs:.0}")),
            channel
                .number("confidence")
                .filter(|confidence| *confidence > 0.0)
                .map_or_else(|| "-".to_owned(), |confidence| format!("{confidence}")),
        ]);
    }
    table
}

/// Status and faults of a channel in words.
fn finding(channel: Doc<'_>) -> String {
    let mut words = vec![channel.text("status").to_owned()];
    for fault in channel.texts("faults") {
        words.push(match fault.as_str() {
            "reversed" => "counts the wrong way".to_owned(),
            "other-phase" => match channel.text("senses") {
                "" => "voltage and current of different phases".to_owned(),
                senses => format!("the current is that of {senses}"),
            },
            "no-response" => "does not move".to_owned(),
            "wrong-ratio" => "moves by a wrong amount".to_owned(),
            other => other.to_owned(),
        });
    }
    let (status, faults) = (words.remove(0), words);
    if faults.is_empty() { status } else { format!("{status}: {}", faults.join("; ")) }
}

/// Rows are channels, columns where the other loads stood.
fn responses(doc: Doc<'_>) -> Table {
    let mut places: Vec<String> = Vec::new();
    for response in doc.list("channels").flat_map(|channel| channel.list("responses").collect::<Vec<_>>()) {
        let place = response.text("load_phase").to_owned();
        if !places.contains(&place) {
            places.push(place);
        }
    }
    places.sort();
    let titles: Vec<String> = places.iter().map(|place| format!(">load on {place},\u{a0}W")).collect();
    let titles: Vec<&str> = std::iter::once("channel").chain(titles.iter().map(String::as_str)).collect();
    let mut table =
        Table::new("Answers to loads on other phases; a channel that sits right does not move.", &titles);
    for channel in doc.list("channels").filter(|channel| channel.list("responses").next().is_some()) {
        let mut row = vec![channel.text("channel").to_owned()];
        for place in &places {
            let here = |response: &Doc<'_>| response.text("load_phase") == place;
            let moved: Vec<String> = channel
                .list("responses")
                .filter(here)
                .filter_map(|response| {
                    Some(with_uncertainty(response.number("active_W")?, response.number("active_u_W"), 0))
                })
                .collect();
            row.push(moved.join("; "));
        }
        table.row(row);
    }
    table
}

fn position(doc: Doc<'_>) -> Table {
    let mut table = Table::new(
        "Position: what moves this meter, and so lies behind it.",
        &["load or plant", "moves the meter"],
    );
    for position in doc.list("position") {
        let seen = match position.yes("seen") {
            Some(true) => "yes",
            Some(false) => "NO",
            None => "not tried",
        };
        table.row([position.text("source"), seen]);
    }
    table
}

/// A row for each phase a load was switched on.
fn steps(doc: Doc<'_>, times: &Times) -> Table {
    let title = times.title();
    let mut table = Table::new(
        "Edges found in the readings.",
        &["load on", &format!("came on, {title}"), &format!("went off, {title}")],
    );
    let mut phases: Vec<&str> = Vec::new();
    for step in doc.list("steps") {
        if !phases.contains(&step.text("phase")) {
            phases.push(step.text("phase"));
        }
    }
    for phase in phases {
        let of = |kind: &str| {
            let mine =
                doc.list("steps").filter(|step| step.text("phase") == phase && step.text("kind") == kind);
            mine.map(|step| times.clock(step.time("at"))).collect::<Vec<_>>().join(", ")
        };
        let name = if phase.is_empty() { "an unknown phase" } else { phase };
        table.row([name.to_owned(), of("load-on"), of("load-off")]);
    }
    table
}
