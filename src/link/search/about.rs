//! What is asked of an address that answered: the same once more and again, to see whether one unit answers or two; who it
//! says it is; and the open register model.

use super::{identification, identification_goes_on};
use crate::link::{Chain, Outcome, Transaction};
use crate::profile::Registers;
use crate::wire::Request;

/// How often the first question is put again: two units that collide on half of their answers pass for one of them less than
/// once in 200 times. Ours.
const CONFIRM: usize = 8;
/// Answers that one identification may take. Ours.
const MOST_PARTS: u8 = 8;

/// The rest of the conversation with one address.
#[derive(Clone, Debug)]
pub(super) struct About {
    confirm: Option<Request>,
    identify: Option<u8>,
    parts: u8,
    pub(super) identity: Vec<(u8, String)>,
    pub(super) chain: Chain,
    /// The question about the chain that is on its way, and the registers that came.
    asked: Option<Registers>,
    came: Option<Vec<u16>>,
}

impl About {
    /// Begins with the question that brought something.
    pub(super) fn new(question: Request) -> Self {
        Self {
            confirm: Some(question),
            identify: Some(0),
            parts: 0,
            identity: Vec::new(),
            chain: Chain::default(),
            asked: None,
            came: None,
        }
    }

    /// What to ask in the next turn; only a `whole` answer makes more than the first question worth it.
    pub(super) fn questions(&mut self, whole: bool) -> Vec<Request> {
        let mut questions: Vec<Request> =
            self.confirm.take().map_or(Vec::new(), |again| vec![again; CONFIRM]);
        if whole {
            let identify = self.identify.take().and_then(|object| Request::device_id(1, object).ok());
            questions.extend(identify);
            self.asked = self.chain.question();
            let head = self.asked.and_then(|asked| Request::read_holding(asked.address, asked.count).ok());
            questions.extend(head);
        }
        questions
    }

    /// Takes what came of one of them.
    pub(super) fn settle(&mut self, transaction: &Transaction) {
        if transaction.suspect {
            return;
        }
        let asked = &transaction.asked;
        if let (43, Outcome::Answer { pdu, .. }) = (asked.function, &transaction.outcome) {
            self.identity.extend(identification(pdu));
            self.parts += 1;
            let last = self.identity.iter().map(|(object, _)| *object).max();
            let more = identification_goes_on(pdu).filter(|next| last < Some(*next));
            self.identify = more.filter(|_| self.parts < MOST_PARTS);
        }
        let of_chain = |chain: Registers| (chain.address, chain.count) == (asked.address, asked.count);
        if asked.function == 3 && self.asked.is_some_and(of_chain) {
            self.came = self.came.take().or(transaction.registers());
        }
    }

    /// The turn is over: what was asked about the chain, and its repeat, are settled.
    pub(super) fn end(&mut self) {
        if self.asked.take().is_some() {
            self.chain.settle(self.came.take().as_deref());
        }
    }
}
