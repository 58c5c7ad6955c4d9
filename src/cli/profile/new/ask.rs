//! The questions of `profile new`, each with what is usual in brackets, and asked again until the answer can be used.

use super::{NewArgs, base, wrong};
use crate::base::{Failure, FailureKind, Quantity};
use crate::cli::out::Out;
use crate::profile::skeleton::{Listed, Named, Skeleton};
use crate::profile::{Order, Parity, Positive, Table, Type};
use crate::report::text::wrapped;

pub(super) fn parity(text: &str) -> Result<Parity, String> {
    one_of(text, &[("none", Parity::None), ("even", Parity::Even), ("odd", Parity::Odd)])
}

pub(super) fn counting(text: &str) -> Result<Listed, String> {
    one_of(text, &[("0", Listed::FromZero), ("1", Listed::FromOne), ("numbers", Listed::Numbers)])
}

pub(super) fn table(text: &str) -> Result<Table, String> {
    one_of(
        text,
        &[("input", Table::Input), ("holding", Table::Holding), ("4", Table::Input), ("3", Table::Holding)],
    )
}

pub(super) fn order(text: &str) -> Result<Order, String> {
    one_of(text, &[("high-first", Order::HighFirst), ("low-first", Order::LowFirst)])
}

pub(super) fn positive(text: &str) -> Result<Positive, String> {
    one_of(text, &[("import", Positive::Import), ("export", Positive::Export)])
}

pub(super) fn kind(text: &str) -> Result<Type, String> {
    let all: Vec<(&str, Type)> = Type::ALL.iter().map(|kind| (kind.word(), *kind)).collect();
    one_of(text, &all)
}

/// The value of a word, or of a beginning that only one word has.
fn one_of<T: Copy>(text: &str, words: &[(&str, T)]) -> Result<T, String> {
    let text = text.trim().to_lowercase();
    if let Some((_, value)) = words.iter().find(|(word, _)| *word == text) {
        return Ok(*value);
    }
    let begun: Vec<&(&str, T)> =
        words.iter().filter(|(word, _)| !text.is_empty() && word.starts_with(&text)).collect();
    match begun.as_slice() {
        [(_, value)] => Ok(*value),
        _ => {
            Err(format!("write {}", crate::profile::suggest::list(words.iter().map(|(word, _)| *word), "or")))
        }
    }
}

/// The person at the keyboard.
struct Person<'o> {
    input: std::io::Lines<std::io::StdinLock<'static>>,
    out: &'o Out,
}

impl Person<'_> {
    fn say(&self, lead: &str, words: &str) {
        self.out.error(wrapped(lead, words, self.out.width).trim_end());
    }

    /// Asks until `read` takes the answer; an empty one is `usual`, where there is a usual one.
    fn ask<T>(
        &mut self,
        question: &str,
        usual: Option<&str>,
        mut read: impl FnMut(&str) -> Result<T, String>,
    ) -> Result<T, Failure> {
        loop {
            let question = match usual {
                Some("") | None => question.to_owned(),
                Some(usual) => format!("{question} [{usual}]"),
            };
            self.say("", &question);
            let Some(Ok(line)) = self.input.next() else {
                return Err(Failure::new(
                    FailureKind::Interrupted,
                    "the answers ended before the last question; nothing was written",
                ));
            };
            let line = line.trim();
            let answer = if line.is_empty() { usual.unwrap_or("") } else { line };
            match read(answer) {
                Ok(value) => return Ok(value),
                Err(error) => self.say("  ", &error),
            }
        }
    }
}

/// Asks what the command line has not said.
pub(super) fn ask(args: &NewArgs, out: &Out) -> Result<Skeleton, Failure> {
    let mut person = Person { input: std::io::stdin().lines(), out };
    out.error("With the meter's register list in hand. Enter takes what stands in brackets.");
    let mut skeleton = base(args);
    if args.name.is_none() {
        skeleton.name =
            person.ask("What is the meter called?", Some("unnamed meter"), |text| Ok(text.to_owned()))?;
    }
    if args.phases.is_none() {
        skeleton.phases =
            person.ask("How many phases does it measure: 1, 2 (split phase) or 3?", Some("3"), |text| {
                text.parse()
                    .ok()
                    .filter(|phases| (1..=3).contains(phases))
                    .ok_or_else(|| "write 1, 2 or 3".to_owned())
            })?;
    }
    if args.baud.is_none() && args.parity.is_none() && args.stop_bits.is_none() {
        let question = "Speed, parity and stop bits of its serial line? (as it is; TCP: Enter)";
        skeleton.line = person.ask(question, Some("9600 8N1"), settings)?;
    }
    if args.unit.is_none() {
        skeleton.unit = person.ask("Its unit address?", Some("1"), |text| {
            text.parse()
                .ok()
                .filter(|unit| (1..=247).contains(unit))
                .ok_or_else(|| "write 1 to 247".to_owned())
        })?;
    }
    if args.counts.is_none() {
        let question =
            "How does the list count: 0 (addresses as on the wire), 1 (from 1), or numbers (30001, 40001)?";
        skeleton.counting = person.ask(question, Some("0"), counting)?;
    }
    if args.table.is_none() && skeleton.counting != Listed::Numbers {
        let question =
            "Are the measured values input registers (function 4) or holding registers (function 3)?";
        skeleton.table = person.ask(question, Some("input"), table)?;
    }
    if args.kind.is_none() {
        let question =
            "How do most of them hold a number: f32 (float), u16, i16, u32, i32 …? (i: can go below zero)";
        skeleton.kind = person.ask(question, Some("f32"), kind)?;
    }
    if args.word_order.is_none() {
        let question = "Which half of a number in two registers comes first: high-first or low-first?";
        skeleton.word_order = person.ask(question, Some("high-first"), order)?;
    }
    if args.positive.is_none() {
        let question = "What does a positive power mean: import (the site draws from the grid) or export? \
                        (No list? See the display with a load on and the generation off.)";
        skeleton.positive = Some(person.ask(question, None, positive)?);
    }
    points(&mut person, &mut skeleton)?;
    Ok(skeleton)
}

/// `9600 8N1`, or the speed alone.
fn settings(text: &str) -> Result<crate::profile::SerialSettings, String> {
    let wrong = || "write 9600 8N1: speed, 8 bits, parity N, E or O, stop bits 1 or 2".to_owned();
    let mut words = text.split_whitespace();
    let baud =
        words.next().and_then(|word| word.parse().ok()).filter(|baud| (300..=4_000_000).contains(baud));
    let baud = baud.ok_or_else(wrong)?;
    let format: Vec<char> = words.next().unwrap_or("8N1").to_uppercase().chars().collect();
    let ['8', parity, stop] = format.as_slice() else { return Err(wrong()) };
    let parity = match parity {
        'N' => Parity::None,
        'E' => Parity::Even,
        'O' => Parity::Odd,
        _ => return Err(wrong()),
    };
    let stop_bits = stop.to_digit(10).filter(|bits| (1..=2).contains(bits)).ok_or_else(wrong)? as u8;
    Ok(crate::profile::SerialSettings { baud, parity, stop_bits })
}

/// The points, quantity by quantity.
fn points(person: &mut Person<'_>, skeleton: &mut Skeleton) -> Result<(), Failure> {
    let apart = if skeleton.phases == 1 { "" } else { ", 530+2 for phases 2 apart, or 530,534,538" };
    person.say("", &format!(
        "Now addresses as the list has them: 530{apart}; behind it a unit, a scale or a type where it is another one: 530 kW, \
         530 x0.1, 530 u16. Enter: the meter has none."
    ));
    let several = skeleton.phases > 1;
    if several {
        point(person, skeleton, "Active power in total?", "active_power.total")?;
        point(person, skeleton, "Active power of each phase?", "active_power")?;
    } else {
        point(person, skeleton, "Active power?", "active_power")?;
    }
    while skeleton.points.is_empty() {
        person.say("  ", "Without an active power no check can use the profile. A meter that has one unsigned register for each \
                          direction: Enter here once more, then give both.");
        point(
            person,
            skeleton,
            "Active power?",
            if several { "active_power.total" } else { "active_power" },
        )?;
        if skeleton.points.is_empty() {
            let phase = if several { ".total" } else { ".L1" };
            both(person, skeleton, phase)?;
        }
    }
    for (question, name) in [
        ("Voltage to neutral?", "voltage"),
        ("Current?", "current"),
        ("Frequency?", "frequency"),
        ("Energy imported, in total?", "energy_import"),
        ("Energy exported, in total?", "energy_export"),
    ] {
        point(person, skeleton, question, name)?;
    }
    Ok(())
}

/// The two directions of one power.
fn both(person: &mut Person<'_>, skeleton: &mut Skeleton, phase: &str) -> Result<(), Failure> {
    let [import, export] = [Quantity::ActivePowerImport, Quantity::ActivePowerExport];
    let read = |skeleton: &Skeleton, quantity: Quantity, text: &str| match text {
        "" => Ok(None),
        _ => skeleton.named(&format!("{quantity}{phase}={text}")).map(Some),
    };
    let one = person.ask("Power imported?", Some(""), |text| read(skeleton, import, text))?;
    let Some(one) = one else { return Ok(()) };
    let other = person.ask("Power exported?", Some(""), |text| match read(skeleton, export, text)? {
        Some(other) => sound(skeleton, vec![one.clone(), other.clone()]).map(|()| other),
        None => Err("both directions are needed".to_owned()),
    })?;
    skeleton.points.extend([one, other]);
    Ok(())
}

/// One question about one point; an empty answer is none.
fn point(
    person: &mut Person<'_>,
    skeleton: &mut Skeleton,
    question: &str,
    name: &str,
) -> Result<(), Failure> {
    let found = person.ask(question, Some(""), |text| {
        if text.is_empty() {
            return Ok(None);
        }
        let named = skeleton.named(&format!("{name}={text}"))?;
        sound(skeleton, vec![named.clone()])?;
        Ok(Some(named))
    })?;
    skeleton.points.extend(found);
    Ok(())
}

/// Whether the profile has no fault with these points added.
fn sound(skeleton: &Skeleton, more: Vec<Named>) -> Result<(), String> {
    let mut with = skeleton.clone();
    with.points.extend(more);
    wrong(&with).map_or(Ok(()), Err)
}
