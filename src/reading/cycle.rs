//! Transactions to readings. A poll cycle is closed by one rule for all sources: when a request repeats. What a cycle's
//! answers hold is decoded together, each value with the time of the answer that gave it.

use std::collections::BTreeMap;

use super::decode::{Ratios, decode};
use super::series::{Absent, MeterSeries, Sample, Series};
use crate::base::{Phase, PointKey, Quantity, Span, Stamp};
use crate::link::{Asked, Outcome, Transaction};
use crate::profile::{Point, Profile, Registers, Source, Table};

/// Exponent and factor registers may come from an earlier cycle this much older: they are settings, not measurements.
const AUXILIARY_AGE: Span = Span::from_millis(60_000);

/// One answer of the cycle.
#[derive(Clone, Debug)]
struct Answer {
    at: Stamp,
    run: Registers,
    words: Vec<u16>,
}

/// What was asked, when, and what it gave.
type Request = (Stamp, Asked, Result<Answer, Absent>);

/// A value with its time, or why there is none and since when.
type Value = Result<Sample, (Stamp, Absent)>;

impl Answer {
    fn part(&self, run: Registers) -> Option<Vec<u16>> {
        let start = usize::from(run.address.checked_sub(self.run.address)?);
        (run.table == self.run.table)
            .then(|| self.words.get(start..start + usize::from(run.count)).map(<[u16]>::to_vec))
            .flatten()
    }
}

/// Turns one meter's transactions into series, cycle by cycle.
#[derive(Clone, Debug)]
pub struct CycleReader {
    profile: Profile,
    ratios: Ratios,
    asked: Vec<Request>,
    auxiliary: BTreeMap<Registers, (Stamp, Vec<u16>)>,
    series: MeterSeries,
    cycles: usize,
    partial: usize,
}

impl CycleReader {
    /// For a meter with this profile.
    pub fn new(profile: Profile, ratios: Ratios) -> Self {
        let (asked, auxiliary) = (Vec::new(), BTreeMap::new());
        Self { profile, ratios, asked, auxiliary, series: MeterSeries::default(), cycles: 0, partial: 0 }
    }

    /// Takes the next transaction with this meter, in time order. Functions other than 3 and 4 are passed over.
    pub fn push(&mut self, transaction: &Transaction) {
        let table = match transaction.asked.function {
            3 => Table::Holding,
            4 => Table::Input,
            _ => return,
        };
        if transaction.outcome == Outcome::Open {
            return;
        }
        if self.asked.iter().any(|(_, asked, _)| *asked == transaction.asked) {
            self.close();
        }
        let run = Registers { table, address: transaction.asked.address, count: transaction.asked.count };
        let result = match (&transaction.outcome, transaction.registers()) {
            (Outcome::Answer { at, .. }, Some(words)) => Ok(Answer { at: *at, run, words }),
            (Outcome::Answer { .. }, None) if transaction.suspect => Err(Absent::Suspect),
            (Outcome::Exception { code, .. }, _) => Err(Absent::Exception(*code)),
            _ => Err(Absent::NoAnswer),
        };
        self.asked.push((transaction.asked_at, transaction.asked.clone(), result));
    }

    /// Decodes what the open cycle holds and begins a new one. Called by itself when a request repeats.
    pub fn close(&mut self) {
        if self.asked.is_empty() {
            return;
        }
        let asked = std::mem::take(&mut self.asked);
        self.cycles += 1;
        self.partial += usize::from(asked.iter().any(|(_, _, result)| result.is_err()));
        let mut values: BTreeMap<PointKey, Value> = BTreeMap::new();
        for point in self.profile.points.iter().chain(&self.profile.settings) {
            // Another master may read overlapping ranges, and ours parts of one to tell answers apart: every answer that
            // holds the point counts, and a point that one of them gave is not absent.
            let (good, bad): (Vec<Value>, Vec<Value>) =
                self.values_of(point, &asked).into_iter().partition(Result::is_ok);
            let mut found = good.into_iter().chain(bad.into_iter().take(1));
            if let Some(first) = found.next() {
                values.insert(point.key.clone(), first);
                let key = || point.key.clone();
                found.flatten().for_each(|sample| note(&mut self.series, key(), Ok(sample)));
            }
        }
        // A sum may have a difference among its parts.
        self.add_differences(&asked, &mut values);
        self.add_sums(&mut values);
        for (key, value) in values {
            note(&mut self.series, key, value);
        }
        for (_, _, result) in &asked {
            if let Ok(answer) = result {
                for run in self.auxiliary_runs() {
                    if let Some(words) = answer.part(run) {
                        self.auxiliary.insert(run, (answer.at, words));
                    }
                }
            }
        }
    }

    /// Closes the open cycle and gives everything, in time order.
    pub fn finish(mut self) -> MeterSeries {
        self.close();
        for series in self.series.points.values_mut() {
            order(series);
        }
        self.series
    }

    /// What has been read so far, the open cycle left out.
    pub fn so_far(&self) -> &MeterSeries {
        &self.series
    }

    /// What has been read so far, given away: a reader of a long log is emptied now and then. The open cycle stays.
    pub fn take_so_far(&mut self) -> MeterSeries {
        std::mem::take(&mut self.series)
    }

    /// Closed cycles, and those of them with an answer missing.
    pub fn cycles(&self) -> (usize, usize) {
        (self.cycles, self.partial)
    }

    fn auxiliary_runs(&self) -> Vec<Registers> {
        let points = self.profile.points.iter().chain(&self.profile.settings);
        points.flat_map(|point| point.exponent_at.into_iter().chain(point.multiply_at)).collect()
    }

    /// One for each request of the cycle that covers the point; none where it was not asked for.
    fn values_of(&self, point: &Point, asked: &[Request]) -> Vec<Value> {
        let Source::Registers { at: own, .. } = &point.source else { return Vec::new() };
        let covering = asked.iter().filter(|(_, asked, _)| covers(asked, *own));
        covering
            .map(|(asked_at, _, result)| match result {
                Ok(answer) => self.decode_from(point, answer, asked),
                Err(why) => Err((*asked_at, *why)),
            })
            .collect()
    }

    fn decode_from(&self, point: &Point, answer: &Answer, asked: &[Request]) -> Value {
        let fetch = |run: Registers| {
            let mut answers = asked.iter().filter_map(|(_, _, result)| result.as_ref().ok());
            let fresh = answer.part(run).or_else(|| answers.find_map(|answer| answer.part(run)));
            fresh.or_else(|| {
                // A direction flag must come with its power; only exponents and factors may be older.
                if point.direction.is_some_and(|flag| flag.register == run) {
                    return None;
                }
                let (at, words) = self.auxiliary.get(&run)?;
                (answer.at - *at <= AUXILIARY_AGE).then(|| words.clone())
            })
        };
        match decode(point, self.ratios, &fetch) {
            Ok(value) => Ok(Sample { at: answer.at, value }),
            Err(why) => Err((answer.at, why)),
        }
    }

    /// Points that are sums of others; a sum may use a sum that stands before it.
    fn add_sums(&self, values: &mut BTreeMap<PointKey, Value>) {
        for point in &self.profile.points {
            let Source::Sum(parts) = &point.source else { continue };
            let found: Vec<_> = parts.iter().map(|part| values.get(part).copied()).collect();
            let Some(first) = found.iter().flatten().next() else { continue };
            let at = match first {
                Ok(sample) => sample.at,
                Err((at, _)) => *at,
            };
            let sum = found.iter().try_fold((at, 0.0), |(latest, sum), part| match part {
                Some(Ok(sample)) => Ok((latest.max(sample.at), sum + sample.value)),
                _ => Err((at, Absent::Incomplete)),
            });
            let value = sum.and_then(|(at, sum)| {
                let value = sum * point.scale;
                let shown = value / point.unit.map_or(1.0, |unit| unit.factor);
                match point.valid {
                    Some((low, high)) if shown < low || shown > high => Err((at, Absent::Invalid)),
                    _ => Ok(Sample { at, value }),
                }
            });
            values.insert(point.key.clone(), value);
        }
    }

    /// Active power from a pair of one-way powers, where one request gave both.
    fn add_differences(&self, asked: &[Request], values: &mut BTreeMap<PointKey, Value>) {
        for power in derived_powers(&self.profile) {
            let PointKey::Of(_, phase) = power else { continue };
            let import = PointKey::Of(Quantity::ActivePowerImport, phase);
            let export = PointKey::Of(Quantity::ActivePowerExport, phase);
            let both = (self.profile.point(&import), self.profile.point(&export));
            let (Some(import_point), Some(export_point)) = both else { continue };
            let one_request = asked.iter().any(|(_, asked, _)| {
                let needs = import_point.needs().into_iter().chain(export_point.needs());
                needs.into_iter().all(|run| covers(asked, run))
            });
            let value = match (values.get(&import), values.get(&export)) {
                (Some(Ok(import)), Some(Ok(export))) if one_request && import.at == export.at => {
                    Ok(Sample { at: import.at, value: import.value - export.value })
                }
                (Some(Ok(sample)), _) | (_, Some(Ok(sample))) => Err((sample.at, Absent::Incomplete)),
                (Some(Err(absent)), _) | (_, Some(Err(absent))) => Err(*absent),
                (None, None) => continue,
            };
            values.insert(power, value);
        }
    }
}

/// The active powers that this profile gives as a pair of one-way powers, without a point of their own.
pub fn derived_powers(profile: &Profile) -> Vec<PointKey> {
    let has = |quantity, phase| profile.point(&PointKey::Of(quantity, phase)).is_some();
    let pairs = Phase::ALL.into_iter().filter(|phase| {
        has(Quantity::ActivePowerImport, *phase)
            && has(Quantity::ActivePowerExport, *phase)
            && !has(Quantity::ActivePower, *phase)
    });
    pairs.map(|phase| PointKey::Of(Quantity::ActivePower, phase)).collect()
}

fn note(series: &mut MeterSeries, key: PointKey, value: Value) {
    let series = series.points.entry(key).or_default();
    match value {
        Ok(sample) => series.samples.push(sample),
        Err(absent) => series.absent.push(absent),
    }
}

fn covers(asked: &Asked, run: Registers) -> bool {
    asked.function == run.table.function()
        && asked.address <= run.address
        && u32::from(run.address) + u32::from(run.count) <= u32::from(asked.address) + u32::from(asked.count)
}

/// Time order, one value for an instant (the first kept).
fn order(series: &mut Series) {
    series.samples.sort_by_key(|sample| sample.at);
    series.samples.dedup_by_key(|sample| sample.at);
    series.absent.sort_by_key(|(at, _)| *at);
}

#[cfg(test)]
mod tests;
