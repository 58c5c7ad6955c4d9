//! Headers around the messages of a Modbus TCP line, so that other tools dissect them. Addresses are those of the line
//! where it names them, else from the blocks kept for documentation (RFC 5737); sequence numbers run on.

use core::net::Ipv4Addr;

use super::{literal, port};
use crate::record::event::Direction;

/// Most bytes in one packet; an IPv4 packet holds 65,535 with its headers.
pub(super) const MOST: usize = 60_000;

/// Both ends of a made-up connection.
#[derive(Debug)]
pub(super) struct Connection {
    client: (Ipv4Addr, u16),
    server: (Ipv4Addr, u16),
    /// Next sequence number of client and server.
    next: [u32; 2],
    packets: u16,
}

impl Connection {
    pub(super) fn new(index: usize, name: &str) -> Self {
        let low = (index % 100) as u8;
        let server = literal(name).unwrap_or((Ipv4Addr::new(192, 0, 2, 100 + low), port(name)));
        Self {
            client: (Ipv4Addr::new(192, 0, 2, 1), 49_152 + u16::from(low)),
            server,
            next: [1, 1],
            packets: 0,
        }
    }

    /// An IPv4 packet with this payload (at most `MOST` bytes).
    pub(super) fn segment(&mut self, direction: Direction, payload: &[u8]) -> Vec<u8> {
        let out = direction == Direction::Out;
        let (from, to) = if out { (self.client, self.server) } else { (self.server, self.client) };
        let (own, other) = if out { (0, 1) } else { (1, 0) };
        let mut tcp = Vec::with_capacity(20 + payload.len());
        tcp.extend_from_slice(&from.1.to_be_bytes());
        tcp.extend_from_slice(&to.1.to_be_bytes());
        tcp.extend_from_slice(&self.next[own].to_be_bytes());
        tcp.extend_from_slice(&self.next[other].to_be_bytes());
        // five words of header; PSH and ACK; whole window; checksum and urgent pointer still 0
        tcp.extend_from_slice(&[0x50, 0x18, 0xFF, 0xFF, 0, 0, 0, 0]);
        tcp.extend_from_slice(payload);
        let mut pseudo = [from.0.octets(), to.0.octets()].concat();
        pseudo.extend_from_slice(&[0, 6]);
        pseudo.extend_from_slice(&(tcp.len() as u16).to_be_bytes());
        let sum = checksum(&[&pseudo, &tcp]);
        tcp[16..18].copy_from_slice(&sum.to_be_bytes());
        self.next[own] = self.next[own].wrapping_add(payload.len() as u32);
        self.packets = self.packets.wrapping_add(1);
        [ip_header(from.0, to.0, tcp.len(), self.packets).to_vec(), tcp].concat()
    }
}

fn ip_header(from: Ipv4Addr, to: Ipv4Addr, payload: usize, number: u16) -> [u8; 20] {
    let mut ip = [0; 20];
    ip[0] = 0x45;
    ip[2..4].copy_from_slice(&((payload + 20) as u16).to_be_bytes());
    ip[4..6].copy_from_slice(&number.to_be_bytes());
    ip[6] = 0x40; // do not fragment
    ip[8] = 64;
    ip[9] = 6;
    ip[12..16].copy_from_slice(&from.octets());
    ip[16..20].copy_from_slice(&to.octets());
    let sum = checksum(&[&ip]);
    ip[10..12].copy_from_slice(&sum.to_be_bytes());
    ip
}

/// The Internet checksum (RFC 1071) over parts of which all but the last have even length.
fn checksum(parts: &[&[u8]]) -> u16 {
    let mut sum = 0u32;
    for pair in parts.iter().flat_map(|part| part.chunks(2)) {
        sum += u32::from(u16::from_be_bytes([pair[0], pair.get(1).copied().unwrap_or(0)]));
        sum = (sum & 0xFFFF) + (sum >> 16);
    }
    !((sum & 0xFFFF) + (sum >> 16)) as u16
}
