//! Records to the blocks of a capture file; bytes out, no file. Contract 5: an ordinary pcapng file that general
//! network tools open.

use core::net::Ipv4Addr;

use super::block::{self, Options};
use super::event::{Direction, LineInfo, Medium, Record, StrayWhy, WireError};
use super::mark::Mark;
use crate::base::Stamp;

mod tcp;

/// First line of the comment in the section header.
pub const COMMENT: &str = "wattward capture 1";
/// Line of that comment that names the series a capture is a segment of.
pub(super) const SERIES: &str = "segment of series ";
/// Link type of serial lines in the public registry.
pub const LINK_SERIAL: u16 = 250;
/// Link type of raw IP packets.
pub const LINK_IP: u16 = 101;
/// `if_description` where the driver cannot tell; read back by `read.rs`.
pub const NOT_TOLD: &str = "parity and framing errors: not told by this driver";
/// `if_description` where it can.
pub const TOLD: &str = "parity and framing errors: marked by the driver";

/// Most bytes of a serial line in one packet.
const MOST: usize = 1 << 20;
/// `epb_flags`: received, sent, bad CRC (or no frame at all).
const INBOUND: u32 = 1;
const OUTBOUND: u32 = 2;
const BAD_CRC: u32 = 1 << 24;

/// Turns records into blocks for one section of a file.
#[derive(Debug)]
pub struct CaptureWriter {
    lines: Vec<Line>,
    series: Option<String>,
}

#[derive(Debug)]
struct Line {
    info: LineInfo,
    connection: tcp::Connection,
}

impl CaptureWriter {
    /// For these lines; records name them by index.
    pub fn new(lines: &[LineInfo]) -> Self {
        let line = |(index, info): (usize, &LineInfo)| Line {
            info: info.clone(),
            connection: tcp::Connection::new(index, &info.name),
        };
        Self { lines: lines.iter().enumerate().map(line).collect(), series: None }
    }

    /// For a segment of the series of this name, which its header then says.
    #[must_use]
    pub fn in_series(mut self, name: &str) -> Self {
        self.series = Some(name.to_owned());
        self
    }

    /// Section header and interfaces, a block each: what a file, and every section appended to one, begins with.
    pub fn header(&self) -> Vec<Vec<u8>> {
        let series = self.series.as_ref().map(|name| format!("\n{SERIES}{name}")).unwrap_or_default();
        let comment = format!("{COMMENT}{series}");
        let section = block::section(Options::default().with(block::OPT_COMMENT, comment.as_bytes()));
        std::iter::once(section).chain(self.lines.iter().map(|line| interface(&line.info))).collect()
    }

    /// The blocks of one record: one, but for stray bytes beyond what a packet holds. None for a record of a
    /// line the header does not have.
    pub fn record(&mut self, record: &Record) -> Vec<Vec<u8>> {
        match record {
            Record::Frame(frame) => self.packets(frame.line, frame.at, frame.direction, &frame.bytes, None),
            Record::Stray(stray) => {
                self.packets(stray.line, stray.at, stray.direction, &stray.bytes, Some(stray.why))
            }
            Record::Mark(mark) => vec![mark_block(mark)],
        }
    }

    fn packets(
        &mut self,
        index: u16,
        at: Stamp,
        direction: Direction,
        bytes: &[u8],
        stray: Option<StrayWhy>,
    ) -> Vec<Vec<u8>> {
        let Some(line) = self.lines.get_mut(usize::from(index)) else { return Vec::new() };
        let flags = if direction == Direction::Out { OUTBOUND } else { INBOUND }
            | if stray.is_some() { BAD_CRC } else { 0 };
        let options = Options::default().with(block::EPB_FLAGS, &flags.to_le_bytes());
        let ticks = u64::try_from(at.nanos()).unwrap_or(0);
        let packet = |data: &[u8]| block::packet(u32::from(index), ticks, data, options.clone());
        match line.info.medium {
            Medium::Serial => {
                let header = pseudo_header(at, event(direction, stray));
                bytes.chunks(MOST).map(|bytes| packet(&[&header[..], bytes].concat())).collect()
            }
            Medium::Tcp => bytes
                .chunks(tcp::MOST)
                .map(|payload| packet(&line.connection.segment(direction, payload)))
                .collect(),
        }
    }
}

fn interface(info: &LineInfo) -> Vec<u8> {
    let mut options = Options::default().with(block::IF_NAME, info.name.as_bytes());
    if info.medium == Medium::Serial {
        let told = if info.tells_errors { TOLD } else { NOT_TOLD };
        options = options.with(block::IF_DESCRIPTION, told.as_bytes());
    }
    if let Some(baud) = info.baud {
        options = options.with(block::IF_SPEED, &u64::from(baud).to_le_bytes());
    }
    let link_type = if info.medium == Medium::Serial { LINK_SERIAL } else { LINK_IP };
    block::interface(link_type, options.with(block::IF_TSRESOL, &[9]))
}

/// The event types of link type 250.
fn event(direction: Direction, stray: Option<StrayWhy>) -> u8 {
    match (stray, direction) {
        (Some(StrayWhy::Marked(WireError::Framing)), _) => 7,
        (Some(StrayWhy::Marked(WireError::Parity)), _) => 8,
        (Some(StrayWhy::Marked(WireError::Break)), _) => 9,
        (Some(StrayWhy::Marked(WireError::Overflow)), _) => 10,
        (_, Direction::Out) => 1,
        (_, Direction::In) => 2,
    }
}

/// Seconds and microseconds in network order, event, control lines (unknown), two reserved bytes.
fn pseudo_header(at: Stamp, event: u8) -> [u8; 12] {
    let micros = at.micros();
    let mut header = [0; 12];
    header[..4].copy_from_slice(&(micros.div_euclid(1_000_000) as u32).to_be_bytes());
    header[4..8].copy_from_slice(&(micros.rem_euclid(1_000_000) as u32).to_be_bytes());
    header[8] = event;
    header
}

/// A mark as a journal entry: one text field a line.
fn mark_block(mark: &Mark) -> Vec<u8> {
    let fields = mark_fields(mark, mark.text.as_deref());
    if fields.len() + 12 <= block::LARGEST {
        return block::journal(&fields);
    }
    // larger than any reader takes: the mark stays, and says that its text does not
    let mut bare = mark.clone();
    bare.message.push_str(" (text above 16 MB left out)");
    block::journal(&mark_fields(&bare, None))
}

fn mark_fields(mark: &Mark, text: Option<&str>) -> Vec<u8> {
    let mut fields = String::new();
    let mut field = |key: &str, value: &str| {
        fields.push_str(key);
        fields.push('=');
        // a newline would end the field; only WATTWARD_TEXT may have them, as JSON escapes
        fields.extend(value.chars().map(|c| if matches!(c, '\n' | '\r' | '\0') { ' ' } else { c }));
        fields.push('\n');
    };
    field("__REALTIME_TIMESTAMP", &mark.at.micros().max(0).to_string());
    field("MESSAGE", &mark.message);
    field("WATTWARD_MARK", mark.kind.word());
    for (key, value) in [
        ("WATTWARD_LINE", &mark.line),
        ("WATTWARD_PLANT", &mark.plant),
        ("WATTWARD_SYSTEM_TIME", &mark.system_time),
        ("WATTWARD_QUANTITY", &mark.quantity),
        ("WATTWARD_VALUE", &mark.value),
        ("WATTWARD_PHASE", &mark.phase),
        ("WATTWARD_LOAD", &mark.load),
        ("WATTWARD_LOAD_W", &mark.load_w),
        ("WATTWARD_METER", &mark.meter),
    ] {
        if let Some(value) = value {
            field(key, value);
        }
    }
    if let Some(text) = text {
        field("WATTWARD_TEXT", &serde_json::Value::from(text).to_string());
    }
    fields.into_bytes()
}

/// The address a line's name gives, where it is a literal.
fn literal(name: &str) -> Option<(Ipv4Addr, u16)> {
    let (host, port) = name.rsplit_once(':').unwrap_or((name, "502"));
    Some((host.parse().ok()?, port.parse().ok()?))
}

/// The port a line's name gives; 502 where it gives none.
fn port(name: &str) -> u16 {
    name.rsplit_once(':').and_then(|(_, port)| port.parse().ok()).unwrap_or(502)
}
