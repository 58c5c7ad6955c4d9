//! Silence of a meter: asked, and no reading for longer than a gap. A meter that nobody asked was not silent, and one that
//! never gave a reading has never been heard: of both this log can't tell.

use super::plan::Plan;
use super::slice::{Slice, TICK_S};
use crate::base::{Phase, Span, Stamp};

/// After a steering meter's silence the plant needs so long to come down again, in s (ours).
const AFTER_SILENCE_S: f64 = 30.0;

/// A time without readings of a meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Silent {
    /// Which meter, by its place in the site file.
    pub meter: usize,
    /// Last reading before.
    pub from: Stamp,
    /// First reading after; the end of the log where none came.
    pub to: Stamp,
    /// When it was first asked in vain; nothing where nobody asked it.
    pub asked: Option<Stamp>,
    /// Export of the main meter in that time, in W; just before it where that was silent too.
    pub export_w: Option<f64>,
}

/// Follows one meter through the slices.
#[derive(Clone, Debug)]
pub struct Quiet {
    meter: usize,
    last: Option<Stamp>,
    asked: Option<Stamp>,
    /// Silences with a question in them, lengthened by what the plant needs to come down: the latest.
    spans: Vec<(Stamp, Stamp)>,
}

impl Quiet {
    /// Of this meter, nothing heard yet.
    pub const fn new(meter: usize) -> Self {
        Self { meter, last: None, asked: None, spans: Vec::new() }
    }

    /// Takes the next slice; gives the silences that ended in it. `oldest` is the earliest instant that is still looked at.
    pub fn take(&mut self, plan: &Plan, slice: &Slice, oldest: Stamp) -> Vec<Silent> {
        self.spans.retain(|(_, to)| *to >= oldest && *to < Stamp::from_nanos(i64::MAX));
        let mut ended = Vec::new();
        let end = slice.start() + Span::from_seconds(TICK_S);
        let key = plan
            .power_key(self.meter, Phase::Total)
            .or_else(|| plan.site.lines().iter().find_map(|line| plan.power_key(self.meter, *line)));
        let Some((of, key)) = slice.meters.get(self.meter).zip(key) else { return ended };
        let (samples, absent) =
            of.series.points.get(&key).map_or((&[][..], &[][..]), |one| (&one.samples[..], &one.absent[..]));
        let mut absent = absent.iter().map(|(at, _)| *at).peekable();
        for sample in samples.iter().chain(of.after.get(&key)) {
            while let Some(at) = absent.next_if(|at| *at < sample.at) {
                self.asked = self.asked.or(Some(at));
            }
            if let Some(last) = self.last.filter(|last| sample.at.seconds_since(*last) > slice.gap_s) {
                if let Some(asked) = self.asked {
                    self.spans.push((asked, sample.at + Span::from_seconds(AFTER_SILENCE_S)));
                }
                // What ends after the slice is the next one's.
                if sample.at < end {
                    let asked = self.asked;
                    ended.push(Silent {
                        meter: self.meter,
                        from: last,
                        to: sample.at,
                        asked,
                        export_w: None,
                    });
                }
            }
            if sample.at < end {
                (self.last, self.asked) = (Some(sample.at), None);
            }
        }
        let rest = absent.next();
        if !of.after.contains_key(&key) {
            self.asked = self.asked.or(rest);
            // No reading for so long that a gap is certain, and none yet.
            let open = self.last.is_some_and(|last| slice.known_until.seconds_since(last) > slice.gap_s);
            if let Some(asked) = self.asked.filter(|_| open) {
                self.spans.push((asked, Stamp::from_nanos(i64::MAX)));
            }
        }
        ended
    }

    /// The silence in which the log ends, if it does.
    pub fn finish(&self, end: Stamp, gap_s: f64) -> Option<Silent> {
        let from = self.last.filter(|last| end.seconds_since(*last) > gap_s)?;
        Some(Silent { meter: self.meter, from, to: end, asked: self.asked, export_w: None })
    }

    /// Whether it was ever heard.
    pub const fn heard(&self) -> bool {
        self.last.is_some()
    }

    /// Parts of a time in which the meter was asked and silent, or had just been.
    pub fn within(&self, from: Stamp, to: Stamp) -> impl Iterator<Item = (Stamp, Stamp)> + '_ {
        let mut done = from;
        self.spans.iter().filter_map(move |(start, end)| {
            let part = ((*start).max(done), (*end).min(to));
            done = done.max(part.1);
            (part.0 < part.1).then_some(part)
        })
    }
}
