//! The part of an export limit check: window, rules, challenges, excursions.

use std::fmt::Write as _;

use super::block::Block;
use super::doc::{Doc, Times};
use super::limit_picture;
use super::sheet::Sheet;
use crate::report::figures::{duration, percent_cut, sensible, to_place};
use crate::report::grid::Table;

/// Excursions of a rule shown in full; the rest are counted.
const SHOWN: usize = 20;

/// Facts, tables and pictures.
pub(super) fn section(page: &mut Vec<Block>, sheet: &Sheet, times: &Times, mut facts: Vec<(String, String)>) {
    let doc = sheet.doc();
    let flow = Flow::of(doc);
    let u = doc.number("expanded_uncertainty_W").unwrap_or(0.0);
    let watts = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| sensible(value, u, 1));
    facts.extend(window(doc, flow));
    page.push(Block::Facts(facts));
    page.push(Block::Table(rules(doc, flow, &watts)));
    if let Some(evidence) = &sheet.evidence {
        page.extend(
            limit_picture::figures(&evidence.case, doc, times)
                .into_iter()
                .map(|one| Block::Figure(Box::new(one))),
        );
    }
    let challenges = challenges(doc, flow, times, &watts);
    if challenges.rows.is_empty() {
        page.push(Block::Text("No challenge was seen in the window.".into()));
    } else {
        page.push(Block::Table(challenges));
    }
    let several = doc.list("rules").count() > 1;
    for (number, rule) in doc.list("rules").enumerate() {
        let name = if several { format!(" of rule {}", number + 1) } else { String::new() };
        excursions(page, rule, &name, times, &watts);
    }
    sides(page, doc);
    let notes = doc.texts("notes");
    if !notes.is_empty() {
        page.push(Block::Heading(3, "Remarks".into()));
        page.push(Block::List(notes));
    }
}

/// What flows, in words.
#[derive(Clone, Copy)]
struct Flow {
    noun: &'static str,
    done: &'static str,
}

impl Flow {
    fn of(doc: Doc<'_>) -> Self {
        if doc.text("meter_role") == "generation" {
            Self { noun: "generation", done: "Generated" }
        } else {
            Self { noun: "export", done: "Exported" }
        }
    }
}

fn window(doc: Doc<'_>, flow: Flow) -> Vec<(String, String)> {
    let mut facts = Vec::new();
    let mut fact = |name: &str, words: String| facts.push((name.to_owned(), words));
    if let (Some(length), Some(coverage), Some(gap)) =
        (doc.number("window.duration_s"), doc.number("window.coverage"), doc.number("window.longest_gap_s"))
    {
        fact(
            "Window",
            format!(
                "{}, {} of it covered by readings, longest gap {} s",
                duration(length),
                percent_cut(coverage),
                to_place(gap, 1)
            ),
        );
    }
    if let Some(uncertainty) = doc.number("expanded_uncertainty_W") {
        fact(
            "Uncertainty of the power",
            format!("{} W (expanded, k = 2), mean over the window", to_place(uncertainty, 0)),
        );
    }
    if let Some(energy) = doc.flow("exported_Wh") {
        fact(&format!("{} in the window", flow.done), format!("{} Wh", to_place(energy, 1)));
    }
    let found = |key: &str| {
        doc.number(key).map_or_else(String::new, |seconds| {
            format!(" ({} s found in the readings)", to_place(seconds, 1))
        })
    };
    if let (Some(spacing), Some(update), Some(averaging)) = (
        doc.number("timing.spacing_s"),
        doc.number("timing.update_profile_s"),
        doc.number("timing.averaging_profile_s"),
    ) {
        let needed = doc.number("timing.needed_s").map_or_else(String::new, |needed| {
            format!("; the rules need each of these within {} s", to_place(needed, 1))
        });
        fact(
            "Speed of the meter",
            format!(
                "a reading every {} s; renews its values every {} s{}; averages over {} s{}{needed}",
                to_place(spacing, 1),
                to_place(update, 1),
                found("timing.update_measured_s"),
                to_place(averaging, 1),
                found("timing.averaging_measured_s")
            ),
        );
    }
    facts
}

fn rules(doc: Doc<'_>, flow: Flow, watts: &dyn Fn(Option<f64>) -> String) -> Table {
    let noun = flow.noun;
    let mut table = Table::new(
        &format!(
            "Rules. Worst: the highest {noun} averaged as the rule says; possible: the same with the uncertainty added. Share: \
             of the window that excursions may have taken at most."
        ),
        &[
            "rule",
            ">averaged over,\u{a0}s",
            ">allowed above,\u{a0}s",
            ">worst,\u{a0}W",
            ">possible,\u{a0}W",
            ">longest excursion,\u{a0}s",
            ">share",
            "verdict",
        ],
    );
    for (number, rule) in doc.list("rules").enumerate() {
        let longest = rule.list("excursions").max_by(|one, other| {
            one.number("longest_s").unwrap_or(0.0).total_cmp(&other.number("longest_s").unwrap_or(0.0))
        });
        let allowed = match rule.number("longest_s") {
            Some(longest) if longest > 0.0 => format!("{longest}"),
            _ => "never".to_owned(),
        };
        table.row([
            format!("{}: {}", number + 1, limit_words(rule)),
            rule.number("averaging_s").map_or_else(|| "-".to_owned(), |seconds| format!("{seconds}")),
            allowed,
            watts(rule.flow("worst_averaged_export_W")),
            watts(rule.flow("worst_possible_export_W")),
            longest.map_or_else(|| "none".to_owned(), length),
            share(rule),
            rule.text("verdict").to_owned(),
        ]);
    }
    table
}

/// The other meters at the connection beside the judged one.
fn sides(page: &mut Vec<Block>, doc: Doc<'_>) {
    if doc.list("side_by_side").next().is_none() {
        return;
    }
    let with = |one: Doc<'_>, key: &str, u: &str, places: i32| match (one.number(key), one.number(u)) {
        (Some(value), Some(u)) => format!("{} ± {}", to_place(value, places), to_place(u, places)),
        (Some(value), None) => to_place(value, places),
        _ => "-".to_owned(),
    };
    let mut table = Table::new(
        "Meters side by side, with expanded uncertainties. Behind: how far the first follows the second in time.",
        &["meter", "beside", ">behind,\u{a0}s", ">gain", ">offset,\u{a0}W", "counts", "within both classes"],
    );
    for one in doc.list("side_by_side") {
        table.row([
            one.text("meter").to_owned(),
            one.text("against").to_owned(),
            with(one, "lag_s", "lag_u_s", 1),
            with(one, "gain", "gain_u", 3),
            with(one, "offset_W", "offset_u_W", 0),
            match one.number("sign") {
                Some(sign) if sign < 0.0 => "the other way",
                Some(_) => "the same way",
                None => "not shown",
            }
            .to_owned(),
            match one.yes("agree") {
                Some(true) => "yes",
                Some(false) => "NO",
                None => "not shown",
            }
            .to_owned(),
        ]);
    }
    page.push(Block::Table(table));
}

fn share(rule: Doc<'_>) -> String {
    let found = rule
        .number("share_at_most")
        .map_or_else(|| "-".to_owned(), |share| format!("{:.1} %", 100.0 * share));
    match rule.number("share") {
        Some(allowed) => format!("{found} of {:.1} %", 100.0 * allowed),
        None => found,
    }
}

/// `1.2 to 2.6`, in s.
fn length(excursion: Doc<'_>) -> String {
    let seconds =
        |key: &str| excursion.number(key).map_or_else(|| "?".to_owned(), |value| to_place(value, 1));
    format!("{} to {}", seconds("shortest_s"), seconds("longest_s"))
}

/// What a rule limits, in words.
pub(super) fn limit_words(rule: Doc<'_>) -> String {
    let watts = rule.flow("export_W").unwrap_or(0.0);
    let mut words = match (rule.flow("export_A"), rule.number("percent")) {
        (Some(amps), _) => format!("{amps} A ({} W)", to_place(watts, 0)),
        (_, Some(percent)) => format!("{percent} % of the plant ({} W)", to_place(watts, 0)),
        _ => format!("{} W", to_place(watts, 0)),
    };
    if let Some(band) = rule.number("tolerance_W").filter(|band| *band > 0.0) {
        let _ = write!(words, " + {} W tolerance", to_place(band, 0));
    }
    words.push_str(if rule.text("per") == "phase" { ", each phase" } else { ", all phases together" });
    words
}

/// The letter a challenge has in the picture and in its table: A to Z, then its number.
pub(super) fn letter(index: usize) -> String {
    u8::try_from(index)
        .ok()
        .filter(|index| *index < 26)
        .map_or_else(|| format!("{}", index + 1), |index| char::from(b'A' + index).to_string())
}

fn challenges(doc: Doc<'_>, flow: Flow, times: &Times, watts: &dyn Fn(Option<f64>) -> String) -> Table {
    let required = doc.number("challenges_required").unwrap_or(0.0);
    let counted = doc.list("challenges").filter(|one| one.yes("counts") == Some(true)).count();
    let mut table = Table::new(
        &format!(
            "Challenges: {counted} count, {required:.0} needed. Uncontrolled: what the {} would have been had nothing acted.",
            flow.noun
        ),
        &[
            "",
            &times.title(),
            "challenge",
            ">uncontrolled,\u{a0}W",
            ">peak,\u{a0}W",
            ">back within,\u{a0}s",
            "counts",
        ],
    );
    for (index, one) in doc.list("challenges").enumerate() {
        let kind = one.text("kind").replace('-', " ");
        let source = one.text("source");
        let counts = match (one.yes("counts"), one.text("why_not")) {
            (Some(true), _) => "yes".to_owned(),
            (_, "") => "no".to_owned(),
            (_, why) => format!("no: {why}"),
        };
        table.row([
            letter(index),
            times.clock(one.time("at")),
            if source.is_empty() { kind } else { format!("{kind}, {source}") },
            watts(one.flow("uncontrolled_export_W")),
            watts(one.flow("peak_export_W")),
            one.number("back_within_s").map_or_else(|| "-".to_owned(), |seconds| to_place(seconds, 1)),
            counts,
        ]);
    }
    table
}

fn excursions(
    page: &mut Vec<Block>,
    rule: Doc<'_>,
    name: &str,
    times: &Times,
    watts: &dyn Fn(Option<f64>) -> String,
) {
    let all: Vec<(usize, Doc<'_>)> = rule.list("excursions").enumerate().collect();
    if all.is_empty() {
        page.push(Block::Text(format!("Excursions{name}: none, not even within the uncertainty.")));
        return;
    }
    let certain = all.iter().filter(|(_, one)| one.yes("certain") == Some(true)).count();
    let mut shown = all.clone();
    shown.sort_by(|(_, one), (_, other)| {
        other.number("longest_s").unwrap_or(0.0).total_cmp(&one.number("longest_s").unwrap_or(0.0))
    });
    shown.truncate(SHOWN);
    shown.sort_by_key(|(index, _)| *index);
    let rest = if all.len() > SHOWN { format!(" The {SHOWN} longest are shown.") } else { String::new() };
    let mut table = Table::new(
        &format!(
            "Excursions{name} above the limit: {} possible, {certain} of them certain. The true length lies between the two \
             given: between readings nobody knows.{rest}",
            all.len()
        ),
        &[
            ">no.",
            &format!("begins, {}", times.title()),
            "on",
            ">length,\u{a0}s",
            ">peak,\u{a0}W",
            ">energy above,\u{a0}Wh",
            "kind",
        ],
    );
    for (index, one) in shown {
        let kind = match (one.yes("certain"), one.yes("gap")) {
            (Some(true), _) => "certain",
            (_, Some(true)) => "possible: nothing was read",
            _ => "possible: within the uncertainty",
        };
        table.row([
            format!("{}", index + 1),
            times.clock(one.time("start")),
            one.text("channel").to_owned(),
            length(one),
            watts(one.flow("peak_export_W")),
            one.number("energy_Wh").map_or_else(|| "-".to_owned(), |energy| to_place(energy, 2)),
            kind.to_owned(),
        ]);
    }
    page.push(Block::Table(table));
}
