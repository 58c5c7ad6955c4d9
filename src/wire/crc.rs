//! CRC-16 of Modbus RTU: reflected polynomial 0xA001, start 0xFFFF, no final XOR, low byte sent first (MODBUS over
//! Serial Line V1.02, 2.5.1.2 and 6.2.2).
//!
//! Besides the plain sum there is a running one over a stream: with the register noted before each byte, whether any
//! stretch of the stream ends in its own CRC is told in constant time, which keeps framing linear whatever the bytes.

/// Longest stretch that `stretch_ok` is asked about: one RTU frame.
pub const LONGEST: usize = 256;

const BYTE: [u16; 256] = byte_table();
static ZEROS: [[[u16; 16]; 4]; LONGEST + 1] = zeros_table();

/// The CRC of `bytes`.
pub fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |register, &byte| next(register, byte))
}

/// The register after one more byte.
pub const fn next(register: u16, byte: u8) -> u16 {
    (register >> 8) ^ BYTE[((register ^ byte as u16) & 0xFF) as usize]
}

/// Whether a stretch of `length` bytes (at most `LONGEST`) ends in its own CRC, from the register (started at 0) before
/// its first byte and after its last. The CRC is linear, so the register after the stretch is that of the stretch alone
/// XOR what the bytes before it turn into over `length` zero bytes.
#[inline]
pub fn stretch_ok(before: u16, after: u16, length: usize) -> bool {
    let Some(table) = ZEROS.get(length) else { return false };
    let start = before ^ 0xFFFF;
    let carried = table[0][usize::from(start & 15)]
        ^ table[1][usize::from(start >> 4 & 15)]
        ^ table[2][usize::from(start >> 8 & 15)]
        ^ table[3][usize::from(start >> 12)];
    carried == after
}

const fn byte_table() -> [u16; 256] {
    let mut table = [0; 256];
    let mut byte = 0;
    while byte < 256 {
        let mut register = byte as u16;
        let mut bit = 0;
        while bit < 8 {
            register = if register & 1 == 1 { register >> 1 ^ 0xA001 } else { register >> 1 };
            bit += 1;
        }
        table[byte] = register;
        byte += 1;
    }
    table
}

/// What each nibble of the register turns into over 0, 1, … zero bytes.
#[expect(clippy::large_stack_arrays, reason = "filled by the compiler, never on a stack at run time")]
const fn zeros_table() -> [[[u16; 16]; 4]; LONGEST + 1] {
    let mut table = [[[0; 16]; 4]; LONGEST + 1];
    let mut nibble = 0;
    while nibble < 4 {
        let mut value = 0;
        while value < 16 {
            let mut register = (value as u16) << (4 * nibble);
            let mut length = 0;
            while length <= LONGEST {
                table[length][nibble][value] = register;
                register = next(register, 0);
                length += 1;
            }
            value += 1;
        }
        nibble += 1;
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn check_values_of_the_crc_catalogue_and_the_serial_line_guide() {
        // CRC_16_MODBUS of docs.rs/crc-catalog/2.5.0
        assert_eq!(crc16(b"123456789"), 0x4B37);
        // MODBUS over Serial Line V1.02, fig. 30: bytes 02 07 are followed by 41 12
        assert_eq!(crc16(&[0x02, 0x07]), 0x1241);
        assert_eq!(crc16(&[]), 0xFFFF);
        assert_eq!(crc16(&[0x00]), 0x40BF);
    }

    proptest! {
        #[test]
        fn any_stretch_is_judged_as_by_the_plain_sum(
            lead in proptest::collection::vec(any::<u8>(), 0..40),
            body in proptest::collection::vec(any::<u8>(), 0..LONGEST - 1),
            spoil in proptest::option::of(any::<proptest::sample::Index>()),
        ) {
            let mut stretch = body.clone();
            stretch.extend_from_slice(&crc16(&body).to_le_bytes());
            if let Some(index) = spoil {
                let at = index.index(stretch.len());
                stretch[at] ^= 0x10;
            }
            let before = lead.iter().fold(0, |register, &byte| next(register, byte));
            let after = stretch.iter().fold(before, |register, &byte| next(register, byte));
            prop_assert_eq!(stretch_ok(before, after, stretch.len()), spoil.is_none());
        }
    }
}
