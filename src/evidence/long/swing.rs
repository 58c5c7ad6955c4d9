//! Hunting: a control that exchanges power with the grid in a steady rhythm. Found as a train of swings of like length
//! about the limit, and told by its strongest line in the periodogram. Readings are followed one by one, so that a train is
//! the same wherever a slice of the log ends.

use std::collections::VecDeque;

use super::recent::Reading;
use crate::base::Stamp;
use crate::base::uncertain::{mean, median, variance};

/// A train has at least so many periods (contract 6).
pub const LEAST_PERIODS: usize = 10;

/// And swings by more than this, in W, whatever the uncertainty (contract 6).
pub const LEAST_SWING_W: f64 = 100.0;

/// A period of a train is within this factor of the one before it.
const ALIKE: f64 = 1.6;

/// The usual period is that of so many before.
const NEAR: usize = 8;

/// With a hole between them they are within this one: anything is near some multiple.
const ALIKE_HOLE: f64 = 1.15;

/// A period takes at least so many readings: shorter ones are not seen, they are made of noise.
const LEAST_READINGS: f64 = 4.0;

/// Of the variance over a train its own line holds at least this share (ours).
const LEAST_COHERENCE: f64 = 0.35;

/// A control that takes longer than this for a swing is none that hunts, in s (ours).
pub const MOST_PERIOD_S: f64 = 600.0;

/// After so many periods a train is judged by what it was so far, and goes on (ours: bounds what must be kept).
const BLOCK_PERIODS: usize = 60;

/// So many periods a hole may be.
const MOST_HOLES: f64 = 3.0;

/// Deviation of the periods of a train over their mean: a control keeps time, a household does not (ours).
const REGULAR: f64 = 0.25;

/// A train of swings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Train {
    /// First turning point.
    pub from: Stamp,
    /// Last turning point.
    pub to: Stamp,
    /// Usual period, in s.
    pub period_s: f64,
    /// Half of the usual swing, in W.
    pub amplitude_w: f64,
    /// How many periods.
    pub periods: usize,
}

impl Train {
    /// How long it lasted, in s.
    pub fn length_s(&self) -> f64 {
        self.to.seconds_since(self.from)
    }

    /// The train that this one goes on with.
    pub fn joined(&self, next: &Self) -> Option<Self> {
        let periods = self.periods + next.periods;
        let share = next.periods as f64 / periods as f64;
        (self.to == next.from).then(|| Self {
            from: self.from,
            to: next.to,
            period_s: next.to.seconds_since(self.from) / periods as f64,
            amplitude_w: self.amplitude_w + share * (next.amplitude_w - self.amplitude_w),
            periods,
        })
    }
}

/// Follows a power and finds the trains in it whose swings reach from below the limit to above it by more than five times
/// the uncertainty, and last ten periods.
#[derive(Clone, Debug)]
pub struct Hunt {
    /// Limit and tolerance, in W of export.
    level_w: f64,
    turns: Turns,
    growing: Growing,
    /// Readings that the train at hand, or the next one, may need.
    kept: VecDeque<(Stamp, f64)>,
    last: Option<Stamp>,
}

impl Hunt {
    /// About this level.
    pub fn new(level_w: f64) -> Self {
        Self {
            level_w,
            turns: Turns::default(),
            growing: Growing::default(),
            kept: VecDeque::new(),
            last: None,
        }
    }

    /// Takes the next reading; the train that it ended, or a part of one that goes on.
    pub fn take(&mut self, reading: &Reading, gap_s: f64) -> Option<Train> {
        let mut ended = None;
        if self.last.is_some_and(|last| reading.at.seconds_since(last) > gap_s) {
            ended = self.finish();
        } else if self.growing.over(reading.at) {
            ended = std::mem::take(&mut self.growing).finish(&self.kept);
        }
        self.last = Some(reading.at);
        self.kept.push_back((reading.at, reading.power_w));
        let keep = self.growing.swings.first().map(|(first, _)| *first);
        while self.kept.front().is_some_and(|(at, _)| {
            reading.at.seconds_since(*at) > MOST_PERIOD_S && keep.is_none_or(|first| *at < first)
        }) {
            self.kept.pop_front();
        }
        let Some((high, low)) = self.turns.take(reading) else { return ended };
        let least_w = -(self.level_w + low.expanded_w);
        if low.power_w < least_w && high.power_w > least_w {
            let swing = (low.at, high.power_w - low.power_w);
            if let Some(over) = self.growing.take(swing) {
                // A reading can't both outlast a train and end one.
                ended = ended.or_else(|| over.finish(&self.kept));
                self.growing.proven = ended.is_some() && self.growing.goes_on.is_some();
            }
        }
        ended
    }

    /// Ends what is at hand: no reading follows, or not soon.
    pub fn finish(&mut self) -> Option<Train> {
        let ended = std::mem::take(&mut self.growing).finish(&self.kept);
        self.turns = Turns::default();
        self.kept.clear();
        ended
    }

    /// Nothing earlier than this can become a part of a train any more.
    pub fn settled(&self) -> Option<Stamp> {
        let margin = crate::base::Span::from_seconds(MOST_PERIOD_S);
        let first = self.growing.swings.first().map(|(at, _)| *at);
        // The low at hand may be a swing yet.
        self.last.map(|last| first.map_or(last - margin, |first| first.min(last - margin)) - margin)
    }
}

/// Share of the power's variance over a train that one line of its spectrum holds, near the train's period: a square wave
/// has 0.81, a triangle 0.99, noise hardly any.
fn coherence(inside: &[(f64, f64)], period_s: f64, periods: usize) -> f64 {
    let values: Vec<f64> = inside.iter().map(|(_, power)| *power).collect();
    let middle = mean(&values);
    let all = values.iter().fold(0.0, |sum, power| sum + (power - middle) * (power - middle));
    let line = |period: f64| {
        let (mut real, mut imaginary) = (0.0, 0.0);
        for (at, power) in inside {
            let (sin, cos) = libm::sincos(2.0 * std::f64::consts::PI * (at / period).fract());
            real += (power - middle) * cos;
            imaginary += (power - middle) * sin;
        }
        2.0 * (real * real + imaginary * imaginary) / (values.len() as f64 * all).max(1e-12)
    };
    // The period is known to a part of a turn over the whole train.
    let tries = (-6..=6).map(|k| period_s * (1.0 + 0.15 * f64::from(k) / periods as f64));
    tries.map(line).fold(0.0, f64::max)
}

/// A train that may go on. A swing too small to count leaves a hole of two or three periods, which ends no train.
#[derive(Clone, Debug, Default)]
struct Growing {
    swings: Vec<(Stamp, f64)>,
    /// Lengths of its periods, holes divided.
    periods: Vec<f64>,
    /// How many periods they are.
    count: usize,
    /// The usual period of what it goes on from, in s.
    goes_on: Option<f64>,
    /// What it goes on from was a train.
    proven: bool,
}

impl Growing {
    fn usual_s(&self) -> Option<f64> {
        let near = &self.periods[self.periods.len().saturating_sub(NEAR)..];
        if near.is_empty() { self.goes_on } else { Some(median(near)) }
    }

    /// Whether no swing at this instant or later can go on with it.
    fn over(&self, at: Stamp) -> bool {
        let longest = self.usual_s().map_or(MOST_PERIOD_S, |usual| (MOST_HOLES + 0.5) * ALIKE_HOLE * usual);
        self.swings.last().is_some_and(|(last, _)| at.seconds_since(*last) > longest + MOST_PERIOD_S)
    }

    /// Takes the next swing; gives the train that it ended, or a part of one that is long enough to be judged.
    fn take(&mut self, swing: (Stamp, f64)) -> Option<Self> {
        let Some(last) = self.swings.last().copied() else {
            self.swings.push(swing);
            return None;
        };
        let length = swing.0.seconds_since(last.0);
        let usual = self.usual_s().unwrap_or(length);
        let holes = (length / usual).round();
        let one = length / holes.max(1.0);
        let alike = if holes > 1.0 { ALIKE_HOLE } else { ALIKE };
        let fits = (1.0..=MOST_HOLES).contains(&holes) && one < alike * usual && usual < alike * one;
        if fits && one <= MOST_PERIOD_S {
            self.swings.push(swing);
            self.periods.push(one);
            self.count += holes as usize;
            if self.count < BLOCK_PERIODS {
                return None;
            }
            let next = Self { swings: vec![swing], goes_on: Some(usual), ..Self::default() };
            return Some(std::mem::replace(self, next));
        }
        // The last swing may begin the next train.
        let next = if length <= MOST_PERIOD_S {
            Self { swings: vec![last, swing], periods: vec![length], count: 1, ..Self::default() }
        } else {
            Self { swings: vec![swing], ..Self::default() }
        };
        Some(std::mem::replace(self, next))
    }

    fn finish(self, kept: &VecDeque<(Stamp, f64)>) -> Option<Train> {
        // What goes on from a train has its ten periods behind it.
        let least = if self.proven { 1 } else { LEAST_PERIODS };
        if self.count < least || variance(&self.periods).sqrt() > REGULAR * mean(&self.periods) {
            return None;
        }
        let sizes: Vec<f64> = self.swings.iter().map(|(_, size)| *size).collect();
        let (from, to) = (self.swings.first()?.0, self.swings.last()?.0);
        let period_s = to.seconds_since(from) / self.count as f64;
        let inside: Vec<(f64, f64)> = kept
            .iter()
            .filter(|(at, _)| (from..=to).contains(at))
            .map(|(at, power)| (at.seconds_since(from), *power))
            .collect();
        let steps: Vec<f64> = inside.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
        let seen = !steps.is_empty() && period_s >= LEAST_READINGS * median(&steps);
        (seen && coherence(&inside, period_s, self.count) >= LEAST_COHERENCE).then(|| Train {
            from,
            to,
            period_s,
            amplitude_w: 0.5 * median(&sizes),
            periods: self.count,
        })
    }
}

/// Turning points of a power, swings passed over that are smaller than 100 W or five times the uncertainty at either end:
/// highs and lows by turns.
#[derive(Clone, Debug, Default)]
struct Turns {
    highest: Option<Reading>,
    lowest: Option<Reading>,
    rising: Option<bool>,
    /// The last high, once it is certain.
    high: Option<Reading>,
}

impl Turns {
    /// Takes the next reading; the high and the low that it has made certain.
    fn take(&mut self, reading: &Reading) -> Option<(Reading, Reading)> {
        let (highest, lowest) = (self.highest.unwrap_or(*reading), self.lowest.unwrap_or(*reading));
        let highest = if reading.power_w > highest.power_w { *reading } else { highest };
        let lowest = if reading.power_w < lowest.power_w { *reading } else { lowest };
        (self.highest, self.lowest) = (Some(highest), Some(lowest));
        let apart = |one: &Reading, other: &Reading| {
            let least_w = (5.0 * one.expanded_w.max(other.expanded_w)).max(LEAST_SWING_W);
            one.power_w - other.power_w > least_w
        };
        if self.rising != Some(false) && apart(&highest, reading) {
            self.high = Some(highest);
            (self.lowest, self.rising) = (Some(*reading), Some(false));
        } else if self.rising != Some(true) && apart(reading, &lowest) {
            (self.highest, self.rising) = (Some(*reading), Some(true));
            return self.high.take().map(|high| (high, lowest));
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Span;

    fn found(readings: &[(f64, f64)], expanded_w: f64) -> Vec<Train> {
        let mut hunt = Hunt::new(0.0);
        let mut trains: Vec<Train> = Vec::new();
        let reading = |(at, power_w): &(f64, f64)| Reading {
            at: Stamp::from_nanos(0) + Span::from_seconds(*at),
            power_w: *power_w,
            expanded_w,
        };
        let mut found: Vec<Train> =
            readings.iter().filter_map(|one| hunt.take(&reading(one), 10.0)).collect();
        found.extend(hunt.finish());
        for train in found {
            match trains.last().and_then(|last| last.joined(&train)) {
                Some(whole) => *trains.last_mut().expect("the last one") = whole,
                None => trains.push(train),
            }
        }
        trains
    }

    fn square(seconds: i32, period: f64, low: f64, high: f64) -> Vec<(f64, f64)> {
        (0..seconds)
            .map(|second| {
                let at = f64::from(second);
                (at, if (at / period).fract() < 0.5 { high } else { low })
            })
            .collect()
    }

    #[test]
    fn a_steady_exchange_is_found_with_its_period_and_amplitude() {
        let found = found(&square(600, 12.0, -400.0, 300.0), 20.0);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].period_s - 12.0).abs() < 0.1, "{found:?}");
        assert!((found[0].amplitude_w - 350.0).abs() < 1e-9 && found[0].periods > 45, "{found:?}");
    }

    /// Two minutes a period: in any twenty minutes there are fewer than ten of them.
    #[test]
    fn a_train_is_one_however_slow_and_however_long() {
        let slow = found(&square(3600, 120.0, -400.0, 300.0), 20.0);
        assert_eq!(slow.len(), 1, "{slow:?}");
        assert!((slow[0].period_s - 120.0).abs() < 1.0 && slow[0].periods >= 27, "{slow:?}");
        let long = found(&square(20_000, 12.0, -400.0, 300.0), 20.0);
        assert_eq!(long.len(), 1, "{long:?}");
        assert!((long[0].length_s() - 20_000.0).abs() < 30.0, "{long:?}");
        // Lows at 6, 18 … 19 998 s, the last of them without a rise after it.
        assert_eq!(long[0].periods, 1665);
    }

    #[test]
    fn a_gap_ends_a_train() {
        let mut readings = square(240, 12.0, -400.0, 300.0);
        readings.extend(square(240, 12.0, -400.0, 300.0).into_iter().map(|(at, power)| (at + 300.0, power)));
        let found = found(&readings, 20.0);
        assert_eq!(found.len(), 2, "{found:?}");
    }

    #[test]
    fn what_stays_on_one_side_or_keeps_no_time_is_none() {
        assert!(found(&square(600, 12.0, 200.0, 900.0), 20.0).is_empty());
        assert!(found(&square(600, 12.0, -20.0, 40.0), 20.0).is_empty());
        // Loads that switch at random: times from a linear congruence.
        let (mut at, mut seed, mut level) = (0.0, 12_345_u64, true);
        let mut readings = Vec::new();
        while at < 3600.0 {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let length = 2.0 + ((seed >> 33) % 60) as f64;
            for second in 0..length as i32 {
                readings.push((at + f64::from(second), if level { 300.0 } else { -400.0 }));
            }
            at += length.floor();
            level = !level;
        }
        assert!(found(&readings, 20.0).is_empty());
    }
}
