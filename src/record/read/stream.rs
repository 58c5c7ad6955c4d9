//! A capture read piece by piece, for logs larger than memory: bytes in, entries out, in the order of the file.

use super::super::block::{Blocks, Cut, SECTION};
use super::super::capture::Entry;
use super::super::event::LineInfo;
use super::Reader;
use crate::base::Failure;

/// Bytes that a block's head takes.
const HEAD: usize = 12;

/// Reads one capture (pcapng) as its bytes come.
pub struct CaptureStream {
    reader: Reader,
    /// What has come and makes no whole block yet.
    rest: Vec<u8>,
    /// Bytes of whole blocks so far.
    offset: u64,
    big_endian: bool,
    cut: Option<Cut>,
}

impl CaptureStream {
    /// Nothing read yet; in captures of other programs servers are looked for on these ports.
    pub fn new(ports: &[u16]) -> Self {
        Self { reader: Reader::new(ports), rest: Vec::new(), offset: 0, big_endian: false, cut: None }
    }

    /// Takes the next bytes; the entries of all blocks that are whole now.
    ///
    /// # Errors
    /// This is no capture file, or one of a later version.
    pub fn push(&mut self, bytes: &[u8]) -> Result<Vec<Entry>, Failure> {
        if self.cut.is_none() {
            self.rest.extend_from_slice(bytes);
            self.blocks(false)?;
        }
        Ok(std::mem::take(&mut self.reader.capture.entries))
    }

    /// The file has ended: what is left, and where it stops being whole, if it does.
    ///
    /// # Errors
    /// This is no capture file.
    pub fn finish(mut self) -> Result<(Vec<Entry>, Option<Cut>), Failure> {
        if self.cut.is_none() && !self.rest.is_empty() {
            self.blocks(true)?;
        }
        if self.reader.sections == 0 {
            let why = self.cut.map_or_else(|| ": it is empty".to_owned(), |cut| format!(": {}", cut.why));
            return Err(Failure::unreadable(format!("this is no capture (pcapng) file{why}")));
        }
        self.reader.network.finish(&mut self.reader.capture);
        Ok((self.reader.capture.entries, self.cut))
    }

    /// Its lines so far.
    pub fn lines(&self) -> &[LineInfo] {
        &self.reader.capture.lines
    }

    /// Reads the whole blocks at the front; with `end`, whatever is left is told as cut.
    fn blocks(&mut self, end: bool) -> Result<(), Failure> {
        let mut taken = 0;
        loop {
            let rest = &self.rest[taken..];
            if rest.is_empty() || (!end && !whole(rest, self.big_endian)) {
                break;
            }
            let mut blocks = Blocks::resumed(rest, self.offset, self.big_endian);
            let Some(block) = blocks.next() else {
                self.cut = blocks.cut().cloned();
                break;
            };
            self.big_endian = block.big_endian;
            self.reader.block(&block)?;
            let length = block.body.len() + HEAD;
            taken += length;
            self.offset += length as u64;
        }
        self.rest.drain(..taken);
        Ok(())
    }
}

/// Whether the first block is there to its end, or so wrong that waiting for more does not help.
fn whole(bytes: &[u8], big_endian: bool) -> bool {
    let Some((head, _)) = bytes.split_first_chunk::<HEAD>() else { return false };
    let word = |at: usize| [head[at], head[at + 1], head[at + 2], head[at + 3]];
    // A section says its byte order itself.
    let big_endian =
        if u32::from_le_bytes(word(0)) == SECTION { word(8) == [0x1A, 0x2B, 0x3C, 0x4D] } else { big_endian };
    let length = if big_endian { u32::from_be_bytes(word(4)) } else { u32::from_le_bytes(word(4)) };
    bytes.len() >= length as usize || length as usize > super::super::block::LARGEST
}

#[cfg(test)]
mod tests {
    use super::super::read_capture;
    use super::*;
    use crate::base::{Span, Stamp};
    use crate::record::{CaptureWriter, Direction, Frame, Medium, Record, Role};

    fn file() -> Vec<u8> {
        let line =
            LineInfo { name: "ttyX".into(), medium: Medium::Serial, baud: Some(9600), tells_errors: true };
        let mut writer = CaptureWriter::new(&[line]);
        let mut bytes: Vec<u8> = writer.header().concat();
        for second in 0..50 {
            let record = Record::Frame(Frame {
                line: 0,
                at: Stamp::from_nanos(1_780_000_000_000_000_000) + Span::from_millis(second * 1000),
                direction: Direction::Out,
                role: Role::Request,
                medium: Medium::Serial,
                bytes: crate::wire::rtu::encode(1, &[3, 0, 0, 0, second as u8]),
            });
            bytes.extend(writer.record(&record).concat());
        }
        bytes
    }

    #[test]
    fn pieces_of_any_length_give_the_same_entries_and_the_same_cut() {
        let whole = file();
        for bytes in [&whole[..], &whole[..whole.len() - 5]] {
            let expected = read_capture(bytes).expect("a capture");
            for length in [1, 7, 64, 1000, bytes.len()] {
                let mut stream = CaptureStream::new(&[502]);
                let mut entries = Vec::new();
                for piece in bytes.chunks(length) {
                    entries.extend(stream.push(piece).expect("a capture"));
                }
                assert_eq!(stream.lines(), expected.lines);
                let (last, cut) = stream.finish().expect("a capture");
                entries.extend(last);
                assert_eq!((entries, cut), (expected.entries.clone(), expected.cut.clone()), "{length}");
            }
        }
    }

    #[test]
    fn what_is_no_capture_is_told() {
        let mut stream = CaptureStream::new(&[502]);
        let pushed = stream.push(b"time,power\n2026-01-01,5\n");
        assert!(pushed.is_err() || stream.finish().is_err());
        assert!(CaptureStream::new(&[502]).finish().is_err());
    }
}
