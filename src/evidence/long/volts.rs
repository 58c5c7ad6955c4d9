//! Voltage of one phase over a slice: the root of the mean of the squares on the UTC tick (IEC 61000-4-30), and sliding over
//! ten minutes, as protection of generators follows it (EN 50549-1). Of readings once a second both are estimates: neither
//! class A nor S, and said with their coverage.

use super::slice::TICK_S;

/// A ten-minute mean counts where this share of its time is covered (ours).
pub const LEAST_COVERAGE: f64 = 0.9;

/// What a voltage did between two ticks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Volts {
    /// Root-mean-square of the readings, in V.
    pub rms_v: f64,
    /// Share of the slice that readings cover, 0 to 1.
    pub coverage: f64,
    /// Highest sliding ten-minute mean that ends in the slice, in V; none where the ten minutes before were not covered.
    pub sliding_max_v: Option<f64>,
    /// How long the sliding mean stood above the limit, in s.
    pub over_s: f64,
    /// Highest single reading, in V.
    pub highest_v: f64,
}

/// From the readings of the slice before (times below 0) and of this one, both in time order, in s since this one began.
pub fn volts(earlier: &[(f64, f64)], readings: &[(f64, f64)], gap_s: f64, limit_v: f64) -> Option<Volts> {
    let inner: Vec<(f64, f64)> =
        readings.iter().filter(|(at, _)| (0.0..TICK_S).contains(at)).copied().collect();
    if inner.is_empty() {
        return None;
    }
    let squares = inner.iter().fold(0.0, |sum, (_, volts)| sum + volts * volts);
    let covered = readings
        .windows(2)
        .filter(|pair| pair[1].0 - pair[0].0 <= gap_s)
        .fold(0.0, |sum, pair| sum + (pair[1].0.min(TICK_S) - pair[0].0.max(0.0)).max(0.0));
    let (sliding_max_v, over_s) = sliding(earlier, &inner, gap_s, limit_v);
    Some(Volts {
        rms_v: (squares / inner.len() as f64).sqrt(),
        coverage: (covered / TICK_S).min(1.0),
        sliding_max_v,
        over_s,
        highest_v: inner.iter().fold(0.0, |highest, (_, volts)| highest.max(*volts)),
    })
}

/// Highest sliding mean, and how long it stood above the limit. The mean at a reading is that of the readings of the ten
/// minutes up to it.
fn sliding(earlier: &[(f64, f64)], inner: &[(f64, f64)], gap_s: f64, limit_v: f64) -> (Option<f64>, f64) {
    let all: Vec<(f64, f64)> =
        earlier.iter().filter(|(at, _)| *at < inner[0].0).chain(inner).copied().collect();
    let mut first = 0;
    // Time within the window that is covered, and the sum of squares, carried along; the slice is short enough for that.
    let (mut covered, mut squares) = (0.0, 0.0);
    let (mut highest, mut over_s): (Option<f64>, f64) = (None, 0.0);
    let step = |index: usize| {
        let width = all[index].0 - all[index - 1].0;
        if width <= gap_s { width } else { 0.0 }
    };
    for (index, (at, volts)) in all.iter().enumerate() {
        squares += volts * volts;
        if index > 0 {
            covered += step(index);
        }
        while all[first].0 <= at - TICK_S {
            squares -= all[first].1 * all[first].1;
            covered -= step(first + 1);
            first += 1;
        }
        // The oldest reading stands for the step before it too.
        let open = if first > 0 { step(first) } else { 0.0 };
        if *at < 0.0 || covered + open < LEAST_COVERAGE * TICK_S {
            continue;
        }
        let mean = (squares / (index + 1 - first) as f64).sqrt();
        highest = Some(highest.map_or(mean, |so_far: f64| so_far.max(mean)));
        if mean > limit_v && index > 0 {
            over_s += step(index);
        }
    }
    (highest, over_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(from: i32, to: i32, volts: impl Fn(i32) -> f64) -> Vec<(f64, f64)> {
        (from..to).map(|second| (f64::from(second), volts(second))).collect()
    }

    /// IEC 61000-4-30 aggregates by the root of the mean of the squares: 230 V and 250 V give 240.208 V, not 240 V
    /// (rule from memory, figure computed).
    #[test]
    fn ten_minute_means_are_means_of_squares() {
        let readings = seconds(0, 601, |second| if second < 300 { 230.0 } else { 250.0 });
        let found = volts(&[], &readings, 10.0, 253.0).expect("readings");
        assert!((found.rms_v - 240.208_242_989_280).abs() < 1e-6, "{found:?}");
        assert!((found.coverage - 1.0).abs() < 1e-12);
    }

    /// Readings once a second, 540 s at 250 V, then 260 V: the mean of squares passes 253 V with the 178th reading at
    /// 260 V, the first k with (600 - k) 250² + k 260² > 600 · 253² (computed).
    #[test]
    fn the_sliding_mean_passes_its_limit_with_the_178th_reading() {
        let at = |second: i32| if second < 540 { 250.0 } else { 260.0 };
        let earlier = seconds(-600, 0, |second| at(second + 600));
        let inner = seconds(0, 600, |second| at(second + 600));
        // Before this slice 60 readings stood at 260 V already; the 178th of them is the one at 117 s.
        let found = volts(&earlier, &inner[..117], 10.0, 253.0).expect("readings");
        assert_eq!(found.over_s, 0.0, "{found:?}");
        let found = volts(&earlier, &inner[..118], 10.0, 253.0).expect("readings");
        assert_eq!(found.over_s, 1.0, "{found:?}");
    }

    #[test]
    fn half_a_slice_has_no_ten_minute_mean() {
        let found = volts(&[], &seconds(0, 300, |_| 260.0), 10.0, 253.0).expect("readings");
        assert!(found.coverage < 0.5 && found.sliding_max_v.is_none());
    }
}
