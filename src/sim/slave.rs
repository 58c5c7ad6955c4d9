//! The hearing of a meter on an RS485 line: questions to its units are found among noise, other masters' questions and
//! other units' answers. Nothing it hears can stop it.

use crate::base::{Span, Stamp};
use crate::wire::heard::{Length, Part, fits, length};
use crate::wire::rtu;

/// A pause after which nothing before it can belong to a frame; ours, far above any adapter's.
const PAUSE: Span = Span::from_millis(500);

/// A question for one of the units.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Question {
    /// Unit address.
    pub unit: u8,
    /// Function code and data.
    pub pdu: Vec<u8>,
}

/// What was heard and not yet understood.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Slave {
    heard: Vec<u8>,
    last: Stamp,
    /// A question to a unit that is not ours, whose answer may come.
    elsewhere: Option<Question>,
}

impl Slave {
    /// Nothing heard so far.
    pub fn new() -> Self {
        Self::default()
    }

    /// Hears bytes and gives the questions to units of ours that are whole now, in order.
    pub fn hear(&mut self, at: Stamp, bytes: &[u8], ours: impl Fn(u8) -> bool) -> Vec<Question> {
        if at - self.last > PAUSE {
            self.heard.clear();
            self.elsewhere = None;
        }
        self.last = at;
        let mut questions = Vec::new();
        for byte in bytes {
            self.heard.push(*byte);
            // a frame is found at its last byte, so every frame that ends here starts at most this far back
            if let Some(question) = self.ends_here(&ours) {
                self.heard.clear();
                if ours(question.unit) {
                    self.elsewhere = None;
                    questions.push(question);
                } else {
                    self.elsewhere = Some(question);
                }
            }
            if self.heard.len() > 2 * rtu::LONGEST {
                self.heard.drain(..rtu::LONGEST);
            }
        }
        questions
    }

    /// A question whose last byte is the last one heard. The answer of another unit that ends here is taken away, and so is a
    /// question of ours in the middle of it.
    fn ends_here(&mut self, ours: &impl Fn(u8) -> bool) -> Option<Question> {
        if let Some(asked) = &self.elsewhere {
            match answer_at_head(asked, &self.heard) {
                Head::Whole => {
                    self.heard.clear();
                    self.elsewhere = None;
                    return None;
                }
                // inside another unit's answer a question can only be chance
                Head::Begun => return None,
                Head::Other => {}
            }
        }
        let end = self.heard.len();
        let first = end.saturating_sub(rtu::LONGEST);
        (first..end.saturating_sub(rtu::SHORTEST - 1)).find_map(|start| {
            let frame = &self.heard[start..];
            let exact = length(Part::Request, &frame[1..frame.len() - 2]) == Length::Exact(frame.len() - 3);
            // chance has one try in 65,536 at a CRC, so a question to nobody here has to be a usual one
            let usual = ours(frame[0]) || matches!(frame[1], 1..=6 | 15 | 16);
            let (unit, pdu) = (exact && usual).then(|| rtu::check(frame))??;
            Some(Question { unit, pdu: pdu.to_vec() })
        })
    }
}

enum Head {
    /// The bytes are the whole answer.
    Whole,
    /// They may become it.
    Begun,
    /// They are something else.
    Other,
}

/// Whether the bytes after a question are its answer.
fn answer_at_head(asked: &Question, heard: &[u8]) -> Head {
    let fitting = |at: usize, byte: u8| match at {
        0 => byte == asked.unit,
        1 => byte & 0x7F == asked.pdu.first().copied().unwrap_or(0),
        _ => true,
    };
    if !heard.iter().enumerate().take(2).all(|(at, byte)| fitting(at, *byte)) {
        return Head::Other;
    }
    if heard.len() < rtu::SHORTEST {
        return Head::Begun;
    }
    let whole = match length(Part::Response, &heard[1..]) {
        Length::Exact(pdu) => pdu + 3,
        Length::Need(_) => return Head::Begun,
        Length::Never => return Head::Other,
    };
    if heard.len() < whole {
        return Head::Begun;
    }
    match rtu::check(&heard[..whole]) {
        Some((_, pdu)) if fits(&asked.pdu, pdu) => Head::Whole,
        _ => Head::Other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const OURS: u8 = 17;

    fn question() -> Vec<u8> {
        // FC 03 read 108 to 110, unit 17 (facts 1.4)
        vec![0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87]
    }

    fn heard(slave: &mut Slave, bytes: &[u8]) -> usize {
        slave.hear(Stamp::from_nanos(0), bytes, |unit| unit == OURS).len()
    }

    #[test]
    fn the_worked_question_is_heard_whole_and_byte_by_byte() {
        let mut slave = Slave::new();
        let found = slave.hear(Stamp::from_nanos(0), &question(), |unit| unit == OURS);
        assert_eq!(found, [Question { unit: 17, pdu: vec![3, 0, 0x6B, 0, 3] }]);
        for byte in &question()[..7] {
            assert_eq!(heard(&mut slave, &[*byte]), 0);
        }
        assert_eq!(heard(&mut slave, &question()[7..]), 1);
    }

    #[test]
    fn it_survives_what_ends_other_servers() {
        let mut slave = Slave::new();
        // 30 bytes of noise, half a question, quantity 126, quantity 0, an unknown function, a broadcast write
        let mut noise: Vec<u8> = (0..30_u8).map(|n| n.wrapping_mul(97) ^ 0x5A).collect();
        noise.extend(&question()[..5]);
        noise.extend(rtu::encode(OURS, &[0x64, 1, 2]));
        assert_eq!(heard(&mut slave, &noise), 0);
        assert_eq!(heard(&mut slave, &rtu::encode(0, &[6, 0, 1, 0, 3])), 0);
        assert_eq!(heard(&mut slave, &question()), 1);
        for count in [0, 126] {
            assert_eq!(heard(&mut slave, &rtu::encode(OURS, &[3, 0, 0, 0, count])), 1);
        }
        // another unit's 125-register answer, with a question to us inside its data
        let mut data = vec![0_u8; 250];
        data[100..108].copy_from_slice(&question());
        let answer = [&[3, 250][..], &data].concat();
        assert_eq!(heard(&mut slave, &rtu::encode(5, &[3, 0, 0, 0, 125])), 0);
        assert_eq!(heard(&mut slave, &rtu::encode(5, &answer)), 0);
        assert_eq!(heard(&mut slave, &question()), 1);
        // the other unit stays silent, and we are asked next
        assert_eq!(heard(&mut slave, &rtu::encode(5, &[3, 0, 0, 0, 125])), 0);
        assert_eq!(heard(&mut slave, &question()), 1);
    }

    #[test]
    fn half_a_question_before_a_pause_is_forgotten() {
        let mut slave = Slave::new();
        let at = |ms| Stamp::from_nanos(0) + Span::from_millis(ms);
        assert!(slave.hear(at(0), &question()[..4], |unit| unit == OURS).is_empty());
        assert!(slave.hear(at(900), &question()[4..], |unit| unit == OURS).is_empty());
        assert_eq!(slave.hear(at(1000), &question(), |unit| unit == OURS).len(), 1);
    }

    proptest! {
        #[test]
        fn after_any_bytes_and_a_pause_the_next_question_is_heard(
            bytes in proptest::collection::vec(any::<u8>(), 0..2000),
        ) {
            let mut slave = Slave::new();
            slave.hear(Stamp::from_nanos(0), &bytes, |unit| unit == OURS);
            let later = Stamp::from_nanos(0) + Span::from_millis(600);
            prop_assert_eq!(slave.hear(later, &question(), |unit| unit == OURS).len(), 1);
        }

        #[test]
        fn short_noise_before_a_question_does_not_hide_it(
            bytes in proptest::collection::vec(any::<u8>(), 0..100),
        ) {
            let mut slave = Slave::new();
            heard(&mut slave, &bytes);
            prop_assert_eq!(heard(&mut slave, &question()), 1);
        }
    }
}
