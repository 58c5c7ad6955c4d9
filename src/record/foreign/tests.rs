//! Network captures made here packet by packet (layouts of RFC 791, RFC 8200, RFC 9293 and the link-type registry).

use proptest::prelude::*;

use crate::record::capture::frame_all;
use crate::record::event::{LineInfo, Medium, Record};
use crate::record::read::{PORT, read_capture};
use crate::record::write::CaptureWriter;
use crate::wire::mbap;

const CLIENT: u16 = 40_000;

/// An IPv4 packet with a TCP segment; ports and sequence as given, SYN, ACK and FIN as bits.
fn segment(from: u16, to: u16, sequence: u32, acknowledged: u32, flags: u8, payload: &[u8]) -> Vec<u8> {
    let (own, other) = if from == PORT { (77, 10) } else { (10, 77) };
    let length = (40 + payload.len()) as u16;
    let mut packet = vec![0x45, 0];
    packet.extend_from_slice(&length.to_be_bytes());
    packet.extend_from_slice(&[0, 1, 0, 0, 64, 6, 0, 0, 192, 0, 2, own, 192, 0, 2, other]);
    packet.extend_from_slice(&from.to_be_bytes());
    packet.extend_from_slice(&to.to_be_bytes());
    packet.extend_from_slice(&sequence.to_be_bytes());
    packet.extend_from_slice(&acknowledged.to_be_bytes());
    packet.extend_from_slice(&[0x50, flags, 0x10, 0, 0, 0, 0, 0]);
    packet.extend_from_slice(payload);
    packet
}

fn ask(transaction: u16) -> Vec<u8> {
    mbap::encode(transaction, 11, &[4, 0, 7, 0, 1])
}

fn answer(transaction: u16) -> Vec<u8> {
    mbap::encode(transaction, 11, &[4, 2, 0, transaction as u8])
}

/// A classic little-endian pcap file in microseconds, a packet each millisecond.
fn classic(link_type: u32, packets: &[Vec<u8>]) -> Vec<u8> {
    let mut file = 0xA1B2_C3D4_u32.to_le_bytes().to_vec();
    file.extend_from_slice(&[2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0]);
    file.extend_from_slice(&link_type.to_le_bytes());
    for (i, packet) in packets.iter().enumerate() {
        for word in [1_700_000_000, 1000 * i as u32, packet.len() as u32, packet.len() as u32] {
            file.extend_from_slice(&word.to_le_bytes());
        }
        file.extend_from_slice(packet);
    }
    file
}

/// One word a record: what, whose transaction, when in ms.
fn told(file: &[u8]) -> Vec<String> {
    let capture = read_capture(file).unwrap();
    let word = |record: &Record| {
        let millis = record.at().micros() / 1000 - 1_700_000_000_000;
        match record {
            Record::Frame(frame) => {
                format!("{millis} L{} {:?} {}", frame.line, frame.role, frame.transaction().unwrap())
            }
            Record::Stray(stray) => format!("{millis} L{} {:?} {}", stray.line, stray.why, stray.bytes.len()),
            Record::Mark(_) => "mark".to_owned(),
        }
    };
    frame_all(&capture).iter().map(word).collect()
}

#[test]
fn segments_out_of_order_repeated_and_split_give_each_message_once() {
    let (question, reply) = (ask(1), answer(1));
    let packets = [
        segment(CLIENT, PORT, 99, 0, 2, &[]),
        segment(PORT, CLIENT, 499, 100, 0x12, &[]),
        segment(CLIENT, PORT, 105, 500, 0x18, &question[5..]),
        segment(CLIENT, PORT, 100, 500, 0x18, &question[..5]),
        segment(CLIENT, PORT, 100, 500, 0x18, &question),
        segment(PORT, CLIENT, 500, 112, 0x18, &reply[..4]),
        segment(PORT, CLIENT, 502, 112, 0x18, &reply[2..]),
    ];
    assert_eq!(told(&classic(101, &packets)), ["3 L0 Request 1", "5 L0 Response 1"]);
    assert_eq!(read_capture(&classic(101, &packets)).unwrap().lines[0].name, "192.0.2.77:502");
}

#[test]
fn a_lost_segment_is_a_gap_over_which_no_message_is_pieced_together() {
    let packets = [
        segment(CLIENT, PORT, 100, 500, 0x18, &ask(1)),
        segment(PORT, CLIENT, 500, 112, 0x18, &answer(1)[..6]),
        // bytes 506 to 510 are lost to the capture; the next question acknowledges them
        segment(PORT, CLIENT, 511, 112, 0x18, &answer(2)),
        segment(CLIENT, PORT, 112, 522, 0x18, &ask(3)),
        segment(PORT, CLIENT, 522, 124, 0x18, &answer(3)),
    ];
    assert_eq!(
        told(&classic(101, &packets)),
        ["0 L0 Request 1", "1 L0 Marked(Overflow) 6", "2 L0 Response 2", "3 L0 Request 3", "4 L0 Response 3"]
    );
}

#[test]
fn sequence_numbers_may_wrap() {
    let start = u32::MAX - 5;
    let packets = [
        segment(CLIENT, PORT, start, 0, 0x18, &ask(1)),
        segment(CLIENT, PORT, start.wrapping_add(12), 0, 0x18, &ask(2)),
    ];
    assert_eq!(told(&classic(101, &packets)), ["0 L0 Request 1", "1 L0 Request 2"]);
}

#[test]
fn two_clients_at_a_time_never_share_a_line_and_one_after_the_other_do() {
    let packets = [
        segment(CLIENT, PORT, 1, 0, 0x18, &ask(1)),
        segment(CLIENT + 1, PORT, 1, 0, 0x18, &ask(1)),
        segment(CLIENT, PORT, 13, 0, 0x11, &[]),
        segment(CLIENT + 2, PORT, 1, 0, 0x18, &ask(2)),
    ];
    assert_eq!(told(&classic(101, &packets)), ["0 L0 Request 1", "1 L1 Request 1", "3 L0 Request 2"]);
}

#[test]
fn link_types_differ_in_what_stands_before_the_same_packet() {
    let ip = segment(CLIENT, PORT, 1, 0, 0x18, &ask(9));
    let ethernet = [&[2; 12][..], &[8, 0], &ip, &[0; 6]].concat();
    let tagged = [&[2; 12][..], &[0x81, 0, 0, 5, 8, 0], &ip].concat();
    let cooked = [&[0; 14][..], &[8, 0], &ip].concat();
    let cooked2 = [&[8, 0][..], &[0; 18], &ip].concat();
    let mut ip6 = vec![0x60, 0, 0, 0, 0, (ip.len() - 20) as u8, 6, 64];
    ip6.extend_from_slice(&[0x20; 32]);
    ip6.extend_from_slice(&ip[20..]);
    for (link_type, packet) in
        [(101, ip.clone()), (228, ip), (1, ethernet), (1, tagged), (113, cooked), (276, cooked2), (229, ip6)]
    {
        assert_eq!(told(&classic(link_type, &[packet])), ["0 L0 Request 9"], "link type {link_type}");
    }
}

#[test]
fn packets_shorter_than_their_headers_say_neither_panic_nor_invent() {
    let packet = [&[2; 12][..], &[8, 0], &segment(CLIENT, PORT, 1, 0, 0x18, &ask(9))].concat();
    for length in 0..packet.len() {
        let records = told(&classic(1, &[packet[..length].to_vec()]));
        assert!(records.iter().all(|word| word.contains("Marked")), "{length}: {records:?}");
    }
}

#[test]
fn our_own_tcp_lines_read_as_a_network_capture_too() {
    // without the comment the reader has only the headers we made up
    let line =
        LineInfo { name: "192.0.2.77:502".into(), medium: Medium::Tcp, baud: None, tells_errors: true };
    let packets = [
        segment(CLIENT, PORT, 100, 500, 0x18, &ask(1)),
        segment(PORT, CLIENT, 500, 112, 0x18, &answer(1)),
        segment(CLIENT, PORT, 112, 511, 0x18, &ask(2)),
        segment(PORT, CLIENT, 511, 124, 0x18, &answer(2)),
    ];
    let capture = read_capture(&classic(101, &packets)).unwrap();
    let records = frame_all(&capture);
    let mut writer = CaptureWriter::new(&[line]);
    let mut file = writer.header().concat();
    for record in &records {
        file.extend(writer.record(record).concat());
    }
    let ours = read_capture(&file).unwrap();
    assert_eq!(frame_all(&ours), records);
    let place = file.windows(8).position(|bytes| bytes == b"wattward").unwrap();
    file[place] = b'W';
    let theirs = read_capture(&file).unwrap();
    assert!(!theirs.ours);
    assert_eq!(frame_all(&theirs), records);
    assert_eq!(theirs.lines[0].name, "192.0.2.77:502");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn spoilt_network_captures_neither_panic_nor_loop(
        changes in proptest::collection::vec((any::<proptest::sample::Index>(), any::<u8>()), 1..12),
        link_type in proptest::sample::select(vec![1u32, 101, 113, 228, 229, 276]),
    ) {
        let packets: Vec<Vec<u8>> =
            (1..6).map(|turn| segment(CLIENT, PORT, 12 * u32::from(turn), 0, 0x18, &ask(turn))).collect();
        let mut file = classic(link_type, &packets);
        for (index, byte) in changes {
            let at = index.index(file.len());
            file[at] = byte;
        }
        if let Ok(capture) = read_capture(&file) {
            frame_all(&capture);
        }
    }
}
