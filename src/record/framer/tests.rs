//! Framing: what is found, what is not believed, and that cutting does not matter.

use proptest::prelude::*;
use proptest::sample::Index;

use super::super::event::{Direction, Frame, Stray, StrayWhy, WireError};
use super::*;
use crate::wire::{mbap, rtu};

mod heads;

fn chunk(millis: i64, direction: Direction, bytes: &[u8]) -> Chunk {
    Chunk { line: 0, at: Stamp::from_micros(millis * 1000), direction, bytes: bytes.to_vec(), error: None }
}

fn frame_all(medium: Medium, chunks: &[Chunk]) -> Vec<Record> {
    let mut framer = Framer::new(0, medium, Some(9600));
    let mut out = Vec::new();
    for chunk in chunks {
        framer.push(chunk, &mut out);
    }
    framer.finish(&mut out);
    out
}

/// What a capture of these records holds.
fn as_chunks(records: &[Record]) -> Vec<Chunk> {
    let chunk = |record: &Record| match record.clone() {
        Record::Frame(Frame { line, at, direction, bytes, .. }) => {
            Chunk { line, at, direction, bytes, error: None }
        }
        Record::Stray(Stray { line, at, direction, bytes, why }) => {
            let error = if let StrayWhy::Marked(error) = why { Some(error) } else { None };
            Chunk { line, at, direction, bytes, error }
        }
        Record::Mark(_) => unreachable!("framers make no marks"),
    };
    records.iter().map(chunk).collect()
}

/// One line a record: arrival in ms, direction, what it is.
fn told(records: &[Record]) -> Vec<String> {
    let line = |record: &Record| match record {
        Record::Frame(frame) => {
            format!(
                "{} {:?} {:?} {}",
                frame.at.micros() / 1000,
                frame.direction,
                frame.role,
                frame.bytes.len()
            )
        }
        Record::Stray(stray) => {
            format!(
                "{} {:?} {:?} {}",
                stray.at.micros() / 1000,
                stray.direction,
                stray.why,
                stray.bytes.len()
            )
        }
        Record::Mark(_) => String::from("mark"),
    };
    records.iter().map(line).collect()
}

const ASK: [u8; 5] = [3, 0, 0x6B, 0, 3];
const ANSWER: [u8; 8] = [3, 6, 2, 0x2B, 0, 0, 0, 0x64];

fn ask(unit: u8) -> Vec<u8> {
    rtu::encode(unit, &ASK)
}

fn answer(unit: u8) -> Vec<u8> {
    rtu::encode(unit, &ANSWER)
}

#[test]
fn question_and_answer_in_one_lump_are_two_frames() {
    let lump = [ask(1), answer(1)].concat();
    let records = frame_all(Medium::Serial, &[chunk(0, Direction::In, &lump)]);
    assert_eq!(told(&records), ["0 In Request 8", "0 In Response 11"]);
}

#[test]
fn a_question_to_an_unheard_of_unit_counts_when_it_repeats_or_is_answered() {
    let alone = frame_all(Medium::Serial, &[chunk(0, Direction::In, &ask(9))]);
    assert_eq!(told(&alone), ["0 In Noise 8"]);
    let twice = [chunk(0, Direction::In, &ask(9)), chunk(3000, Direction::In, &ask(9))];
    assert_eq!(told(&frame_all(Medium::Serial, &twice)), ["0 In Request 8", "3000 In Request 8"]);
    let ours = frame_all(Medium::Serial, &[chunk(0, Direction::Out, &ask(9))]);
    assert_eq!(told(&ours), ["0 Out Request 8"]);
}

#[test]
fn noise_with_the_head_of_a_long_frame_swallows_nothing() {
    // seen with a reader that goes by the first head it meets: the good frame is lost waiting for 240 bytes
    for noise in [&[0x03, 0x03, 0xF0][..], &[0x80, 0xFE, 0x12, 0x03, 0x7C], &[0xFF; 25], &[0x01, 0x03, 0x06]]
    {
        let chunks =
            [chunk(0, Direction::Out, &ask(1)), chunk(20, Direction::In, &[noise, &answer(1)].concat())];
        let records = frame_all(Medium::Serial, &chunks);
        assert_eq!(told(&records[records.len() - 1..]), ["20 In Response 11"], "{noise:02x?}");
    }
}

#[test]
fn an_echo_is_stripped_in_one_piece_or_byte_by_byte() {
    let mut chunks = vec![chunk(0, Direction::Out, &ask(1))];
    let back = [ask(1), answer(1)].concat();
    chunks.push(chunk(5, Direction::In, &back));
    let whole = frame_all(Medium::Serial, &chunks);
    assert_eq!(told(&whole), ["0 Out Request 8", "5 In Echo 8", "5 In Response 11"]);
    chunks.pop();
    chunks.extend(back.iter().map(|&byte| chunk(5, Direction::In, &[byte])));
    assert_eq!(frame_all(Medium::Serial, &chunks), whole);
}

#[test]
fn a_second_master_asking_what_we_ask_is_no_second_echo() {
    let heard = [ask(1), answer(1), ask(1), answer(1)].concat();
    let chunks = [chunk(0, Direction::Out, &ask(1)), chunk(5, Direction::In, &heard)];
    let records = frame_all(Medium::Serial, &chunks);
    assert_eq!(
        told(&records),
        ["0 Out Request 8", "5 In Echo 8", "5 In Response 11", "5 In Request 8", "5 In Response 11"]
    );
}

#[test]
fn a_bad_crc_is_told_with_the_last_byte() {
    let mut spoilt = answer(1);
    spoilt[5] ^= 4;
    let mut framer = Framer::new(0, Medium::Serial, Some(9600));
    let mut out = Vec::new();
    framer.push(&chunk(0, Direction::Out, &ask(1)), &mut out);
    framer.push(&chunk(20, Direction::In, &spoilt), &mut out);
    assert_eq!(told(&out), ["0 Out Request 8", "20 In Damaged 11"]);
}

#[test]
fn half_an_answer_is_damaged_and_the_next_one_is_found() {
    for cut in 1..answer(1).len() {
        let chunks = [
            chunk(0, Direction::Out, &ask(1)),
            chunk(20, Direction::In, &answer(1)[..cut]),
            chunk(500, Direction::Out, &ask(1)),
            chunk(520, Direction::In, &answer(1)),
        ];
        let why = if cut < 3 { "Noise" } else { "Damaged" };
        let expected = [
            "0 Out Request 8".to_owned(),
            format!("20 In {why} {cut}"),
            "500 Out Request 8".to_owned(),
            "520 In Response 11".to_owned(),
        ];
        assert_eq!(told(&frame_all(Medium::Serial, &chunks)), expected);
    }
}

#[test]
fn bytes_the_driver_marked_part_the_frames_around_them() {
    let mut marked = chunk(21, Direction::In, &answer(1)[4..5]);
    marked.error = Some(WireError::Parity);
    let chunks = [
        chunk(0, Direction::Out, &ask(1)),
        chunk(20, Direction::In, &answer(1)[..4]),
        marked,
        chunk(22, Direction::In, &answer(1)[5..]),
        chunk(30, Direction::In, &answer(1)),
    ];
    assert_eq!(
        told(&frame_all(Medium::Serial, &chunks)),
        [
            "0 Out Request 8",
            "20 In Damaged 4",
            "21 In Marked(Parity) 1",
            "22 In Noise 6",
            "30 In Response 11"
        ]
    );
}

#[test]
fn no_frame_reaches_over_a_long_pause_and_quiet_only_tells_sooner() {
    let chunks = [
        chunk(0, Direction::Out, &ask(1)),
        chunk(20, Direction::In, &answer(1)[..6]),
        chunk(9000, Direction::In, &answer(1)[6..]),
    ];
    let expected = ["0 Out Request 8", "20 In Damaged 6", "9000 In Noise 5"];
    assert_eq!(told(&frame_all(Medium::Serial, &chunks)), expected);
    let mut framer = Framer::new(0, Medium::Serial, Some(9600));
    let mut out = Vec::new();
    framer.push(&chunks[0], &mut out);
    framer.push(&chunks[1], &mut out);
    framer.quiet(Stamp::from_micros(700_000), &mut out);
    assert_eq!(told(&out), expected[..1]);
    framer.quiet(Stamp::from_micros(8_000_000), &mut out);
    assert_eq!(told(&out), expected[..2]);
    framer.push(&chunks[2], &mut out);
    framer.finish(&mut out);
    assert_eq!(told(&out), expected);
}

#[test]
fn random_bytes_hold_no_transaction() {
    // 1 MB here; the 10 MB of the acceptance are in tests/framing.rs
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    let bytes: Vec<u8> = (0..1_000_000).map(|_| random(&mut state)).collect();
    let records = frame_all(Medium::Serial, &[chunk(0, Direction::In, &bytes)]);
    assert!(records.iter().all(|record| matches!(record, Record::Stray(_))));
    let records = frame_all(Medium::Tcp, &[chunk(0, Direction::In, &bytes)]);
    assert!(records.iter().all(|record| matches!(record, Record::Stray(_))));
}

#[test]
fn tcp_messages_are_found_in_pieces_and_after_junk() {
    let (question, reply) = (mbap::encode(7, 1, &ASK), mbap::encode(7, 1, &ANSWER));
    let chunks = [
        chunk(0, Direction::Out, &question[..5]),
        chunk(1, Direction::Out, &question[5..]),
        chunk(20, Direction::In, &[&[9, 9, 9][..], &reply, &reply[..4]].concat()),
        chunk(30, Direction::In, &reply[4..]),
    ];
    assert_eq!(
        told(&frame_all(Medium::Tcp, &chunks)),
        ["0 Out Request 12", "20 In Noise 3", "20 In Response 15", "20 In Response 15"]
    );
}

/// xorshift64*, so that a failure repeats.
fn random(state: &mut u64) -> u8 {
    *state ^= *state >> 12;
    *state ^= *state << 25;
    *state ^= *state >> 27;
    (state.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 56) as u8
}

/// A stretch of a line's life: direction and bytes.
fn piece() -> impl Strategy<Value = Vec<(Direction, Vec<u8>)>> {
    use Direction::{In, Out};
    let unit = prop_oneof![Just(1u8), Just(2), Just(3)];
    let count = prop_oneof![Just(1u8), Just(3), Just(120)];
    (unit, count, 0u8..20, any::<Index>(), proptest::collection::vec(any::<u8>(), 0..30)).prop_map(
        |(unit, count, kind, place, noise)| {
            // half of the questions look like the beginning of their own answer
            let ask = rtu::encode(unit, &[3, if kind < 10 { 0 } else { 2 * count }, 7, 0, count]);
            let data: Vec<u8> = (0..2 * count).map(|i| i.wrapping_mul(noise.len() as u8 | 1)).collect();
            let answer = rtu::encode(unit, &[&[3, 2 * count][..], &data].concat());
            let mut spoilt = answer.clone();
            spoilt[place.index(answer.len())] ^= 0x20;
            match kind % 10 {
                0 => vec![(In, noise)],
                1 => vec![(Out, ask), (In, spoilt)],
                2 => vec![(In, ask), (In, spoilt)],
                3 => vec![(In, ask), (In, answer)],
                4 => vec![(Out, ask.clone()), (In, ask), (In, answer)],
                5 => vec![(In, rtu::encode(unit, &[6, 0, 1, 0, count]))],
                6 => vec![(In, ask)],
                7 => vec![(Out, ask), (In, [&noise[..], &answer].concat())],
                8 => vec![(Out, ask), (In, rtu::encode(unit, &[0x83, 2]))],
                _ => vec![(Out, ask), (In, answer)],
            }
        },
    )
}

/// A whole session, cut into chunks at random, with random pauses, some long.
fn session() -> impl Strategy<Value = Vec<Chunk>> {
    let pause = prop_oneof![8 => 0i64..40, 1 => 900i64..1500, 1 => 2000i64..9000];
    let cuts = proptest::collection::vec((any::<Index>(), pause), 1..80);
    (proptest::collection::vec(piece(), 1..14), cuts, any::<bool>()).prop_map(|(pieces, cuts, passive)| {
        let mut chunks = Vec::new();
        let mut at = 0;
        let mut cuts = cuts.iter().cycle();
        for (direction, mut bytes) in pieces.into_iter().flatten() {
            let direction = if passive { Direction::In } else { direction };
            while !bytes.is_empty() {
                let Some((index, pause)) = cuts.next() else { break };
                let rest = bytes.split_off(index.index(bytes.len()) + 1);
                at += pause;
                chunks.push(chunk(at, direction, &bytes));
                bytes = rest;
            }
        }
        chunks
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn framing_twice_gives_the_same_as_once(chunks in session()) {
        let once = frame_all(Medium::Serial, &chunks);
        prop_assert_eq!(frame_all(Medium::Serial, &as_chunks(&once)), once);
    }

    #[test]
    fn every_byte_comes_back_in_order(chunks in session()) {
        for medium in [Medium::Serial, Medium::Tcp] {
            let again = as_chunks(&frame_all(medium, &chunks));
            for direction in [Direction::Out, Direction::In] {
                let bytes = |chunks: &[Chunk]| -> Vec<u8> {
                    chunks.iter().filter(|c| c.direction == direction).flat_map(|c| c.bytes.clone()).collect()
                };
                prop_assert_eq!(bytes(&again), bytes(&chunks));
            }
        }
    }

    #[test]
    fn cutting_and_looking_at_the_clock_change_nothing(chunks in session(), cuts in proptest::collection::vec(any::<Index>(), 1..20)) {
        let mut framer = Framer::new(0, Medium::Serial, Some(9600));
        let mut out = Vec::new();
        let mut cuts = cuts.iter().cycle();
        for (i, chunk) in chunks.iter().enumerate() {
            let at = cuts.next().map_or(0, |index| index.index(chunk.bytes.len() + 1));
            for part in [&chunk.bytes[..at], &chunk.bytes[at..]] {
                if !part.is_empty() {
                    framer.push(&Chunk { bytes: part.to_vec(), ..chunk.clone() }, &mut out);
                }
            }
            if let Some(next) = chunks.get(i + 1) {
                framer.quiet(next.at, &mut out);
            }
        }
        framer.finish(&mut out);
        prop_assert_eq!(out, frame_all(Medium::Serial, &chunks));
    }

    #[test]
    fn tcp_framing_twice_gives_the_same_as_once(
        messages in proptest::collection::vec((any::<bool>(), any::<u16>(), 0u8..4, any::<bool>()), 1..20),
        cuts in proptest::collection::vec((any::<Index>(), 0i64..12_000), 1..60),
    ) {
        let mut chunks = Vec::new();
        let (mut at, mut cuts) = (0, cuts.iter().cycle());
        for (out, transaction, spoil, long) in messages {
            let mut bytes = mbap::encode(transaction, 1, if long { &ANSWER } else { &ASK });
            if spoil == 0 {
                bytes[3] = 1;
            }
            while !bytes.is_empty() {
                let Some((index, pause)) = cuts.next() else { break };
                let rest = bytes.split_off(index.index(bytes.len()) + 1);
                at += pause;
                chunks.push(chunk(at, if out { Direction::Out } else { Direction::In }, &bytes));
                bytes = rest;
            }
        }
        let once = frame_all(Medium::Tcp, &chunks);
        prop_assert_eq!(frame_all(Medium::Tcp, &as_chunks(&once)), once);
    }
}
