//! A capture as read: what its lines did, in the order of the file.

use super::block::Cut;
use super::event::{Chunk, LineInfo, Record};
use super::framer::Framer;
use super::mark::{Mark, MarkKind};

/// The contents of a capture file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Capture {
    /// By index. A server that several clients asked at a time appears several times under one name.
    pub lines: Vec<LineInfo>,
    /// In the order of the file.
    pub entries: Vec<Entry>,
    /// Where the file stops being whole, if it does before its end.
    pub cut: Option<Cut>,
    /// Written to contract 5, or by another program?
    pub ours: bool,
}

/// One thing in a capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Entry {
    /// Bytes of a line.
    Chunk(Chunk),
    /// What was noted.
    Mark(Box<Mark>),
}

/// Runs the framers over a capture. Records come in the order in which a live run would have told them: of each line in
/// the order of its bytes, marks where they stand in the file. Whatever needs time order sorts (stably) by it.
pub fn frame_all(capture: &Capture) -> Vec<Record> {
    let mut out = Vec::new();
    let mut framers: Vec<Framer> = (0u16..)
        .zip(&capture.lines)
        .map(|(index, line)| Framer::new(index, line.medium, line.baud))
        .collect();
    for entry in &capture.entries {
        match entry {
            Entry::Chunk(chunk) => {
                if let Some(framer) = framers.get_mut(usize::from(chunk.line)) {
                    framer.push(chunk, &mut out);
                }
            }
            Entry::Mark(mark) => {
                if mark.kind == MarkKind::LineLost {
                    // what comes after continues nothing that came before
                    for (framer, line) in framers.iter_mut().zip(&capture.lines) {
                        if mark.line.as_ref().is_none_or(|name| *name == line.name) {
                            framer.finish(&mut out);
                        }
                    }
                }
                out.push(Record::Mark(mark.clone()));
            }
        }
    }
    for framer in &mut framers {
        framer.finish(&mut out);
    }
    out
}
