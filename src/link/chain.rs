//! The chain of models of the open register model: a marker at one of three places, then model after model, each with its
//! number and length, until the number that ends it.
//!
//! Pure: ask what `question` says, tell what came by `settle`, until there is no question left. A live line, a capture and a
//! test answer alike.

use super::search::is_marker;
use crate::profile::{Registers, Table};

/// Where the marker may stand, in the order it is looked for (the published package's client tries them so).
pub const BASES: [u16; 3] = [40_000, 0, 50_000];
/// The number that ends a chain.
const END: u16 = 0xFFFF;
/// A longer chain is none (ours; the definitions number some 110 models).
const MOST: usize = 128;

/// One model of a chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Model {
    /// Which model.
    pub id: u16,
    /// Address of the register that holds the number; its length follows, then its data.
    pub address: u16,
    /// Registers of data, without number and length.
    pub length: u16,
}

/// How a chain ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChainEnd {
    /// At the number that ends it.
    Marked,
    /// The meter gave no answer at this address.
    Cut(u16),
    /// It runs past the last address, or on and on.
    Endless,
}

/// The walk along a chain.
#[derive(Clone, Debug)]
pub struct Chain {
    step: Step,
    /// Where the marker was found.
    base: Option<u16>,
    models: Vec<Model>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    /// The marker at the base of this place in `BASES`.
    Marker(usize),
    /// Number and length.
    Head(u16),
    /// The number alone: some meters have no length behind the last one.
    Number(u16),
    Done(ChainEnd),
    Nowhere,
}

impl Default for Chain {
    fn default() -> Self {
        Self { step: Step::Marker(0), base: None, models: Vec::new() }
    }
}

impl Chain {
    /// What to ask now; nothing when the walk is over.
    pub fn question(&self) -> Option<Registers> {
        let (address, count) = match self.step {
            Step::Marker(place) => (*BASES.get(place)?, 2),
            Step::Head(address) => (address, 2),
            Step::Number(address) => (address, 1),
            Step::Done(_) | Step::Nowhere => return None,
        };
        Some(Registers { table: Table::Holding, address, count })
    }

    /// Tells the registers that came, or that none did.
    pub fn settle(&mut self, words: Option<&[u16]>) {
        self.step = match (self.step, words) {
            (Step::Marker(place), Some(words)) if is_marker(words) => {
                self.base = BASES.get(place).copied();
                self.base.map_or(Step::Nowhere, |base| Step::Head(base + 2))
            }
            (Step::Marker(place), _) if place + 1 < BASES.len() => Step::Marker(place + 1),
            (Step::Marker(_), _) => Step::Nowhere,
            (Step::Head(_) | Step::Number(_), Some([END, ..])) => Step::Done(ChainEnd::Marked),
            (Step::Head(address), Some([id, length])) => {
                self.next(Model { id: *id, address, length: *length })
            }
            (Step::Head(address), _) => Step::Number(address),
            (Step::Number(address), _) => Step::Done(ChainEnd::Cut(address)),
            (done, _) => done,
        };
    }

    fn next(&mut self, model: Model) -> Step {
        self.models.push(model);
        let next = u32::from(model.address) + u32::from(model.length) + 2;
        match u16::try_from(next) {
            Ok(next) if self.models.len() < MOST => Step::Head(next),
            _ => Step::Done(ChainEnd::Endless),
        }
    }

    /// Walks to the end with what answers a question.
    ///
    /// # Errors
    /// That of `answer`.
    pub fn walk<E>(mut answer: impl FnMut(Registers) -> Result<Option<Vec<u16>>, E>) -> Result<Self, E> {
        let mut chain = Self::default();
        while let Some(question) = chain.question() {
            let words = answer(question)?;
            chain.settle(words.as_deref());
        }
        Ok(chain)
    }

    /// Where the marker stands; nothing where there is none (or none found yet).
    pub fn base(&self) -> Option<u16> {
        self.base
    }

    /// The models found, in their order.
    pub fn models(&self) -> &[Model] {
        &self.models
    }

    /// How it ended; nothing without a marker, or before the end.
    pub fn end(&self) -> Option<ChainEnd> {
        match self.step {
            Step::Done(end) => Some(end),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A meter with these registers from an address on.
    fn walk(base: u16, image: &[u16]) -> Chain {
        let answer = |asked: Registers| {
            let from = usize::from(asked.address).checked_sub(usize::from(base));
            let words = from.and_then(|from| image.get(from..from + usize::from(asked.count)));
            Ok::<_, ()>(words.map(<[u16]>::to_vec))
        };
        Chain::walk(answer).unwrap()
    }

    fn image(models: &[(u16, u16)], end: &[u16]) -> Vec<u16> {
        let mut image = vec![0x5375, 0x6E53];
        for (id, length) in models {
            image.extend([*id, *length]);
            image.extend(vec![0; usize::from(*length)]);
        }
        image.extend(end);
        image
    }

    /// Facts 3.2: marker at 40000, model 1 with 66 registers at 40002, model 203 with 105 at 40070, the end at 40177.
    #[test]
    fn the_worked_chain_is_walked() {
        for base in BASES {
            let chain = walk(base, &image(&[(1, 66), (203, 105)], &[0xFFFF, 0]));
            assert_eq!(chain.base(), Some(base));
            let found: Vec<(u16, u16, u16)> =
                chain.models().iter().map(|model| (model.id, model.address - base, model.length)).collect();
            assert_eq!(found, [(1, 2, 66), (203, 70, 105)]);
            assert_eq!(chain.end(), Some(ChainEnd::Marked));
        }
    }

    #[test]
    fn an_end_without_a_length_behind_it_is_an_end() {
        let chain = walk(0, &image(&[(1, 66)], &[0xFFFF]));
        assert_eq!((chain.models().len(), chain.end()), (1, Some(ChainEnd::Marked)));
    }

    #[test]
    fn a_chain_that_breaks_off_says_where() {
        let chain = walk(40_000, &image(&[(1, 66)], &[]));
        assert_eq!(chain.end(), Some(ChainEnd::Cut(40_070)));
        let chain = walk(50_000, &image(&[(1, 20_000)], &[]));
        assert_eq!(chain.end(), Some(ChainEnd::Endless));
        // Zeros all the way: model 0 of length 0 again and again.
        let chain = walk(0, &[vec![0x5375, 0x6E53], vec![0; 1000]].concat());
        assert_eq!((chain.models().len(), chain.end()), (MOST, Some(ChainEnd::Endless)));
    }

    #[test]
    fn other_registers_are_no_chain() {
        let chain = walk(0, &[0x6E53, 0x5375, 1, 66]);
        assert_eq!((chain.base(), chain.end(), chain.models().len()), (None, None, 0));
    }
}
