//! Bytes with their arrival in; frames and stray bytes out.
//!
//! Frames are found by grammar: length from function and counts, CRC, and an answer that fits the question before it.
//! Every decision is taken at a byte, from the bytes up to it, so it does not matter how they were cut into chunks; of
//! several readings of the same bytes the one that ends first wins, so noise that looks like the head of a long frame
//! swallows nothing. Time only separates: no frame reaches over a pause longer than any frame could take.
//!
//! What comes out, put in again as chunks, comes out the same, times included: a frame keeps the stamp of its first
//! byte, stray bytes that of their chunk, and pauses are measured between bytes that ended in no frame.
//!
//! A CRC matches by chance once in 65,536, so heard bytes need more to count as a question: unit and function that have
//! been heard before, or an answer that fits, or a repetition. Until then they are held back. What this program sent
//! needs no such proof.

mod open;
mod serial;
mod tape;
mod tcp;

use super::event::{Chunk, Medium, Record};
use crate::base::{Span, Stamp};

/// Bytes without a frame beyond which the front is told as stray; far more than any frame.
const MOST_PENDING: usize = 1024;

/// The framer of one line.
#[derive(Debug)]
pub struct Framer(Kind);

#[derive(Debug)]
enum Kind {
    Serial(Box<serial::Serial>),
    Tcp(Box<tcp::Tcp>),
}

impl Framer {
    /// For line number `line`; `baud` in bits a second, where known, bounds the pauses inside a frame.
    pub fn new(line: u16, medium: Medium, baud: Option<u32>) -> Self {
        match medium {
            Medium::Serial => Self(Kind::Serial(Box::new(serial::Serial::new(line, longest_pause(baud))))),
            Medium::Tcp => Self(Kind::Tcp(Box::new(tcp::Tcp::new(line)))),
        }
    }

    /// Takes what arrived next; chunks come in the order of arrival.
    pub fn push(&mut self, chunk: &Chunk, out: &mut Vec<Record>) {
        match &mut self.0 {
            Kind::Serial(serial) => serial.push(chunk, out),
            Kind::Tcp(tcp) => tcp.push(chunk, out),
        }
    }

    /// Live: nothing has arrived up to `now`, by the clock that stamps the chunks. Gives up what a chunk stamped `now`
    /// or later would make it give up anyway; any number of calls changes nothing but how soon records come.
    pub fn quiet(&mut self, now: Stamp, out: &mut Vec<Record>) {
        if let Kind::Serial(serial) = &mut self.0 {
            serial.quiet(now, out);
        }
    }

    /// No more bytes will come, or none that continue these (line lost): tells what is left as stray.
    pub fn finish(&mut self, out: &mut Vec<Record>) {
        match &mut self.0 {
            Kind::Serial(serial) => serial.finish(out),
            Kind::Tcp(tcp) => tcp.finish(out),
        }
    }
}

/// The longest pause between chunks of one serial frame: its own length at 11 bits a character (chunks carry the
/// arrival of their first byte only) and a second for adapters, gateways and a busy computer. Our figure.
fn longest_pause(baud: Option<u32>) -> Span {
    let bits = 11 * crate::wire::rtu::LONGEST as i64;
    Span::from_millis(1000 + bits * 1000 / i64::from(baud.unwrap_or(1200).max(300)))
}

#[cfg(test)]
mod tests;
