//! Snapshots out of captures: what a meter answered around the times at which somebody noted what instruments showed.

use std::collections::BTreeMap;

use crate::base::{Failure, Span, Stamp};
use crate::cli::source::Loaded;
use crate::link::{Pairer, Transaction};
use crate::profile::{Registers, Table};
use crate::reading::fit::{RegisterMap, Seen, Snapshot, parse_seen};
use crate::record::{Mark, MarkKind, Record};

/// Registers read further away than this from a look do not belong to it. Ours.
const NEAR: Span = Span::from_millis(30_000);
/// Values noted within this time of each other are one look. Ours.
const TOGETHER: Span = Span::from_millis(10_000);

/// Everything one unit answered, in time order.
pub(crate) struct Answers {
    pub(crate) unit: u8,
    answers: Vec<(Stamp, Registers, Vec<u16>)>,
}

impl Answers {
    /// Those of the unit that was named, or of the one that answered most.
    pub(crate) fn of(loaded: &Loaded, unit: Option<u8>) -> Result<Self, Failure> {
        let mut pairer = Pairer::new(&loaded.lines);
        let mut settled: Vec<Transaction> = Vec::new();
        for record in &loaded.records {
            pairer.push(record, &mut settled);
        }
        pairer.finish(&mut settled);
        let mut by_unit: BTreeMap<u8, Vec<(Stamp, Registers, Vec<u16>)>> = BTreeMap::new();
        for transaction in &settled {
            let table = match transaction.asked.function {
                3 => Table::Holding,
                4 => Table::Input,
                _ => continue,
            };
            let (Some(at), Some(words)) = (transaction.answered_at(), transaction.registers()) else {
                continue;
            };
            let run = Registers { table, address: transaction.asked.address, count: words.len() as u16 };
            by_unit.entry(transaction.asked.unit).or_default().push((at, run, words));
        }
        let most = by_unit.iter().max_by_key(|(_, answers)| answers.len()).map(|(unit, _)| *unit);
        let Some(unit) = unit.or(most) else {
            return Err(Failure::nothing("no meter's answer is in it"));
        };
        let units: Vec<String> = by_unit.keys().map(ToString::to_string).collect();
        let answers = by_unit.remove(&unit).ok_or_else(|| {
            Failure::nothing(format!("unit {unit} gave no answer in it"))
                .hint(format!("these did: {}", units.join(", ")))
        })?;
        Ok(Self { unit, answers })
    }

    /// The registers as they stood nearest to an instant.
    pub(crate) fn around(&self, at: Stamp) -> RegisterMap {
        let away = |stamp: Stamp| if stamp > at { stamp - at } else { at - stamp };
        let mut near: Vec<_> = self.answers.iter().filter(|(stamp, ..)| away(*stamp) <= NEAR).collect();
        // The nearest come last and stay.
        near.sort_by_key(|(stamp, ..)| std::cmp::Reverse(away(*stamp)));
        let mut map = RegisterMap::default();
        for (_, run, words) in near {
            map.put(*run, words);
        }
        map
    }

    /// Everything it ever answered, the newest where it did so more than once.
    pub(crate) fn all(&self) -> RegisterMap {
        let mut map = RegisterMap::default();
        for (_, run, words) in &self.answers {
            map.put(*run, words);
        }
        map
    }

    /// First and last answer.
    pub(crate) fn span(&self) -> Option<(Stamp, Stamp)> {
        Some((self.answers.first()?.0, self.answers.last()?.0))
    }
}

/// Looks out of `seen` marks.
pub(super) fn marked(loaded: &Loaded) -> Result<Vec<(Stamp, Vec<Seen>)>, Failure> {
    let mut looks: Vec<(Stamp, Vec<Seen>)> = Vec::new();
    for record in &loaded.records {
        let Record::Mark(mark) = record else { continue };
        if mark.kind != MarkKind::Seen {
            continue;
        }
        let Some(seen) = of_mark(mark)? else { continue };
        match looks.last_mut() {
            Some((at, known))
                if mark.at - *at <= TOGETHER && known.iter().all(|other| other.key != seen.key) =>
            {
                known.push(seen);
            }
            _ => looks.push((mark.at, vec![seen])),
        }
    }
    Ok(looks)
}

fn of_mark(mark: &Mark) -> Result<Option<Seen>, Failure> {
    let (Some(quantity), Some(value)) = (&mark.quantity, &mark.value) else { return Ok(None) };
    let phase = mark.phase.as_deref().unwrap_or("total");
    let text = format!("{quantity}.{phase}={}", value.replace(' ', ""));
    let seen = parse_seen(&text).map_err(|error| {
        Failure::unreadable(format!("a `seen` mark at {} can't be used: {error}", mark.at.rfc3339(0)))
    })?;
    Ok(seen.into_iter().next())
}

/// Marks for what was typed.
pub(super) fn marks(at: Stamp, text: &str) -> Vec<Mark> {
    let words = text.split_whitespace().filter_map(|word| word.split_once('='));
    words
        .map(|(name, value)| {
            let (quantity, phase) = name.split_once('.').unwrap_or((name, "total"));
            let mut mark = Mark::new(at, MarkKind::Seen, format!("seen {name} = {value}"));
            mark.quantity = Some(quantity.to_owned());
            mark.phase = Some(phase.to_owned());
            mark.value = Some(value.to_owned());
            mark
        })
        .collect()
}

/// Registers around each look.
pub(super) fn snapshots(answers: &Answers, looks: Vec<(Stamp, Vec<Seen>)>) -> Result<Vec<Snapshot>, Failure> {
    looks
        .into_iter()
        .map(|(at, seen)| {
            let registers = answers.around(at);
            if registers.is_empty() {
                return Err(Failure::nothing(format!(
                    "unit {} answered nothing within 30 s of {}",
                    answers.unit,
                    at.rfc3339(0)
                )));
            }
            Ok(Snapshot { registers, seen })
        })
        .collect()
}
