//! Speed and parity found by listening, on a line simulated bit by bit: a pseudo-terminal cannot show a wrong speed.

#[path = "common/crc.rs"]
#[expect(unreachable_pub, reason = "shared by test files")]
mod crc;

use crc::rtu;
use wattward::base::{Span, Stamp};
use wattward::link::search::{SELDOM, USUAL};
use wattward::link::{Auto, Ear, Listen};
use wattward::profile::SerialSettings;
use wattward::record::{Framer, LineInfo, Medium};
use wattward::sim::uart::{Pair, chunks};

const START: Stamp = Stamp::from_micros(1_790_000_000_000_000);

/// A master that asks two ranges of one unit every so often, answered after 20 ms.
struct Traffic {
    sent_at: SerialSettings,
    every: Span,
    /// Whether the listener's driver marks bad bytes.
    marked: bool,
}

impl Traffic {
    /// What stands on the line from `from` on, for `lasting`.
    fn pair(&self, from: Stamp, lasting: Span) -> Pair {
        let mut pair = Pair::default();
        let first = ((from - START).nanos() / self.every.nanos()).max(0);
        for turn in first.. {
            let at = START + self.every * turn;
            if at >= from + lasting {
                return pair;
            }
            let mut end = at;
            for (address, count) in [(0u8, 12u8), (40, 4)] {
                end = pair.send(end, &rtu(&[17, 4, 0, address, 0, count]), self.sent_at);
                let mut answer = vec![17, 4, 2 * count];
                answer.extend((0..2 * count).map(|index| (turn as u8).wrapping_mul(37) ^ (index * 11)));
                end = pair.send(end + Span::from_millis(20), &rtu(&answer), self.sent_at);
                end += Span::from_millis(20);
            }
        }
        pair
    }

    /// Listens until it is settled: what was found, and how long it took.
    fn listen(&self) -> (Ear, Span) {
        let mut auto = Auto::new(USUAL.into_iter().chain(SELDOM).collect());
        // In the middle of things.
        let mut now = START + Span::from_millis(10_013);
        let mut stage = self.begin(&mut auto, now);
        loop {
            let (framer, coming) = &mut stage;
            now += Span::from_millis(20);
            let mut records = Vec::new();
            while coming.front().is_some_and(|chunk| chunk.at <= now) {
                coming.pop_front().iter().for_each(|chunk| framer.push(chunk, &mut records));
            }
            framer.quiet(now, &mut records);
            for record in &records {
                auto.take(record);
            }
            let mut ear = auto.decide(now);
            if ear == Ear::Over {
                let mut held_back = Vec::new();
                framer.finish(&mut held_back);
                for record in &held_back {
                    auto.take(record);
                }
                ear = auto.after(now);
            }
            match ear {
                Ear::Stay => {}
                Ear::Next => {
                    now += Span::from_millis(60);
                    stage = self.begin(&mut auto, now);
                }
                other => return (other, now - START - Span::from_millis(10_013)),
            }
            assert!(now - START < Span::from_millis(900_000), "it never ends");
        }
    }

    fn begin(
        &self,
        auto: &mut Auto,
        now: Stamp,
    ) -> (Framer, std::collections::VecDeque<wattward::record::Chunk>) {
        let settings = auto.settings();
        auto.begin(now);
        let received = self.pair(now, Span::from_millis(40_000)).hear(settings);
        let mut coming = chunks(0, &received, Span::from_millis(16), settings);
        if !self.marked {
            for chunk in &mut coming {
                chunk.error = None;
            }
        }
        // What came in while the line was being set.
        coming.retain(|chunk| chunk.at > now);
        (Framer::new(0, Medium::Serial, Some(settings.baud)), coming.into())
    }
}

/// One stop bit and two sound alike. Where the driver does not mark bad bytes, a receiver without parity takes the parity
/// bit for a stop bit and gives every byte right: then only the speed is found.
fn alike(found: SerialSettings, sent: SerialSettings, marked: bool) -> bool {
    found.baud == sent.baud && (found.parity == sent.parity || !marked)
}

#[test]
fn speed_and_parity_of_every_setting_are_found_by_ear() {
    for sent_at in USUAL.into_iter().chain(SELDOM) {
        for (marked, longest) in [(true, 40), (false, 62)] {
            let traffic = Traffic { sent_at, every: Span::from_millis(1000), marked };
            let (ear, took) = traffic.listen();
            let Ear::Found(found) = ear else { panic!("{sent_at:?}, marked {marked}: {ear:?}") };
            assert!(alike(found, sent_at, marked), "{sent_at:?}, marked {marked}: {found:?}");
            assert!(took < Span::from_millis(longest * 1000), "{sent_at:?}, marked {marked}: {took}");
            println!("{sent_at:?}, errors marked {marked}: {took}");
        }
    }
}

#[test]
fn a_master_that_asks_every_eight_seconds_is_found_in_the_second_round() {
    let traffic = Traffic { sent_at: USUAL[1], every: Span::from_millis(8000), marked: false };
    let (ear, took) = traffic.listen();
    assert_eq!(ear, Ear::Found(USUAL[1]), "{took}");
}

#[test]
fn a_silent_line_and_a_speed_that_nobody_tries_are_told_apart() {
    let silent = Traffic { sent_at: USUAL[0], every: Span::from_millis(3_600_000), marked: true };
    let (ear, took) = silent.listen();
    assert_eq!(ear, Ear::Silent);
    assert!(took >= Span::from_millis(30_000) && took < Span::from_millis(35_000), "{took}");
    let odd = SerialSettings { baud: 14_400, ..SerialSettings::default() };
    let traffic = Traffic { sent_at: odd, every: Span::from_millis(1000), marked: true };
    assert_eq!(traffic.listen().0, Ear::NoFrame);
}

/// What a listener makes of questions to units, each from some ms on and every so many; units answer what nobody spoke into.
fn cut_in(asked: &[(u8, i64, i64)]) -> u64 {
    let settings = SerialSettings::default();
    let mut questions: Vec<(Stamp, u8)> = Vec::new();
    for (unit, from, every) in asked {
        questions.extend((0..300).map(|turn| (START + Span::from_millis(from + every * turn), *unit)));
    }
    questions.sort_unstable();
    let mut pair = Pair::default();
    for (index, (at, unit)) in questions.iter().enumerate() {
        let end = pair.send(*at, &rtu(&[*unit, 4, 0, 0, 0, 4]), settings);
        let spoken_into = |other: &(Stamp, u8)| other.0 < end && other.0 + settings.characters(8) > *at;
        let near = index.saturating_sub(1)..(index + 2).min(questions.len());
        if !near.into_iter().filter(|other| *other != index).any(|other| spoken_into(&questions[other])) {
            let values: Vec<u8> = (0..8).map(|value| (value * 31) ^ index as u8).collect();
            let answer = rtu(&[&[*unit, 4, 8][..], &values].concat());
            pair.send(end + Span::from_millis(25), &answer, settings);
        }
    }
    let info = LineInfo {
        name: "bench".into(),
        medium: Medium::Serial,
        baud: Some(settings.baud),
        tells_errors: true,
    };
    let mut framer = Framer::new(0, Medium::Serial, Some(settings.baud));
    let mut listen = Listen::new(&[info]);
    let mut records = Vec::new();
    for chunk in chunks(0, &pair.hear(settings), Span::from_millis(1), settings) {
        framer.push(&chunk, &mut records);
    }
    framer.finish(&mut records);
    for record in &records {
        listen.push(record);
    }
    listen.finish();
    listen.document().cut_in
}

#[test]
fn two_masters_on_one_line_are_told_from_one_that_asks_two_units() {
    assert_eq!(cut_in(&[(1, 0, 1000), (2, 100, 1000), (3, 500, 1000)]), 0);
    let two = cut_in(&[(1, 0, 1000), (2, 0, 1013)]);
    assert!(two > 1, "{two}");
}
