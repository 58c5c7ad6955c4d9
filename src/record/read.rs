//! Capture files to chunks and marks: those of contract 5, and through `foreign.rs` those of other programs. Never
//! panics, never loops, and says where a file stops being whole.

use super::block::{self, Block, Blocks};
use super::capture::{Capture, Entry};
use super::event::{Chunk, Direction, LineInfo, Medium, WireError};
use super::foreign::{self, Network};
use super::write::{COMMENT, LINK_IP, LINK_SERIAL, SERIES};
use crate::base::{Failure, Stamp};

mod journal;
mod stream;

pub use stream::CaptureStream;

/// The port of Modbus TCP (registered with IANA).
pub const PORT: u16 = 502;

/// Bytes taken at a time, so that a large file is not held twice.
const PIECE: usize = 1 << 20;

/// Reads a capture; in network captures of other programs servers are looked for on port 502.
///
/// # Errors
/// When this is no capture file at all, or one of a later version; a file that is cut is no error.
pub fn read_capture(bytes: &[u8]) -> Result<Capture, Failure> {
    read_capture_with_ports(bytes, &[PORT])
}

/// Reads a capture; in network captures of other programs servers are looked for on these ports.
///
/// # Errors
/// When this is no capture file at all, or one of a later version; a file that is cut is no error.
pub fn read_capture_with_ports(bytes: &[u8], ports: &[u16]) -> Result<Capture, Failure> {
    let mut stream = CaptureStream::new(ports);
    let mut entries = Vec::new();
    for piece in bytes.chunks(PIECE) {
        entries.append(&mut stream.push(piece)?);
    }
    let mut capture = stream.into_capture()?;
    entries.append(&mut capture.entries);
    Ok(Capture { entries, ..capture })
}

/// The series that a capture says it is a segment of, from its first bytes.
pub fn series_of(head: &[u8]) -> Option<String> {
    let section = Blocks::new(head).next()?;
    let comments = section.options(16).filter(|(code, _)| *code == block::OPT_COMMENT);
    let mut texts = comments.map(|(_, value)| String::from_utf8_lossy(value).into_owned());
    let ours = texts.find(|text| text.lines().next() == Some(COMMENT))?;
    ours.lines().find_map(|line| line.strip_prefix(SERIES).map(str::to_owned))
}

/// A block on its way into the capture.
struct Reader {
    capture: Capture,
    network: Network,
    interfaces: Vec<Interface>,
    sections: usize,
    /// Whether this section was written to contract 5.
    ours: bool,
    /// Lines of earlier sections that no interface of this one has taken up yet.
    free: Vec<u16>,
    last: Stamp,
}

#[derive(Clone, Copy)]
struct Interface {
    link_type: u16,
    resolution: u8,
    offset_s: i64,
    /// Serial lines, and our TCP lines.
    line: Option<u16>,
}

impl Reader {
    fn new(ports: &[u16]) -> Self {
        Self {
            capture: Capture::default(),
            network: Network::new(ports),
            interfaces: Vec::new(),
            sections: 0,
            ours: false,
            free: Vec::new(),
            last: Stamp::default(),
        }
    }

    fn block(&mut self, block: &Block<'_>) -> Result<(), Failure> {
        match block.kind {
            block::SECTION => self.section(block)?,
            block::INTERFACE => self.interface(block),
            block::PACKET => {
                if let (Some(interface), Some(length)) = (block.u32(0), block.u32(12)) {
                    self.packet(block, interface, length, 20);
                }
            }
            block::OLD_PACKET => {
                if let (Some(interface), Some(length)) = (block.u16(0), block.u32(12)) {
                    self.packet(block, u32::from(interface), length, 20);
                }
            }
            block::JOURNAL => {
                let last = self.last;
                journal::marks(block.body, block.big_endian, last, |mark| {
                    self.last = mark.at;
                    self.capture.entries.push(Entry::Mark(Box::new(mark)));
                });
            }
            _ => {}
        }
        Ok(())
    }

    fn section(&mut self, block: &Block<'_>) -> Result<(), Failure> {
        self.sections += 1;
        self.interfaces.clear();
        self.free = (0..).take(self.capture.lines.len()).collect();
        self.ours = false;
        for (code, value) in block.options(16) {
            let first = value.split(|&byte| byte == b'\n').next().unwrap_or(&[]).trim_ascii_end();
            if code != block::OPT_COMMENT || !first.starts_with(b"wattward capture ") {
                continue;
            }
            if first != COMMENT.as_bytes() {
                let version = String::from_utf8_lossy(first).into_owned();
                return Err(Failure::unreadable(format!(
                    "the capture says `{version}`, this program reads 1"
                ))
                .hint("read it with the version that wrote it"));
            }
            self.ours = true;
            self.capture.ours = true;
        }
        Ok(())
    }

    fn interface(&mut self, block: &Block<'_>) {
        let link_type = block.u16(0).unwrap_or(0);
        let mut interface = Interface { link_type, resolution: 6, offset_s: 0, line: None };
        let mut info = LineInfo {
            name: String::new(),
            medium: if link_type == LINK_IP { Medium::Tcp } else { Medium::Serial },
            baud: None,
            tells_errors: self.ours,
        };
        for (code, value) in block.options(8) {
            match code {
                block::IF_NAME => {
                    info.name = String::from_utf8_lossy(value).trim_end_matches('\0').into();
                }
                block::IF_DESCRIPTION => info.tells_errors &= tells_errors(&String::from_utf8_lossy(value)),
                block::IF_SPEED => {
                    let baud = block.number(value).and_then(|speed| u32::try_from(speed).ok());
                    info.baud = baud.filter(|&baud| baud > 0);
                }
                block::IF_TSRESOL => interface.resolution = value.first().copied().unwrap_or(6),
                block::IF_TSOFFSET => {
                    interface.offset_s = block.number(value).map_or(0, |seconds| seconds as i64);
                }
                _ => {}
            }
        }
        if link_type == LINK_SERIAL || (self.ours && link_type == LINK_IP) {
            interface.line = self.line(info);
        }
        self.interfaces.push(interface);
    }

    /// The line an interface stands for: that of an earlier section where it is the same, else a new one.
    fn line(&mut self, info: LineInfo) -> Option<u16> {
        let lines = &mut self.capture.lines;
        if let Some(place) = self.free.iter().position(|&index| lines[usize::from(index)] == info) {
            return Some(self.free.remove(place));
        }
        let index = u16::try_from(lines.len()).ok()?;
        lines.push(info);
        Some(index)
    }

    fn packet(&mut self, block: &Block<'_>, interface: u32, length: u32, start: usize) {
        let Some(&interface) = self.interfaces.get(interface as usize) else { return };
        let length = length as usize;
        let Some(data) = start.checked_add(length).and_then(|end| block.body.get(start..end)) else { return };
        let ticks = u64::from(block.u32(4).unwrap_or(0)) << 32 | u64::from(block.u32(8).unwrap_or(0));
        let at = stamp(ticks, interface.resolution, interface.offset_s);
        self.last = at;
        let flags = block
            .options(start + length.next_multiple_of(4))
            .find(|(code, _)| *code == block::EPB_FLAGS)
            .and_then(|(_, value)| Block { body: value, ..*block }.u32(0));
        let sent = flags.and_then(|flags| match flags & 3 {
            1 => Some(Direction::In),
            2 => Some(Direction::Out),
            _ => None,
        });
        let chunk = match (interface.line, interface.link_type) {
            (Some(line), LINK_SERIAL) => serial_chunk(line, at, sent, data),
            (Some(line), _) => foreign::own_segment(data, PORT).map(|(direction, payload)| Chunk {
                line,
                at,
                direction: sent.unwrap_or(direction),
                bytes: payload.to_vec(),
                error: None,
            }),
            (None, link_type) => {
                self.network.packet(link_type, at, data, &mut self.capture);
                None
            }
        };
        if let Some(chunk) = chunk.filter(|chunk| !chunk.bytes.is_empty()) {
            self.capture.entries.push(Entry::Chunk(chunk));
        }
    }
}

/// Whether an interface's description lets the driver's silence about errors count; what another writer says of it in
/// other words is taken for a no.
fn tells_errors(description: &str) -> bool {
    let words = description.to_ascii_lowercase();
    let speaks_of_it = words.contains("parity") || words.contains("framing");
    !speaks_of_it || !["not", "n't", "unable", "unknown"].iter().any(|word| words.contains(word))
}

/// A packet of link type 250: 12 bytes of pseudo header, then what stood on the line.
fn serial_chunk(line: u16, at: Stamp, sent: Option<Direction>, data: &[u8]) -> Option<Chunk> {
    let (header, bytes) = data.split_at_checked(12)?;
    let event = header[8];
    let error = match event {
        5 | 10 => Some(WireError::Overflow),
        7 => Some(WireError::Framing),
        8 => Some(WireError::Parity),
        9 => Some(WireError::Break),
        _ => None,
    };
    let direction = sent.unwrap_or(if matches!(event, 1 | 3) { Direction::Out } else { Direction::In });
    Some(Chunk { line, at, direction, bytes: bytes.to_vec(), error })
}

/// A time stamp of ticks in the interface's unit (`if_tsresol`: a power of ten, or of two where the top bit is set).
fn stamp(ticks: u64, resolution: u8, offset_s: i64) -> Stamp {
    let ticks = u128::from(ticks);
    let exponent = u32::from(resolution & 0x7F);
    let nanos = if resolution & 0x80 == 0 {
        10u128.checked_pow(exponent).map_or(0, |unit| ticks * 1_000_000_000 / unit)
    } else {
        (ticks * 1_000_000_000).checked_shr(exponent).unwrap_or(0)
    };
    let nanos =
        i128::try_from(nanos).unwrap_or(i128::MAX).saturating_add(i128::from(offset_s) * 1_000_000_000);
    Stamp::from_nanos(i64::try_from(nanos).unwrap_or(if nanos < 0 { i64::MIN } else { i64::MAX }))
}

#[cfg(test)]
mod tests;
