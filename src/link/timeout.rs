//! How long to wait for a unit: learned from its own answers, within bounds.
//!
//! A fixed time-out is either too short for some meter, which then fails most of its reads though it answers every one,
//! or so long that a silent unit takes the line from the others.

use hdrhistogram::Histogram;

use crate::base::Span;

/// Shortest and longest time the histogram holds, in µs.
const LOWEST_US: u64 = 1;
const HIGHEST_US: u64 = 60_000_000;

/// Bounds of a learned time-out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TimeoutBounds {
    /// Before the unit has ever answered.
    pub first: Span,
    /// Never shorter than this once it has.
    pub floor: Span,
    /// Never longer than this.
    pub ceiling: Span,
    /// How many times its worst answer.
    pub factor: i64,
}

impl Default for TimeoutBounds {
    /// First contact 1 s, three times the worst answer, 300 ms to 5 s. The Modbus documents leave the time-out to the
    /// application, "1 s to several s at 9600" (Modbus over Serial Line V1.02, 2.4.1); the figures are ours.
    fn default() -> Self {
        Self {
            first: Span::from_millis(1000),
            floor: Span::from_millis(300),
            ceiling: Span::from_millis(5000),
            factor: 3,
        }
    }
}

impl TimeoutBounds {
    /// How long to wait for the next answer of a unit whose slowest so far took so long.
    pub fn after(&self, worst: Option<Span>) -> Span {
        let wanted = worst.map_or(self.first, |worst| (worst * self.factor).max(self.floor));
        wanted.min(self.ceiling)
    }
}

/// Answer times of one unit and the time-out that follows from them.
#[derive(Clone, Debug)]
pub struct AnswerTimes {
    bounds: TimeoutBounds,
    histogram: Option<Histogram<u64>>,
    worst: Option<Span>,
    clamped: u64,
}

impl AnswerTimes {
    /// Nothing heard yet.
    pub fn new(bounds: TimeoutBounds) -> Self {
        // The bounds are constants the library accepts; should it ever refuse them, only the statistics are lost.
        let histogram = Histogram::new_with_bounds(LOWEST_US, HIGHEST_US, 3).ok();
        Self { bounds, histogram, worst: None, clamped: 0 }
    }

    /// Notes one answer: from the computed end of the request to the arrival of the answer's first byte. Below zero
    /// (a pseudo-terminal is faster than its baud) counts as zero; above 60 s it is clamped and counted.
    pub fn note(&mut self, latency: Span) {
        let latency = latency.max(Span::ZERO);
        self.worst = Some(self.worst.map_or(latency, |worst| worst.max(latency)));
        let us = u64::try_from(latency.nanos() / 1000).unwrap_or(0);
        if us > HIGHEST_US {
            self.clamped += 1;
        }
        if let Some(histogram) = &mut self.histogram {
            histogram.saturating_record(us.clamp(LOWEST_US, HIGHEST_US));
        }
    }

    /// How long to wait for the first byte of the next answer, from the end of the request.
    pub fn timeout(&self) -> Span {
        self.bounds.after(self.worst)
    }

    /// Whether the unit has ever answered.
    pub fn heard(&self) -> bool {
        self.worst.is_some()
    }

    /// The slowest answer so far.
    pub fn worst(&self) -> Option<Span> {
        self.worst
    }

    /// The answer time below which this share (0 to 1) of the answers lie; `None` before the first.
    pub fn quantile(&self, share: f64) -> Option<Span> {
        let histogram = self.histogram.as_ref().filter(|histogram| !histogram.is_empty())?;
        Some(Span::from_micros(histogram.value_at_quantile(share) as i64))
    }

    /// At most so many bars of equal width over all answers: from, to, how many.
    pub fn bars(&self, most: u32) -> Vec<(Span, Span, u64)> {
        let Some(histogram) = self.histogram.as_ref().filter(|histogram| !histogram.is_empty()) else {
            return Vec::new();
        };
        let (low, high) = (histogram.min(), histogram.max());
        // Widths people read easily: 1, 2 or 5 times a power of ten microseconds.
        let wanted = (high - low).div_ceil(u64::from(most.max(2) - 1)).max(1);
        let power = (0..9).map(|digits| 10_u64.pow(digits));
        let width = power.flat_map(|power| [power, 2 * power, 5 * power]).find(|width| *width >= wanted);
        let width = width.unwrap_or(wanted);
        let span = |us: u64| Span::from_micros(us as i64);
        let (first, last) = (low / width, high / width);
        let mut counts = vec![0; (last - first + 1) as usize];
        for value in histogram.iter_recorded() {
            let bar = (value.value_iterated_to() / width).clamp(first, last) - first;
            counts[bar as usize] += value.count_at_value();
        }
        let bars = (first..).zip(counts);
        bars.map(|(bar, count)| (span(bar * width), span((bar + 1) * width), count)).collect()
    }

    /// How many answers there were, and how many of them took longer than the histogram holds (60 s).
    pub fn counts(&self) -> (u64, u64) {
        (self.histogram.as_ref().map_or(0, Histogram::len), self.clamped)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn first_contact_waits_a_second_and_a_fast_unit_never_less_than_the_floor() {
        let mut times = AnswerTimes::new(TimeoutBounds::default());
        assert_eq!(times.timeout(), Span::from_millis(1000));
        times.note(Span::from_millis(20));
        assert_eq!(times.timeout(), Span::from_millis(300));
    }

    #[test]
    fn a_slow_unit_gets_three_times_its_worst_answer_within_the_ceiling() {
        let mut times = AnswerTimes::new(TimeoutBounds::default());
        times.note(Span::from_millis(600));
        times.note(Span::from_millis(30));
        assert_eq!(times.timeout(), Span::from_millis(1800));
        times.note(Span::from_millis(4000));
        assert_eq!(times.timeout(), Span::from_millis(5000));
    }

    #[test]
    fn bars_hold_every_answer_once() {
        let mut times = AnswerTimes::new(TimeoutBounds::default());
        for ms in 0..500 {
            times.note(Span::from_millis(30) + Span::from_micros(ms * 37));
        }
        let bars = times.bars(16);
        assert!(bars.len() <= 16 && bars.len() > 5, "{bars:?}");
        assert_eq!(bars.iter().map(|(.., count)| count).sum::<u64>(), 500);
        assert!(bars.windows(2).all(|pair| pair[0].1 == pair[1].0));
    }

    #[test]
    fn answers_beyond_the_histogram_are_clamped_and_counted() {
        let mut times = AnswerTimes::new(TimeoutBounds::default());
        times.note(Span::from_seconds(90.0));
        times.note(Span::from_millis(-3));
        assert_eq!(times.counts(), (2, 1));
        assert!(times.quantile(1.0).is_some_and(|max| (max.seconds() - 60.0).abs() < 0.06));
    }
}
