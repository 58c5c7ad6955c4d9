//! What may be heard on a line: every standard function, question and answer, with its length and what makes it whole
//! (MODBUS Application Protocol V1.1b3, section 6). All slices here are PDUs: function code and data, without address,
//! CRC or MBAP header.

/// Question or answer; the bytes alone do not always tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// From a master.
    Request,
    /// From a unit.
    Response,
}

/// How long a PDU is, as far as its first bytes tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Length {
    /// Ask again with this many bytes.
    Need(usize),
    /// This many in all.
    Exact(usize),
    /// No standard function starts like this.
    Never,
}

use Length::{Exact, Need, Never};

/// Longest PDU (V1.1b3, 4.1).
pub const LONGEST: usize = 253;

/// The length of a PDU from its first bytes (at least the function code). Every `Need` is more than what was given, so
/// asking again always ends; the work of one call does not grow with the length but for 43/14 answers.
#[inline]
pub fn length(part: Part, start: &[u8]) -> Length {
    let Some(&function) = start.first() else { return Need(1) };
    let length = match part {
        Part::Request => request_length(function, start),
        Part::Response => response_length(function, start),
    };
    match length {
        Exact(bytes) | Need(bytes) if bytes > LONGEST => Never,
        length => length,
    }
}

/// Which PDUs may start with each function code: bit 0 questions, bit 1 answers; above them the length of the question
/// where the function alone tells it. The same word as `length` has, for those who ask it of every byte.
pub static STARTS: [u8; 256] = starts();

const fn starts() -> [u8; 256] {
    let mut table = [0; 256];
    let mut function = 0;
    while function < 256 {
        let standard = matches!(function & 0x7F, 1..=8 | 11 | 12 | 15..=17 | 20..=24 | 43);
        let question: u8 = match function {
            1..=6 | 8 => 5,
            7 | 11 | 12 | 17 => 1,
            22 => 7,
            24 => 3,
            _ => 0,
        };
        table[function] = match (standard, function < 0x80) {
            (true, true) => 3 | question << 2,
            (true, false) => 2,
            (false, _) => 0,
        };
        function += 1;
    }
    table
}

/// Whether a whole PDU of the right length is also consistent in itself: quantities within their limits, byte counts
/// that agree with them, ranges that end below 65536.
pub fn consistent(part: Part, pdu: &[u8]) -> bool {
    if length(part, pdu) != Exact(pdu.len()) {
        return false;
    }
    match part {
        Part::Request => request_consistent(pdu),
        Part::Response => response_consistent(pdu),
    }
}

/// First address and count of a question, for functions that have them; the count of a single write is 1.
pub fn range(request: &[u8]) -> (u16, u16) {
    match request.first() {
        Some(1..=4 | 15 | 16 | 23) => (word(request, 1), word(request, 3)),
        Some(5 | 6 | 22) => (word(request, 1), 1),
        Some(24) => (word(request, 1), 0),
        _ => (0, 0),
    }
}

/// Length of the plain answer to a question, where the question fixes it.
pub fn answer_length(request: &[u8]) -> Option<usize> {
    let count = usize::from(word(request, 3));
    match request.first()? {
        1 | 2 => Some(2 + count.div_ceil(8)),
        3 | 4 | 23 => Some(2 + 2 * count),
        5 | 6 | 8 | 11 | 15 | 16 => Some(5),
        7 => Some(2),
        22 => Some(7),
        _ => None,
    }
}

/// Whether `response` can be the answer to `request`: same function (or its exception), and everything the answer
/// repeats or counts as asked for.
pub fn fits(request: &[u8], response: &[u8]) -> bool {
    let (Some(&asked), Some(&told)) = (request.first(), response.first()) else { return false };
    if told == asked | 0x80 {
        return response.len() == 2 && response[1] != 0;
    }
    if told != asked || length(Part::Response, response) != Exact(response.len()) {
        return false;
    }
    if answer_length(request).is_some_and(|length| length != response.len()) {
        return false;
    }
    match asked {
        5 | 6 | 21 | 22 => request == response,
        8 => request.get(1..3) == response.get(1..3),
        15 | 16 => request.get(1..5) == response.get(1..5),
        43 => request.get(1..3) == response.get(1..3) && consistent(Part::Response, response),
        _ => consistent(Part::Response, response),
    }
}

/// Whether the plain answer to one question could pass for that to the other: same function, same length.
pub fn alike(one: &[u8], other: &[u8]) -> bool {
    one.first() == other.first() && answer_length(one) == answer_length(other)
}

/// Whether this is an exception answer.
pub fn is_exception(pdu: &[u8]) -> bool {
    matches!(*pdu, [function, _] if function >= 0x80)
}

/// Whether a question of this function may go to everybody (unit 0): writes only.
pub fn may_be_broadcast(function: u8) -> bool {
    matches!(function, 5 | 6 | 15 | 16 | 21 | 22)
}

/// Whether length and contents of a question leave so little to chance that unit and function alone tell it is the same
/// master asking again.
pub fn is_strong(function: u8) -> bool {
    matches!(function, 1..=4 | 15 | 16 | 20 | 21 | 23 | 43)
}

/// Name of an exception code (V1.1b3, section 7; 7 is from older editions).
pub fn exception_name(code: u8) -> &'static str {
    match code {
        1 => "illegal function",
        2 => "illegal data address",
        3 => "illegal data value",
        4 => "server device failure",
        5 => "acknowledge",
        6 => "server device busy",
        7 => "negative acknowledge",
        8 => "memory parity error",
        10 => "gateway path unavailable",
        11 => "gateway target failed to respond",
        _ => "exception outside the standard",
    }
}

/// Name of a function, the exception bit aside (V1.1b3, section 6).
pub fn function_name(function: u8) -> &'static str {
    match function & 0x7F {
        1 => "read coils",
        2 => "read discrete inputs",
        3 => "read holding registers",
        4 => "read input registers",
        5 => "write single coil",
        6 => "write single register",
        7 => "read exception status",
        8 => "diagnostics",
        11 => "get comm event counter",
        12 => "get comm event log",
        15 => "write multiple coils",
        16 => "write multiple registers",
        17 => "report server id",
        20 => "read file record",
        21 => "write file record",
        22 => "mask write register",
        23 => "read/write multiple registers",
        24 => "read fifo queue",
        43 => "encapsulated interface transport",
        _ => "function outside the standard",
    }
}

#[inline]
fn request_length(function: u8, start: &[u8]) -> Length {
    match function {
        1..=6 | 8 => Exact(5),
        7 | 11 | 12 | 17 => Exact(1),
        15 | 16 => counted(start, 5),
        20 | 21 => counted(start, 1),
        22 => Exact(7),
        23 => counted(start, 9),
        24 => Exact(3),
        43 => match start.get(1) {
            None => Need(2),
            Some(14) => Exact(4),
            Some(_) => Never,
        },
        _ => Never,
    }
}

#[inline]
fn response_length(function: u8, start: &[u8]) -> Length {
    match function {
        3 | 4 | 23 => match start.get(1) {
            // registers have two bytes
            Some(count) if count % 2 == 1 => Never,
            _ => counted(start, 1),
        },
        1 | 2 | 12 | 17 | 20 | 21 => counted(start, 1),
        5 | 6 | 8 | 11 | 15 | 16 => Exact(5),
        22 => Exact(7),
        24 => match start.get(1..3) {
            None => Need(3),
            Some(count) => Exact(3 + usize::from(word(count, 0))),
        },
        43 => identification_length(start),
        // and the exceptions of all functions here
        7 | 0x81..=0x88 | 0x8B | 0x8C | 0x8F..=0x91 | 0x94..=0x98 | 0xAB => Exact(2),
        _ => Never,
    }
}

/// A PDU whose byte at `at` counts the bytes behind it.
#[inline]
fn counted(start: &[u8], at: usize) -> Length {
    start.get(at).map_or(Need(at + 1), |&count| Exact(at + 1 + usize::from(count)))
}

/// 43/14: objects one after another, each id, length, value (6.21). Ids rise, which also ends most chance walks early.
fn identification_length(start: &[u8]) -> Length {
    if start.get(1).is_some_and(|&mei| mei != 14) || start.get(2).is_some_and(|code| !(1..=4).contains(code))
    {
        return Never;
    }
    let Some(&objects) = start.get(6) else { return if start.len() < 2 { Need(2) } else { Need(7) } };
    let mut at = 7;
    let mut last = None;
    for _ in 0..objects {
        let Some(&[id, length]) = start.get(at..at + 2) else {
            return if at + 2 > LONGEST { Never } else { Need(at + 2) };
        };
        if last.is_some_and(|last| last >= id) {
            return Never;
        }
        last = Some(id);
        at += 2 + usize::from(length);
    }
    Exact(at)
}

fn request_consistent(pdu: &[u8]) -> bool {
    let count = word(pdu, 3);
    let ends = |address: u16, count: u16| u32::from(address) + u32::from(count) <= 0x1_0000;
    match pdu[0] {
        1 | 2 => (1..=2000).contains(&count) && ends(word(pdu, 1), count),
        3 | 4 => (1..=125).contains(&count) && ends(word(pdu, 1), count),
        5 => matches!(count, 0 | 0xFF00),
        8 => word(pdu, 1) <= 20,
        15 => (1..=1968).contains(&count) && pdu[5] == count.div_ceil(8) as u8 && ends(word(pdu, 1), count),
        16 => (1..=123).contains(&count) && u16::from(pdu[5]) == 2 * count && ends(word(pdu, 1), count),
        20 => {
            (7..=245).contains(&pdu[1])
                && pdu[1].is_multiple_of(7)
                && pdu[2..].chunks(7).all(|group| group[0] == 6)
        }
        21 => (9..=251).contains(&pdu[1]) && pdu[2] == 6,
        23 => {
            let written = word(pdu, 7);
            (1..=125).contains(&count)
                && (1..=121).contains(&written)
                && u16::from(pdu[9]) == 2 * written
                && ends(word(pdu, 1), count)
                && ends(word(pdu, 5), written)
        }
        43 => (1..=4).contains(&pdu[2]),
        _ => true,
    }
}

fn response_consistent(pdu: &[u8]) -> bool {
    match pdu[0] {
        1 | 2 => (1..=250).contains(&pdu[1]),
        3 | 4 | 23 => (2..=250).contains(&pdu[1]) && pdu[1].is_multiple_of(2),
        5 => matches!(word(pdu, 3), 0 | 0xFF00),
        8 => word(pdu, 1) <= 20,
        11 => matches!(word(pdu, 1), 0 | 0xFFFF),
        12 => (6..=70).contains(&pdu[1]) && matches!(word(pdu, 2), 0 | 0xFFFF),
        15 => (1..=1968).contains(&word(pdu, 3)),
        16 => (1..=123).contains(&word(pdu, 3)),
        17 => pdu[1] >= 2,
        20 => (7..=245).contains(&pdu[1]),
        21 => (9..=251).contains(&pdu[1]) && pdu[2] == 6,
        24 => {
            let (bytes, count) = (word(pdu, 1), word(pdu, 3));
            pdu.len() >= 5 && count <= 31 && bytes == 2 + 2 * count
        }
        43 => matches!(pdu[3], 1..=3 | 0x81..=0x83) && matches!(pdu[4], 0 | 0xFF),
        0x80.. => matches!(pdu[1], 1..=8 | 10 | 11),
        _ => true,
    }
}

/// Big-endian register at a byte offset; 0 beyond the end.
fn word(bytes: &[u8], at: usize) -> u16 {
    match bytes.get(at..at + 2) {
        Some(&[high, low]) => u16::from_be_bytes([high, low]),
        _ => 0,
    }
}

#[cfg(test)]
mod tests;
