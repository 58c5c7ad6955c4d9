//! A capture read piece by piece: bytes in, entries out, in the order of the file. The one way in, for files that are there
//! whole and for logs larger than memory; where the pieces are cut makes no difference.

use super::super::block::{Blocks, Cut, SECTION};
use super::super::capture::{Capture, Entry};
use super::super::event::LineInfo;
use super::super::foreign::Classic;
use super::Reader;
use crate::base::Failure;

/// Bytes that a block's head takes.
const HEAD: usize = 12;

/// Reads one capture (pcapng, or another program's classic pcap) as its bytes come.
pub struct CaptureStream {
    reader: Reader,
    /// What has come and makes no whole block yet.
    rest: Vec<u8>,
    /// Bytes of whole blocks so far.
    offset: u64,
    big_endian: bool,
    /// A classic file, once its first bytes have said so.
    classic: Option<Classic>,
    /// Zero bytes where a block should begin, as far as they go; they are counted, not kept.
    zeros: Option<Zeros>,
    cut: Option<Cut>,
}

/// A tail of zeros, or damage that begins with some.
struct Zeros {
    count: u64,
    /// Something else came after them.
    ended: bool,
}

impl CaptureStream {
    /// Nothing read yet; in captures of other programs servers are looked for on these ports.
    pub fn new(ports: &[u16]) -> Self {
        Self {
            reader: Reader::new(ports),
            rest: Vec::new(),
            offset: 0,
            big_endian: false,
            classic: None,
            zeros: None,
            cut: None,
        }
    }

    /// Takes the next bytes; the entries of all blocks that are whole now.
    ///
    /// # Errors
    /// This is no capture file, or one of a later version.
    pub fn push(&mut self, bytes: &[u8]) -> Result<Vec<Entry>, Failure> {
        if let Some(zeros) = &mut self.zeros {
            zeros.take(bytes);
        } else if self.cut.is_none() {
            self.rest.extend_from_slice(bytes);
            self.take(false)?;
        }
        Ok(std::mem::take(&mut self.reader.capture.entries))
    }

    /// The file has ended: what is left, and where it stops being whole, if it does.
    ///
    /// # Errors
    /// This is no capture file.
    pub fn finish(self) -> Result<(Vec<Entry>, Option<Cut>), Failure> {
        let capture = self.into_capture()?;
        Ok((capture.entries, capture.cut))
    }

    /// The same with the lines and whatever else the file says of itself; its entries are those left.
    ///
    /// # Errors
    /// This is no capture file.
    pub fn into_capture(mut self) -> Result<Capture, Failure> {
        let empty = self.offset == 0 && self.rest.is_empty() && self.zeros.is_none();
        if empty && self.classic.is_none() {
            return Err(Failure::unreadable("the file is empty, so it is no capture"));
        }
        if self.cut.is_none() && self.zeros.is_none() {
            self.take(true)?;
        }
        if let Some(zeros) = &self.zeros {
            self.cut = Some(Cut { offset: self.offset, why: zeros.why() });
        }
        if let Some(classic) = &self.classic {
            self.cut = classic.cut().cloned();
        } else if self.reader.sections == 0 {
            let why = self.cut.map_or_else(String::new, |cut| format!(": {}", cut.why));
            return Err(Failure::unreadable(format!("this is no capture (pcapng) file{why}")));
        }
        self.reader.network.finish(&mut self.reader.capture);
        self.reader.capture.cut = self.cut;
        Ok(self.reader.capture)
    }

    /// Its lines so far.
    pub fn lines(&self) -> &[LineInfo] {
        &self.reader.capture.lines
    }

    fn take(&mut self, end: bool) -> Result<(), Failure> {
        if self.offset == 0 && self.classic.is_none() {
            self.classic = Classic::begins(&self.rest);
        }
        let Some(classic) = &mut self.classic else { return self.blocks(end) };
        let taken = classic.take(&self.rest, end, &mut self.reader.network, &mut self.reader.capture);
        self.rest.drain(..taken);
        self.cut = classic.cut().cloned();
        Ok(())
    }

    /// Reads the whole blocks at the front; with `end`, whatever is left is told as cut.
    fn blocks(&mut self, end: bool) -> Result<(), Failure> {
        let mut taken = 0;
        loop {
            let rest = &self.rest[taken..];
            if rest.is_empty() || (!end && !whole(rest, self.big_endian)) {
                break;
            }
            if rest.len() >= HEAD && rest[..HEAD].iter().all(|&byte| byte == 0) {
                let mut zeros = Zeros { count: 0, ended: false };
                zeros.take(rest);
                self.zeros = Some(zeros);
                taken = self.rest.len();
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

impl Zeros {
    fn take(&mut self, bytes: &[u8]) {
        self.count += bytes.len() as u64;
        self.ended |= bytes.iter().any(|&byte| byte != 0);
    }

    fn why(&self) -> String {
        if self.ended {
            "a block cannot be 0 bytes long".to_owned()
        } else {
            format!("{} zero bytes to the end", self.count)
        }
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

    /// A classic pcap file (little-endian, microseconds, raw IP) with Modbus TCP questions, one a second.
    fn classic() -> Vec<u8> {
        let mut file = 0xA1B2_C3D4_u32.to_le_bytes().to_vec();
        file.extend_from_slice(&[2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 101, 0, 0, 0]);
        for second in 0..20_u32 {
            let message = crate::wire::mbap::encode(second as u16, 11, &[4, 0, 7, 0, 1]);
            let length = 40 + message.len() as u32;
            let mut packet = vec![0x45, 0, 0, length as u8, 0, 1, 0, 0, 64, 6, 0, 0];
            packet.extend_from_slice(&[192, 0, 2, 10, 192, 0, 2, 77]);
            packet.extend_from_slice(&[40_000_u16.to_be_bytes(), 502_u16.to_be_bytes()].concat());
            packet.extend_from_slice(&(1 + second * message.len() as u32).to_be_bytes());
            packet.extend_from_slice(&[0, 0, 0, 1, 0x50, 0x18, 0x10, 0, 0, 0, 0, 0]);
            packet.extend_from_slice(&message);
            for word in [1_780_000_000 + second, 0, length, length] {
                file.extend_from_slice(&word.to_le_bytes());
            }
            file.extend_from_slice(&packet);
        }
        file
    }

    /// All entries and the cut, from pieces of this length.
    fn pieces(bytes: &[u8], length: usize) -> (Vec<Entry>, Option<Cut>) {
        let mut stream = CaptureStream::new(&[502]);
        let mut entries = Vec::new();
        for piece in bytes.chunks(length) {
            entries.extend(stream.push(piece).expect("a capture"));
        }
        let (last, cut) = stream.finish().expect("a capture");
        entries.extend(last);
        (entries, cut)
    }

    #[test]
    fn a_classic_capture_streams_as_well_cut_or_not_with_zeros_behind_it_or_not() {
        let whole = classic();
        assert_eq!(pieces(&whole, whole.len()).0.len(), 20);
        let zeros = [&whole[..], &[0; 100]].concat();
        let cut = pieces(&zeros, 1).1.expect("cut");
        assert_eq!((cut.offset, cut.why.as_str()), (whole.len() as u64, "zero bytes to the end"));
        for bytes in [&whole[..], &whole[..whole.len() - 5], &zeros, &whole[..10], &whole[..4]] {
            let expected = pieces(bytes, bytes.len());
            for length in [1, 7, 64, 1000] {
                assert_eq!(pieces(bytes, length), expected, "{length}");
            }
        }
    }

    #[test]
    fn zeros_behind_a_capture_are_counted_whatever_the_pieces_and_are_damage_with_more_behind_them() {
        let whole = file();
        for (tail, why) in [
            ([0; 4096].to_vec(), "4096 zero bytes to the end"),
            ([&[0; 4096][..], &[7; 9]].concat(), "a block cannot be 0 bytes long"),
        ] {
            let bytes = [&whole[..], &tail].concat();
            for length in [1, 13, 4096, bytes.len()] {
                let cut = pieces(&bytes, length).1.expect("cut");
                assert_eq!((cut.offset, cut.why.as_str()), (whole.len() as u64, why), "{length}");
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
