//! A profile as a sheet for paper: what is read where, with room to write down what the meter's own display shows. This is how
//! a profile is compared with a meter when the laptop stands out of its sight.

use super::{Shown, requests, row};
use crate::profile::{Registers, Source, Table as Registered, narrow};
use crate::report::grid::Table;
use crate::report::page::block::Block;
use crate::report::page::html::file;

/// The file of the sheet.
pub(super) fn sheet(shown: &[Shown]) -> String {
    let mut blocks = vec![Block::Heading(
        1,
        match shown {
            [one] => one.title.clone(),
            _ => "Profiles of the site's meters".to_owned(),
        },
    )];
    for one in shown {
        meter(&mut blocks, one, shown.len() > 1);
    }
    blocks.push(Block::Signature(vec![
        ("Compared with the meter's display".to_owned(), vec!["Name".to_owned(), "Date".to_owned()]),
        ("Meter".to_owned(), vec!["Place".to_owned(), "Serial number".to_owned()]),
    ]));
    file(&blocks, "")
}

fn meter(blocks: &mut Vec<Block>, shown: &Shown, several: bool) {
    if several {
        blocks.push(Block::Heading(2, shown.title.clone()));
    }
    blocks.push(Block::Warning(
        "Caution".to_owned(),
        "work at a meter panel can kill; only those licensed to do so open it, and local codes stand above this sheet".to_owned(),
    ));
    let [line, requests_at_most, renewed] = shown.facts();
    let fact = |name: &str, words: String| (name.to_owned(), words);
    let mut facts = vec![fact("Line", line), fact("Reading", requests_at_most), fact("Update", renewed)];
    if !shown.profile.notes.is_empty() {
        facts.push(fact("Notes", shown.profile.notes.clone()));
    }
    blocks.push(Block::Facts(facts));
    let mut points = Table::new(
        "Points. \"Number\" counts from 1 as printed tables do, \"on the wire\" from 0.",
        &[
            "point",
            "function",
            ">number",
            ">on the wire",
            "type",
            "unit",
            "sign and more",
            "display shows",
            "read",
        ],
    );
    let narrowed = narrow(&shown.profile, shown.lines);
    for point in narrowed.points.iter().chain(&narrowed.settings) {
        let [name, _, address, hexadecimal, kind, unit, more] = row(point);
        let (function, number) = match &point.source {
            Source::Registers { at, .. } => (at.table.function().to_string(), printed(*at)),
            Source::Sum(_) => (String::new(), String::new()),
        };
        let wire = format!("{address} {hexadecimal}").trim().to_owned();
        // Wide enough to write in.
        let room = "\u{a0}".repeat(16);
        points.row([name, function, number, wire, kind, unit, more, room.clone(), room]);
    }
    blocks.push(Block::Table(points));
    blocks.push(Block::Text(
        "Compare with a load on and with it off. A reading that is off by a factor of ten, by one register or by its sign shows \
         here; which way power counts, only a known load shows."
            .to_owned(),
    ));
    let (cycle, settings) = shown.plans();
    let mut plan = vec![requests(shown, "Requests of one reading", &cycle)];
    if !settings.requests.is_empty() {
        plan.push(requests(shown, "Requests of the settings, at the start and end of a check", &settings));
    }
    blocks.push(Block::Code(plan.join("\n\n").lines().map(str::to_owned).collect()));
}

/// The number a printed table has for it: 3 and 4 in front, counted from 1 (trade practice; facts 1.1).
fn printed(at: Registers) -> String {
    let table = if at.table == Registered::Input { 3 } else { 4 };
    let counted = u32::from(at.address) + 1;
    if counted > 9999 { format!("{table}{counted:05}") } else { format!("{table}{counted:04}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Facts 1.1: 30001 and 40001 are the first of their tables, 0 on the wire; six digits go to the end.
    #[test]
    fn numbers_are_those_of_printed_tables() {
        let number = |table, address| printed(Registers { table, address, count: 2 });
        assert_eq!(number(Registered::Input, 0), "30001");
        assert_eq!(number(Registered::Holding, 9998), "49999");
        assert_eq!(number(Registered::Holding, 9999), "410000");
        assert_eq!(number(Registered::Input, 65_535), "365536");
    }
}
