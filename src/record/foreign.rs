//! Captures of other programs: Modbus TCP as it passed on a network, in pcapng or classic pcap files. Segments are put
//! in order by sequence number, retransmissions dropped; each server is a line named `ip:port`. Bytes around a lost
//! segment are told as marked (the capture overflowed), so that no message is pieced together over a gap.

use super::block::Cut;
use super::capture::Capture;
use super::event::Direction;
use crate::base::Stamp;

mod flow;
mod packet;

pub use flow::Network;

/// Largest packet believed in classic files.
const LARGEST: usize = 1 << 20;

/// First bytes of a classic file: four of them say that it is one.
const HEADER: usize = 24;
/// What stands before a packet.
const PACKET: usize = 16;

/// A classic pcap file, read as its bytes come.
#[derive(Debug)]
pub(super) struct Classic {
    big_endian: bool,
    tick_nanos: i64,
    /// Known once the header is there.
    link_type: Option<u16>,
    /// Bytes taken so far.
    offset: u64,
    /// Where the zeros began that everything since has been.
    zeros: Option<u64>,
    cut: Option<Cut>,
}

impl Classic {
    /// Whether a file that begins so is one; the first four bytes are needed.
    pub(super) fn begins(bytes: &[u8]) -> Option<Self> {
        let magic: [u8; 4] = bytes.get(..4)?.try_into().ok()?;
        let (big_endian, tick_nanos) = match (u32::from_le_bytes(magic), u32::from_be_bytes(magic)) {
            (0xA1B2_C3D4, _) => (false, 1000),
            (0xA1B2_3C4D, _) => (false, 1),
            (_, 0xA1B2_C3D4) => (true, 1000),
            (_, 0xA1B2_3C4D) => (true, 1),
            _ => return None,
        };
        Some(Self { big_endian, tick_nanos, link_type: None, offset: 0, zeros: None, cut: None })
    }

    /// Takes the whole packets at the front; how many bytes that were. With `end`, what is left is told as cut.
    pub(super) fn take(
        &mut self,
        bytes: &[u8],
        end: bool,
        network: &mut Network,
        capture: &mut Capture,
    ) -> usize {
        let mut taken = 0;
        if self.link_type.is_none() && (bytes.len() >= HEADER || end) {
            self.link_type = Some((self.number(bytes, 20).unwrap_or(0) & 0xFFFF) as u16);
            taken = bytes.len().min(HEADER);
        }
        let Some(link_type) = self.link_type else { return 0 };
        while self.cut.is_none() {
            let rest = &bytes[taken..];
            if rest.is_empty() {
                break;
            }
            let (seconds, fraction, length) =
                (self.number(rest, 0), self.number(rest, 4), self.number(rest, 8).map(|n| n as usize));
            let too_long = length.is_some_and(|length| length > LARGEST);
            let whole = length.and_then(|length| rest.get(PACKET..PACKET.checked_add(length)?));
            let here = self.offset + taken as u64;
            let (Some(seconds), Some(fraction), Some(data), false) = (seconds, fraction, whole, too_long)
            else {
                if end || too_long {
                    self.cut = Some(Cut { offset: here, why: "the last packet lacks its end".to_owned() });
                }
                break;
            };
            let head_of_zeros = rest.iter().take(PACKET).all(|&byte| byte == 0);
            if head_of_zeros {
                self.zeros.get_or_insert(here);
            } else {
                self.zeros = None;
            }
            let nanos = i64::from(seconds) * 1_000_000_000 + i64::from(fraction) * self.tick_nanos;
            network.packet(link_type, Stamp::from_nanos(nanos), data, capture);
            taken += PACKET + data.len();
        }
        if end
            && let Some(offset) = self.zeros
            && bytes[taken..].iter().all(|&byte| byte == 0)
        {
            self.cut = Some(Cut { offset, why: "zero bytes to the end".to_owned() });
        }
        self.offset += taken as u64;
        taken
    }

    /// Where the file stops being whole.
    pub(super) fn cut(&self) -> Option<&Cut> {
        self.cut.as_ref()
    }

    fn number(&self, bytes: &[u8], at: usize) -> Option<u32> {
        let word: [u8; 4] = bytes.get(at..at.checked_add(4)?)?.try_into().ok()?;
        Some(if self.big_endian { u32::from_be_bytes(word) } else { u32::from_le_bytes(word) })
    }
}

/// Direction and payload of a packet on a TCP line of a capture to contract 5, whose order is that of the file.
pub(super) fn own_segment(data: &[u8], port: u16) -> Option<(Direction, &[u8])> {
    let segment = packet::parse(super::write::LINK_IP, data)?;
    let direction = if segment.to.1 == port { Direction::Out } else { Direction::In };
    Some((direction, segment.payload))
}

#[cfg(test)]
mod tests;
