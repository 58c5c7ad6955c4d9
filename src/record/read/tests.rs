//! Reading what was written, and what others write.

use proptest::prelude::*;

use super::*;
use crate::record::event::{Frame, Record, Role, Stray, StrayWhy};
use crate::record::write::CaptureWriter;
use crate::record::{Cut, Mark, MarkKind, frame_all};
use crate::wire::{mbap, rtu};

fn lines() -> Vec<LineInfo> {
    vec![
        LineInfo {
            name: "/dev/ttyUSB0".into(),
            medium: Medium::Serial,
            baud: Some(9600),
            tells_errors: true,
        },
        LineInfo { name: "192.0.2.77:502".into(), medium: Medium::Tcp, baud: None, tells_errors: true },
        LineInfo { name: "gateway:4001".into(), medium: Medium::Serial, baud: None, tells_errors: false },
    ]
}

fn session() -> Vec<Record> {
    let at = |millis: i64| Stamp::from_nanos(1_790_000_000_123_456_789 + millis * 1_000_000);
    let (ask, answer): ([u8; 5], [u8; 8]) = ([3, 0, 0x6B, 0, 3], [3, 6, 2, 0x2B, 0, 0, 0, 0x64]);
    let frame = |line: u16, millis, direction, role, pdu: &[u8]| {
        let medium = lines()[usize::from(line)].medium;
        let bytes = if medium == Medium::Tcp { mbap::encode(5, 1, pdu) } else { rtu::encode(1, pdu) };
        Record::Frame(Frame { line, at: at(millis), direction, role, bytes, medium })
    };
    let stray = |line, millis, why, bytes: &[u8]| {
        Record::Stray(Stray { line, at: at(millis), direction: Direction::In, bytes: bytes.to_vec(), why })
    };
    let mut site = Mark::new(at(0), MarkKind::Site, "site file");
    site.text = Some("[site]\nname = \"Cider \u{2265} barn\"\n\ttab\\ \0".into());
    let mut on = Mark::new(at(60), MarkKind::LoadOn, "kettle on L1");
    on.phase = Some("L1".into());
    on.load = Some("kettle".into());
    on.load_w = Some("2000".into());
    vec![
        Record::Mark(Box::new(site)),
        frame(0, 10, Direction::Out, Role::Request, &ask),
        stray(0, 12, StrayWhy::Echo, &rtu::encode(1, &ask)),
        frame(0, 30, Direction::In, Role::Response, &answer),
        stray(0, 50, StrayWhy::Marked(WireError::Parity), &[0x11]),
        stray(0, 51, StrayWhy::Marked(WireError::Framing), &[0]),
        Record::Mark(Box::new(on)),
        frame(1, 70, Direction::Out, Role::Request, &ask),
        frame(1, 75, Direction::In, Role::Response, &answer),
        frame(2, 80, Direction::Out, Role::Request, &ask),
        stray(2, 95, StrayWhy::Noise, &[1, 2, 3]),
    ]
}

fn written(records: &[Record]) -> Vec<u8> {
    let mut writer = CaptureWriter::new(&lines());
    let mut file = writer.header().concat();
    for record in records {
        file.extend(writer.record(record).concat());
    }
    file
}

#[test]
fn what_is_written_reads_back_the_same() {
    let capture = read_capture(&written(&session())).unwrap();
    assert_eq!(capture.lines, lines());
    assert!(capture.ours);
    assert_eq!(capture.cut, None);
    assert_eq!(frame_all(&capture), session());
}

#[test]
fn a_capture_cut_anywhere_opens_with_the_whole_blocks_before_the_cut() {
    let mut writer = CaptureWriter::new(&lines());
    let blocks: Vec<Vec<u8>> = writer
        .header()
        .into_iter()
        .chain(session().iter().flat_map(|record| writer.record(record)))
        .collect();
    let ends: Vec<usize> = blocks
        .iter()
        .scan(0, |end, block| {
            *end += block.len();
            Some(*end)
        })
        .collect();
    let file = blocks.concat();
    let whole = read_capture(&file).unwrap();
    let head = writer.header().len();
    for cut in 1..file.len() {
        for tail in [&[][..], &[0; 500]] {
            // a length ends in zeros, so zeros may make the block before the cut whole again
            let whole_again =
                |end: usize| end > cut && !tail.is_empty() && file[cut..end].iter().all(|&b| b == 0);
            let blocks_before = ends.iter().filter(|&&end| end <= cut || whole_again(end)).count();
            let spoilt = [&file[..cut], tail].concat();
            if blocks_before == 0 {
                assert!(read_capture(&spoilt).is_err());
                continue;
            }
            let capture = read_capture(&spoilt).unwrap();
            assert_eq!(capture.entries, whole.entries[..blocks_before.saturating_sub(head)]);
            let offset = ends[blocks_before - 1];
            match capture.cut {
                Some(Cut { offset: told, .. }) => assert_eq!(told, offset as u64),
                None => assert_eq!(spoilt.len(), offset),
            }
        }
    }
}

#[test]
fn a_mark_of_nine_megabytes_reads_back() {
    let mut mark = Mark::new(Stamp::from_micros(5), MarkKind::Profile, "large");
    mark.text = Some("0123456789abcde\n".repeat(9 << 16));
    let record = Record::Mark(Box::new(mark));
    let capture = read_capture(&written(std::slice::from_ref(&record))).unwrap();
    assert_eq!(capture.cut, None);
    assert_eq!(frame_all(&capture), [record]);
}

#[test]
fn a_microsecond_file_of_another_writer_reads_at_the_right_time() {
    // worked bytes computed by hand from the pcapng draft and the link-type page: 1700000000.250000 s, outbound
    let mut file = block::section(block::Options::default());
    file.extend_from_slice(&[
        0x01, 0, 0, 0, 0x20, 0, 0, 0, 0xFA, 0, 0, 0, 0, 0, 0, 0, 0x09, 0, 0x01, 0, 0x06, 0, 0, 0, 0, 0, 0, 0,
        0x20, 0, 0, 0,
    ]);
    file.extend_from_slice(&[
        0x06, 0, 0, 0, 0x40, 0, 0, 0, 0, 0, 0, 0, 0x24, 0x0A, 0x06, 0, 0x90, 0x10, 0x22, 0x18, 0x14, 0, 0, 0,
        0x14, 0, 0, 0, 0x65, 0x53, 0xF1, 0, 0, 0x03, 0xD0, 0x90, 0x03, 0, 0, 0, 0x01, 0x03, 0, 0x6B, 0, 0x03,
        0x74, 0x17, 0x02, 0, 0x04, 0, 0x02, 0, 0, 0, 0, 0, 0, 0, 0x40, 0, 0, 0,
    ]);
    assert_eq!(file.len(), 28 + 32 + 64);
    let capture = read_capture(&file).unwrap();
    assert!(!capture.ours);
    let records = frame_all(&capture);
    let [Record::Frame(frame)] = records.as_slice() else { panic!("{records:?}") };
    assert_eq!(frame.at, Stamp::from_micros(1_700_000_000_250_000));
    assert_eq!((frame.direction, frame.role, frame.unit()), (Direction::Out, Role::Request, 1));
}

#[test]
fn time_units_of_ten_and_two_and_offsets_are_honoured() {
    assert_eq!(stamp(1_500, 3, 0), Stamp::from_micros(1_500_000));
    assert_eq!(stamp(3 << 9, 0x8A, 0), Stamp::from_micros(1_500_000));
    assert_eq!(stamp(7, 9, 1_700_000_000), Stamp::from_nanos(1_700_000_000_000_000_007));
    assert_eq!(stamp(u64::MAX, 0, i64::MAX), Stamp::from_nanos(i64::MAX));
    assert_eq!(stamp(u64::MAX, 0xFF, 0), Stamp::from_nanos(0));
}

#[test]
fn a_second_section_goes_on_with_the_same_lines() {
    let file = [written(&session()), written(&session())].concat();
    let capture = read_capture(&file).unwrap();
    assert_eq!(capture.lines, lines());
    assert_eq!(capture.entries.len(), 2 * session().len());
}

#[test]
fn files_that_are_no_capture_are_refused_with_a_sentence() {
    assert!(read_capture(b"").is_err());
    assert!(read_capture(b"time,power\n0,1\n0,1\n0,1\n").unwrap_err().message.contains("no capture"));
    let later = block::section(block::Options::default().with(1, b"wattward capture 2\nmore"));
    assert!(read_capture(&later).unwrap_err().message.contains("capture 2"));
}

/// The same file in big-endian order, for blocks made of the parts used here.
fn big_endian_file() -> Vec<u8> {
    let block = |kind: u32, body: &[u8]| {
        let length = (body.len() + 12) as u32;
        [&kind.to_be_bytes(), &length.to_be_bytes(), body, &length.to_be_bytes()].concat()
    };
    let mut packet = Vec::new();
    let frame = rtu::encode(1, &[3, 0, 0x6B, 0, 3]);
    for word in [0, 0x0006_0A24, 0x1822_1090, 20, 20u32] {
        packet.extend_from_slice(&word.to_be_bytes());
    }
    packet.extend_from_slice(&[0x65, 0x53, 0xF1, 0, 0, 0x03, 0xD0, 0x90, 1, 0, 0, 0]);
    packet.extend_from_slice(&frame);
    packet.extend_from_slice(&[0, 2, 0, 4, 0, 0, 0, 2, 0, 0, 0, 0]);
    let section = [&0x1A2B_3C4D_u32.to_be_bytes()[..], &[0, 1, 0, 0], &[0xFF; 8]].concat();
    [block(block::SECTION, &section), block(1, &[0, 250, 0, 0, 0, 0, 0, 0]), block(6, &packet)].concat()
}

#[test]
fn big_endian_sections_read_too() {
    let records = frame_all(&read_capture(&big_endian_file()).unwrap());
    let [Record::Frame(frame)] = records.as_slice() else { panic!("{records:?}") };
    assert_eq!(frame.at, Stamp::from_micros(1_700_000_000_250_000));
    assert_eq!(frame.direction, Direction::Out);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn spoilt_files_neither_panic_nor_loop(
        changes in proptest::collection::vec((any::<proptest::sample::Index>(), any::<u8>()), 1..12),
        big_endian in any::<bool>(),
    ) {
        let mut file = if big_endian { big_endian_file() } else { written(&session()) };
        for (index, byte) in changes {
            let at = index.index(file.len());
            file[at] = byte;
        }
        if let Ok(capture) = read_capture(&file) {
            frame_all(&capture);
        }
    }
}
