//! Adapters that echo: the first bytes heard after a question are the question itself. They are told from an answer
//! byte by byte, since both may begin alike (same unit, same function) and may arrive in pieces.

/// Compares what is heard after a question with the question.
#[derive(Clone, Debug, Default)]
pub struct Echo {
    sent: Vec<u8>,
    matched: usize,
    open: bool,
    whole: u64,
}

impl Echo {
    /// A question went out: an echo of it may follow.
    pub fn sent(&mut self, bytes: &[u8]) {
        self.sent = bytes.to_vec();
        self.matched = 0;
        self.open = !bytes.is_empty();
    }

    /// Takes bytes heard and gives those that are no echo. Bytes that may still turn out to be one are held back and
    /// come out in front of the first byte that differs.
    pub fn strip(&mut self, heard: &[u8]) -> Vec<u8> {
        if !self.open {
            return heard.to_vec();
        }
        for (index, byte) in heard.iter().enumerate() {
            if self.sent.get(self.matched) != Some(byte) {
                let mut rest = self.sent[..self.matched].to_vec();
                rest.extend_from_slice(&heard[index..]);
                self.open = false;
                self.matched = 0;
                return rest;
            }
            self.matched += 1;
            if self.matched == self.sent.len() {
                self.open = false;
                self.matched = 0;
                self.whole += 1;
                return heard[index + 1..].to_vec();
            }
        }
        Vec::new()
    }

    /// Bytes held back: they equal the beginning of the question so far.
    pub fn held(&self) -> usize {
        self.matched
    }

    /// How many whole questions came back.
    pub fn count(&self) -> u64 {
        self.whole
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The read of registers 108 to 110 and its answer (Modbus Application Protocol V1.1b3, 6.3; CRC added).
    const QUESTION: [u8; 8] = [0x01, 0x03, 0x00, 0x6b, 0x00, 0x03, 0x74, 0x17];
    const ANSWER: [u8; 11] = [0x01, 0x03, 0x06, 0x02, 0x2b, 0x00, 0x00, 0x00, 0x64, 0x05, 0x7a];

    #[test]
    fn an_answer_without_echo_passes_whole_in_any_pieces() {
        for cut in 0..ANSWER.len() {
            let mut echo = Echo::default();
            echo.sent(&QUESTION);
            let mut out = echo.strip(&ANSWER[..cut]);
            out.extend(echo.strip(&ANSWER[cut..]));
            assert_eq!(out, ANSWER);
            assert_eq!(echo.count(), 0);
        }
    }

    #[test]
    fn an_echo_in_any_pieces_is_taken_off_and_counted() {
        let line: Vec<u8> = QUESTION.into_iter().chain(ANSWER).collect();
        for cut in 0..line.len() {
            let mut echo = Echo::default();
            echo.sent(&QUESTION);
            let mut out = echo.strip(&line[..cut]);
            out.extend(echo.strip(&line[cut..]));
            assert_eq!(out, ANSWER);
            assert_eq!(echo.count(), 1);
        }
    }

    #[test]
    fn an_altered_echo_comes_out_as_it_was_heard() {
        let mut altered = QUESTION;
        altered[5] ^= 0x10;
        let mut echo = Echo::default();
        echo.sent(&QUESTION);
        let mut out = Vec::new();
        for byte in altered {
            out.extend(echo.strip(&[byte]));
        }
        assert_eq!(out, altered);
        assert_eq!(echo.count(), 0);
    }
}
