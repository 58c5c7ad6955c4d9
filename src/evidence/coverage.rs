//! Coverage: how much of a window lies between readings close enough together, and where the gaps are.

use crate::base::uncertain::median;

/// A span without readings, in s since the origin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gap {
    /// The last reading before it (or the window's start).
    pub start: f64,
    /// The first reading after it (or the window's end).
    pub end: f64,
    /// The readings on either side, also outside the window; infinite where there is none.
    pub between: (f64, f64),
}

impl Gap {
    /// Its length in s.
    pub fn length(self) -> f64 {
        self.end - self.start
    }
}

/// How well a window is covered.
#[derive(Clone, Debug, PartialEq)]
pub struct Coverage {
    /// Share of the window lying between readings not further apart than the bound, 0 to 1.
    pub share: f64,
    /// The longest stretch without a reading, in s.
    pub longest_gap_s: f64,
    /// Stretches longer than the bound.
    pub gaps: Vec<Gap>,
    /// Median distance of successive readings, in s.
    pub spacing_s: f64,
}

/// Median distance of successive readings in s; nothing of fewer than two.
pub fn typical_spacing(at: &[f64]) -> Option<f64> {
    let steps: Vec<f64> = at.windows(2).map(|pair| pair[1] - pair[0]).collect();
    (!steps.is_empty()).then(|| median(&steps))
}

/// Coverage of the window `from` to `to` by readings at `at` (rising), where readings up to `bound` s apart cover what lies
/// between them. The readings next to the window on either side cover its ends.
pub fn coverage(at: &[f64], from: f64, to: f64, bound: f64) -> Coverage {
    let length = to - from;
    let first = at.partition_point(|t| *t < from);
    let last = at.partition_point(|t| *t <= to);
    let inner = at.get(first..last).unwrap_or(&[]);
    let mut edges: Vec<f64> = Vec::with_capacity(inner.len() + 2);
    edges.push(first.checked_sub(1).and_then(|index| at.get(index)).copied().unwrap_or(f64::NEG_INFINITY));
    edges.extend_from_slice(inner);
    edges.push(at.get(last).copied().unwrap_or(f64::INFINITY));
    let (mut covered, mut longest_gap_s) = (0.0, 0.0_f64);
    let mut gaps = Vec::new();
    for pair in edges.windows(2) {
        let gap = Gap { start: pair[0].max(from), end: pair[1].min(to), between: (pair[0], pair[1]) };
        if gap.end <= gap.start {
            continue;
        }
        // Outside the window a reading may be far: only what lies inside counts as gap.
        let apart =
            if pair[0].is_finite() && pair[1].is_finite() { pair[1] - pair[0] } else { f64::INFINITY };
        longest_gap_s = longest_gap_s.max(gap.length());
        if apart <= bound {
            covered += gap.length();
        } else {
            gaps.push(gap);
        }
    }
    let share = if length > 0.0 { (covered / length).clamp(0.0, 1.0) } else { 0.0 };
    Coverage { share, longest_gap_s, gaps, spacing_s: typical_spacing(inner).unwrap_or(f64::INFINITY) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn regular_readings_cover_everything() {
        let at: Vec<f64> = (0..=60).map(f64::from).collect();
        let found = coverage(&at, 5.0, 55.0, 2.5);
        assert_eq!((found.share, found.longest_gap_s, found.gaps.len()), (1.0, 1.0, 0));
        assert_eq!(found.spacing_s, 1.0);
    }

    #[test]
    fn a_gap_takes_its_length_from_the_share() {
        let at: Vec<f64> = (0..=60).filter(|k| !(21..30).contains(k)).map(f64::from).collect();
        let found = coverage(&at, 0.0, 60.0, 2.5);
        assert!((found.share - 50.0 / 60.0).abs() < 1e-12);
        assert_eq!(found.gaps, vec![Gap { start: 20.0, end: 30.0, between: (20.0, 30.0) }]);
        assert_eq!(found.longest_gap_s, 10.0);
    }

    #[test]
    fn a_window_that_begins_before_the_readings_is_not_covered_there() {
        let at: Vec<f64> = (10..=60).map(f64::from).collect();
        let found = coverage(&at, 0.0, 61.0, 2.5);
        let spans: Vec<(f64, f64)> = found.gaps.iter().map(|gap| (gap.start, gap.end)).collect();
        assert_eq!(spans, [(0.0, 10.0), (60.0, 61.0)]);
        assert_eq!(found.gaps[0].between, (f64::NEG_INFINITY, 10.0));
        assert!((found.share - 50.0 / 61.0).abs() < 1e-12);
        assert_eq!(coverage(&[], 0.0, 10.0, 2.0).share, 0.0);
    }
}
