//! Weeks of log: entries of captures in, slices out, with no more in memory than the readings of some minutes. Framing and
//! pairing go on from file to file, as if the log had never been cut.

use super::{MeterWay, places};
use crate::base::Stamp;
use crate::check::review::LineBody;
use crate::evidence::long::{Gather, Slice};
use crate::link::{Pairer, Transaction};
use crate::profile::{Profile, Site};
use crate::reading::{CycleReader, MeterSeries, Ratios};
use crate::record::{Entry, Framer, LineInfo, MarkKind, Record};

/// Readings are handed on after so many transactions.
const HAND_ON: usize = 512;

/// Entries in, slices out.
#[derive(Debug)]
pub struct LongPipeline {
    site: Site,
    lines: Vec<LineInfo>,
    framers: Vec<Framer>,
    pairer: Pairer,
    meters: Vec<MeterWay>,
    gather: Gather,
    records: Vec<Record>,
    settled: Vec<Transaction>,
    waiting: usize,
    counts: LineBody,
    span: Option<(Stamp, Stamp)>,
}

impl LongPipeline {
    /// For a site and the profiles of its meters.
    pub fn new(site: &Site, profiles: &[Profile]) -> Self {
        let meters = site.meters.iter().zip(profiles).map(|(meter, profile)| MeterWay {
            lines: Vec::new(),
            unit: meter.unit.unwrap_or(profile.unit),
            reader: CycleReader::new(profile.clone(), Ratios::of(meter)),
        });
        Self {
            lines: Vec::new(),
            framers: Vec::new(),
            pairer: Pairer::new(&[]),
            meters: meters.collect(),
            gather: Gather::new(site.meters.len()),
            site: site.clone(),
            records: Vec::new(),
            settled: Vec::new(),
            waiting: 0,
            counts: LineBody::default(),
            span: None,
        }
    }

    /// The lines of a file, by their index here: a line known from an earlier file goes on, whatever its number there.
    pub fn lines(&mut self, lines: &[LineInfo]) -> Vec<u16> {
        let mut taken: Vec<u16> = Vec::new();
        for line in lines {
            let mut known = (0u16..).zip(&self.lines).filter(|(_, known)| *known == line);
            let place = known.find(|(index, _)| !taken.contains(index)).map(|(index, _)| index);
            let place = place.unwrap_or_else(|| {
                let index = self.lines.len() as u16;
                self.lines.push(line.clone());
                self.framers.push(Framer::new(index, line.medium, line.baud));
                self.pairer.add(line);
                index
            });
            taken.push(place);
        }
        for (meter, lines) in self.meters.iter_mut().zip(places(&self.site, &self.lines)) {
            meter.lines = lines;
        }
        taken
    }

    /// Takes the next entry, its line numbered as `lines` gave it.
    pub fn push(&mut self, entry: &Entry) {
        match entry {
            Entry::Chunk(chunk) => {
                self.span =
                    Some(self.span.map_or((chunk.at, chunk.at), |(first, last)| {
                        (first.min(chunk.at), last.max(chunk.at))
                    }));
                if let Some(framer) = self.framers.get_mut(usize::from(chunk.line)) {
                    framer.push(chunk, &mut self.records);
                }
            }
            Entry::Mark(mark) => {
                if mark.kind == MarkKind::LineLost {
                    // What comes after continues nothing that came before.
                    for (framer, line) in self.framers.iter_mut().zip(&self.lines) {
                        if mark.line.as_ref().is_none_or(|name| *name == line.name) {
                            framer.finish(&mut self.records);
                        }
                    }
                    self.records.push(Record::Mark(mark.clone()));
                }
            }
        }
        for record in self.records.drain(..) {
            self.pairer.push(&record, &mut self.settled);
        }
        self.take();
    }

    fn take(&mut self) {
        for transaction in self.settled.drain(..) {
            self.counts.take(&transaction.outcome);
            self.waiting += 1;
            for meter in &mut self.meters {
                let here = meter.lines.get(usize::from(transaction.line)).copied().unwrap_or(false);
                if here && meter.unit == transaction.asked.unit {
                    meter.reader.push(&transaction);
                }
            }
        }
    }

    /// Slices that nothing more can come for.
    pub fn ready(&mut self) -> Vec<Slice> {
        if self.waiting < HAND_ON {
            return Vec::new();
        }
        self.waiting = 0;
        for (index, meter) in self.meters.iter_mut().enumerate() {
            self.gather.push(index, meter.reader.take_so_far());
        }
        self.gather.ready()
    }

    /// What each meter has read in cycles closed since this was asked, in place of slices.
    pub fn take_series(&mut self) -> Vec<MeterSeries> {
        self.meters.iter_mut().map(|meter| meter.reader.take_so_far()).collect()
    }

    /// The rest of it, once no entry follows.
    pub fn finish_series(mut self) -> Vec<MeterSeries> {
        self.settle();
        self.meters.into_iter().map(|meter| meter.reader.finish()).collect()
    }

    /// First and last thing on a line.
    pub fn span(&self) -> Option<(Stamp, Stamp)> {
        self.span
    }

    /// The rest, once no entry follows.
    pub fn finish(mut self) -> (Vec<Slice>, LineBody) {
        self.settle();
        for (index, meter) in self.meters.into_iter().enumerate() {
            self.gather.push(index, meter.reader.finish());
        }
        (self.gather.finish(), self.counts)
    }

    /// The lines have ended.
    fn settle(&mut self) {
        for framer in &mut self.framers {
            framer.finish(&mut self.records);
        }
        for record in self.records.drain(..) {
            self.pairer.push(&record, &mut self.settled);
        }
        self.pairer.finish(&mut self.settled);
        self.take();
    }
}
