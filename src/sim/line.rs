//! A serial line that misbehaves as it is told, from a seed: late, silent, in lumps, with flipped bits, echoed. What goes
//! in as a question and its answer comes out as the chunks a computer would receive, with their times.

use super::seed::Seed;
use crate::base::{Span, Stamp};
use crate::profile::SerialSettings;

/// How a line behaves.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LineRules {
    /// Most that is added to a meter's turnaround, evenly distributed.
    pub jitter: Span,
    /// The adapter hands bytes on only at multiples of this; zero: each piece as it comes.
    pub lump: Span,
    /// Probability that a byte has one bit turned.
    pub flip: f64,
    /// Probability that a meter says nothing.
    pub silent: f64,
    /// Probability that an answer is late.
    pub late: f64,
    /// By how much.
    pub late_by: Span,
    /// Whether the adapter gives back what is sent.
    pub echo: bool,
    /// Probability that some bytes of noise come before an answer.
    pub noise: f64,
    /// Another master on the same line.
    pub second_master: Option<SecondMaster>,
}

/// Another master, asking one thing over and over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SecondMaster {
    /// From one question to the next.
    pub every: Span,
    /// Whom it asks.
    pub unit: u8,
    /// Function 3 or 4.
    pub function: u8,
    /// First register.
    pub address: u16,
    /// How many.
    pub count: u16,
}

impl SecondMaster {
    /// What it asks, as function code and data.
    pub fn pdu(&self) -> [u8; 5] {
        let ([a, b], [c, d]) = (self.address.to_be_bytes(), self.count.to_be_bytes());
        [self.function, a, b, c, d]
    }
}

/// Bytes that arrive together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Arrival {
    /// When the computer has them.
    pub at: Stamp,
    /// At least one.
    pub bytes: Vec<u8>,
}

/// A line at work.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// How it behaves.
    pub rules: LineRules,
    settings: SerialSettings,
    seed: Seed,
}

impl Line {
    /// A line with its own chance.
    pub fn new(rules: LineRules, settings: SerialSettings, seed: u64, number: usize) -> Self {
        Self { rules, settings, seed: Seed::named(seed, &format!("line {number}")) }
    }

    /// How long so many characters take.
    pub fn characters(&self, count: usize) -> Span {
        self.settings.characters(count)
    }

    /// The silence between frames.
    pub fn silence(&self) -> Span {
        self.settings.silence()
    }

    /// When the meter has heard a whole question that begins at this time.
    pub fn heard_at(&self, at: Stamp, question: &[u8]) -> Stamp {
        at + self.characters(question.len())
    }

    /// The question as the meter hears it.
    pub fn hears(&mut self, question: &[u8]) -> Vec<u8> {
        self.spoil(question)
    }

    /// What the computer receives: the echo of its question begun at `at`, where the adapter gives one, then the answer
    /// with its CRC, `turnaround` after the end of the question. `None`: no meter answers.
    pub fn carry(
        &mut self,
        at: Stamp,
        question: &[u8],
        answer: Option<&[u8]>,
        turnaround: Span,
    ) -> Vec<Arrival> {
        let mut arrivals = Vec::new();
        if self.rules.echo {
            self.deliver(at, question, &mut arrivals);
        }
        let silent = self.seed.happens(self.rules.silent);
        let Some(answer) = answer.filter(|_| !silent) else { return arrivals };
        let mut start = self.heard_at(at, question) + turnaround.max(self.silence());
        start += Span::from_seconds(self.rules.jitter.seconds() * self.seed.unit());
        if self.seed.happens(self.rules.late) {
            start += self.rules.late_by;
        }
        if self.seed.happens(self.rules.noise) {
            let count = 1 + (self.seed.bits() % 4) as usize;
            let noise: Vec<u8> = (0..count).map(|_| self.seed.bits() as u8).collect();
            let before = start - self.characters(count + 3);
            self.deliver(before, &noise, &mut arrivals);
        }
        let spoilt = self.spoil(answer);
        self.deliver(start, &spoilt, &mut arrivals);
        arrivals
    }

    fn spoil(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut spoilt = bytes.to_vec();
        if self.rules.flip > 0.0 {
            for byte in &mut spoilt {
                if self.seed.happens(self.rules.flip) {
                    *byte ^= 1 << (self.seed.bits() % 8);
                }
            }
        }
        spoilt
    }

    /// Cuts a frame that begins at `start` into what the adapter hands over at once, stamped with the arrival of the first
    /// byte, or with the tick of the adapter's timer.
    fn deliver(&self, start: Stamp, bytes: &[u8], arrivals: &mut Vec<Arrival>) {
        if self.rules.lump <= Span::ZERO {
            arrivals.push(Arrival { at: start + self.characters(1), bytes: bytes.to_vec() });
            return;
        }
        let tick = self.rules.lump.nanos();
        for (place, byte) in bytes.iter().enumerate() {
            let here = start + self.characters(place + 1);
            let at = Stamp::from_nanos(here.nanos().div_euclid(tick).saturating_add(1).saturating_mul(tick));
            match arrivals.last_mut() {
                Some(last) if last.at == at => last.bytes.push(*byte),
                _ => arrivals.push(Arrival { at, bytes: vec![*byte] }),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::rtu;

    fn line(rules: LineRules) -> Line {
        Line::new(rules, SerialSettings::default(), 1, 0)
    }

    /// FC 04 read input register 9 and its answer 10 (facts 1.4).
    fn frames() -> (Vec<u8>, Vec<u8>) {
        (rtu::encode(1, &[4, 0, 8, 0, 1]), rtu::encode(1, &[4, 2, 0, 0x0A]))
    }

    fn carried(rules: LineRules, rounds: usize) -> Vec<Arrival> {
        let (question, answer) = frames();
        let mut line = line(rules);
        (0..rounds)
            .flat_map(|n| {
                let at = Stamp::from_nanos(0) + Span::from_millis(1000 * n as i64);
                line.carry(at, &question, Some(&answer), Span::from_millis(10))
            })
            .collect()
    }

    #[test]
    fn a_good_line_takes_the_time_of_its_characters() {
        let arrivals = carried(LineRules::default(), 1);
        assert_eq!(arrivals.len(), 1);
        // 8 characters at 9600 8N1 are 8.333 ms, then 10 ms, then the first character of the answer 1.042 ms
        let at = arrivals[0].at.seconds_since(Stamp::from_nanos(0));
        assert!((at - 0.019_375).abs() < 1e-6, "{at}");
        assert_eq!(arrivals[0].bytes, frames().1);
    }

    #[test]
    fn lumps_keep_every_byte_in_order() {
        let rules = LineRules { lump: Span::from_millis(3), echo: true, ..LineRules::default() };
        let arrivals = carried(rules, 1);
        assert!(arrivals.len() > 3, "{arrivals:?}");
        let bytes: Vec<u8> = arrivals.iter().flat_map(|arrival| arrival.bytes.clone()).collect();
        assert_eq!(bytes, [frames().0, frames().1].concat());
        assert!(arrivals.windows(2).all(|pair| pair[0].at < pair[1].at));
    }

    #[test]
    fn faults_come_as_often_as_they_are_told_to() {
        let rounds = 4000;
        let whole = |arrival: &&Arrival| arrival.bytes == frames().1;
        let silent = carried(LineRules { silent: 0.2, ..LineRules::default() }, rounds).len() as f64;
        // four standard deviations of a binomial count
        let near = |count: f64, share: f64| {
            let n = rounds as f64;
            (count - n * share).abs() < 4.0 * (n * share * (1.0 - share)).sqrt()
        };
        assert!(near(silent, 0.8), "{silent}");
        let flipped = carried(LineRules { flip: 0.01, ..LineRules::default() }, rounds);
        let good = flipped.iter().filter(whole).count() as f64;
        // seven bytes: 0.99^7 (facts 9: 1 - (1 - p)^n)
        assert!(near(good, 0.932_065), "{good}");
        let late =
            carried(LineRules { late: 0.3, late_by: Span::from_millis(500), ..LineRules::default() }, rounds);
        let count = late.iter().filter(|arrival| arrival.at.nanos() % 1_000_000_000 > 500_000_000).count();
        assert!(near(count as f64, 0.3), "{count}");
    }

    #[test]
    fn one_seed_gives_one_line() {
        let rules = LineRules { flip: 0.02, silent: 0.1, noise: 0.3, ..LineRules::default() };
        assert_eq!(carried(rules, 50), carried(rules, 50));
    }
}
