//! What may be wrong, told by what came back: two units on one address, an echo, a setting that differs, a dead line, wires
//! that are swapped, somebody who speaks at another speed.
//!
//! Whoever answers has understood the question, so it was asked at the unit's own speed: what comes back unreadable then is no
//! matter of the speed. At a wrong speed nothing comes back at all.

use std::collections::BTreeSet;

use super::findings::{Answers, Findings};
use crate::link::quality::{Cause, causes, causes::ECHO};

/// A share of spoilt answers below which noise explains them as well. Ours.
const OFTEN: f64 = 0.2;
/// So many of the last addresses bring bytes and nothing whole: those are no units. Ours.
const MANY: usize = 6;

impl Findings {
    /// Whether bytes come whoever is asked: how many of the last addresses brought bytes that form no frame, and of how many.
    /// Then another master speaks at another speed or parity, or the line is all noise.
    pub fn babble(&self) -> Option<(usize, usize)> {
        let spoilt = self.recent.iter().filter(|spoilt| **spoilt).count();
        (spoilt >= MANY).then_some((spoilt, self.recent.len()))
    }

    /// Most likely first; empty when units were found and nothing about them is strange.
    pub fn clues(&self) -> Vec<Cause> {
        let mut found = Vec::new();
        if let Some((spoilt, asked)) = self.babble() {
            found.push(Cause {
                what: "somebody else speaks on this line, at another speed or parity; or nothing but noise comes",
                evidence: format!("{spoilt} of the last {asked} addresses brought bytes that form no frame"),
                next: "`wattward listen --auto` finds speed and parity of what is said, without sending a byte",
            });
            return found;
        }
        self.two_on_one_address(&mut found);
        let unread = self.unread(&mut found);
        let line = self.quality.as_ref().map(causes).unwrap_or_default();
        if !self.units.is_empty() || unread {
            found.extend(line.into_iter().filter(|cause| cause.what == ECHO));
            return found;
        }
        match &self.quality {
            Some(quality) if quality.requests > 0 && quality.heard_bytes == quality.echo_bytes => {
                found.push(Cause {
                    what: "no power at the unit, settings or an address that were not tried, the wrong port, A and B \
                           swapped, or an open wire",
                    evidence: format!(
                        "no answer to {} questions and not a byte heard{}",
                        quality.requests,
                        if self.echo { " but the echo of our own" } else { "" }
                    ),
                    next: "is the unit alive, and set as was tried? Then swap A and B; with power off, measure A to B: about \
                           60 ohm with two terminators, 120 with one, thousands with none or an open wire",
                });
                found.extend(line.into_iter().filter(|cause| cause.what == ECHO));
            }
            _ => found.extend(line),
        }
        found
    }

    /// Units that answer, now and then with two answers or with bytes that form no frame.
    fn two_on_one_address(&self, found: &mut Vec<Cause>) {
        let units = || {
            let here = |unit: &u8, answers: &Answers| {
                self.units.get(unit).is_some_and(|known| known.settings == answers.settings)
            };
            self.answers().filter(move |(unit, answers)| here(unit, answers))
        };
        let others_fine = |unit: u8| {
            units().any(|(other, answers)| other != unit && !troubled(answers) && answers.asked > 4)
        };
        for (unit, answers) in units() {
            if answers.twice > 1 {
                found.push(Cause {
                    what: "two units with one address",
                    evidence: format!("unit {unit}: {} of {} questions brought two answers", answers.twice, answers.asked),
                    next: "disconnect one of them and give it another address by its own keys; then search again",
                });
            } else if troubled(answers) {
                let evidence = format!(
                    "unit {unit}: of {} questions {} brought a good answer, {} bytes that form no frame",
                    answers.asked,
                    answers.whole,
                    answers.spoilt + answers.mixed
                );
                if others_fine(unit) {
                    found.push(Cause {
                        what: "two units with one address: their answers spoil each other",
                        evidence: format!("{evidence}; other units answer well"),
                        next: "disconnect one of them and give it another address by its own keys; then search again",
                    });
                } else {
                    found.push(Cause {
                        what: "two units with one address whose answers spoil each other, or noise",
                        evidence,
                        next: "disconnect all units but one and search again; `wattward line` tells how the failures come",
                    });
                }
            }
        }
    }

    /// Addresses that brought bytes, and no whole answer at any setting; whether there are any.
    fn unread(&self, found: &mut Vec<Cause>) -> bool {
        let spoilt = |(unit, answers): &(u8, &Answers)| {
            !self.units.contains_key(unit)
                && answers.spoilt > 1
                && f64::from(answers.spoilt) > OFTEN * f64::from(answers.asked)
        };
        let all: Vec<(u8, &Answers)> = self.answers().filter(spoilt).collect();
        for (unit, answers) in &all {
            let evidence = format!(
                "address {unit} at {}: {} of {} questions brought bytes that form no frame; the question was understood, so \
                 the speed is right",
                answers.settings, answers.spoilt, answers.asked
            );
            let parities: BTreeSet<u8> = self
                .answers()
                .filter(|(other, tried)| other == unit && tried.settings.baud == answers.settings.baud)
                .map(|(_, tried)| tried.settings.parity as u8)
                .collect();
            found.push(if parities.len() < 3 {
                Cause {
                    what: "two units with one address whose answers spoil each other, or one that answers with another parity",
                    evidence,
                    next: "search at this speed with every parity (`--baud`); then disconnect all units but one",
                }
            } else {
                Cause {
                    what: "two units with one address: their answers spoil each other",
                    evidence,
                    next: "disconnect one of them, give the other another address by its own keys, and search again",
                }
            });
        }
        !all.is_empty()
    }
}

fn troubled(answers: &Answers) -> bool {
    let spoilt = answers.spoilt + answers.mixed;
    spoilt > 1 && f64::from(spoilt) > OFTEN * f64::from(answers.asked)
}
