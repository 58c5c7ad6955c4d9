//! What a line carries, for the document `listen` prints: who is asked what how often, and what comes of it.
//!
//! Of two hours or two weeks it keeps the same: a histogram for each range, and the times between its questions.

use std::collections::{BTreeMap, BTreeSet};

use hdrhistogram::Histogram;
use serde::Serialize;

use masters::Masters;

use super::pair::Pairer;
use super::transaction::{Outcome, Transaction};
use crate::base::Stamp;
use crate::record::{LineInfo, Medium, Record, StrayWhy};

mod masters;

/// Times between questions that the median is taken from; beyond them every second one is kept, then every fourth …
const MOST_PERIODS: usize = 4096;
/// Longest time a histogram tells apart, in microseconds; what is longer counts as this.
const LONGEST_US: u64 = 60_000_000;
/// Ranges told one by one; a master that searches asks for more, and each takes 50 kB. Ours.
const MOST_RANGES: usize = 1000;

/// The document of `listen` (contract 6), without what every document has.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ListenDocument {
    /// Questions that got an answer or an exception.
    pub transactions: u64,
    /// Questions that got nothing.
    pub timeouts: u64,
    /// Questions whose answer came spoilt.
    pub damaged: u64,
    /// Whole answer frames that pair with no question.
    pub foreign: u64,
    /// Questions that began before the one ahead of them could be answered: more than one of them, and two masters ask.
    pub cut_in: u64,
    /// Bytes that belong to no frame, echoes aside.
    pub stray_bytes: u64,
    /// Of the first serial line that tells it.
    pub baud: Option<u32>,
    /// Units that were asked or answered.
    pub units: Vec<u8>,
    /// By line, unit, function, address, count.
    pub ranges: Vec<ListenRange>,
    /// Questions for further ranges, where there were too many to tell one by one.
    pub further_questions: u64,
}

/// One range that is asked again and again.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ListenRange {
    /// The line's name.
    pub line: String,
    /// Unit address.
    pub unit: u8,
    /// Function code.
    pub function: u8,
    /// First register or coil.
    pub address: u16,
    /// How many.
    pub count: u16,
    /// Questions that got an answer or an exception.
    pub transactions: u64,
    /// Median time from one question to the next; null until asked twice.
    pub period_s: Option<f64>,
    /// End of the question to first byte of the answer; null where the baud is unknown or nothing was answered.
    pub latency_s: Option<Latency>,
    /// Questions that got nothing.
    pub timeouts: u64,
    /// Questions whose answer came spoilt.
    pub damaged: u64,
    /// Exceptions by any code.
    pub exceptions: u64,
    /// Registers of the newest answer, for functions 3 and 4.
    pub registers: Vec<u16>,
    /// `meter point` of what lies in it, filled in by whoever knows a profile; left out where none is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub points: Option<Vec<String>>,
}

/// Answer times in seconds, to three digits.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Latency {
    /// Half of the answers came within this.
    pub p50: f64,
    /// 99 of 100.
    pub p99: f64,
    /// All.
    pub max: f64,
}

/// Collects the statistics of all lines of a capture or a run.
#[derive(Debug)]
pub struct Listen {
    pairer: Pairer,
    names: Vec<String>,
    baud: Option<u32>,
    settled: Vec<Transaction>,
    units: BTreeSet<u8>,
    stray_bytes: u64,
    totals: Totals,
    masters: Masters,
    /// By index of the line, unit, function, address, count.
    ranges: BTreeMap<(u16, u8, u8, u16, u16), Range>,
}

#[derive(Debug, Default)]
struct Totals {
    transactions: u64,
    timeouts: u64,
    damaged: u64,
    further: u64,
}

#[derive(Debug)]
struct Range {
    transactions: u64,
    timeouts: u64,
    damaged: u64,
    exceptions: u64,
    latency: Option<Histogram<u32>>,
    periods: Periods,
    registers: Vec<u16>,
}

impl Listen {
    /// For the lines of a capture or a run, by index.
    pub fn new(lines: &[LineInfo]) -> Self {
        Self {
            pairer: Pairer::new(lines),
            names: lines.iter().map(|line| line.name.clone()).collect(),
            baud: lines.iter().filter(|line| line.medium == Medium::Serial).find_map(|line| line.baud),
            settled: Vec::new(),
            units: BTreeSet::new(),
            stray_bytes: 0,
            totals: Totals::default(),
            masters: Masters::default(),
            ranges: BTreeMap::new(),
        }
    }

    /// Takes the next record and hands on what it settled.
    pub fn push(&mut self, record: &Record) -> Vec<Transaction> {
        match record {
            Record::Frame(frame) => {
                self.units.insert(frame.unit());
            }
            Record::Stray(stray) if stray.why != StrayWhy::Echo => {
                self.stray_bytes += stray.bytes.len() as u64;
            }
            Record::Stray(_) | Record::Mark(_) => {}
        }
        self.pairer.push(record, &mut self.settled);
        self.count()
    }

    /// The records end; hands on what stayed open.
    pub fn finish(&mut self) -> Vec<Transaction> {
        self.pairer.finish(&mut self.settled);
        self.count()
    }

    fn count(&mut self) -> Vec<Transaction> {
        for transaction in &self.settled {
            let asked = &transaction.asked;
            self.totals.take(transaction);
            self.masters.take(transaction);
            let key = (transaction.line, asked.unit, asked.function, asked.address, asked.count);
            if self.ranges.len() >= MOST_RANGES && !self.ranges.contains_key(&key) {
                self.totals.further += 1;
            } else {
                self.ranges.entry(key).or_insert_with(Range::new).take(transaction);
            }
        }
        std::mem::take(&mut self.settled)
    }

    /// The document so far.
    pub fn document(&self) -> ListenDocument {
        ListenDocument {
            transactions: self.totals.transactions,
            timeouts: self.totals.timeouts,
            damaged: self.totals.damaged,
            foreign: self.pairer.unpaired(),
            cut_in: self.masters.cut_in(),
            stray_bytes: self.stray_bytes,
            baud: self.baud,
            units: self.units.iter().copied().collect(),
            ranges: self
                .ranges
                .iter()
                .map(|(&(line, unit, function, address, count), range)| ListenRange {
                    line: self.names.get(usize::from(line)).cloned().unwrap_or_default(),
                    unit,
                    function,
                    address,
                    count,
                    transactions: range.transactions,
                    period_s: range.periods.median_s(),
                    latency_s: range.latency.as_ref().and_then(latency),
                    timeouts: range.timeouts,
                    damaged: range.damaged,
                    exceptions: range.exceptions,
                    registers: range.registers.clone(),
                    points: None,
                })
                .collect(),
            further_questions: self.totals.further,
        }
    }
}

impl Totals {
    fn take(&mut self, transaction: &Transaction) {
        match transaction.outcome {
            Outcome::Answer { .. } | Outcome::Exception { .. } => self.transactions += 1,
            Outcome::Silence => self.timeouts += u64::from(expects_answer(transaction)),
            Outcome::Damaged { .. } => self.damaged += 1,
            Outcome::Open => {}
        }
    }
}

/// Nobody answers what goes to everybody.
fn expects_answer(transaction: &Transaction) -> bool {
    transaction.asked.unit != 0
}

impl Range {
    fn new() -> Self {
        let latency = Histogram::new_with_bounds(1, LONGEST_US, 3).ok();
        let periods = Periods::default();
        Self {
            transactions: 0,
            timeouts: 0,
            damaged: 0,
            exceptions: 0,
            latency,
            periods,
            registers: Vec::new(),
        }
    }

    fn take(&mut self, transaction: &Transaction) {
        self.periods.asked(transaction.asked_at);
        match transaction.outcome {
            Outcome::Answer { .. } => self.transactions += 1,
            Outcome::Exception { .. } => {
                self.transactions += 1;
                self.exceptions += 1;
            }
            Outcome::Silence => self.timeouts += u64::from(expects_answer(transaction)),
            Outcome::Damaged { .. } => self.damaged += 1,
            Outcome::Open => {}
        }
        if let Some(registers) = transaction.registers() {
            self.registers = registers;
        }
        if let (Some(latency), Some(histogram)) = (transaction.latency, &mut self.latency) {
            histogram.saturating_record(u64::try_from(latency.nanos() / 1000).unwrap_or(0).max(1));
        }
    }
}

fn latency(histogram: &Histogram<u32>) -> Option<Latency> {
    let seconds = |micros: u64| micros as f64 / 1e6;
    (!histogram.is_empty()).then(|| Latency {
        p50: seconds(histogram.value_at_quantile(0.5)),
        p99: seconds(histogram.value_at_quantile(0.99)),
        max: seconds(histogram.max()),
    })
}

/// Times between the questions of a range: all of them as long as they are few, then an even choice.
#[derive(Debug, Default)]
struct Periods {
    last: Option<Stamp>,
    nanos: Vec<i64>,
    seen: u64,
    /// One in so many is kept, as a power of two.
    thinned: u32,
}

impl Periods {
    fn asked(&mut self, at: Stamp) {
        if let Some(last) = self.last {
            if self.seen.trailing_zeros() >= self.thinned {
                self.nanos.push((at - last).nanos());
            }
            self.seen += 1;
        }
        self.last = Some(at);
        if self.nanos.len() > MOST_PERIODS {
            let mut index = 0;
            self.nanos.retain(|_| {
                index += 1;
                index % 2 == 1
            });
            self.thinned += 1;
        }
    }

    /// Mean of the middle two where their number is even.
    fn median_s(&self) -> Option<f64> {
        let mut sorted = self.nanos.clone();
        sorted.sort_unstable();
        let high = sorted.get(sorted.len() / 2)?;
        let low = sorted.get((sorted.len() - 1) / 2)?;
        Some((*low as f64 + *high as f64) / 2e9)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Span;
    use crate::link::Asked;

    fn transaction(millis: i64, outcome: Outcome) -> Transaction {
        Transaction {
            line: 0,
            asked_at: Stamp::from_micros(millis * 1000),
            asked: Asked { unit: 1, function: 3, address: 0, count: 2 },
            latency: matches!(outcome, Outcome::Answer { .. }).then(|| Span::from_millis(50)),
            outcome,
            suspect: false,
        }
    }

    #[test]
    fn a_range_counts_what_came_of_its_questions() {
        let mut range = Range::new();
        let at = Stamp::default();
        range.take(&transaction(0, Outcome::Answer { at, pdu: vec![3, 2, 0, 0] }));
        range.take(&transaction(1000, Outcome::Silence));
        range.take(&transaction(2010, Outcome::Exception { at, code: 2 }));
        range.take(&transaction(9000, Outcome::Damaged { at }));
        range.take(&transaction(10_000, Outcome::Open));
        assert_eq!((range.transactions, range.timeouts, range.damaged, range.exceptions), (2, 1, 1, 1));
        let doubtful = transaction(11_000, Outcome::Answer { at, pdu: vec![3, 2, 0, 9] });
        range.take(&Transaction { suspect: true, ..doubtful });
        assert_eq!(range.registers, [0], "an answer in doubt tells nothing of the registers");
        // of 1.0, 1.01, 6.99, 1.0 and 1.0 s
        assert_eq!(range.periods.median_s(), Some(1.0));
        let latency = latency(range.latency.as_ref().unwrap()).unwrap();
        assert!((latency.p50 - 0.05).abs() < 0.0001 && (latency.max - 0.05).abs() < 0.0001, "{latency:?}");
    }

    #[test]
    fn a_master_that_searches_every_address_takes_no_more_memory_than_a_thousand_ranges() {
        let mut listen = Listen::new(&[]);
        for address in 0..3000 {
            let mut one = transaction(i64::from(address), Outcome::Silence);
            one.asked.address = address;
            listen.settled.push(one);
            listen.count();
        }
        let document = listen.document();
        assert_eq!((document.ranges.len(), document.further_questions), (MOST_RANGES, 2000));
        assert_eq!(document.timeouts, 3000);
    }

    #[test]
    fn the_median_of_many_periods_comes_from_an_even_choice() {
        let mut periods = Periods::default();
        let mut at = Stamp::default();
        for turn in 0..100_000 {
            periods.asked(at);
            at += Span::from_millis(if turn < 60_000 { 500 } else { 2000 });
        }
        assert!(periods.nanos.len() <= MOST_PERIODS);
        assert_eq!(periods.median_s(), Some(0.5));
    }
}
