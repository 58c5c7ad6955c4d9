//! From a packet of a known link type to its TCP segment.

use core::net::IpAddr;

/// An end of a connection.
pub(super) type End = (IpAddr, u16);

/// A TCP segment as captured.
#[derive(Clone, Copy, Debug)]
pub(super) struct Segment<'a> {
    pub(super) from: End,
    pub(super) to: End,
    pub(super) sequence: u32,
    /// What the sender says it has received, where it says so.
    pub(super) acknowledged: Option<u32>,
    pub(super) opens: bool,
    pub(super) closes: bool,
    pub(super) payload: &'a [u8],
    /// Bytes of payload that were sent and not captured.
    pub(super) missing: usize,
}

/// The TCP segment in a packet; `None` for anything else.
pub(super) fn parse(link_type: u16, data: &[u8]) -> Option<Segment<'_>> {
    let (protocol, packet) = match link_type {
        // Ethernet
        1 => untagged(word(data, 12)?, data.get(14..)?)?,
        // raw IP: both, or one version each
        101 | 228 | 229 => (0, data),
        // Linux cooked, version 1 and 2
        113 => untagged(word(data, 14)?, data.get(16..)?)?,
        276 => untagged(word(data, 0)?, data.get(20..)?)?,
        _ => return None,
    };
    match (protocol, data_version(packet)?) {
        (0 | 0x0800, 4) => version_4(packet),
        (0 | 0x86DD, 6) => version_6(packet),
        _ => None,
    }
}

/// Passes over VLAN tags.
fn untagged(mut protocol: u16, mut packet: &[u8]) -> Option<(u16, &[u8])> {
    while matches!(protocol, 0x8100 | 0x88A8) {
        protocol = word(packet, 2)?;
        packet = packet.get(4..)?;
    }
    Some((protocol, packet))
}

fn data_version(packet: &[u8]) -> Option<u8> {
    packet.first().map(|byte| byte >> 4)
}

fn version_4(packet: &[u8]) -> Option<Segment<'_>> {
    let header = usize::from(packet[0] & 15) * 4;
    let fragment = word(packet, 6)? & 0x3FFF;
    if header < 20 || fragment != 0 || *packet.get(9)? != 6 {
        return None;
    }
    let address = |at: usize| -> Option<IpAddr> {
        let octets: [u8; 4] = packet.get(at..at + 4)?.try_into().ok()?;
        Some(IpAddr::from(octets))
    };
    // 0 where the network card cut the packet up after it was captured
    let total = match usize::from(word(packet, 2)?) {
        0 => packet.len(),
        total => total,
    };
    tcp(address(12)?, address(16)?, packet.get(header..)?, total.checked_sub(header)?)
}

fn version_6(packet: &[u8]) -> Option<Segment<'_>> {
    let address = |at: usize| -> Option<IpAddr> {
        let octets: [u8; 16] = packet.get(at..at + 16)?.try_into().ok()?;
        Some(IpAddr::from(octets))
    };
    let (mut next, mut rest) = (*packet.get(6)?, packet.get(40..)?);
    let mut total = match usize::from(word(packet, 4)?) {
        0 => rest.len(),
        total => total,
    };
    // hop-by-hop, routing and destination options; fragments are left alone
    while matches!(next, 0 | 43 | 60) {
        let length = usize::from(*rest.get(1)?) * 8 + 8;
        next = rest[0];
        rest = rest.get(length..)?;
        total = total.checked_sub(length)?;
    }
    if next != 6 {
        return None;
    }
    tcp(address(8)?, address(24)?, rest, total)
}

/// `total`: bytes of header and payload as sent; what was captured may be less (cut) or more (padding).
fn tcp(from: IpAddr, to: IpAddr, segment: &[u8], total: usize) -> Option<Segment<'_>> {
    let header = usize::from(*segment.get(12)? >> 4) * 4;
    if header < 20 {
        return None;
    }
    let number =
        |at: usize| -> Option<u32> { Some(u32::from_be_bytes(segment.get(at..at + 4)?.try_into().ok()?)) };
    let flags = *segment.get(13)?;
    let sent = total.checked_sub(header)?;
    let payload = segment.get(header..)?;
    let payload = &payload[..payload.len().min(sent)];
    Some(Segment {
        from: (from, word(segment, 0)?),
        to: (to, word(segment, 2)?),
        sequence: number(4)?,
        acknowledged: (flags & 0x10 != 0).then_some(number(8)?),
        opens: flags & 0x02 != 0,
        closes: flags & 0x05 != 0,
        payload,
        missing: sent - payload.len(),
    })
}

fn word(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes(bytes.get(at..at.checked_add(2)?)?.try_into().ok()?))
}
