//! Power over one slice: the readings as runs of straight lines without gaps, energy both ways split exactly at zero, and
//! the spans in which the sliding mean of the export stands above a level.

use super::plan::{Plan, Watch};
use super::slice::{Slice, TICK_S};
use crate::base::Phase;
use crate::evidence::mean::Line;

/// Readings of a power around a slice: (time in s since the slice began, W), in time order.
pub type Readings = Vec<(f64, f64)>;

/// Energy of half a slice (five minutes: what 15, 30 and 60 minutes can be put together from), in Ws.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Energy {
    /// From the grid.
    pub import_ws: f64,
    /// Into the grid.
    pub export_ws: f64,
    /// Time covered by readings, in s.
    pub covered_s: f64,
    /// What may have gone either way where the power changed its direction between two readings, in Ws.
    pub turned_ws: f64,
}

/// A span of a slice in which export surely stood above the level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Over {
    /// The total, or a phase.
    pub phase: Phase,
    /// First instant, in s since the slice began.
    pub from: f64,
    /// Last instant.
    pub to: f64,
    /// Highest sliding mean of the export, in W.
    pub worst_w: f64,
    /// Energy above the level, in Ws.
    pub energy_ws: f64,
}

/// A time without readings, in s since the slice began; it may have begun long before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Silence {
    /// Last reading before it.
    pub from: f64,
    /// First reading after it.
    pub to: f64,
    /// Export just before it, in W.
    pub before_w: f64,
    /// Export just after it, in W.
    pub after_w: f64,
}

/// The power of a phase or the total of a meter around a slice: as reported, else the phases added up.
pub fn readings(plan: &Plan, slice: &Slice, meter: usize, phase: Phase) -> Readings {
    let Some(of) = slice.meters.get(meter) else { return Vec::new() };
    let start = slice.start();
    if let Some(key) = plan.power_key(meter, phase) {
        return of.values(&key, start);
    }
    if phase != Phase::Total || !plan.has_phases(meter) {
        return Vec::new();
    }
    let mut parts = plan.site.lines().iter().filter_map(|line| plan.power_key(meter, *line));
    let Some(first) = parts.next() else { return Vec::new() };
    let mut sum = of.values(&first, start);
    for key in parts {
        sum = added(&sum, &of.values(&key, start));
    }
    sum
}

/// Two powers added at the times of the first; readings of one cycle lie within half the spacing of readings.
fn added(one: &[(f64, f64)], other: &[(f64, f64)]) -> Readings {
    let mut sum = Vec::with_capacity(one.len());
    let mut place = 0;
    for (index, (at, value)) in one.iter().enumerate() {
        let next = one.get(index + 1).or_else(|| index.checked_sub(1).and_then(|before| one.get(before)));
        let reach = next.map_or(1.0, |next| 0.5 * (next.0 - at).abs());
        while place + 1 < other.len() && (other[place + 1].0 - at).abs() <= (other[place].0 - at).abs() {
            place += 1;
        }
        if let Some((near, part)) = other.get(place).filter(|(near, _)| (near - at).abs() <= reach) {
            debug_assert!(near.is_finite(), "times are finite");
            sum.push((*at, value + part));
        }
    }
    sum
}

/// Pairs of readings without a gap between them, cut to the slice: (from, power, to, power).
fn segments(readings: &[(f64, f64)], gap_s: f64) -> impl Iterator<Item = (f64, f64, f64, f64)> + '_ {
    readings.windows(2).filter_map(move |pair| {
        let [(t0, p0), (t1, p1)] = [pair[0], pair[1]];
        if t1 - t0 > gap_s || t1 <= 0.0 || t0 >= TICK_S || t1 <= t0 {
            return None;
        }
        let at = |t: f64| p0 + (p1 - p0) * ((t - t0) / (t1 - t0));
        let (from, to) = (t0.max(0.0), t1.min(TICK_S));
        Some((from, if t0 < 0.0 { at(from) } else { p0 }, to, if t1 > TICK_S { at(to) } else { p1 }))
    })
}

/// Energy of the two halves of a slice.
pub fn energies(readings: &[(f64, f64)], gap_s: f64) -> [Energy; 2] {
    const HALF: f64 = TICK_S / 2.0;
    let mut halves = [Energy::default(); 2];
    for (from, p0, to, p1) in segments(readings, gap_s) {
        if from < HALF && to > HALF {
            let middle = p0 + (p1 - p0) * ((HALF - from) / (to - from));
            halves[0].add(from, p0, HALF, middle);
            halves[1].add(HALF, middle, to, p1);
        } else {
            halves[usize::from(from >= HALF)].add(from, p0, to, p1);
        }
    }
    halves
}

impl Energy {
    fn add(&mut self, from: f64, p0: f64, to: f64, p1: f64) {
        let time = to - from;
        self.covered_s += time;
        if p0 >= 0.0 && p1 >= 0.0 {
            self.import_ws += 0.5 * (p0 + p1) * time;
        } else if p0 <= 0.0 && p1 <= 0.0 {
            self.export_ws -= 0.5 * (p0 + p1) * time;
        } else {
            // Two triangles, on either side of the crossing.
            let (up, down) = (p0.max(p1), -p0.min(p1));
            self.import_ws += 0.5 * up * time * (up / (up + down));
            self.export_ws += 0.5 * down * time * (down / (up + down));
            self.turned_ws += 0.25 * (up + down) * time;
        }
    }

    /// Both together.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        Self {
            import_ws: self.import_ws + other.import_ws,
            export_ws: self.export_ws + other.export_ws,
            covered_s: self.covered_s + other.covered_s,
            turned_ws: self.turned_ws + other.turned_ws,
        }
    }
}

/// Readings without a gap between them, as lines. `earlier` (times below 0) reaches back for sliding means.
fn runs(earlier: &[(f64, f64)], readings: &[(f64, f64)], gap_s: f64) -> Vec<Line> {
    let first = readings.first().map_or(f64::INFINITY, |(at, _)| *at);
    let lead = earlier.iter().filter(|(at, _)| *at < first).copied();
    let mut runs: Vec<Vec<(f64, f64)>> = Vec::new();
    for reading in lead.chain(readings.iter().copied()) {
        match runs.last_mut() {
            Some(run) if run.last().is_none_or(|last| reading.0 - last.0 <= gap_s) => run.push(reading),
            _ => runs.push(vec![reading]),
        }
    }
    runs.into_iter().map(Line::new).collect()
}

/// Spans in which the export, by its sliding mean, stands above the level by more than the uncertainty.
pub fn over(
    watch: &Watch,
    expanded_w: f64,
    earlier: &[(f64, f64)],
    readings: &[(f64, f64)],
    gap_s: f64,
) -> Vec<Over> {
    let threshold = watch.level_w + expanded_w;
    // Most slices hold none: a mean lies above only where a reading does.
    if readings.iter().chain(earlier).all(|(_, power)| -power <= threshold) {
        return Vec::new();
    }
    let mut found = Vec::new();
    for line in runs(earlier, readings, gap_s) {
        for dip in line.dips(watch.averaging_s, -threshold, -watch.averaging_s, TICK_S) {
            let (from, to) = (dip.start.max(0.0), dip.end.min(TICK_S));
            if to > from {
                found.push(Over {
                    phase: watch.phase,
                    from,
                    to,
                    worst_w: -dip.lowest,
                    energy_ws: line.area_below(-watch.level_w, from, to),
                });
            }
        }
    }
    found
}

/// Times without readings that end in this slice (or begin in it and have no end yet).
pub fn silences(readings: &[(f64, f64)], gap_s: f64) -> Vec<Silence> {
    let pairs = readings.windows(2).filter(|pair| {
        let (from, to) = (pair[0].0, pair[1].0);
        to - from > gap_s && to > 0.0 && to < TICK_S
    });
    let silence = |pair: &[(f64, f64)]| Silence {
        from: pair[0].0,
        to: pair[1].0,
        before_w: (-pair[0].1).max(0.0),
        after_w: (-pair[1].1).max(0.0),
    };
    pairs.map(silence).collect()
}

/// Mean of the line through readings between two instants; nothing where a gap or an end lies between them.
pub fn mean_between(readings: &[(f64, f64)], from: f64, to: f64, gap_s: f64) -> Option<f64> {
    let first = readings.partition_point(|(at, _)| *at <= from).checked_sub(1)?;
    let last = readings.partition_point(|(at, _)| *at < to);
    let part = readings.get(first..=last)?;
    if part.windows(2).any(|pair| pair[1].0 - pair[0].0 > gap_s) {
        return None;
    }
    Line::new(part.iter().copied()).mean(from, to)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn energy_is_split_at_zero_and_at_the_half() {
        // From +100 W to -300 W in 4 s: zero after 1 s; triangles of 50 Ws and 450 Ws.
        let [first, second] = energies(&[(298.0, 100.0), (302.0, -300.0)], 10.0);
        assert!((first.import_ws - 50.0).abs() < 1e-9 && (first.export_ws - 50.0).abs() < 1e-9, "{first:?}");
        assert!((second.export_ws - 400.0).abs() < 1e-9 && second.import_ws == 0.0, "{second:?}");
        assert_eq!((first.covered_s, second.covered_s), (2.0, 2.0));
    }

    #[test]
    fn a_reading_before_and_one_after_close_the_slice_and_gaps_stay_open() {
        let readings = [(-1.0, 600.0), (1.0, 600.0), (100.0, 600.0), (599.0, 600.0), (601.0, 600.0)];
        let both = energies(&readings, 10.0);
        let sum = both[0].plus(both[1]);
        assert_eq!((sum.covered_s, sum.import_ws), (2.0, 1200.0));
        assert_eq!(silences(&readings, 10.0).len(), 2);
    }

    #[test]
    fn spans_above_the_level_have_their_energy_above_it() {
        let watch =
            Watch { phase: Phase::Total, level_w: 100.0, averaging_s: 0.0, longest_s: 5.0, share: None };
        let readings = [(0.0, 0.0), (10.0, -200.0), (20.0, -200.0), (30.0, 0.0), (600.0, 0.0)];
        let found = over(&watch, 0.0, &[], &readings, 1000.0);
        assert_eq!(found.len(), 1);
        assert!((found[0].from - 5.0).abs() < 1e-6 && (found[0].to - 25.0).abs() < 1e-6);
        assert!((found[0].energy_ws - 1500.0).abs() < 1e-6, "{found:?}");
        assert!((found[0].worst_w - 200.0).abs() < 1e-9);
        assert!(over(&watch, 150.0, &[], &readings, 1000.0).is_empty());
    }
}
