//! A value read off another instrument, as people type it: `8.9A`, `L2 8,9 A`, `2.05kW`, `231V`.

use crate::base::Phase;
use crate::base::Stamp;
use crate::record::{Mark, MarkKind};

/// A value with its quantity, in A, W or V.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Value {
    quantity: &'static str,
    unit: &'static str,
    number: f64,
    phase: Option<Phase>,
}

/// Units people type, with what they are of: the quantity's word, its unit, and how many of it.
const UNITS: [(&str, &str, &str, f64); 7] = [
    ("mA", "current", "A", 1e-3),
    ("kA", "current", "A", 1e3),
    ("A", "current", "A", 1.0),
    ("kW", "active_power", "W", 1e3),
    ("W", "active_power", "W", 1.0),
    ("mV", "voltage", "V", 1e-3),
    ("V", "voltage", "V", 1.0),
];

/// What was typed, where it begins like a value: a number with its unit, and a phase before or after it.
///
/// # Errors
/// A sentence with the forms accepted.
pub(crate) fn value(text: &str) -> Option<Result<Value, String>> {
    let text = text.trim();
    let mut rest = String::new();
    let mut phase = None;
    for word in text.split_whitespace() {
        match Phase::parse(&word.to_uppercase()).filter(|phase| Phase::LINES.contains(phase)) {
            Some(found) if phase.is_none() => phase = Some(found),
            _ => rest.push_str(word),
        }
    }
    let rest = rest.replace(',', ".");
    if !rest.starts_with(|first: char| first.is_ascii_digit() || matches!(first, '-' | '+' | '.')) {
        return None;
    }
    let found = UNITS.iter().find_map(|(word, quantity, unit, factor)| {
        let ends = rest.len().checked_sub(word.len()).filter(|at| rest.is_char_boundary(*at))?;
        let (number, tail) = rest.split_at(ends);
        // `a` and `w` are typed too; `mA` and `MA` are not the same.
        let same = tail == *word || word.len() == 1 && tail.eq_ignore_ascii_case(word);
        let number = number.parse::<f64>().ok().filter(|number| same && number.is_finite())?;
        Some(Value { quantity, unit, number: number * factor, phase })
    });
    Some(found.ok_or_else(|| {
        format!("`{text}` has no unit that is known: type 8.9A, 2050W or 231V, with the phase if it is another: L2 8.9A")
    }))
}

impl Value {
    /// The phase that was typed with it.
    pub(crate) fn phase(self) -> Option<Phase> {
        self.phase
    }

    /// A `seen` mark of it; `phase` where none was typed.
    pub(crate) fn mark(self, now: Stamp, phase: Phase) -> Mark {
        let phase = self.phase.unwrap_or(phase);
        let value = format!("{} {}", self.number, self.unit);
        let mut mark =
            Mark::new(now, MarkKind::Seen, format!("read off another instrument: {value} on {phase}"));
        mark.quantity = Some(self.quantity.to_owned());
        mark.value = Some(value);
        mark.phase = Some(phase.word().to_owned());
        mark
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_as_people_type_them() {
        let of =
            |text: &str| value(text).and_then(Result::ok).map(|one| (one.quantity, one.number, one.phase));
        assert_eq!(of("8.9A"), Some(("current", 8.9, None)));
        assert_eq!(of(" 8,9 a "), Some(("current", 8.9, None)));
        assert_eq!(of("L2 8.9 A"), Some(("current", 8.9, Some(Phase::L2))));
        assert_eq!(of("8.9A l3"), Some(("current", 8.9, Some(Phase::L3))));
        assert_eq!(of("250mA"), Some(("current", 0.25, None)));
        assert_eq!(of("2.05kW"), Some(("active_power", 2050.0, None)));
        assert_eq!(of("-2050W"), Some(("active_power", -2050.0, None)));
        assert_eq!(of("231V"), Some(("voltage", 231.0, None)));
        for bare in ["8.9", "8.9 Q", "8.9.1A", "1e999A", "5 ÄA"] {
            assert!(matches!(value(bare), Some(Err(_))), "{bare}");
        }
        for other in ["", "s", "q", "yes", "what", "A"] {
            assert_eq!(value(other), None, "{other}");
        }
    }

    #[test]
    fn a_mark_holds_what_a_replay_needs() {
        let mark = value("2kW").and_then(Result::ok).map(|one| one.mark(Stamp::from_nanos(0), Phase::L2));
        let mark = mark.expect("a value");
        assert_eq!(
            (mark.kind, mark.quantity.as_deref(), mark.value.as_deref(), mark.phase.as_deref()),
            (MarkKind::Seen, Some("active_power"), Some("2000 W"), Some("L2"))
        );
    }
}
