//! Captures as files: those of an independent writer read without loss, and what we write is read alike by an
//! independent library (pcap-parser). The files written here stay in the target folder for dissectors to open.

#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "a test may stop where it stands, and reads files"
)]

use std::path::{Path, PathBuf};

use pcap_parser::traits::{PcapNGPacketBlock, PcapReaderIterator};
use pcap_parser::{Block, OptionCode, PcapBlockOwned, PcapError, PcapNGReader};
use wattward::base::Stamp;
use wattward::link::{Listen, Outcome, Pairer};
use wattward::record::{
    Capture, CaptureWriter, Chunk, Direction, Entry, Frame, LineInfo, Mark, MarkKind, Medium, Record, Role,
    Stray, StrayWhy, WireError, frame_all, read_capture,
};
use wattward::wire::{mbap, rtu};

fn samples() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/samples");
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_dir())
        .collect();
    found.sort();
    assert!(found.len() >= 9);
    found
}

fn sample(folder: &Path) -> Capture {
    read_capture(&std::fs::read(folder.join("case.pcapng")).unwrap()).unwrap()
}

fn chunks(capture: &Capture) -> Vec<&Chunk> {
    let entries = capture.entries.iter();
    entries
        .filter_map(|entry| match entry {
            Entry::Chunk(chunk) => Some(chunk),
            Entry::Mark(_) => None,
        })
        .collect()
}

/// A capture of these records as we write it.
fn written(lines: &[LineInfo], records: &[Record]) -> Vec<u8> {
    let mut writer = CaptureWriter::new(lines);
    let mut file = writer.header().concat();
    for record in records {
        file.extend(writer.record(record).concat());
    }
    file
}

#[test]
fn samples_read_without_loss_and_survive_being_written_again() {
    for folder in samples() {
        let capture = sample(&folder);
        assert_eq!(capture.cut, None, "{}", folder.display());
        let records = frame_all(&capture);
        let bytes = |record: &Record| match record {
            Record::Frame(frame) => frame.bytes.clone(),
            Record::Stray(stray) => stray.bytes.clone(),
            Record::Mark(_) => Vec::new(),
        };
        let told: Vec<u8> = records.iter().flat_map(bytes).collect();
        let held: Vec<u8> = chunks(&capture).iter().flat_map(|chunk| chunk.bytes.clone()).collect();
        assert_eq!(told, held, "{}", folder.display());
        // some hold noise and spoilt answers on purpose; nearly all questions are answered
        let (mut pairer, mut transactions) = (Pairer::new(&capture.lines), Vec::new());
        for record in &records {
            pairer.push(record, &mut transactions);
        }
        let answered = transactions.iter().filter(|t| matches!(t.outcome, Outcome::Answer { .. })).count();
        assert!(answered * 100 >= transactions.len() * 97, "{}", folder.display());
        // the same question asked again after a silence is in doubt until two cycles have ended clean
        let silent = transactions.iter().filter(|t| t.outcome == Outcome::Silence).count();
        let suspect = transactions.iter().filter(|t| t.suspect).count();
        assert!(suspect <= 3 * silent, "{}: {suspect} after {silent}", folder.display());
        let again = read_capture(&written(&capture.lines, &records)).unwrap();
        assert_eq!(frame_all(&again), records, "{}", folder.display());
    }
}

#[test]
fn samples_carry_their_site_and_profiles_as_marks() {
    for folder in samples().iter().filter(|folder| !folder.join("site.toml").exists()) {
        let capture = sample(folder);
        if folder.file_name().unwrap().to_str().unwrap().starts_with("listen") {
            continue;
        }
        assert!(capture.ours);
        for kind in [MarkKind::Site, MarkKind::Profile] {
            let text = capture.entries.iter().find_map(|entry| match entry {
                Entry::Mark(mark) if mark.kind == kind => mark.text.clone(),
                _ => None,
            });
            assert!(text.unwrap().parse::<toml::Table>().is_ok(), "{}", folder.display());
        }
    }
}

#[test]
fn a_network_capture_of_another_program_is_a_line_named_by_its_server() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/samples/ct-foreign-network");
    let capture = sample(&folder);
    assert!(!capture.ours);
    assert_eq!(capture.lines.len(), 1);
    assert_eq!(capture.lines[0].name, "192.0.2.77:502");
    let mut listen = Listen::new(&capture.lines);
    for record in frame_all(&capture) {
        listen.push(&record);
    }
    listen.finish();
    let document = listen.document();
    assert_eq!((document.timeouts, document.foreign, document.stray_bytes), (0, 0, 0));
    assert_eq!(document.units, [11]);
}

#[test]
fn what_was_heard_in_the_samples_is_what_their_writer_put_on_the_line() {
    for folder in samples() {
        let expected: serde_json::Value =
            serde_json::from_slice(&std::fs::read(folder.join("expected.json")).unwrap()).unwrap();
        let Some(ranges) = expected["ranges"].as_array() else { continue };
        let mut capture = sample(&folder);
        let heard = |capture: &Capture| {
            let mut listen = Listen::new(&capture.lines);
            for record in frame_all(capture) {
                listen.push(&record);
            }
            listen.finish();
            listen.document()
        };
        // the files do not tell the baud, so there is no latency; the generator's is 9600 with ten bits a character
        assert!(heard(&capture).ranges.iter().all(|range| range.latency_s.is_none()));
        capture.lines[0].baud = Some(9600);
        let document = serde_json::to_value(heard(&capture)).unwrap();
        for key in ["transactions", "timeouts", "damaged"] {
            assert_eq!(document[key], expected[key], "{} {key}", folder.display());
        }
        assert_eq!(document["ranges"].as_array().unwrap().len(), ranges.len());
        for range in ranges {
            let same = |told: &&serde_json::Value| {
                ["unit", "function", "address", "count"].iter().all(|key| told[key] == range[key])
            };
            let told = document["ranges"].as_array().unwrap().iter().find(same).unwrap();
            assert_eq!(told["transactions"], range["answers"]);
            assert_eq!(told["timeouts"], range["timeouts"]);
            assert_eq!(told["exceptions"], range["exceptions"]);
            let close = |told: &serde_json::Value, due: &serde_json::Value, tolerance: f64| {
                let (told, due) = (told.as_f64().unwrap(), due.as_f64().unwrap());
                assert!((told / due - 1.0).abs() <= tolerance, "{}: {told} for {due}", folder.display());
            };
            close(&told["period_s"], &range["period_s"], 0.01);
            // the median against the generator's mean: the meter's own jitter is between them
            close(&told["latency_s"]["p50"], &range["latency_s"], 0.1);
        }
    }
}

fn lines() -> Vec<LineInfo> {
    vec![
        LineInfo {
            name: "/dev/ttyUSB0".into(),
            medium: Medium::Serial,
            baud: Some(9600),
            tells_errors: false,
        },
        LineInfo { name: "meter.example:502".into(), medium: Medium::Tcp, baud: None, tells_errors: true },
    ]
}

/// One of everything a capture can hold.
fn session() -> Vec<Record> {
    let at = |millis: i64| Stamp::from_nanos(1_790_000_000_123_456_789 + millis * 1_000_000);
    let ask = [4, 0, 8, 0, 2];
    let answer = [4, 4, 0x42, 0xF6, 0xE9, 0x79];
    let frame = |line: u16, millis, direction, role, bytes| {
        let medium = if line == 1 { Medium::Tcp } else { Medium::Serial };
        Record::Frame(Frame { line, at: at(millis), direction, role, bytes, medium })
    };
    let stray = |millis, why, bytes| {
        Record::Stray(Stray { line: 0, at: at(millis), direction: Direction::In, bytes, why })
    };
    let mut spoilt = rtu::encode(1, &answer);
    spoilt[4] ^= 1;
    let mut site = Mark::new(at(0), MarkKind::Site, "site file");
    site.text = Some("[site]\nname = \"Cider barn\"\n".into());
    let mut records = vec![Record::Mark(Box::new(site))];
    for turn in 0..3 {
        let start = 1000 * turn;
        let number = turn as u16 + 1;
        records.push(frame(0, start, Direction::Out, Role::Request, rtu::encode(1, &ask)));
        records.push(frame(0, start + 40, Direction::In, Role::Response, rtu::encode(1, &answer)));
        records.push(frame(1, start + 100, Direction::Out, Role::Request, mbap::encode(number, 1, &ask)));
        records.push(frame(1, start + 120, Direction::In, Role::Response, mbap::encode(number, 1, &answer)));
    }
    records.push(frame(0, 4000, Direction::Out, Role::Request, rtu::encode(1, &ask)));
    records.push(stray(4040, StrayWhy::Damaged, spoilt));
    records.push(stray(4900, StrayWhy::Marked(WireError::Parity), vec![0]));
    records
}

#[test]
fn an_independent_reader_finds_in_our_file_what_was_written() {
    let (lines, records) = (lines(), session());
    let file = written(&lines, &records);
    std::fs::write(Path::new(env!("CARGO_TARGET_TMPDIR")).join("session.pcapng"), &file).unwrap();
    let mut reader = PcapNGReader::new(1 << 20, file.as_slice()).unwrap();
    let (mut packets, mut link_types, mut marks) = (Vec::new(), Vec::new(), 0);
    loop {
        let used = match reader.next() {
            Ok((used, PcapBlockOwned::NG(block))) => {
                match block {
                    Block::SectionHeader(section) => {
                        let comment =
                            section.options.iter().find(|option| option.code == OptionCode::Comment);
                        assert!(comment.unwrap().value().starts_with(b"wattward capture 1"));
                    }
                    Block::InterfaceDescription(interface) => {
                        assert_eq!(interface.if_tsresol, 9);
                        link_types.push(interface.linktype.0);
                    }
                    Block::EnhancedPacket(packet) => {
                        let (seconds, nanos) = packet.decode_ts(0, 1_000_000_000);
                        let at = i64::from(seconds) * 1_000_000_000 + i64::from(nanos);
                        let flags = packet.options.iter().find(|option| option.code.0 == 2).unwrap();
                        let flags = u32::from_le_bytes(flags.value().try_into().unwrap());
                        let header = if packet.if_id == 0 { 12 } else { 40 };
                        packets.push((packet.if_id, at, flags, packet.packet_data()[header..].to_vec()));
                    }
                    Block::SystemdJournalExport(_) => marks += 1,
                    other => panic!("{other:?}"),
                }
                used
            }
            Ok((used, _)) => used,
            Err(PcapError::Eof) => break,
            Err(PcapError::Incomplete(_)) => {
                reader.refill().unwrap();
                continue;
            }
            Err(error) => panic!("{error:?}"),
        };
        reader.consume(used);
    }
    assert_eq!((link_types, marks), (vec![250, 101], 1));
    let due: Vec<_> = records
        .iter()
        .filter_map(|record| match record {
            Record::Frame(frame) => Some((frame.line, frame.at, frame.direction, 0, frame.bytes.clone())),
            Record::Stray(stray) => Some((stray.line, stray.at, stray.direction, 1, stray.bytes.clone())),
            Record::Mark(_) => None,
        })
        .map(|(line, at, direction, bad, bytes)| {
            let flags = if direction == Direction::Out { 2 } else { 1 };
            (u32::from(line), at.nanos(), flags | bad << 24, bytes)
        })
        .collect();
    assert_eq!(packets, due);
}

#[test]
fn an_independent_reader_reads_the_samples_packets_at_our_times() {
    for folder in samples() {
        let file = std::fs::read(folder.join("case.pcapng")).unwrap();
        let capture = read_capture(&file).unwrap();
        if !capture.ours {
            continue;
        }
        let mut reader = PcapNGReader::new(1 << 20, file.as_slice()).unwrap();
        let mut packets = Vec::new();
        let mut resolution = 1_000_000;
        loop {
            let used = match reader.next() {
                Ok((used, PcapBlockOwned::NG(block))) => {
                    match block {
                        Block::InterfaceDescription(interface) => {
                            resolution = interface.ts_resolution().unwrap();
                        }
                        Block::EnhancedPacket(packet) => {
                            let (seconds, part) = packet.decode_ts(0, resolution);
                            let nanos = u64::from(part) * (1_000_000_000 / resolution);
                            let at = i64::from(seconds) * 1_000_000_000 + nanos as i64;
                            packets.push((Stamp::from_nanos(at), packet.packet_data()[12..].to_vec()));
                        }
                        _ => {}
                    }
                    used
                }
                Ok((used, _)) => used,
                Err(PcapError::Eof) => break,
                Err(PcapError::Incomplete(_)) => {
                    reader.refill().unwrap();
                    continue;
                }
                Err(error) => panic!("{error:?}"),
            };
            reader.consume(used);
        }
        let ours: Vec<_> = chunks(&capture).iter().map(|chunk| (chunk.at, chunk.bytes.clone())).collect();
        assert_eq!(ours, packets, "{}", folder.display());
    }
}
