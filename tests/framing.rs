//! Passive listening at its limits: random bytes hold no transaction; with bit errors every intact transaction is found
//! and none is wrong; whatever the bytes, the time is linear. `WATTWARD_SEEDS` sets how many seeds are tried.

#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

use std::collections::BTreeSet;

use wattward::base::{Span, Stamp};
use wattward::link::{Listen, Outcome};
use wattward::record::Framer;
use wattward::record::{Chunk, Direction, LineInfo, Medium, Record, StrayWhy, WireError};
use wattward::wire::rtu;

#[path = "common/worst.rs"]
mod worst;

use worst::Seed;

fn seeds(usual: u64) -> u64 {
    std::env::var("WATTWARD_SEEDS").ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

fn line() -> LineInfo {
    LineInfo { name: "/dev/ttyUSB0".into(), medium: Medium::Serial, baud: Some(9600), tells_errors: true }
}

fn chunk(at: Stamp, bytes: Vec<u8>) -> Chunk {
    Chunk { line: 0, at, direction: Direction::In, bytes, error: None }
}

fn frames(chunks: &[Chunk]) -> Vec<Record> {
    let mut framer = Framer::new(0, Medium::Serial, Some(9600));
    let mut records = Vec::new();
    for chunk in chunks {
        framer.push(chunk, &mut records);
    }
    framer.finish(&mut records);
    records
}

#[test]
fn ten_megabytes_of_random_bytes_hold_no_transaction() {
    for number in 0..seeds(1) {
        let mut seed = Seed::new(5 + number);
        let mut listen = Listen::new(&[line()]);
        let mut framer = Framer::new(0, Medium::Serial, Some(9600));
        let mut records = Vec::new();
        for turn in 0..10_240 {
            let at = Stamp::default() + Span::from_millis(1067 * turn);
            framer.push(&chunk(at, (0..1024).map(|_| seed.byte()).collect()), &mut records);
            for record in records.drain(..) {
                assert!(listen.push(&record).is_empty(), "seed {number}");
            }
        }
        framer.finish(&mut records);
        for record in &records {
            listen.push(record);
        }
        assert!(listen.finish().is_empty(), "seed {number}");
        let document = listen.document();
        assert_eq!((document.transactions, document.timeouts, document.foreign), (0, 0, 0), "seed {number}");
        assert_eq!(document.stray_bytes, 10 << 20);
        assert!(document.units.is_empty());
    }
}

/// One question with its answer as sent, and whether it arrived whole.
struct Sent {
    unit: u8,
    address: u16,
    answer: Vec<u8>,
    intact: bool,
}

/// A master that polls three units for `turns` questions, on a line that flips one bit in 10,000; bytes arrive in
/// lumps as adapters hand them over.
fn noisy_line(seed: &mut Seed, turns: u16) -> (Vec<Sent>, Vec<Chunk>) {
    let ranges = [(1u8, 4u8, 100u16, 40u16), (1, 4, 300, 40), (2, 3, 16, 2), (2, 3, 64, 2), (9, 4, 0, 110)];
    let (mut sent, mut line) = (Vec::new(), Vec::new());
    let mut at = Stamp::from_nanos(1_790_000_000_000_000_000);
    let character = Span::from_nanos(1_041_667);
    for turn in 0..turns {
        let (unit, function, address, count) = ranges[usize::from(turn) % ranges.len()];
        let [a, b] = address.to_be_bytes();
        let question = rtu::encode(unit, &[function, a, b, 0, count as u8]);
        let mut pdu = vec![function, 2 * count as u8];
        pdu.extend_from_slice(&turn.to_be_bytes());
        pdu.extend((0..2 * count - 2).map(|_| seed.byte()));
        let answer = rtu::encode(unit, &pdu);
        let mut intact = true;
        for (frame, rest) in [(question, 30), (answer, 60)] {
            for byte in frame {
                let errors = (0..8).filter(|_| seed.below(10_000) == 0).fold(0u8, |bits, _| bits << 1 | 1);
                let flips = errors.rotate_left(seed.below(8) as u32);
                intact &= flips == 0;
                line.push((at, byte ^ flips));
                at += character;
            }
            at += Span::from_millis(rest + seed.below(40) as i64);
        }
        sent.push(Sent { unit, address, answer: pdu, intact });
    }
    (sent, lumps(seed, &line))
}

/// Cuts a stream at pauses and, at random, within frames; now and then it lets a pause go unnoticed.
fn lumps(seed: &mut Seed, line: &[(Stamp, u8)]) -> Vec<Chunk> {
    let mut chunks: Vec<Chunk> = Vec::new();
    let mut last = Stamp::default();
    for &(at, byte) in line {
        let paused = at - last > Span::from_millis(4);
        let cut = if paused { seed.below(10) > 0 } else { seed.below(30) == 0 };
        match chunks.last_mut() {
            Some(chunk) if !cut => chunk.bytes.push(byte),
            _ => chunks.push(chunk(at, vec![byte])),
        }
        last = at;
    }
    chunks
}

#[test]
fn with_bit_errors_every_intact_transaction_is_found_and_none_is_wrong() {
    let (mut all, mut intact, mut found) = (0, 0, 0);
    for number in 0..seeds(20) {
        let mut seed = Seed::new(1000 + number);
        let (sent, chunks) = noisy_line(&mut seed, 2000);
        let mut listen = Listen::new(&[line()]);
        let mut transactions = Vec::new();
        for record in frames(&chunks) {
            transactions.extend(listen.push(&record));
        }
        transactions.extend(listen.finish());
        let mut answered = BTreeSet::new();
        for transaction in &transactions {
            let Outcome::Answer { pdu, .. } = &transaction.outcome else { continue };
            // in doubt or not: what was framed and paired is asked here
            let turn = usize::from(u16::from_be_bytes([pdu[2], pdu[3]]));
            let due = sent.get(turn).unwrap_or_else(|| panic!("seed {number}: turn {turn} was never sent"));
            assert!(due.intact, "seed {number}: turn {turn} arrived spoilt");
            assert_eq!(*pdu, due.answer, "seed {number}, turn {turn}");
            let asked = (transaction.asked.unit, transaction.asked.address);
            assert_eq!(asked, (due.unit, due.address), "seed {number}, turn {turn}");
            assert!(answered.insert(turn), "seed {number}: turn {turn} twice");
        }
        let missed: Vec<usize> =
            (0..sent.len()).filter(|turn| sent[*turn].intact && !answered.contains(turn)).collect();
        assert!(missed.is_empty(), "seed {number}: {missed:?}");
        all += sent.len();
        intact += sent.iter().filter(|sent| sent.intact).count();
        found += answered.len();
    }
    println!("{all} sent, {intact} intact, {found} found");
    assert!(intact * 10 > all * 8 && found == intact);
}

#[test]
fn nothing_is_lost_of_the_worst_bytes_there_are() {
    for (name, bytes) in worst::cases(200_000) {
        let at = Stamp::default();
        let records = frames(&[chunk(at, bytes.clone())]);
        let told: Vec<u8> = records
            .iter()
            .flat_map(|record| match record {
                Record::Frame(frame) => frame.bytes.clone(),
                Record::Stray(stray) => stray.bytes.clone(),
                Record::Mark(_) => Vec::new(),
            })
            .collect();
        assert!(told == bytes, "{name}");
    }
}

/// Time this thread has spent on a processor, so that a busy machine does not count.
#[cfg(target_os = "linux")]
fn seconds_on_cpu() -> f64 {
    #[expect(clippy::disallowed_methods, reason = "this test measures")]
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap();
    text.split(' ').next().unwrap().parse::<f64>().unwrap() / 1e9
}

/// CPU time for framing these parts, each with a framer of its own; the best of three, since a busy machine only ever
/// makes it slower.
#[cfg(target_os = "linux")]
fn framing_takes(bytes: &[u8], part: usize) -> f64 {
    let once = || {
        let start = seconds_on_cpu();
        for part in bytes.chunks(part) {
            let mut framer = Framer::new(0, Medium::Serial, Some(9600));
            let mut records = Vec::new();
            for bytes in part.chunks(65_536) {
                framer.push(&chunk(Stamp::default(), bytes.to_vec()), &mut records);
                records.clear();
            }
        }
        seconds_on_cpu() - start
    };
    (0..3).map(|_| once()).fold(f64::INFINITY, f64::min)
}

/// The time must be linear in the bytes whatever they are: the same bytes in one piece, compared in one run, may not take
/// three times as long as in eight (quadratic would be eight times). The seconds it prints are for the reader:
/// `cargo test --release --test framing -- --nocapture`; `cargo bench --no-default-features --bench framing` sets them beside a plain CRC.
#[cfg(target_os = "linux")]
#[test]
fn the_worst_bytes_take_linear_time() {
    let length = if cfg!(debug_assertions) { 4_000_000 } else { 48_000_000 };
    for (name, bytes) in worst::cases(length) {
        let (pieces, whole) = (framing_takes(&bytes, length / 8), framing_takes(&bytes, usize::MAX));
        println!("{name}: {whole:.2} s for {} MB", length / 1_000_000);
        assert!(whole < 3.0 * pieces + 0.02, "{name}: {pieces:.3} s in eight pieces, {whole:.3} s in one");
    }
}

#[test]
fn a_damaged_answer_and_a_break_are_told_apart() {
    let at = Stamp::default();
    let ask = chunk(at, rtu::encode(1, &[3, 0, 0, 0, 1]));
    let mut broken = chunk(at + Span::from_millis(500), vec![0]);
    broken.error = Some(WireError::Break);
    let mut sent = ask;
    sent.direction = Direction::Out;
    let records = frames(&[sent, chunk(at + Span::from_millis(30), vec![1, 3, 2, 0, 1, 0, 0]), broken]);
    let whys: Vec<StrayWhy> = records
        .iter()
        .filter_map(|record| match record {
            Record::Stray(stray) => Some(stray.why),
            _ => None,
        })
        .collect();
    assert_eq!(whys, [StrayWhy::Damaged, StrayWhy::Marked(WireError::Break)]);
}
