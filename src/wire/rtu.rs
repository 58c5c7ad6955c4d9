//! The serial envelope: unit address, function and data, CRC with the low byte first; at most 256 bytes
//! (MODBUS over Serial Line V1.02, 2.5.1).

use super::crc::crc16;

/// Longest frame.
pub const LONGEST: usize = 256;
/// Shortest frame: address, function, CRC.
pub const SHORTEST: usize = 4;

/// Puts address and CRC around function code and data.
pub fn encode(unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(pdu.len() + 3);
    bytes.push(unit);
    bytes.extend_from_slice(pdu);
    bytes.extend_from_slice(&crc16(&bytes).to_le_bytes());
    bytes
}

/// Unit and PDU of a whole frame; `None` when the CRC or the length is wrong.
pub fn check(bytes: &[u8]) -> Option<(u8, &[u8])> {
    if !(SHORTEST..=LONGEST).contains(&bytes.len()) {
        return None;
    }
    let (body, sum) = bytes.split_at(bytes.len() - 2);
    (crc16(body).to_le_bytes() == sum).then(|| (body[0], &body[1..]))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// MODBUS Application Protocol V1.1b3, worked examples; address and CRC added by hand.
    const FRAMES: [(u8, &[u8], [u8; 2]); 16] = [
        (1, &[0x03, 0x00, 0x6B, 0x00, 0x03], [0x74, 0x17]),
        (17, &[0x03, 0x00, 0x6B, 0x00, 0x03], [0x76, 0x87]),
        (1, &[0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64], [0x05, 0x7A]),
        (1, &[0x04, 0x00, 0x08, 0x00, 0x01], [0xB0, 0x08]),
        (1, &[0x04, 0x02, 0x00, 0x0A], [0x39, 0x37]),
        (1, &[0x01, 0x00, 0x13, 0x00, 0x13], [0x8C, 0x02]),
        (1, &[0x01, 0x03, 0xCD, 0x6B, 0x05], [0x42, 0x82]),
        (1, &[0x02, 0x00, 0xC4, 0x00, 0x16], [0xB8, 0x39]),
        (1, &[0x02, 0x03, 0xAC, 0xDB, 0x35], [0x22, 0x88]),
        (10, &[0x01, 0x04, 0xA1, 0x00, 0x01], [0xAC, 0x63]),
        (10, &[0x81, 0x02], [0xB0, 0x53]),
        (1, &[0x83, 0x02], [0xC0, 0xF1]),
        (1, &[0x83, 0x06], [0xC1, 0x32]),
        (1, &[0x2B, 0x0E, 0x01, 0x00], [0x70, 0x77]),
        (1, &[0x03, 0x9C, 0x40, 0x00, 0x02], [0xEB, 0x8F]),
        (1, &[0x03, 0x04, 0x53, 0x75, 0x6E, 0x53], [0x96, 0xF0]),
    ];

    #[test]
    fn worked_frames_are_built_and_checked() {
        for (unit, pdu, sum) in FRAMES {
            let frame = encode(unit, pdu);
            assert_eq!(frame[frame.len() - 2..], sum, "{pdu:02x?}");
            assert_eq!(check(&frame), Some((unit, pdu)));
        }
    }

    #[test]
    fn every_single_bit_error_is_seen() {
        let frame = encode(1, &[0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64]);
        for bit in 0..frame.len() * 8 {
            let mut spoilt = frame.clone();
            spoilt[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(check(&spoilt), None);
        }
        assert_eq!(check(&frame[..3]), None);
        assert_eq!(check(&[0; 257]), None);
    }
}
