//! What is known: the registers of a meter at some instants, and what other instruments showed then.

use std::collections::BTreeMap;

use crate::base::{Phase, PointKey, Quantity, Unit};
use crate::profile::{Registers, Table};

/// The registers of one meter at one instant, as far as they were read.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RegisterMap {
    words: BTreeMap<(Table, u16), u16>,
}

impl RegisterMap {
    /// Puts the registers of an answer; later ones replace earlier ones.
    pub fn put(&mut self, at: Registers, words: &[u16]) {
        for (offset, word) in (0..at.count).zip(words) {
            if let Some(address) = at.address.checked_add(offset) {
                self.words.insert((at.table, address), *word);
            }
        }
    }

    /// The registers of a run, where all of them were read.
    pub fn run(&self, at: Registers) -> Option<Vec<u16>> {
        (0..at.count)
            .map(|offset| self.words.get(&(at.table, at.address.checked_add(offset)?)).copied())
            .collect()
    }

    /// One register.
    pub fn word(&self, table: Table, address: u16) -> Option<u16> {
        self.words.get(&(table, address)).copied()
    }

    /// Every place that was read, in order.
    pub fn places(&self) -> impl Iterator<Item = (Table, u16)> + '_ {
        self.words.keys().copied()
    }

    /// How many registers were read.
    pub fn len(&self) -> usize {
        self.words.len()
    }

    /// Whether none was.
    pub fn is_empty(&self) -> bool {
        self.words.is_empty()
    }
}

/// A value that another instrument showed.
#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    /// What it shows.
    pub key: PointKey,
    /// In the base unit; power positive from the grid into the site.
    pub value: f64,
    /// Half of its last digit, in the base unit.
    pub half_digit: f64,
}

/// The registers at one instant with what was seen then; nothing seen is one more look at what changes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Snapshot {
    /// The meter's registers.
    pub registers: RegisterMap,
    /// What instruments showed.
    pub seen: Vec<Seen>,
}

/// Reads what a person types: `voltage.L1=231.4 frequency=50.0 active_power.total=1.9kW`. Without a phase, `total` is
/// meant; without a unit, the base unit.
///
/// # Errors
/// What is wrong with it, with the form to write.
pub fn parse_seen(text: &str) -> Result<Vec<Seen>, String> {
    let words: Vec<&str> = text.split([' ', '\t', ';']).filter(|word| !word.is_empty()).collect();
    let mut seen: Vec<Seen> = Vec::new();
    for word in words {
        let one = parse_one(word)?;
        if seen.iter().any(|known| known.key == one.key) {
            return Err(format!("{} is given twice in one snapshot", one.key));
        }
        seen.push(one);
    }
    Ok(seen)
}

fn parse_one(word: &str) -> Result<Seen, String> {
    let (name, number) = word
        .split_once('=')
        .ok_or_else(|| format!("`{word}` is no value: write voltage.L1=231.4 or active_power.total=1.9kW"))?;
    let key = key_of(name)?;
    let PointKey::Of(quantity, _) = &key else { return Err(format!("`{name}` is no quantity of a meter")) };
    // Half of the world writes a comma there.
    let comma = number.replacen(',', ".", usize::from(!number.contains('.')));
    let number = comma.as_str();
    // The unit begins at the first letter that no exponent has, or at a percent sign.
    let digits = number
        .char_indices()
        .find(|(at, letter)| {
            let exponent = matches!(letter, 'e' | 'E')
                && number[at + 1..]
                    .starts_with(|next: char| next.is_ascii_digit() || matches!(next, '+' | '-'));
            !(letter.is_ascii_digit() || matches!(letter, '.' | '+' | '-') || exponent)
        })
        .map_or(number.len(), |(at, _)| at);
    let (number, unit) = number.split_at(digits);
    let factor = if unit.is_empty() {
        1.0
    } else {
        let known = Unit::parse(unit).filter(|unit| unit.dimension == quantity.dimension());
        known
            .ok_or_else(|| format!("`{unit}` is no unit of {quantity}: write {}", units_of(*quantity)))?
            .factor
    };
    let value: f64 = number
        .parse()
        .ok()
        .filter(|value: &f64| value.is_finite())
        .ok_or_else(|| format!("`{number}` in `{word}` is no number: write 231.4, with a point"))?;
    let decimals =
        number.split_once('.').map_or(0, |(_, tail)| tail.chars().take_while(char::is_ascii_digit).count());
    let half_digit = 0.5 * libm::pow(10.0, -(decimals as f64)) * factor;
    Ok(Seen { key, value: value * factor, half_digit })
}

fn key_of(name: &str) -> Result<PointKey, String> {
    let (quantity, phase) = name.split_once('.').unwrap_or((name, "total"));
    let quantity = Quantity::parse(quantity).ok_or_else(|| {
        let words = Quantity::ALL.map(Quantity::word);
        let near = crate::profile::suggest::nearest(quantity, words);
        let mend = near.map_or_else(|| format!("one of {}", words.join(", ")), |near| format!("`{near}`"));
        format!("`{quantity}` is no quantity: write {mend}")
    })?;
    let phase = Phase::parse(phase)
        .ok_or_else(|| format!("`{phase}` is no phase: write L1, L2, L3, total, N or L1-L2"))?;
    Ok(PointKey::Of(quantity, phase))
}

fn units_of(quantity: Quantity) -> String {
    let units = Unit::ALL.iter().filter(|unit| unit.dimension == quantity.dimension());
    units.map(|unit| unit.word).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_is_read_with_its_unit_and_its_last_digit() {
        let seen =
            parse_seen("voltage.L1=231.4 frequency=50.0  active_power.total=-1.9kW current.L2=8,0e1mA")
                .unwrap();
        assert_eq!(seen[0].key.to_string(), "voltage.L1");
        assert!((seen[0].half_digit - 0.05).abs() < 1e-12);
        assert_eq!(seen[1].key.to_string(), "frequency.total");
        assert!((seen[2].value + 1900.0).abs() < 1e-9 && (seen[2].half_digit - 50.0).abs() < 1e-9);
        assert!((seen[3].value - 0.08).abs() < 1e-12);
    }

    #[test]
    fn what_can_not_be_read_says_what_to_write() {
        for (text, words) in [
            ("voltage.L1", "no value"),
            ("voltge.L1=2", "`voltage`"),
            ("voltage.L4=2", "no phase"),
            ("voltage.L1=2W", "no unit of voltage"),
            ("voltage.L1=2,3,4", "no unit"),
            ("voltage.L1=", "no number"),
            ("frequency=50 frequency=51", "twice"),
        ] {
            let error = parse_seen(text).unwrap_err();
            assert!(error.contains(words), "{text}: {error}");
        }
    }
}
