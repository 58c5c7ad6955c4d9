//! One frame, one line, for people.

use std::fmt::Write as _;

use super::heard::{self, Part};
use super::{mbap, rtu};

/// An RTU frame or what should have been one; a bad CRC is told in words.
pub fn rtu(bytes: &[u8], part: Part) -> String {
    match rtu::check(bytes) {
        Some((unit, pdu)) => sentence(unit, pdu, part),
        None if bytes.len() < rtu::SHORTEST => format!("{} bytes, no frame: {}", bytes.len(), hex(bytes)),
        None => {
            let (body, sum) = bytes.split_at(bytes.len() - 2);
            let due = hex(&super::crc16(body).to_le_bytes());
            format!("bad CRC ({} where {due} is due), {} bytes: {}", hex(sum), bytes.len(), hex(bytes))
        }
    }
}

/// A Modbus TCP message.
pub fn mbap(bytes: &[u8], part: Part) -> String {
    match (mbap::parse(bytes), bytes) {
        (mbap::Parse::Message(length), [high, low, _, _, _, _, unit, pdu @ ..]) if length == bytes.len() => {
            format!("{}, transaction {}", sentence(*unit, pdu, part), u16::from_be_bytes([*high, *low]))
        }
        _ => format!("{} bytes, no message: {}", bytes.len(), hex(bytes)),
    }
}

/// Bytes in hexadecimal with spaces.
pub fn hex(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len() * 3);
    for byte in bytes {
        if !text.is_empty() {
            text.push(' ');
        }
        // writing to a String cannot fail
        let _ = write!(text, "{byte:02x}");
    }
    text
}

fn sentence(unit: u8, pdu: &[u8], part: Part) -> String {
    let function = pdu.first().copied().unwrap_or(0);
    let name = heard::function_name(function);
    if part == Part::Request {
        return match (heard::range(pdu), function) {
            ((0, 0), _) => format!("unit {unit}: {name}?"),
            ((address, count), _) => format!("unit {unit}: {name}, {count} from {address}?"),
        };
    }
    if heard::is_exception(pdu) {
        return format!("unit {unit}: {name}: exception {}, {}", pdu[1], heard::exception_name(pdu[1]));
    }
    let data = match function {
        1..=4 | 12 | 17 | 20 | 21 | 23 => pdu.get(2..),
        _ => pdu.get(1..),
    };
    match data {
        None | Some([]) => format!("unit {unit}: {name}"),
        Some(data) => format!("unit {unit}: {name}: {}", hex(data)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_read_as_one_line() {
        assert_eq!(
            rtu(&rtu::encode(1, &[3, 0, 0x6B, 0, 3]), Part::Request),
            "unit 1: read holding registers, 3 from 107?"
        );
        assert_eq!(
            rtu(&rtu::encode(1, &[4, 2, 0, 10]), Part::Response),
            "unit 1: read input registers: 00 0a"
        );
        assert_eq!(
            rtu(&rtu::encode(10, &[0x81, 2]), Part::Response),
            "unit 10: read coils: exception 2, illegal data address"
        );
        assert_eq!(
            mbap(&mbap::encode(9, 1, &[4, 0, 8, 0, 1]), Part::Request),
            "unit 1: read input registers, 1 from 8?, transaction 9"
        );
    }

    #[test]
    fn a_bad_crc_is_told_in_words() {
        assert_eq!(
            rtu(&[1, 4, 2, 0, 10, 0x39, 0x38], Part::Response),
            "bad CRC (39 38 where 39 37 is due), 7 bytes: 01 04 02 00 0a 39 38"
        );
        assert_eq!(rtu(&[1, 4], Part::Response), "2 bytes, no frame: 01 04");
    }
}
