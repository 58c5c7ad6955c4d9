//! Looking for meters on a line whose settings nobody knows: which speed, parity and unit addresses to try, in the order in
//! which practice makes them likely, and how long that takes.

use std::collections::BTreeSet;

mod about;
mod clues;
mod findings;
mod hunt;
pub mod names;

pub use findings::{Answers, Findings, Unit};
pub use hunt::{Hunt, Terms, Turn};

use super::master::{MasterPlan, UnitPlan};
use super::timeout::TimeoutBounds;
use crate::base::Span;
use crate::profile::{Parity, SerialSettings};
use crate::record::Medium;
use crate::wire::Request;

/// How long a unit may take in the first pass. Most meters answer within 50 ms; the second pass waits longer. Ours.
pub const FIRST_PASS: Span = Span::from_millis(100);
/// How long a unit may take in the second pass: "1 s to several s at 9600" (Modbus over Serial Line V1.02, 2.4.1).
pub const SECOND_PASS: Span = Span::from_millis(1000);
/// Units that are tried at every setting before the next are tried at any, each list up to this address: what meters are
/// delivered with comes first (common practice: 1), so that a meter at any usual setting is found within seconds.
const TIERS: [u8; 3] = [3, 8, 247];
/// Opening a line takes this long before the first question: what was in its buffer is waited for.
const REOPEN: Span = Span::from_millis(60);

/// What to look through.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Search {
    /// In this order.
    pub settings: Vec<SerialSettings>,
    /// In this order.
    pub units: Vec<u8>,
}

/// One stretch of the search: one setting, so many units, one time-out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stage {
    /// How the line is set.
    pub settings: SerialSettings,
    /// Who is asked.
    pub units: Vec<u8>,
    /// How long each is waited for.
    pub timeout: Span,
}

const fn settings(baud: u32, parity: Parity, stop_bits: u8) -> SerialSettings {
    SerialSettings { baud, parity, stop_bits }
}

/// The usual settings, most usual first. 9600 8N1 is the widespread field setting (common practice); 19200 8E1 the
/// default of Modbus over Serial Line V1.02 (2.5.1, 3.2).
pub const USUAL: [SerialSettings; 4] = [
    settings(9600, Parity::None, 1),
    settings(19200, Parity::Even, 1),
    settings(9600, Parity::Even, 1),
    settings(19200, Parity::None, 1),
];

/// What is seen more seldom, after the usual ones. Common practice.
pub const SELDOM: [SerialSettings; 11] = [
    settings(115_200, Parity::None, 1),
    settings(38_400, Parity::None, 1),
    settings(57_600, Parity::None, 1),
    settings(4800, Parity::None, 1),
    settings(2400, Parity::Even, 1),
    settings(9600, Parity::None, 2),
    settings(9600, Parity::Odd, 1),
    settings(19200, Parity::Odd, 1),
    settings(4800, Parity::Even, 1),
    settings(2400, Parity::None, 1),
    settings(38_400, Parity::Even, 1),
];

/// All unit addresses in the order of likelihood: 1 to 10, then the rest (1 to 247 are individual addresses; V1.02, 2.2).
pub fn all_units() -> Vec<u8> {
    (1..=247).collect()
}

impl Search {
    /// The stages in their order: the likeliest units at every setting, the next likely ones, the rest; then the same with
    /// patience for slow units.
    pub fn stages(&self) -> Vec<Stage> {
        let mut stages = Vec::new();
        for timeout in [FIRST_PASS, SECOND_PASS] {
            let mut below = 0;
            for tier in TIERS {
                let inside = |unit: &&u8| **unit > below && **unit <= tier;
                let units: Vec<u8> = self.units.iter().filter(inside).copied().collect();
                below = tier;
                if !units.is_empty() {
                    stages.extend(self.settings.iter().map(|&settings| Stage {
                        settings,
                        units: units.clone(),
                        timeout,
                    }));
                }
            }
        }
        stages
    }
}

impl Stage {
    /// How long the stage takes when nobody answers: the opening, then for each unit 8 characters, the time-out, what the
    /// adapter may hold back, and the silence.
    pub fn longest(&self, latency: Span) -> Span {
        REOPEN + self.longest_for(self.units.len(), latency)
    }

    /// How long so many of its units take when nobody answers.
    pub fn longest_for(&self, units: usize, latency: Span) -> Span {
        let each = self.settings.characters(8) + self.timeout + latency + self.settings.silence();
        each * units as i64
    }

    /// What every unit is asked: the first holding register, and in the slow pass the first input register.
    pub fn request(&self) -> Option<Request> {
        // One register from 0 is within the limits of every request.
        let slow = self.timeout >= SECOND_PASS;
        if slow { Request::read_input(0, 1) } else { Request::read_holding(0, 1) }.ok()
    }

    /// What the master of this stage asks of every unit that has not been found yet, once. Whatever comes back, an
    /// exception too, is a unit.
    pub fn plan(
        &self,
        medium: Medium,
        found: &BTreeSet<u8>,
        listen_first: Span,
        share_line: bool,
    ) -> MasterPlan {
        let questions = |unit: &u8| if found.contains(unit) { None } else { self.request() };
        let unit = |&unit: &u8| {
            // A unit that was found is known all the same: should it speak up late, it is no other master's.
            UnitPlan { unit, questions: questions(&unit).into_iter().collect(), pause: Span::ZERO }
        };
        let units = self.units.iter().map(unit).collect();
        let bounds =
            TimeoutBounds { first: self.timeout, floor: self.timeout, ceiling: self.timeout, factor: 1 };
        MasterPlan {
            medium,
            settings: self.settings,
            latency: Span::ZERO,
            units,
            once: Vec::new(),
            every: None,
            cycles: Some(1),
            attempts: 1,
            listen_first,
            share_line,
            bounds,
            earlier: None,
        }
    }
}

/// The objects of a device identification (43/14 answer): id and text. V1.1b3, 6.21; the length byte counts.
pub fn identification(pdu: &[u8]) -> Vec<(u8, String)> {
    let (Some([43, 14, _, _, _, _, count]), Some(mut rest)) = (pdu.get(..7), pdu.get(7..)) else {
        return Vec::new();
    };
    let mut objects = Vec::new();
    for _ in 0..*count {
        let [id, length, tail @ ..] = rest else { break };
        let Some(value) = tail.get(..usize::from(*length)) else { break };
        objects.push((*id, String::from_utf8_lossy(value).trim_matches(char::from(0)).trim().to_owned()));
        rest = &tail[usize::from(*length)..];
    }
    objects
}

/// Whether these two registers are the marker of the open register model: "SunS".
pub fn is_marker(registers: &[u16]) -> bool {
    registers == [0x5375, 0x6e53]
}

/// With which object an identification goes on, where it did not fit into one answer (V1.1b3, 6.21: more follows, next
/// object).
pub fn identification_goes_on(pdu: &[u8]) -> Option<u8> {
    match pdu.get(..7) {
        Some(&[43, 14, _, _, 0xff, next, _]) => Some(next),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_pass_over_all_addresses_at_the_usual_settings_stays_under_two_and_a_half_minutes() {
        let search = Search { settings: USUAL.to_vec(), units: all_units() };
        let first: Vec<Stage> =
            search.stages().into_iter().filter(|stage| stage.timeout == FIRST_PASS).collect();
        let longest = first.iter().fold(Span::ZERO, |sum, stage| sum + stage.longest(Span::from_millis(16)));
        assert!(longest < Span::from_millis(150_000), "{longest}");
        let asked: usize = first.iter().map(|stage| stage.units.len()).sum();
        assert_eq!(asked, 4 * 247);
    }

    #[test]
    fn the_likely_units_at_all_usual_settings_take_less_than_five_seconds() {
        let search = Search { settings: USUAL.to_vec(), units: all_units() };
        let stages = search.stages();
        let likely: Span =
            stages[..8].iter().fold(Span::ZERO, |sum, stage| sum + stage.longest(Span::from_millis(16)));
        assert!(likely < Span::from_millis(5000), "{likely}");
        assert!(stages[..4].iter().all(|stage| stage.units == [1, 2, 3]));
        assert!(stages[4..8].iter().all(|stage| stage.units == [4, 5, 6, 7, 8]));
        assert_eq!(stages.len(), 24);
        assert!(stages[12..].iter().all(|stage| stage.timeout == SECOND_PASS));
    }

    #[test]
    fn an_identification_is_read_by_its_length_bytes() {
        // Layout of V1.1b3, 6.21; the printed example's lengths are known to be wrong, so these are ours.
        let pdu = [&[43, 14, 1, 1, 0, 0, 2, 0, 7][..], b"Example", &[1, 2], b"X1"].concat();
        assert_eq!(identification(&pdu), [(0, "Example".to_owned()), (1, "X1".to_owned())]);
        assert_eq!(identification(&pdu[..pdu.len() - 1]), [(0, "Example".to_owned())]);
        assert_eq!(identification(&[0x83, 2]), []);
        assert_eq!(identification_goes_on(&pdu), None);
        assert_eq!(identification_goes_on(&[43, 14, 1, 1, 0xff, 2, 1, 0, 0]), Some(2));
    }
}
