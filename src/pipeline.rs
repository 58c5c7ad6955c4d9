//! Floor 9: joins the floors. Records in, a case out; no I/O. Live runs push records as they come, replays push those of
//! a capture: the code is the same, so the case is.

use crate::base::{Failure, Stamp};
use crate::evidence::{Binding, Case, MeterCase};
use crate::link::Transaction;
use crate::link::pair::Pairer;
use crate::profile::{Profile, Site};
use crate::reading::{CycleReader, Ratios};
use crate::record::{LineInfo, Mark, MarkKind, Record};

pub mod edit;
pub mod long;
pub mod runs;
pub mod texts;

pub use runs::{CheckRun, check_runs};
pub use texts::{Overrides, Text, site_and_profiles};

/// One meter's way from transactions to series.
#[derive(Debug)]
struct MeterWay {
    /// The lines it may hang on, by index.
    lines: Vec<bool>,
    unit: u8,
    reader: CycleReader,
}

/// Records in, a case out.
#[derive(Debug)]
pub struct Pipeline {
    site: Site,
    profiles: Vec<Profile>,
    pairer: Pairer,
    meters: Vec<MeterWay>,
    marks: Vec<Mark>,
    transactions: Vec<Transaction>,
    span: Option<(Stamp, Stamp)>,
}

impl Pipeline {
    /// For a site, the profiles of its meters in the same order, and the lines that records will come from.
    pub fn new(site: Site, profiles: Vec<Profile>, lines: &[LineInfo]) -> Self {
        let places = places(&site, lines);
        let meters =
            site.meters.iter().zip(&profiles).zip(places).map(|((meter, profile), lines)| MeterWay {
                lines,
                unit: meter.unit.unwrap_or(profile.unit),
                reader: CycleReader::new(profile.clone(), Ratios::of(meter)),
            });
        let meters = meters.collect();
        let (marks, transactions) = (Vec::new(), Vec::new());
        Self { site, profiles, pairer: Pairer::new(lines), meters, marks, transactions, span: None }
    }

    /// Takes the next record, in time order.
    pub fn push(&mut self, record: &Record) {
        if !matches!(record, Record::Mark(mark) if mark.kind == MarkKind::Verdict) {
            let at = record.at();
            self.span = Some(self.span.map_or((at, at), |(first, last)| (first.min(at), last.max(at))));
        }
        if let Record::Mark(mark) = record {
            self.marks.push((**mark).clone());
        }
        let mut settled = Vec::new();
        self.pairer.push(record, &mut settled);
        self.take(settled);
    }

    fn take(&mut self, settled: Vec<Transaction>) {
        for transaction in settled {
            for meter in &mut self.meters {
                let here = meter.lines.get(usize::from(transaction.line)).copied().unwrap_or(false);
                if here && meter.unit == transaction.asked.unit {
                    meter.reader.push(&transaction);
                }
            }
            self.transactions.push(transaction);
        }
    }

    /// Every transaction settled so far, in the order they were settled.
    pub fn transactions(&self) -> &[Transaction] {
        &self.transactions
    }

    /// The case as it stands, the cycle in progress left out: for prompts and live views, never for a verdict.
    pub fn so_far(&self) -> Case {
        let series = self.meters.iter().map(|meter| meter.reader.so_far().clone());
        assemble(&self.site, &self.profiles, series, self.marks.clone(), self.span)
    }

    /// Everything, once no more records come.
    pub fn finish(mut self) -> (Case, Vec<Transaction>) {
        let mut settled = Vec::new();
        self.pairer.finish(&mut settled);
        self.take(settled);
        let series = self.meters.into_iter().map(|meter| meter.reader.finish());
        let case = assemble(&self.site, &self.profiles, series, self.marks, self.span);
        (case, self.transactions)
    }
}

fn assemble(
    site: &Site,
    profiles: &[Profile],
    series: impl Iterator<Item = crate::reading::MeterSeries>,
    mut marks: Vec<Mark>,
    span: Option<(Stamp, Stamp)>,
) -> Case {
    let meters = site.meters.iter().zip(profiles).zip(series);
    let meters = meters
        .map(|((meter, profile), series)| MeterCase {
            meter: meter.clone(),
            profile: profile.clone(),
            series,
        })
        .collect();
    marks.sort_by_key(|mark| mark.at);
    let shared_line = check_runs(&marks, span).iter().any(|run| run.has("--share-line"));
    Case { site: site.clone(), meters, marks, span, binding: Binding { shared_line, ..Binding::default() } }
}

/// Which lines each meter may hang on: those of its name (a server that several clients asked has one for each); else,
/// where the capture calls its lines otherwise, distinct doors of the site go to unclaimed names in order. With a single
/// name nothing needs to agree.
fn places(site: &Site, lines: &[LineInfo]) -> Vec<Vec<bool>> {
    let mut names: Vec<&str> = Vec::new();
    for line in lines {
        if !names.contains(&line.name.as_str()) {
            names.push(&line.name);
        }
    }
    let doors: Vec<&str> = site.meters.iter().map(|meter| meter.line.door.name()).collect();
    let mut free = names.iter().filter(|name| !doors.contains(name));
    let mut given: Vec<(&str, Option<&str>)> = Vec::new();
    let places = doors.iter().map(|door| {
        let name = if names.len() == 1 {
            names.first().copied()
        } else if names.contains(door) {
            Some(*door)
        } else if let Some((_, name)) = given.iter().find(|(known, _)| known == door) {
            *name
        } else {
            let name = free.next().copied();
            given.push((door, name));
            name
        };
        lines.iter().map(|line| Some(line.name.as_str()) == name).collect()
    });
    places.collect()
}

/// All records of one or more captures in time order, and the case they make.
///
/// # Errors
/// Texts that cannot be used, or that no capture and no option gives.
pub fn replay(lines: &[LineInfo], records: &[Record], overrides: &Overrides) -> Result<Replayed, Failure> {
    let marks = records.iter().filter_map(|record| match record {
        Record::Mark(mark) => Some(&**mark),
        _ => None,
    });
    let (site, profiles, warnings) = site_and_profiles(marks, overrides)?;
    let mut pipeline = Pipeline::new(site, profiles, lines);
    for record in records {
        pipeline.push(record);
    }
    let (case, transactions) = pipeline.finish();
    Ok(Replayed { case, transactions, warnings })
}

/// What a replay gives.
#[derive(Debug)]
pub struct Replayed {
    /// Everything the checks may look at.
    pub case: Case,
    /// Every request with what came of it.
    pub transactions: Vec<Transaction>,
    /// Warnings about the site and profile files.
    pub warnings: Vec<crate::base::Faults>,
}
