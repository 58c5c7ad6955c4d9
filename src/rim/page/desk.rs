//! What is offered, what was pressed, and what came of it. Every press has an identity of its own, so that sending it again,
//! as phones do when the network comes back, can never make a second mark.

use std::collections::VecDeque;

use crate::base::{Span, Stamp};

/// A press that took longer than this to arrive is not taken: a mark with the wrong time would mislead. Ours.
pub(super) const LATE_MS: u64 = 3000;
/// Presses whose outcome is remembered. At the rate one address may ask, they last far longer than `LATE_MS`.
const REMEMBERED: usize = 4096;
/// Prompts whose answer is remembered: only the newest can be offered again.
const SPENT: usize = 64;
/// Characters in a press's identity, least and most.
const ID: (usize, usize) = (16, 64);

/// A press that answers what was offered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Press {
    id: String,
    /// The prompt's number.
    pub ask: u64,
    /// Which of its buttons.
    pub key: String,
    /// When it arrived, by `Served::now`.
    pub at: Stamp,
}

impl Press {
    /// How long ago it arrived.
    pub fn age(&self, now: Stamp) -> Span {
        (now - self.at).max(Span::ZERO)
    }
}

/// What became of a press.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Came {
    /// It was taken; nobody has said yet what came of it.
    Waiting,
    /// It made a mark.
    Marked(String),
    /// It made none, and never will.
    Not(String),
}

/// A press as the phone sends it.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Sent {
    pub(super) id: String,
    ask: u64,
    key: String,
    age_ms: u64,
}

impl Sent {
    /// Whether it can be one at all.
    pub(super) fn well_formed(&self) -> bool {
        let (least, most) = ID;
        (least..=most).contains(&self.id.len())
            && self.id.bytes().all(|byte| byte.is_ascii_alphanumeric())
            && self.key.len() <= most
    }
}

/// Between the server and the command.
#[derive(Debug, Default)]
pub(super) struct Desk {
    document: String,
    shown: Option<Stamp>,
    offers: Vec<(u64, String)>,
    taken: VecDeque<Press>,
    spent: VecDeque<u64>,
    came: VecDeque<(String, Came)>,
    /// When somebody last asked for the document.
    pub(super) looked: Option<Stamp>,
}

impl Desk {
    pub(super) fn show(&mut self, document: String, offers: &[(u64, String)], now: Stamp) {
        self.document = document;
        self.shown = Some(now);
        // The command may not have heard of the newest press yet.
        self.offers = offers.iter().filter(|(ask, _)| !self.spent.contains(ask)).cloned().collect();
    }

    /// The document with its age, for somebody who looks now: whoever looks must see when nobody renews it.
    pub(super) fn document(&mut self, now: Stamp) -> String {
        self.looked = Some(now);
        let Some(shown) = self.shown else { return "null".to_owned() };
        let age_ms = (now - shown).max(Span::ZERO).millis();
        format!("{{\"age_ms\":{age_ms:.0},\"page\":{}}}", self.document)
    }

    /// A press arrives, maybe not for the first time.
    pub(super) fn arrive(&mut self, sent: &Sent, now: Stamp) -> Came {
        if let Some(came) = self.came_of(&sent.id) {
            return came;
        }
        let offer = self.offers.iter().any(|(ask, key)| *ask == sent.ask && *key == sent.key);
        let came = if sent.age_ms > LATE_MS {
            Came::Not(format!("it arrived {:.0} s late", sent.age_ms as f64 / 1000.0))
        } else if offer {
            // Two fingers, two phones: what was offered is answered once.
            self.offers.clear();
            self.spent.push_back(sent.ask);
            if self.spent.len() > SPENT {
                self.spent.pop_front();
            }
            self.taken.push_back(Press {
                id: sent.id.clone(),
                ask: sent.ask,
                key: sent.key.clone(),
                at: now,
            });
            Came::Waiting
        } else {
            Came::Not("that is not asked now".to_owned())
        };
        if self.came.len() >= REMEMBERED {
            self.came.pop_front();
        }
        self.came.push_back((sent.id.clone(), came.clone()));
        came
    }

    /// What became of a press.
    pub(super) fn came_of(&self, id: &str) -> Option<Came> {
        self.came.iter().find(|(known, _)| known == id).map(|(_, came)| came.clone())
    }

    pub(super) fn next(&mut self) -> Option<Press> {
        self.taken.pop_front()
    }

    pub(super) fn settle(&mut self, press: &Press, marked: bool, words: &str) {
        if let Some((_, came)) = self.came.iter_mut().find(|(id, _)| *id == press.id) {
            *came = if marked { Came::Marked(words.to_owned()) } else { Came::Not(words.to_owned()) };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sent(id: &str, ask: u64, key: &str, age_ms: u64) -> Sent {
        Sent { id: id.into(), ask, key: key.into(), age_ms }
    }

    fn at(ms: i64) -> Stamp {
        Stamp::from_nanos(ms * 1_000_000)
    }

    #[test]
    fn a_press_sent_again_is_the_same_press() {
        let mut desk = Desk::default();
        desk.show("{}".into(), &[(1, "on".into())], at(0));
        assert_eq!(desk.arrive(&sent("a", 1, "on", 0), at(10)), Came::Waiting);
        assert_eq!(desk.arrive(&sent("a", 1, "on", 900), at(910)), Came::Waiting);
        let press = desk.next().expect("a press");
        assert_eq!((press.at, desk.next()), (at(10), None));
        desk.settle(&press, true, "at noon");
        // The same is offered again: the old press stays what it was.
        desk.show("{}".into(), &[(2, "on".into())], at(0));
        assert_eq!(desk.arrive(&sent("a", 2, "on", 1000), at(1010)), Came::Marked("at noon".into()));
        assert_eq!(desk.next(), None);
    }

    #[test]
    fn what_was_offered_is_answered_once_and_only_that() {
        let mut desk = Desk::default();
        let refused = |came| matches!(came, Came::Not(_));
        assert!(refused(desk.arrive(&sent("a", 1, "on", 0), at(0))));
        desk.show("{}".into(), &[(1, "on".into())], at(0));
        assert!(refused(desk.arrive(&sent("b", 1, "off", 0), at(0))));
        assert!(refused(desk.arrive(&sent("c", 2, "on", 0), at(0))));
        assert_eq!(desk.arrive(&sent("d", 1, "on", 0), at(0)), Came::Waiting);
        assert!(refused(desk.arrive(&sent("e", 1, "on", 0), at(1))));
        // What was refused once is not taken later either: the phone has said that it was not.
        desk.show("{}".into(), &[(1, "on".into())], at(0));
        assert!(refused(desk.arrive(&sent("c", 1, "on", 0), at(2))));
    }

    #[test]
    fn a_press_that_was_away_for_long_is_lost_for_good() {
        let mut desk = Desk::default();
        desk.show("{}".into(), &[(1, "on".into())], at(0));
        assert_eq!(desk.arrive(&sent("a", 1, "on", 3001), at(0)), Came::Not("it arrived 3 s late".into()));
        assert!(matches!(desk.arrive(&sent("a", 1, "on", 0), at(0)), Came::Not(_)));
        assert_eq!(desk.arrive(&sent("b", 1, "on", LATE_MS), at(0)), Came::Waiting);
    }

    #[test]
    fn what_is_shown_again_before_the_command_has_heard_is_not_offered_again() {
        let mut desk = Desk::default();
        let offers = [(1, "on".into()), (1, "off".into()), (2, "on".into())];
        desk.show("{}".into(), &offers, at(0));
        assert_eq!(desk.arrive(&sent("a", 1, "on", 0), at(0)), Came::Waiting);
        desk.show("{}".into(), &offers, at(1));
        assert!(matches!(desk.arrive(&sent("b", 1, "off", 0), at(1)), Came::Not(_)));
        assert_eq!(desk.arrive(&sent("c", 2, "on", 0), at(1)), Came::Waiting);
    }

    #[test]
    fn memory_of_presses_is_bounded() {
        let mut desk = Desk::default();
        for number in 0..3 * REMEMBERED {
            desk.arrive(&sent(&format!("{number}"), 1, "on", 0), at(0));
        }
        assert_eq!(desk.came.len(), REMEMBERED);
    }
}
