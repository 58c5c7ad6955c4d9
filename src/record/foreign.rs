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

/// Reads a classic pcap file; `None` when it is none.
pub fn read_classic(bytes: &[u8], ports: &[u16]) -> Option<Capture> {
    let magic: [u8; 4] = bytes.get(..4)?.try_into().ok()?;
    let (big_endian, tick_nanos) = match (u32::from_le_bytes(magic), u32::from_be_bytes(magic)) {
        (0xA1B2_C3D4, _) => (false, 1000),
        (0xA1B2_3C4D, _) => (false, 1),
        (_, 0xA1B2_C3D4) => (true, 1000),
        (_, 0xA1B2_3C4D) => (true, 1),
        _ => return None,
    };
    let number = |at: usize| -> Option<u32> {
        let word: [u8; 4] = bytes.get(at..at.checked_add(4)?)?.try_into().ok()?;
        Some(if big_endian { u32::from_be_bytes(word) } else { u32::from_le_bytes(word) })
    };
    let link_type = (number(20).unwrap_or(0) & 0xFFFF) as u16;
    let (mut capture, mut network) = (Capture::default(), Network::new(ports));
    let mut at = 24;
    let cut = |offset: usize, why: &str| Some(Cut { offset: offset as u64, why: why.to_owned() });
    while at < bytes.len() {
        let (Some(seconds), Some(fraction), Some(length)) = (number(at), number(at + 4), number(at + 8))
        else {
            capture.cut = cut(at, "the last packet lacks its end");
            break;
        };
        let length = length as usize;
        let Some(data) =
            bytes.get(at + 16..).and_then(|rest| rest.get(..length)).filter(|_| length <= LARGEST)
        else {
            capture.cut = cut(at, "the last packet lacks its end");
            break;
        };
        if bytes[at..].iter().take(16).all(|&byte| byte == 0) && bytes[at..].iter().all(|&byte| byte == 0) {
            capture.cut = cut(at, "zero bytes to the end");
            break;
        }
        let nanos = i64::from(seconds) * 1_000_000_000 + i64::from(fraction) * tick_nanos;
        network.packet(link_type, Stamp::from_nanos(nanos), data, &mut capture);
        at += 16 + length;
    }
    network.finish(&mut capture);
    Some(capture)
}

/// Direction and payload of a packet on a TCP line of a capture to contract 5, whose order is that of the file.
pub(super) fn own_segment(data: &[u8], port: u16) -> Option<(Direction, &[u8])> {
    let segment = packet::parse(super::write::LINK_IP, data)?;
    let direction = if segment.to.1 == port { Direction::Out } else { Direction::In };
    Some((direction, segment.payload))
}

#[cfg(test)]
mod tests;
