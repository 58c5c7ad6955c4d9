//! The TCP envelope: transaction, protocol (0), length of what follows, unit; then function and data
//! (MODBUS Application Protocol V1.1b3, 4.1: at most 260 bytes in all).

/// Bytes before the PDU.
pub const HEADER: usize = 7;
/// Longest message.
pub const LONGEST: usize = 260;

/// What the first bytes of a stream say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parse {
    /// Too few bytes to tell.
    Short,
    /// No message starts here: protocol not 0, or a length outside 2 to 254.
    Wrong,
    /// A message of this many bytes in all starts here.
    Message(usize),
}

/// Puts the header before function code and data (at most 253 bytes).
pub fn encode(transaction: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let length = u16::try_from(pdu.len() + 1).unwrap_or(u16::MAX);
    let mut bytes = Vec::with_capacity(HEADER + pdu.len());
    bytes.extend_from_slice(&transaction.to_be_bytes());
    bytes.extend_from_slice(&[0, 0]);
    bytes.extend_from_slice(&length.to_be_bytes());
    bytes.push(unit);
    bytes.extend_from_slice(pdu);
    bytes
}

/// Looks at the start of a stream; tells what is wrong as early as the bytes allow.
pub fn parse(bytes: &[u8]) -> Parse {
    if bytes.iter().skip(2).take(2).any(|&byte| byte != 0) || bytes.get(4).is_some_and(|&high| high != 0) {
        return Parse::Wrong;
    }
    match bytes.get(5) {
        None => Parse::Short,
        Some(&length @ 2..=254) => Parse::Message(6 + usize::from(length)),
        Some(_) => Parse::Wrong,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_read_request_is_wrapped_and_found_again() {
        // layout of V1.1b3 4.1 and the MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3
        let bytes = encode(0x1501, 0xFF, &[3, 0, 4, 0, 1]);
        assert_eq!(bytes, [0x15, 0x01, 0, 0, 0, 6, 0xFF, 3, 0, 4, 0, 1]);
        assert_eq!(parse(&bytes), Parse::Message(12));
        assert_eq!(parse(&bytes[..5]), Parse::Short);
        assert_eq!(parse(&bytes[..6]), Parse::Message(12));
    }

    #[test]
    fn wrong_protocol_or_length_is_told_at_once() {
        assert_eq!(parse(&[0, 1, 1]), Parse::Wrong);
        assert_eq!(parse(&[0, 1, 0, 0, 1]), Parse::Wrong);
        assert_eq!(parse(&[0, 1, 0, 0, 0, 255]), Parse::Wrong);
        assert_eq!(parse(&[0, 1, 0, 0, 0, 1]), Parse::Wrong);
    }
}
