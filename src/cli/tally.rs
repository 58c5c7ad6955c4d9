//! What a live line gives while it runs, in bounded memory: counts, and the newest values of every meter.

use std::collections::BTreeMap;

use crate::base::{Phase, PointKey, Quantity};
use crate::link::{Pairer, Quality, Transaction};
use crate::profile::{Profile, Site};
use crate::reading::{CycleReader, MeterSeries, Ratios, Sample};
use crate::record::{LineInfo, MarkKind, Record};
use crate::report::table::latest;

/// The values behind a live view are let go after so many transactions, so that two weeks take no more memory than an hour.
const FRESH: usize = 10_000;

/// Counts and newest values.
pub(crate) struct Tally {
    pairer: Pairer,
    doors: Vec<String>,
    /// What the lines do, taken together.
    pub(crate) quality: Quality,
    /// How often a line was lost.
    pub(crate) lost: u64,
    /// By meter of the site.
    pub(crate) meters: Vec<Way>,
}

/// One meter.
pub(crate) struct Way {
    door: String,
    unit: u8,
    /// Its name in the site file.
    pub(crate) name: String,
    reader: CycleReader,
    settled: usize,
}

impl Tally {
    /// Nothing yet.
    pub(crate) fn new(site: &Site, profiles: &[Profile], lines: &[LineInfo]) -> Self {
        let meters = site.meters.iter().zip(profiles).map(|(meter, profile)| Way {
            door: meter.line.door.name().to_owned(),
            unit: meter.unit.unwrap_or(profile.unit),
            name: meter.name.clone(),
            reader: CycleReader::new(profile.clone(), Ratios::of(meter)),
            settled: 0,
        });
        Self {
            pairer: Pairer::new(lines),
            doors: lines.iter().map(|line| line.name.clone()).collect(),
            quality: Quality::new(lines),
            lost: 0,
            meters: meters.collect(),
        }
    }

    /// Takes what happened.
    pub(crate) fn take(&mut self, records: &[Record]) {
        let mut settled = Vec::new();
        for record in records {
            self.quality.record(record);
            self.lost += u64::from(matches!(record, Record::Mark(mark) if mark.kind == MarkKind::LineLost));
            self.pairer.push(record, &mut settled);
        }
        self.quality.pairing(&self.pairer);
        self.settle(&settled);
    }

    /// Answers that came after their question was given up.
    pub(crate) fn late(&self) -> u64 {
        self.pairer.late()
    }

    /// Nothing more will happen.
    pub(crate) fn finish(&mut self) {
        let mut settled = Vec::new();
        self.pairer.finish(&mut settled);
        self.settle(&settled);
        for meter in &mut self.meters {
            meter.reader.close();
        }
    }

    /// Takes what somebody else has paired.
    pub(crate) fn settle(&mut self, settled: &[Transaction]) {
        for transaction in settled {
            self.quality.transaction(transaction);
            let door = self.doors.get(usize::from(transaction.line));
            for meter in &mut self.meters {
                if Some(&meter.door) == door && meter.unit == transaction.asked.unit {
                    meter.take(transaction);
                }
            }
        }
    }
}

impl Way {
    fn take(&mut self, transaction: &Transaction) {
        self.settled += 1;
        if self.settled.is_multiple_of(FRESH) {
            self.reader.take_so_far();
        }
        self.reader.push(transaction);
    }

    /// Closed cycles, and those of them with an answer missing.
    pub(crate) fn cycles(&self) -> (usize, usize) {
        self.reader.cycles()
    }

    /// What has been read lately.
    pub(crate) fn series(&self) -> &MeterSeries {
        self.reader.so_far()
    }

    /// Newest values.
    pub(crate) fn latest(&self) -> BTreeMap<PointKey, Sample> {
        latest(self.series())
    }

    /// Active power of all phases together, import positive, in W.
    pub(crate) fn total_w(&self) -> Option<f64> {
        let latest = self.latest();
        let power =
            |phase| latest.get(&PointKey::Of(Quantity::ActivePower, phase)).map(|sample| sample.value);
        let by_phase: Vec<f64> = Phase::LINES.into_iter().filter_map(power).collect();
        power(Phase::Total).or_else(|| (!by_phase.is_empty()).then(|| by_phase.iter().sum()))
    }
}
