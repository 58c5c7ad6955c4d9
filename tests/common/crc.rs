//! The checksum of serial frames; the tests' own.

/// CRC-16 as MODBUS over Serial Line V1.02, 6.2.2 describes it; the tests' own.
pub fn crc(bytes: &[u8]) -> [u8; 2] {
    let mut sum = 0xffff_u16;
    for byte in bytes {
        sum ^= u16::from(*byte);
        for _ in 0..8 {
            sum = if sum & 1 == 1 { (sum >> 1) ^ 0xa001 } else { sum >> 1 };
        }
    }
    sum.to_le_bytes()
}

/// Address, function and data with their CRC.
pub fn rtu(bytes: &[u8]) -> Vec<u8> {
    let mut frame = bytes.to_vec();
    frame.extend(crc(bytes));
    frame
}
