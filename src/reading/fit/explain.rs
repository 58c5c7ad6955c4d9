//! For whoever works a list out by hand: what each address may be, in words. Without instruments only what is of a size
//! that something has is named, and why.

use crate::base::Quantity;
use crate::profile::{Order, Registers, Table};

use super::encoding::{Encoding, Spot, power_share};
use super::snapshot::{RegisterMap, Snapshot};
use super::ten_to;

/// One way to read an address that makes sense.
#[derive(Clone, Debug, PartialEq)]
pub struct Sense {
    /// Where and how.
    pub spot: Spot,
    /// One count is worth 10^power.
    pub power: i8,
    /// What it may be; nothing where it is a plain number.
    pub quantity: Option<Quantity>,
    /// What it reads, in the base unit, in each map.
    pub values: Vec<f64>,
    /// In words.
    pub why: String,
    /// For ranking; more is better.
    pub weight: f64,
}

/// Reads a range of registers as people type it: `0x0200..0x0240` (the end left out; both tables), `holding:512+16`.
///
/// # Errors
/// The form to write.
pub fn parse_range(text: &str) -> Result<Vec<Registers>, String> {
    let wrong = || format!("`{text}` is no range: write 0x0200..0x0240, input:512+16 or holding:512+16");
    let (tables, rest): (&[Table], &str) = match text.split_once(':') {
        Some(("input", rest)) => (&[Table::Input], rest),
        Some(("holding", rest)) => (&[Table::Holding], rest),
        Some(_) => return Err(wrong()),
        None => (&[Table::Input, Table::Holding], text),
    };
    let number = |text: &str| -> Option<u32> {
        let text = text.trim();
        match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
            Some(hex) => u32::from_str_radix(hex, 16).ok(),
            None => text.parse().ok(),
        }
        .filter(|number| *number <= 65_536)
    };
    let (first, count) = if let Some((first, end)) = rest.split_once("..") {
        let (first, end) = (number(first).ok_or_else(wrong)?, number(end).ok_or_else(wrong)?);
        (first, end.checked_sub(first).ok_or_else(wrong)?)
    } else if let Some((first, count)) = rest.split_once('+') {
        (number(first).ok_or_else(wrong)?, number(count).ok_or_else(wrong)?)
    } else {
        (number(rest).ok_or_else(wrong)?, 1)
    };
    if count == 0 || first + count > 65_536 {
        return Err(wrong());
    }
    let of =
        |table: &Table| Registers { table: *table, address: first as u16, count: count.min(65_535) as u16 };
    Ok(tables.iter().map(of).collect())
}

/// What each address of a range may be, best first; at most `most` for each. Addresses that were not read are left out.
pub fn explain(snapshots: &[Snapshot], range: Registers, most: usize) -> Vec<(u16, Vec<Sense>)> {
    let maps: Vec<&RegisterMap> = snapshots.iter().map(|snapshot| &snapshot.registers).collect();
    let mut all = Vec::new();
    for offset in 0..range.count {
        let Some(address) = range.address.checked_add(offset) else { break };
        if !maps.iter().any(|map| map.word(range.table, address).is_some()) {
            continue;
        }
        let mut senses = senses(&maps, range.table, address);
        senses.sort_by(|a, b| b.weight.total_cmp(&a.weight));
        senses.truncate(most);
        all.push((address, senses));
    }
    all
}

fn senses(maps: &[&RegisterMap], table: Table, address: u16) -> Vec<Sense> {
    let mut found: Vec<Sense> = Vec::new();
    for encoding in Encoding::all() {
        // Read backwards only where that is usual enough to be worth a line.
        if encoding.byte_order == Order::LowFirst {
            continue;
        }
        let raws: Vec<f64> = maps.iter().filter_map(|map| encoding.number(map, table, address)).collect();
        if raws.is_empty() {
            continue;
        }
        for sense in
            of_encoding(encoding.spot(table, address), &raws, &around(maps, encoding, table, address))
        {
            let same = |known: &&mut Sense| known.quantity == sense.quantity && known.values == sense.values;
            match found.iter_mut().find(same) {
                Some(known) if known.weight >= sense.weight => {}
                Some(known) => *known = sense,
                None => found.push(sense),
            }
        }
    }
    found
}

/// The numbers one and two places on and one place back, read alike.
struct Around {
    next: Option<f64>,
    after: Option<f64>,
    before: Option<f64>,
}

fn around(maps: &[&RegisterMap], encoding: Encoding, table: Table, address: u16) -> Around {
    let count = encoding.kind.registers();
    let at = |address: Option<u16>| maps.first().and_then(|map| encoding.number(map, table, address?));
    Around {
        next: at(address.checked_add(count)),
        after: at(address.checked_add(2 * count)),
        before: at(address.checked_sub(count)),
    }
}

fn of_encoding(spot: Spot, raws: &[f64], around: &Around) -> Vec<Sense> {
    let encoding = spot.encoding;
    let first = raws[0];
    let changes = raws.iter().any(|raw| *raw != first);
    let rises = changes && raws.windows(2).all(|pair| pair[1] >= pair[0]);
    let mut made = Vec::new();
    let mut add = |quantity: Quantity, power: i8, weight: f64, why: String| {
        let share = power_share(quantity, encoding, power) * encoding.share(quantity);
        if share > 0.0 {
            let values = raws.iter().map(|raw| raw * ten_to(power)).collect();
            made.push(Sense {
                spot,
                power,
                quantity: Some(quantity),
                values,
                why,
                weight: weight + libm::log(share),
            });
        }
    };
    let moving = |words: &str| if changes { format!("{words}, and it moves") } else { words.to_owned() };
    let alive = if changes { 1.0 } else { 0.0 };
    for power in -3..=3_i8 {
        let value = first * ten_to(power);
        if [50.0, 60.0].iter().any(|grid| (value - grid).abs() < 0.3) {
            add(Quantity::Frequency, power, 5.0 + alive, moving("as near to 50 or 60 as a grid keeps"));
        }
        if (100.0..=132.0).contains(&value)
            || (205.0..=255.0).contains(&value)
            || (360.0..=440.0).contains(&value)
        {
            let like = |other: Option<f64>| other.is_some_and(|other| (other / first - 1.0).abs() < 0.12);
            let beside = [like(around.before), like(around.next), like(around.after)];
            let alike = beside.iter().filter(|like| **like).count();
            let words = match alike {
                0 => moving("of a size that a supply has"),
                _ => moving("of a size that a supply has, and so is what stands beside it"),
            };
            add(Quantity::Voltage, power, 2.0 + 1.5 * alike as f64 + alive, words);
        }
    }
    if rises && first > 0.0 {
        let share = raws[raws.len() - 1] / first - 1.0;
        if share < 0.01 {
            let power = if encoding.is_float() { 3 } else { 1 };
            add(Quantity::EnergyImport, power, 3.0, "it only rises, and by little: a counter".to_owned());
        }
    }
    if encoding.is_float() && (0.001..1e7).contains(&first.abs()) {
        let bare = encoding.share(Quantity::ActivePower);
        let why = moving("a float of a size that something has; by chance one in twenty is");
        made.push(Sense {
            spot,
            power: 0,
            quantity: None,
            values: raws.to_vec(),
            why,
            weight: 1.5 + libm::log(bare) + alive,
        });
    } else if !encoding.is_float() && first.abs() < 1e5 && first.fract() == 0.0 {
        let bare = encoding.share(Quantity::ActivePower);
        let negative = raws.iter().any(|raw| *raw < 0.0);
        let why = match (first == 0.0 && !changes, changes, negative) {
            (true, ..) => "always 0: unused, or the front of a wider number".to_owned(),
            (_, true, true) => "it moves, and goes below zero: a power or an angle may".to_owned(),
            (_, true, false) => "it moves: a power, a current or a counter may".to_owned(),
            (_, false, _) => "it never changed: a setting or a serial number may".to_owned(),
        };
        made.push(Sense {
            spot,
            power: 0,
            quantity: None,
            values: raws.to_vec(),
            why,
            weight: libm::log(bare) + alive,
        });
    }
    made
}

#[cfg(test)]
mod tests {
    use super::*;

    fn map(address: u16, words: &[u16]) -> Snapshot {
        let mut registers = RegisterMap::default();
        registers.put(Registers { table: Table::Input, address, count: words.len() as u16 }, words);
        Snapshot { registers, seen: Vec::new() }
    }

    #[test]
    fn a_range_is_read_in_both_forms() {
        let range = |table, address, count| Registers { table, address, count };
        let both = vec![range(Table::Input, 512, 64), range(Table::Holding, 512, 64)];
        assert_eq!(parse_range("0x0200..0x0240"), Ok(both));
        assert_eq!(parse_range("holding:512+16"), Ok(vec![range(Table::Holding, 512, 16)]));
        assert_eq!(parse_range("input:7"), Ok(vec![range(Table::Input, 7, 1)]));
        for text in ["", "coil:1", "5..4", "5+0", "65535+2", "a..b", "0x..9"] {
            assert!(parse_range(text).is_err(), "{text}");
        }
    }

    /// IEEE 754: 231.4 is 0x43676666, 50.02 is 0x4248147B.
    #[test]
    fn floats_and_tenths_of_volts_are_named_first() {
        let words = [0x4367, 0x6666, 2314, 2309, 2321, 0x4248, 0x147B];
        let told = explain(&[map(100, &words)], Registers { table: Table::Input, address: 100, count: 7 }, 3);
        let best =
            |index: usize| told[index].1.first().map(|sense| (sense.spot.encoding.kind, sense.quantity));
        assert_eq!(best(0), Some((crate::profile::Type::F32, Some(Quantity::Voltage))));
        assert_eq!(best(2), Some((crate::profile::Type::U16, Some(Quantity::Voltage))));
        assert_eq!(best(5), Some((crate::profile::Type::F32, Some(Quantity::Frequency))));
    }
}
