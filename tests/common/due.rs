//! What the counts of a run have to be, from what was done to the line.

use super::{Asked, Bench};
use wattward::base::Stamp;
use wattward::sim::bits::Fault;

/// What the counts have to be.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Due {
    pub(crate) answered: u64,
    pub(crate) silent: u64,
    pub(crate) damaged: u64,
    pub(crate) late: u64,
    pub(crate) open: u64,
    /// Questions that met an answer on the wires: what is heard of two that speak at once is chance, so each may turn one
    /// silence into damage, and hide a late answer or not.
    pub(crate) chance: u64,
}

impl Bench {
    /// Questions whose answer came whole and unspoilt before the next one was asked.
    pub(crate) fn clean(&self) -> u64 {
        self.due().answered
    }

    /// A break that the driver marks is damage to the question in whose time it falls, whosever answer it stood before.
    fn marked_break(&self, asked: &Asked) -> Option<usize> {
        let (start, _) = asked.spoken.span.filter(|_| self.conditions.seed.is_multiple_of(2))?;
        if !asked.spoken.faults.contains(&Fault::Break) {
            return None;
        }
        // three characters long, two before the answer
        let (begins, ends) = (start - self.settings.characters(5), start - self.settings.characters(2));
        let told = self.handed_on(begins + self.settings.characters(1));
        let met = self.asked.iter().any(|other| other.at < ends && other.end > begins);
        (!met && told < self.ended).then(|| self.asked.partition_point(|other| other.at < told) - 1)
    }

    fn handed_on(&self, at: Stamp) -> Stamp {
        let tick = self.conditions.lump_ms * 1_000_000;
        if tick == 0 { at } else { Stamp::from_nanos((at.nanos().div_euclid(tick) + 1) * tick) }
    }

    /// What the counts have to be, from what was done to the line: an answer belongs to the question before it where unit,
    /// function and length fit, and is late where they don't. Whether such an answer makes a reading is another matter.
    pub(crate) fn due(&self) -> Due {
        let mut due = Due::default();
        let mut outcome: Vec<Option<bool>> = vec![None; self.asked.len()];
        let mut spoken: Vec<(Stamp, usize)> = Vec::new();
        for (index, asked) in self.asked.iter().enumerate().filter(|(_, asked)| asked.heard) {
            // it counts from its first character, once the adapter has handed that on
            let began =
                asked.spoken.span.map(|(start, _)| self.handed_on(start + self.settings.characters(1)));
            spoken.extend(began.map(|began| (began, index)));
        }
        spoken.sort_unstable();
        for (began, index) in spoken {
            let asked = &self.asked[index];
            let (start, end) = asked.spoken.span.unwrap_or((began, began));
            // What the adapter hands on at the very instant of a question was there before it.
            let current = self.asked.partition_point(|other| other.at < began) - 1;
            if let Some(current) = self.marked_break(asked).filter(|current| outcome[*current].is_none()) {
                outcome[current] = Some(false);
            }
            let spoilt = asked.spoken.faults.iter().find_map(|fault| match fault {
                Fault::Half(length) => Some(*length),
                Fault::Flipped | Fault::Twin => Some(asked.length),
                _ => None,
            });
            let met = self.asked.iter().any(|other| other.at < end && other.end > start);
            match (spoilt, outcome[current]) {
                _ if met => due.chance += 1,
                _ if end > self.ended => {}
                (Some(3..), None) if current == index => outcome[current] = Some(false),
                (Some(_), _) => {}
                (None, None | Some(false)) if self.asked[current].shape == asked.shape => {
                    outcome[current] = Some(true);
                }
                (None, _) => due.late += 1,
            }
        }
        for (index, outcome) in outcome.iter().enumerate() {
            match outcome {
                Some(true) => due.answered += 1,
                Some(false) => due.damaged += 1,
                None if index + 1 == self.asked.len() => due.open += 1,
                None => due.silent += 1,
            }
        }
        due
    }
}
