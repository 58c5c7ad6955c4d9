//! Power over one slice: the readings as runs of straight lines without gaps, energy both ways split exactly at zero, and
//! the spans in which the sliding mean of the export stands above a level.

use super::plan::{Plan, Watch};
use super::recent::Reading;
use super::slice::{Slice, TICK_S};
use crate::base::{Phase, Stamp};
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

/// A part of a span in which export surely stood above the level: as far as it lies in one slice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Over {
    /// First instant, in s since the slice began.
    pub from: f64,
    /// Last instant.
    pub to: f64,
    /// Highest sliding mean of the export, in W.
    pub worst_w: f64,
    /// Energy above the level, in Ws.
    pub energy_ws: f64,
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
        if let Some(part) = near(other, &mut place, *at, reach) {
            sum.push((*at, value + part));
        }
    }
    sum
}

/// The value nearest to an instant, if it lies within reach. `place` is where the last one was found; instants rise.
pub(super) fn near(values: &[(f64, f64)], place: &mut usize, at: f64, reach: f64) -> Option<f64> {
    while *place + 1 < values.len() && (values[*place + 1].0 - at).abs() <= (values[*place].0 - at).abs() {
        *place += 1;
    }
    values.get(*place).filter(|(near, _)| (near - at).abs() <= reach).map(|(_, value)| *value)
}

/// Pairs of readings without a gap between them, cut to the slice: (from, power, to, power).
pub(super) fn segments(
    readings: &[(f64, f64)],
    gap_s: f64,
) -> impl Iterator<Item = (f64, f64, f64, f64)> + '_ {
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

/// The parts of a slice in which the export, by its sliding mean, stands above the level by more than the uncertainty, with
/// the line through the readings that each lies on. `readings` reach back from the slice as far as the mean does, and to the
/// one after it.
pub fn over<'a>(
    watch: &Watch,
    start: Stamp,
    readings: impl Iterator<Item = &'a Reading>,
    gap_s: f64,
    mut each: impl FnMut(Over, &Line),
) {
    let oldest = -(watch.averaging_s + gap_s);
    let near: Vec<(f64, &Reading)> =
        readings.map(|one| (one.at.seconds_since(start), one)).filter(|(at, _)| *at >= oldest).collect();
    for run in near.chunk_by(|one, next| next.0 - one.0 <= gap_s) {
        // Most slices hold none: a mean lies above only where a reading does.
        if run.iter().all(|(_, one)| -(one.power_w + one.expanded_w) <= watch.level_w) {
            continue;
        }
        let line = Line::new(run.iter().map(|(at, one)| (*at, one.power_w)));
        let sure = Line::new(run.iter().map(|(at, one)| (*at, one.power_w + one.expanded_w)));
        for dip in sure.dips(watch.averaging_s, -watch.level_w, -watch.averaging_s, TICK_S) {
            let (from, to) = (dip.start.max(0.0), dip.end.min(TICK_S));
            if to > from {
                let lowest = line.lowest(watch.averaging_s, from - watch.averaging_s, to);
                let worst_w = -lowest.unwrap_or(dip.lowest);
                each(Over { from, to, worst_w, energy_ws: line.area_below(-watch.level_w, from, to) }, &line);
            }
        }
    }
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
    }

    #[test]
    fn spans_above_the_level_have_their_energy_above_it() {
        let watch = Watch {
            rule: 0,
            phase: Phase::Total,
            level_w: 100.0,
            averaging_s: 0.0,
            longest_s: 5.0,
            share: None,
        };
        let found = |expanded_w: f64| {
            let reading = |(at, power_w): (f64, f64)| Reading {
                at: Stamp::from_nanos(0) + crate::base::Span::from_seconds(at),
                power_w,
                expanded_w,
            };
            let powers = [(0.0, 0.0), (10.0, -200.0), (20.0, -200.0), (30.0, 0.0), (600.0, 0.0)];
            let readings = powers.map(reading);
            let mut found = Vec::new();
            over(&watch, Stamp::from_nanos(0), readings.iter(), 1000.0, |over, _| found.push(over));
            found
        };
        let sure = found(0.0);
        assert_eq!(sure.len(), 1);
        assert!((sure[0].from - 5.0).abs() < 1e-6 && (sure[0].to - 25.0).abs() < 1e-6);
        assert!((sure[0].energy_ws - 1500.0).abs() < 1e-6, "{sure:?}");
        assert!((sure[0].worst_w - 200.0).abs() < 1e-9);
        assert!(found(150.0).is_empty());
    }
}
