//! Blocks of pcapng files, written and read (pcapng draft of December 2020). General: knows nothing of Modbus.
//!
//! Written in little-endian order, a section header first. Read in either, with the offset of the first block that is
//! not whole; nothing behind it is guessed at.

use std::fmt;

/// Section header block.
pub const SECTION: u32 = 0x0A0D_0D0A;
/// Interface description block.
pub const INTERFACE: u32 = 1;
/// Packet block, obsolete since 2004 and still met.
pub const OLD_PACKET: u32 = 2;
/// Enhanced packet block.
pub const PACKET: u32 = 6;
/// systemd Journal Export block.
pub const JOURNAL: u32 = 9;
/// Largest block read or written: 16 MB.
pub const LARGEST: usize = 16 << 20;

/// `opt_comment`, in any block.
pub const OPT_COMMENT: u16 = 1;
/// `if_name`.
pub const IF_NAME: u16 = 2;
/// `if_description`.
pub const IF_DESCRIPTION: u16 = 3;
/// `if_speed`, bits a second.
pub const IF_SPEED: u16 = 8;
/// `if_tsresol`.
pub const IF_TSRESOL: u16 = 9;
/// `if_tsoffset`, seconds.
pub const IF_TSOFFSET: u16 = 14;
/// `epb_flags`.
pub const EPB_FLAGS: u16 = 2;

const MAGIC: u32 = 0x1A2B_3C4D;

/// Options under construction.
#[derive(Clone, Debug, Default)]
pub struct Options(Vec<u8>);

impl Options {
    /// Adds one option (at most 65,535 bytes; more is cut off).
    #[must_use]
    pub fn with(mut self, code: u16, value: &[u8]) -> Self {
        let value = &value[..value.len().min(usize::from(u16::MAX))];
        self.0.extend_from_slice(&code.to_le_bytes());
        self.0.extend_from_slice(&(value.len() as u16).to_le_bytes());
        self.0.extend_from_slice(value);
        pad(&mut self.0);
        self
    }

    fn end(mut self) -> Vec<u8> {
        if !self.0.is_empty() {
            self.0.extend_from_slice(&[0; 4]);
        }
        self.0
    }
}

/// A section header of unknown length.
pub fn section(options: Options) -> Vec<u8> {
    let mut body = MAGIC.to_le_bytes().to_vec();
    body.extend_from_slice(&[1, 0, 0, 0]);
    body.extend_from_slice(&[0xFF; 8]);
    body.extend(options.end());
    block(SECTION, &body)
}

/// An interface without a limit on packet length.
pub fn interface(link_type: u16, options: Options) -> Vec<u8> {
    let mut body = link_type.to_le_bytes().to_vec();
    body.extend_from_slice(&[0; 6]);
    body.extend(options.end());
    block(INTERFACE, &body)
}

/// A packet; `ticks` in the interface's time unit.
pub fn packet(interface: u32, ticks: u64, data: &[u8], options: Options) -> Vec<u8> {
    let mut body = Vec::with_capacity(data.len() + 40);
    let length = data.len() as u32;
    for word in [interface, (ticks >> 32) as u32, ticks as u32, length, length] {
        body.extend_from_slice(&word.to_le_bytes());
    }
    body.extend_from_slice(data);
    pad(&mut body);
    body.extend(options.end());
    block(PACKET, &body)
}

/// A journal entry: text fields, each with its newline.
pub fn journal(fields: &[u8]) -> Vec<u8> {
    block(JOURNAL, fields)
}

fn block(kind: u32, body: &[u8]) -> Vec<u8> {
    let length = (body.len().next_multiple_of(4) + 12) as u32;
    let mut bytes = Vec::with_capacity(length as usize);
    bytes.extend_from_slice(&kind.to_le_bytes());
    bytes.extend_from_slice(&length.to_le_bytes());
    bytes.extend_from_slice(body);
    pad(&mut bytes);
    bytes.extend_from_slice(&length.to_le_bytes());
    bytes
}

fn pad(bytes: &mut Vec<u8>) {
    bytes.resize(bytes.len().next_multiple_of(4), 0);
}

/// A whole block of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Block<'a> {
    /// Where it begins in the file.
    pub offset: u64,
    /// Its type.
    pub kind: u32,
    /// What it holds, padding included, without type and lengths.
    pub body: &'a [u8],
    /// Byte order of its section.
    pub big_endian: bool,
}

impl<'a> Block<'a> {
    /// A 16-bit number at a place in the body.
    pub fn u16(&self, at: usize) -> Option<u16> {
        let bytes: [u8; 2] = self.body.get(at..at.checked_add(2)?)?.try_into().ok()?;
        Some(if self.big_endian { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) })
    }

    /// A 32-bit number at a place in the body.
    pub fn u32(&self, at: usize) -> Option<u32> {
        let bytes: [u8; 4] = self.body.get(at..at.checked_add(4)?)?.try_into().ok()?;
        Some(if self.big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) })
    }

    /// The options that begin at a place in the body, up to the first that is not whole.
    pub fn options(&self, at: usize) -> impl Iterator<Item = (u16, &'a [u8])> + use<'a> {
        let (block, mut at) = (*self, at);
        std::iter::from_fn(move || {
            let (code, length) = (block.u16(at)?, usize::from(block.u16(at + 2)?));
            if code == 0 {
                return None;
            }
            let value = block.body.get(at + 4..at + 4 + length)?;
            at += 4 + length.next_multiple_of(4);
            Some((code, value))
        })
    }

    /// A 64-bit number as the value of an option.
    pub fn number(&self, value: &[u8]) -> Option<u64> {
        let bytes: [u8; 8] = value.try_into().ok()?;
        Some(if self.big_endian { u64::from_be_bytes(bytes) } else { u64::from_le_bytes(bytes) })
    }
}

/// Where a file stops being whole, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cut {
    /// Offset of the first byte that belongs to no whole block.
    pub offset: u64,
    /// A sentence fragment.
    pub why: String,
}

impl fmt::Display for Cut {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cut at byte {}: {}", self.offset, self.why)
    }
}

/// The whole blocks of a file in order; afterwards `cut` tells whether that was all of it.
#[derive(Clone, Debug)]
pub struct Blocks<'a> {
    bytes: &'a [u8],
    offset: usize,
    /// Where `bytes` begin in the file.
    base: u64,
    big_endian: bool,
    cut: Option<Cut>,
}

impl<'a> Blocks<'a> {
    /// Over the bytes of a file.
    pub fn new(bytes: &'a [u8]) -> Self {
        Self::resumed(bytes, 0, false)
    }

    /// Over the bytes of a file from `base` on, in the byte order of the section that was left.
    pub(super) fn resumed(bytes: &'a [u8], base: u64, big_endian: bool) -> Self {
        Self { bytes, offset: 0, base, big_endian, cut: None }
    }

    /// Where and why reading stopped before the end of the file.
    pub fn cut(&self) -> Option<&Cut> {
        self.cut.as_ref()
    }

    fn read(&mut self) -> Result<Block<'a>, String> {
        let rest = &self.bytes[self.offset..];
        if rest.iter().take(64).all(|&byte| byte == 0) && rest.iter().all(|&byte| byte == 0) {
            return Err(format!("{} zero bytes to the end", rest.len()));
        }
        if rest.len() < 12 {
            return Err(format!("the last block lacks its end ({} bytes of it are there)", rest.len()));
        }
        let word = |at: usize| [rest[at], rest[at + 1], rest[at + 2], rest[at + 3]];
        if u32::from_le_bytes(word(0)) == SECTION {
            self.big_endian = match u32::from_le_bytes(word(8)) {
                MAGIC => false,
                other if other.swap_bytes() == MAGIC => true,
                _ => return Err("a section without its byte-order mark".to_owned()),
            };
        } else if self.base == 0 && self.offset == 0 {
            return Err("no section header".to_owned());
        }
        let number =
            |bytes| if self.big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) };
        let (kind, length) = (number(word(0)), number(word(4)) as usize);
        if length % 4 != 0 || length < 12 {
            return Err(format!("a block cannot be {length} bytes long"));
        }
        if length > LARGEST {
            return Err(format!("a block of {length} bytes, above the limit of {LARGEST}"));
        }
        if length > rest.len() {
            return Err(format!("the last block lacks its end ({} of {length} bytes are there)", rest.len()));
        }
        if number(word(length - 4)) as usize != length {
            return Err("the two lengths of a block differ".to_owned());
        }
        let block = Block {
            offset: self.base + self.offset as u64,
            kind,
            body: &rest[8..length - 4],
            big_endian: self.big_endian,
        };
        if kind == SECTION && block.u16(4) != Some(1) {
            return Err("a section of another major version than 1".to_owned());
        }
        self.offset += length;
        Ok(block)
    }
}

impl<'a> Iterator for Blocks<'a> {
    type Item = Block<'a>;

    fn next(&mut self) -> Option<Block<'a>> {
        if self.cut.is_some() || self.offset >= self.bytes.len() {
            return None;
        }
        match self.read() {
            Ok(block) => Some(block),
            Err(why) => {
                self.cut = Some(Cut { offset: self.base + self.offset as u64, why });
                None
            }
        }
    }
}
