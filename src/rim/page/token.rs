//! What stands in the address and is known only to those who were given it.

use rustix::rand::{GetRandomFlags, getrandom};

use crate::base::Failure;

/// Letters that cannot be taken for each other when read aloud or typed: 32 of them, 5 bits each.
const LETTERS: &[u8; 32] = b"abcdefghijkmnpqrstuvwxyz23456789";
/// 130 bits.
const LONG: usize = 26;

/// A token.
#[derive(Debug)]
pub(super) struct Token([u8; LONG]);

impl Token {
    /// A new one, from the system's random bytes.
    pub(super) fn draw() -> Result<Self, Failure> {
        let mut bytes = [0_u8; LONG];
        // The system gives up to 256 bytes whole once its pool is ready.
        match getrandom(&mut bytes, GetRandomFlags::empty()) {
            Ok(given) if given == LONG => {}
            _ => return Err(Failure::nothing("the system gives no random bytes for the page's address")),
        }
        Ok(Self(bytes.map(|byte| LETTERS[usize::from(byte & 31)])))
    }

    /// As it stands in the address.
    pub(super) fn text(&self) -> String {
        self.0.iter().copied().map(char::from).collect()
    }

    /// Whether this is it. Takes as long for a wrong one as for the right one.
    pub(super) fn is(&self, said: &[u8]) -> bool {
        // How long a token is is no secret.
        let Ok(said) = <&[u8; LONG]>::try_from(said) else { return false };
        let differs = self.0.iter().zip(said).fold(0_u8, |differs, (ours, theirs)| differs | (ours ^ theirs));
        std::hint::black_box(differs) == 0
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn tokens_have_130_bits_and_every_letter_counts() {
        let letters: BTreeSet<u8> = LETTERS.iter().copied().collect();
        assert_eq!(letters.len(), 32);
        let many: BTreeSet<String> = (0..200).map(|_| Token::draw().expect("random").text()).collect();
        assert_eq!(many.len(), 200);
        let seen: BTreeSet<u8> = many.iter().flat_map(|text| text.bytes()).collect();
        assert_eq!(seen, letters);
        let token = Token::draw().expect("random");
        let text = token.text();
        assert!(token.is(text.as_bytes()));
        for place in 0..LONG {
            let mut wrong = text.clone().into_bytes();
            wrong[place] = if wrong[place] == b'a' { b'b' } else { b'a' };
            assert!(!token.is(&wrong), "{place}");
        }
        assert!(
            !token.is(&text.as_bytes()[1..]) && !token.is(b"") && !token.is(format!("{text}a").as_bytes())
        );
    }
}
