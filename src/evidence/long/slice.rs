//! Readings of a long log, cut at UTC ten-minute ticks. A slice holds everything the meters said between two ticks, with the
//! reading next to it on either side, so that what is made of it depends on nothing but the readings: not on how the log was
//! cut into files, and not on which core worked on it.

use std::collections::BTreeMap;

use crate::base::uncertain::median;
use crate::base::{PointKey, Span, Stamp};
use crate::reading::{MeterSeries, Sample, Series};

/// Length of a slice in s: the aggregation of IEC 61000-4-30 in UTC ticks of ten minutes.
pub const TICK_S: f64 = 600.0;

const TICK_NANOS: i64 = 600_000_000_000;

/// Readings closer together than this are never taken for a gap, in s (ours).
const LEAST_GAP_S: f64 = 10.0;

/// A log's readings are apart by at most this many usual spacings before it counts as a gap (ours).
const GAP_SPACINGS: f64 = 5.0;

/// An answer may come so much later than those of other meters, in s.
const GRACE_S: f64 = 60.0;

/// First instant of a tick.
pub fn tick_start(tick: i64) -> Stamp {
    Stamp::from_nanos(tick.saturating_mul(TICK_NANOS))
}

/// The tick an instant lies in.
pub fn tick_of(at: Stamp) -> i64 {
    at.nanos().div_euclid(TICK_NANOS)
}

/// What one meter said between two ticks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MeterSlice {
    /// By point, in time order.
    pub series: MeterSeries,
    /// The last reading of each point before the slice, however long ago.
    pub before: BTreeMap<PointKey, Sample>,
    /// The first one after it, where one came soon.
    pub after: BTreeMap<PointKey, Sample>,
}

/// What all meters of the site said between two ticks.
#[derive(Clone, Debug, PartialEq)]
pub struct Slice {
    /// Which: whole ten minutes since 1970.
    pub tick: i64,
    /// Readings further apart than this leave a gap, in s.
    pub gap_s: f64,
    /// Usual time between readings, in s; nothing of too few.
    pub spacing_s: Option<f64>,
    /// What was said until then is known: some time past the slice's end, or the end of the log.
    pub known_until: Stamp,
    /// In the order of the site file.
    pub meters: Vec<MeterSlice>,
}

impl MeterSlice {
    /// (Time in s since the slice began, value) of a point, with the readings next to the slice on either side.
    pub fn values(&self, key: &PointKey, start: Stamp) -> Vec<(f64, f64)> {
        let inner = self.series.points.get(key).map_or(&[][..], |series| &series.samples);
        let mut values = Vec::with_capacity(inner.len() + 2);
        let all = self.before.get(key).into_iter().chain(inner).chain(self.after.get(key));
        values.extend(all.map(|sample| (sample.at.seconds_since(start), sample.value)));
        values
    }
}

impl Slice {
    /// First and last thing said in it, in s since it began.
    pub fn extent_s(&self) -> Option<(f64, f64)> {
        let all = self.meters.iter().flat_map(|meter| meter.series.points.values());
        let times = all.flat_map(|series| {
            let samples = series.samples.first().into_iter().chain(series.samples.last());
            let absent = series.absent.first().into_iter().chain(series.absent.last());
            samples.map(|sample| sample.at).chain(absent.map(|(at, _)| *at))
        });
        let (first, last) = times.fold((None, None), |(first, last): (Option<Stamp>, Option<Stamp>), at| {
            (Some(first.map_or(at, |first| first.min(at))), last.max(Some(at)))
        });
        Some((first?.seconds_since(self.start()), last?.seconds_since(self.start())))
    }

    /// Its first instant.
    pub fn start(&self) -> Stamp {
        tick_start(self.tick)
    }
}

/// Readings in, slices out.
#[derive(Debug)]
pub struct Gather {
    meters: Vec<Waiting>,
    /// Latest reading of any meter.
    latest: Option<Stamp>,
    /// Found in the first slice that has enough readings.
    spacing_s: Option<f64>,
}

#[derive(Debug, Default)]
struct Waiting {
    series: MeterSeries,
    last: BTreeMap<PointKey, Sample>,
}

impl Gather {
    /// For so many meters.
    pub fn new(meters: usize) -> Self {
        let meters = (0..meters).map(|_| Waiting::default()).collect();
        Self { meters, latest: None, spacing_s: None }
    }

    /// Takes what a meter said next. Pieces may be of any length.
    pub fn push(&mut self, meter: usize, piece: MeterSeries) {
        let Some(waiting) = self.meters.get_mut(meter) else { return };
        for (key, mut series) in piece.points {
            let last = series.samples.iter().map(|sample| sample.at).max();
            let last = last.max(series.absent.iter().map(|(at, _)| *at).max());
            self.latest = self.latest.max(last);
            match waiting.series.points.get_mut(&key) {
                None => {
                    waiting.series.points.insert(key, series);
                }
                Some(here) => {
                    here.samples.append(&mut series.samples);
                    here.absent.append(&mut series.absent);
                }
            }
        }
    }

    /// The slices that nothing more can come for.
    pub fn ready(&mut self) -> Vec<Slice> {
        let mut slices = Vec::new();
        while let (Some(tick), Some(latest)) = (self.first_tick(), self.latest) {
            if latest.seconds_since(tick_start(tick + 1)) < self.grace_s() {
                break;
            }
            slices.push(self.cut(tick));
        }
        slices
    }

    /// Everything that is left.
    pub fn finish(mut self) -> Vec<Slice> {
        let mut slices = Vec::new();
        while let Some(tick) = self.first_tick() {
            slices.push(self.cut(tick));
        }
        slices
    }

    fn grace_s(&self) -> f64 {
        GRACE_S.max(self.spacing_s.map_or(0.0, gap_of))
    }

    fn first_tick(&self) -> Option<i64> {
        let series = self.meters.iter().flat_map(|meter| meter.series.points.values());
        let first = series.flat_map(|series| {
            let sample = series.samples.first().map(|sample| sample.at);
            sample.into_iter().chain(series.absent.first().map(|(at, _)| *at))
        });
        first.min().map(tick_of)
    }

    fn cut(&mut self, tick: i64) -> Slice {
        let end = tick_start(tick + 1);
        // The same whether more has come already or not.
        let known = end + Span::from_seconds(self.grace_s());
        let known_until = self.latest.map_or(known, |latest| latest.min(known));
        let meters: Vec<MeterSlice> = self.meters.iter_mut().map(|waiting| waiting.cut(end)).collect();
        if self.spacing_s.is_none() {
            self.spacing_s = spacing(&meters);
        }
        Slice {
            tick,
            gap_s: self.spacing_s.map_or(LEAST_GAP_S, gap_of),
            spacing_s: self.spacing_s,
            known_until,
            meters,
        }
    }
}

impl Waiting {
    fn cut(&mut self, end: Stamp) -> MeterSlice {
        let mut slice = MeterSlice { before: self.last.clone(), ..MeterSlice::default() };
        for (key, waiting) in &mut self.series.points {
            waiting.samples.sort_by_key(|sample| sample.at);
            waiting.absent.sort_by_key(|(at, _)| *at);
            let rest = waiting.samples.split_off(waiting.samples.partition_point(|sample| sample.at < end));
            let mut samples = std::mem::replace(&mut waiting.samples, rest);
            // One value for an instant, and none that comes after its time is over.
            samples.dedup_by_key(|sample| sample.at);
            if let Some(last) = self.last.get(key) {
                samples.retain(|sample| sample.at > last.at);
            }
            let rest = waiting.absent.split_off(waiting.absent.partition_point(|(at, _)| *at < end));
            let absent = std::mem::replace(&mut waiting.absent, rest);
            if let Some(next) = waiting.samples.first() {
                slice.after.insert(key.clone(), *next);
            }
            if let Some(last) = samples.last() {
                self.last.insert(key.clone(), *last);
            }
            if !samples.is_empty() || !absent.is_empty() {
                slice.series.points.insert(key.clone(), Series { samples, absent });
            }
        }
        slice
    }
}

/// Longest time between readings that is no gap.
fn gap_of(spacing_s: f64) -> f64 {
    LEAST_GAP_S.max(GAP_SPACINGS * spacing_s)
}

/// Usual time between the readings of the point read most often; nothing of fewer than twenty.
fn spacing(meters: &[MeterSlice]) -> Option<f64> {
    let all = meters.iter().flat_map(|meter| meter.series.points.values());
    let most = all.max_by_key(|series| series.samples.len()).filter(|series| series.samples.len() > 20)?;
    let steps: Vec<f64> = most.samples.windows(2).map(|pair| pair[1].at.seconds_since(pair[0].at)).collect();
    Some(median(&steps))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::{Phase, Quantity};

    const KEY: PointKey = PointKey::Of(Quantity::ActivePower, Phase::Total);

    fn piece(from: i64, to: i64) -> MeterSeries {
        let sample = |second: i64| Sample {
            at: Stamp::from_nanos(0) + Span::from_millis(second * 1000),
            value: second as f64,
        };
        let series = Series { samples: (from..to).map(sample).collect(), absent: Vec::new() };
        MeterSeries { points: [(KEY, series)].into() }
    }

    fn cut_into(lengths: &[i64]) -> Vec<Slice> {
        let mut gather = Gather::new(1);
        let (mut slices, mut from) = (Vec::new(), 100);
        for length in lengths.iter().cycle() {
            gather.push(0, piece(from, (from + length).min(3700)));
            slices.extend(gather.ready());
            from += length;
            if from >= 3700 {
                break;
            }
        }
        slices.extend(gather.finish());
        slices
    }

    #[test]
    fn slices_do_not_depend_on_how_the_readings_came() {
        let whole = cut_into(&[3600]);
        assert_eq!(whole.iter().map(|slice| slice.tick).collect::<Vec<_>>(), [0, 1, 2, 3, 4, 5, 6]);
        assert_eq!(whole[1].meters[0].series.points[&KEY].samples.len(), 600);
        let values = whole[1].meters[0].values(&KEY, whole[1].start());
        assert_eq!((values[0], values[601]), ((-1.0, 599.0), (600.0, 1200.0)));
        for lengths in [&[1][..], &[7, 613], &[599, 601, 3]] {
            assert_eq!(cut_into(lengths), whole, "{lengths:?}");
        }
    }

    #[test]
    fn nights_without_a_reading_make_no_slices() {
        let mut gather = Gather::new(1);
        gather.push(0, piece(0, 50));
        gather.push(0, piece(86_400, 86_450));
        let slices = gather.finish();
        assert_eq!(slices.iter().map(|slice| slice.tick).collect::<Vec<_>>(), [0, 144]);
        assert_eq!(slices[1].meters[0].before[&KEY].value, 49.0);
    }
}
