//! Hunting: a control that exchanges power with the grid in a steady rhythm. Found as a train of swings of like length
//! about the limit, and told by its strongest line in the periodogram.

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

/// So many periods a hole may be.
const MOST_HOLES: f64 = 3.0;

/// Deviation of the periods of a train over their mean: a control keeps time, a household does not (ours).
const REGULAR: f64 = 0.25;

/// A train of swings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Train {
    /// First turning point, in s.
    pub from: f64,
    /// Last turning point.
    pub to: f64,
    /// Usual period, in s.
    pub period_s: f64,
    /// Half of the usual swing, in W.
    pub amplitude_w: f64,
    /// How many periods.
    pub periods: usize,
}

/// Trains in readings (time in s, W) whose swings reach from below `low_w` to above it by more than `swing_w` and last ten
/// periods.
pub fn trains(readings: &[(f64, f64)], swing_w: f64, low_w: f64) -> Vec<Train> {
    let turns = turns(readings, swing_w.max(LEAST_SWING_W));
    // Lows beyond the limit, with the high before each of them.
    let mut swings: Vec<(f64, f64)> = Vec::new();
    for pair in turns.windows(2) {
        let [(_, high), (at, low)] = [pair[0], pair[1]];
        if low < high && low < low_w && high > low_w {
            swings.push((at, high - low));
        }
    }
    let mut found: Vec<Train> = Vec::new();
    let mut train = Growing::default();
    for swing in swings {
        if let Some(over) = train.take(swing) {
            found.extend(over.finish());
        }
    }
    found.extend(train.finish());
    let steps: Vec<f64> = readings.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
    let least_s = LEAST_READINGS * median(&steps);
    found.retain(|train| train.period_s >= least_s && coherence(readings, train) >= LEAST_COHERENCE);
    found
}

/// Share of the power's variance over a train that one line of its spectrum holds, near the train's period: a square wave
/// has 0.81, a triangle 0.99, noise hardly any.
fn coherence(readings: &[(f64, f64)], train: &Train) -> f64 {
    let inside: Vec<(f64, f64)> =
        readings.iter().filter(|(at, _)| (train.from..=train.to).contains(at)).copied().collect();
    let values: Vec<f64> = inside.iter().map(|(_, power)| *power).collect();
    let middle = mean(&values);
    let all = values.iter().fold(0.0, |sum, power| sum + (power - middle) * (power - middle));
    let line = |period: f64| {
        let (mut real, mut imaginary) = (0.0, 0.0);
        for (at, power) in &inside {
            let (sin, cos) = libm::sincos(2.0 * std::f64::consts::PI * ((at - train.from) / period).fract());
            real += (power - middle) * cos;
            imaginary += (power - middle) * sin;
        }
        2.0 * (real * real + imaginary * imaginary) / (values.len() as f64 * all).max(1e-12)
    };
    // The period is known to a part of a turn over the whole train.
    let tries = (-6..=6).map(|k| train.period_s * (1.0 + 0.15 * f64::from(k) / train.periods as f64));
    tries.map(line).fold(0.0, f64::max)
}

/// A train that may go on. A swing too small to count leaves a hole of two or three periods, which ends no train.
#[derive(Debug, Default)]
struct Growing {
    swings: Vec<(f64, f64)>,
    /// Lengths of its periods, holes divided.
    periods: Vec<f64>,
    /// How many periods they are.
    count: usize,
}

impl Growing {
    /// Takes the next swing; gives the train that it ended.
    fn take(&mut self, swing: (f64, f64)) -> Option<Self> {
        let Some(last) = self.swings.last() else {
            self.swings.push(swing);
            return None;
        };
        let length = swing.0 - last.0;
        let near = &self.periods[self.periods.len().saturating_sub(NEAR)..];
        let usual = if near.is_empty() { length } else { median(near) };
        let holes = (length / usual).round();
        let one = length / holes.max(1.0);
        let alike = if holes > 1.0 { ALIKE_HOLE } else { ALIKE };
        if (1.0..=MOST_HOLES).contains(&holes) && one < alike * usual && usual < alike * one {
            self.swings.push(swing);
            self.periods.push(one);
            self.count += holes as usize;
            return None;
        }
        // The last swing may begin the next train.
        let next = Self { swings: vec![*last, swing], periods: vec![length], count: 1 };
        Some(std::mem::replace(self, next))
    }

    fn finish(self) -> Option<Train> {
        if self.count < LEAST_PERIODS || variance(&self.periods).sqrt() > REGULAR * mean(&self.periods) {
            return None;
        }
        let sizes: Vec<f64> = self.swings.iter().map(|(_, size)| *size).collect();
        let (from, to) = (self.swings.first()?.0, self.swings.last()?.0);
        Some(Train {
            from,
            to,
            period_s: (to - from) / self.count as f64,
            amplitude_w: 0.5 * median(&sizes),
            periods: self.count,
        })
    }
}

/// Turning points of a power, swings smaller than `swing_w` passed over: highs and lows by turns.
fn turns(readings: &[(f64, f64)], swing_w: f64) -> Vec<(f64, f64)> {
    let mut found: Vec<(f64, f64)> = Vec::new();
    let Some(first) = readings.first() else { return found };
    let (mut highest, mut lowest) = (*first, *first);
    let mut rising: Option<bool> = None;
    for reading in readings {
        if reading.1 > highest.1 {
            highest = *reading;
        }
        if reading.1 < lowest.1 {
            lowest = *reading;
        }
        if rising != Some(false) && highest.1 - reading.1 > swing_w {
            found.push(highest);
            (lowest, rising) = (*reading, Some(false));
        } else if rising != Some(true) && reading.1 - lowest.1 > swing_w {
            found.push(lowest);
            (highest, rising) = (*reading, Some(true));
        }
    }
    found
}

/// One-sided power spectrum of evenly spaced values, mean taken out, as scipy's `signal.periodogram` scales it with
/// `scaling='spectrum'` (boxcar window, `detrend='constant'`): at `k / (n · spacing)` for k from 0 to n / 2.
pub fn periodogram(values: &[f64]) -> Vec<f64> {
    let count = values.len();
    let middle = mean(values);
    let mut powers = Vec::with_capacity(count / 2 + 1);
    for line in 0..=count / 2 {
        let (mut real, mut imaginary) = (0.0, 0.0);
        for (index, value) in values.iter().enumerate() {
            // Whole turns taken out before the angle is made, so that it stays exact.
            let turn = ((line * index) % count) as f64 / count as f64;
            let (sin, cos) = libm::sincos(2.0 * std::f64::consts::PI * turn);
            real += (value - middle) * cos;
            imaginary -= (value - middle) * sin;
        }
        let scale = if line == 0 || 2 * line == count { 1.0 } else { 2.0 };
        powers.push(scale * (real * real + imaginary * imaginary) / (count * count) as f64);
    }
    powers
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(period: f64, low: f64, high: f64) -> Vec<(f64, f64)> {
        (0..600)
            .map(|second| {
                let at = f64::from(second);
                (at, if (at / period).fract() < 0.5 { high } else { low })
            })
            .collect()
    }

    #[test]
    fn a_steady_exchange_is_found_with_its_period_and_amplitude() {
        let found = trains(&square(12.0, -400.0, 300.0), 100.0, 0.0);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].period_s - 12.0).abs() < 0.1, "{found:?}");
        assert!((found[0].amplitude_w - 350.0).abs() < 1e-9 && found[0].periods > 45, "{found:?}");
    }

    #[test]
    fn what_stays_on_one_side_or_keeps_no_time_is_none() {
        assert!(trains(&square(12.0, 200.0, 900.0), 100.0, 0.0).is_empty());
        assert!(trains(&square(12.0, -20.0, 40.0), 100.0, 0.0).is_empty());
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
        assert!(trains(&readings, 100.0, 0.0).is_empty());
    }
}
