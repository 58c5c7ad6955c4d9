//! What was found, in words and as a document.

use std::fmt::Write as _;

use serde::Serialize;
use serde_json::{Value, json};

use crate::base::PointKey;
use crate::profile::{Order, Registers};
use crate::reading::fit::{Candidate, Fit, Found, Sense, Snapshot, next};
use crate::report::text::wrapped;

/// Points with their confidence, best known first of all by name; what to do next after them.
pub(super) fn screen(fit: &Fit, snapshots: &[Snapshot], width: usize) -> String {
    let mut text = String::new();
    let name = fit.found.iter().map(|found| found.key.to_string().len()).max().unwrap_or(0).max(5);
    let _ = writeln!(text, "{:name$}  sure  where           how                 reads", "point");
    for found in &fit.found {
        let at = found.candidate.spot.at;
        let line = format!(
            "{:name$}  {:.2}  {:7} 0x{:04X}  {:18}  {}",
            found.key.to_string(),
            found.confidence,
            at.table.word(),
            at.address,
            how(&found.candidate),
            reads(found)
        );
        let _ = writeln!(text, "{}", line.trim_end());
    }
    for key in &fit.missed {
        let _ = writeln!(text, "{key:name$}  nothing that was read fits");
    }
    let mut told: Vec<String> = Vec::new();
    for found in &fit.found {
        let Some(words) = next(found, snapshots) else { continue };
        if !told.contains(&words) {
            text.push_str(&wrapped("next: ", &format!("{}: {words}", found.key), width));
            told.push(words);
        }
    }
    text
}

/// `u16 × 0.1`, `f32 low-first`.
fn how(candidate: &Candidate) -> String {
    let encoding = candidate.spot.encoding;
    let mut words = encoding.kind.word().to_owned();
    if candidate.power != 0 {
        let _ = write!(words, " × {}", candidate.count());
    }
    if candidate.spot.at.count > 1 && encoding.word_order == Order::LowFirst {
        words.push_str(" low-first");
    }
    if encoding.byte_order == Order::LowFirst {
        words.push_str(" bytes turned");
    }
    if candidate.turned {
        words.push_str(" export+");
    }
    words
}

fn reads(found: &Found) -> String {
    let PointKey::Of(quantity, _) = found.key else { return String::new() };
    let last: Vec<f64> = found.candidate.values.iter().rev().take(3).rev().copied().flatten().collect();
    let numbers: Vec<String> = last.iter().map(|value| number(*value)).collect();
    format!("{} {}", numbers.join(" "), quantity.dimension().base())
}

/// A number with the digits it needs.
fn number(value: f64) -> String {
    let size = value.abs();
    if size >= 1000.0 || value.fract() == 0.0 {
        format!("{value:.0}")
    } else if size >= 10.0 {
        format!("{value:.1}")
    } else {
        format!("{value:.3}")
    }
}

#[derive(Serialize)]
struct Reading {
    table: &'static str,
    address: u16,
    #[serde(rename = "type")]
    kind: &'static str,
    word_order: &'static str,
    byte_order: &'static str,
    scale: f64,
    positive: &'static str,
    values: Vec<Option<f64>>,
}

fn reading(candidate: &Candidate) -> Reading {
    let order = |order| if order == Order::LowFirst { "low-first" } else { "high-first" };
    Reading {
        table: candidate.spot.at.table.word(),
        address: candidate.spot.at.address,
        kind: candidate.spot.encoding.kind.word(),
        word_order: order(candidate.spot.encoding.word_order),
        byte_order: order(candidate.spot.encoding.byte_order),
        scale: candidate.count(),
        positive: if candidate.turned { "export" } else { "import" },
        values: candidate.values.clone(),
    }
}

/// The same for machines.
pub(super) fn document(fit: &Fit, snapshots: &[Snapshot]) -> Value {
    let points: Vec<Value> = fit
        .found
        .iter()
        .map(|found| {
            let rivals: Vec<Value> = found
                .rivals
                .iter()
                .map(|rival| json!({ "share": rival.share, "reading": reading(&rival.candidate) }))
                .collect();
            json!({
                "point": found.key.to_string(),
                "confidence": found.confidence,
                "seen": found.looks,
                "reading": reading(&found.candidate),
                "rivals": rivals,
                "next": next(found, snapshots),
            })
        })
        .collect();
    let missed: Vec<String> = fit.missed.iter().map(ToString::to_string).collect();
    json!({ "snapshots": snapshots.len(), "points": points, "missed": missed })
}

/// What each address of a range may be, best first.
pub(super) type ByAddress = Vec<(u16, Vec<Sense>)>;

/// What each address may be, in words; runs of zeros together, the back of a wide number in short.
pub(super) fn explained(told: &[(Registers, ByAddress)], width: usize) -> String {
    let mut text = String::new();
    for (range, addresses) in told {
        let mut held: Option<(u16, u16, f64)> = None;
        let mut zeros: Option<(u16, u16)> = None;
        for (address, senses) in addresses {
            let nothing = senses.iter().all(|sense| sense.values.iter().all(|value| *value == 0.0));
            if nothing {
                zeros = Some((zeros.map_or(*address, |(first, _)| first), *address));
                continue;
            }
            end_of_zeros(&mut text, *range, zeros.take());
            let best = senses.first();
            if let (Some((first, end, weight)), Some(best)) = (held, best)
                && *address < end
                && best.weight < weight
            {
                let _ = writeln!(text, "{} 0x{address:04X}: belongs to 0x{first:04X}", range.table.word());
                continue;
            }
            held = best
                .filter(|best| best.spot.at.count > 1)
                .map(|best| (*address, address.saturating_add(best.spot.at.count), best.weight));
            for (index, sense) in senses.iter().enumerate() {
                let lead = if index == 0 {
                    format!("{} 0x{address:04X}: ", range.table.word())
                } else {
                    " ".repeat(range.table.word().len() + 6) + "or "
                };
                text.push_str(&wrapped(&lead, &words(sense), width));
            }
        }
        end_of_zeros(&mut text, *range, zeros);
    }
    text
}

fn end_of_zeros(text: &mut String, range: Registers, zeros: Option<(u16, u16)>) {
    let table = range.table.word();
    match zeros {
        Some((first, last)) if first == last => {
            let _ = writeln!(text, "{table} 0x{first:04X}: always 0");
        }
        Some((first, last)) => {
            let _ = writeln!(text, "{table} 0x{first:04X} to 0x{last:04X}: always 0");
        }
        None => {}
    }
}

fn words(sense: &Sense) -> String {
    let encoding = sense.spot.encoding;
    let mut kind = encoding.kind.word().to_owned();
    if sense.spot.at.count > 1 && encoding.word_order == Order::LowFirst {
        kind.push_str(" low-first");
    }
    let unit = sense.quantity.map_or("", |quantity| quantity.dimension().base());
    let first = sense.values.first().copied().unwrap_or(0.0);
    let last = sense.values.last().copied().unwrap_or(first);
    let mut value = number(first);
    if last != first {
        let _ = write!(value, " to {}", number(last));
    }
    let what =
        sense.quantity.map_or_else(|| "a number".to_owned(), |quantity| quantity.word().replace('_', " "));
    format!("{what}, {value} {unit}").trim_end().to_owned() + &format!(" as {kind}: {}", sense.why)
}
