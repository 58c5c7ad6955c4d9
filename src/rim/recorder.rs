//! The thread that writes the capture: what a line did is written first, then handed on. Marks, clock marks and line marks
//! take their place among the records, so that a replay sees them in the order the live run did.

use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender};
use std::time::Duration;

use super::clock::{Clock, ClockWatch};
use super::drive::Event;
use super::pump::Said;
use super::segments::Segments;
use super::store::{ClosedCapture, Store};
use crate::base::{Failure, Span, Stamp};
use crate::record::write::CaptureWriter;
use crate::record::{LineInfo, Mark, MarkKind, Record};

/// How often the disk is asked to keep what it has, and the clocks are compared.
const SECOND: Span = Span::from_millis(1000);

/// What comes in.
#[derive(Debug)]
pub(super) enum Entry {
    /// A line did something.
    Said(Said),
    /// Somebody noted something.
    Mark(Mark),
    /// Say when everything before this is written.
    Flush(Sender<()>),
    /// A line's thread came to a bad end.
    Failed(Failure),
}

/// Writes and hands on.
pub(super) struct Recorder {
    clock: Clock,
    lines: Vec<LineInfo>,
    writer: CaptureWriter,
    store: Store,
    events: Sender<Event>,
    watch: ClockWatch,
    looked_at: Stamp,
    failed: Option<Failure>,
    open_lines: Vec<bool>,
    /// The series this capture is a segment of, with what each of them begins with.
    series: Option<(Segments, Vec<Mark>)>,
}

impl Recorder {
    /// Begins the capture: header, the mark of the clock, and these first marks.
    pub(super) fn begin(
        clock: Clock,
        lines: Vec<LineInfo>,
        store: Store,
        first: Vec<Mark>,
        events: Sender<Event>,
        segments: Option<Segments>,
    ) -> Result<Self, Failure> {
        let now = clock.now();
        let (watch, clock_mark) = ClockWatch::start(now, clock.system_ahead());
        let writer = writer(&lines, segments.as_ref());
        let open_lines = vec![true; lines.len()];
        let series = segments.map(|segments| (segments, first.clone()));
        let (looked_at, failed) = (now, None);
        let mut recorder =
            Self { clock, lines, writer, store, events, watch, looked_at, failed, open_lines, series };
        for block in recorder.writer.header() {
            recorder.store.append(&block)?;
        }
        let marks =
            std::iter::once(clock_mark).chain(first).map(|mark| Record::Mark(Box::new(mark))).collect();
        recorder.record(marks);
        recorder.store.name()?;
        recorder.failed.clone().map_or(Ok(recorder), Err)
    }

    /// Runs until nobody can say anything any more, then closes the capture.
    pub(super) fn run(mut self, entries: &Receiver<Entry>) -> Result<ClosedCapture, Failure> {
        loop {
            let left = (self.looked_at + SECOND - self.clock.now()).max(Span::ZERO);
            match entries.recv_timeout(Duration::from_nanos(left.nanos() as u64)) {
                Ok(entry) => self.take(entry),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            self.look_when_due();
        }
        self.close()
    }

    /// Writes records without a thread of its own, for lines that are opened one after the other.
    pub(super) fn keep(&mut self, records: Vec<Record>) -> Result<(), Failure> {
        self.record(records);
        self.look_when_due();
        self.failed.clone().map_or(Ok(()), Err)
    }

    /// The clock's last mark, and the end.
    pub(super) fn close(mut self) -> Result<ClosedCapture, Failure> {
        let now = self.clock.now();
        let mark = self.watch.end(now, self.clock.system_ahead());
        self.record(vec![Record::Mark(Box::new(mark))]);
        let closed = match self.series {
            Some((segments, _)) => segments.finish(self.store),
            None => self.store.close(),
        };
        self.failed.map_or(closed, Err)
    }

    fn look_when_due(&mut self) {
        if self.clock.now() - self.looked_at >= SECOND {
            self.look();
        }
    }

    fn look(&mut self) {
        let now = self.clock.now();
        self.looked_at = now;
        if let Some(mark) = self.watch.look(now, self.clock.system_ahead()) {
            self.record(vec![Record::Mark(Box::new(mark))]);
        }
        if let Err(failure) = self.store.sync() {
            self.fail(failure);
        }
        while let Some(trouble) = self.series.as_mut().and_then(|(segments, _)| segments.trouble()) {
            self.record(vec![Record::Mark(Box::new(Mark::new(now, MarkKind::Note, &trouble.message)))]);
            self.tell(Event::Trouble(trouble));
        }
        let due = self.series.as_ref().is_some_and(|(segments, _)| segments.due(now, self.store.length()));
        if due
            && self.failed.is_none()
            && let Err(failure) = self.next_segment(now)
        {
            self.fail(failure);
        }
    }

    /// Ends the segment and begins the next: complete on its own, with the clock, the site and the profiles at its head.
    fn next_segment(&mut self, now: Stamp) -> Result<(), Failure> {
        let end = self.watch.end(now, self.clock.system_ahead());
        self.record(vec![Record::Mark(Box::new(end))]);
        let Some((segments, first)) = &mut self.series else { return Ok(()) };
        let mut store = segments.open(now)?;
        let (watch, clock_mark) = ClockWatch::start(now, self.clock.system_ahead());
        let mut writer = writer(&self.lines, Some(segments));
        for block in writer.header() {
            store.append(&block)?;
        }
        for mark in std::iter::once(&clock_mark).chain(&*first) {
            let mut mark = mark.clone();
            mark.at = now.cut_to_micros();
            for block in writer.record(&Record::Mark(Box::new(mark))) {
                store.append(&block)?;
            }
        }
        store.name()?;
        segments.close(std::mem::replace(&mut self.store, store));
        (self.watch, self.writer) = (watch, writer);
        Ok(())
    }

    fn take(&mut self, entry: Entry) {
        match entry {
            Entry::Mark(mark) => self.record(vec![Record::Mark(Box::new(mark))]),
            Entry::Flush(done) => {
                let _ = done.send(());
            }
            Entry::Failed(failure) => self.fail(failure),
            Entry::Said(Said::Records(records)) => self.record(records),
            Entry::Said(Said::Lost(line, at, reason)) => {
                let name = self.line_mark(line, at, MarkKind::LineLost, &reason);
                self.tell(Event::LineLost(name));
            }
            Entry::Said(Said::Back(line, at)) => {
                let name = self.line_mark(line, at, MarkKind::LineBack, "the line is back");
                self.tell(Event::LineBack(name));
            }
            Entry::Said(Said::Refused(line, heard)) => {
                let line = self.name(line);
                self.tell(Event::Refused { line, heard });
            }
            Entry::Said(Said::Note(line, at, text)) => {
                self.line_mark(line, at, MarkKind::Note, &text);
            }
            Entry::Said(Said::Done(line)) => {
                if let Some(open) = self.open_lines.get_mut(usize::from(line)) {
                    *open = false;
                }
                if !self.open_lines.contains(&true) {
                    self.open_lines.fill(true);
                    self.tell(Event::Done);
                }
            }
        }
    }

    fn name(&self, line: u16) -> String {
        self.lines.get(usize::from(line)).map_or_else(String::new, |info| info.name.clone())
    }

    fn line_mark(&mut self, line: u16, at: Stamp, kind: MarkKind, message: &str) -> String {
        let name = self.name(line);
        let mut mark = Mark::new(at, kind, format!("{name}: {message}"));
        mark.line = Some(name.clone());
        self.record(vec![Record::Mark(Box::new(mark))]);
        name
    }

    /// Writes, block by block, then hands on.
    fn record(&mut self, records: Vec<Record>) {
        if self.failed.is_some() {
            return;
        }
        for block in records.iter().flat_map(|record| self.writer.record(record)).collect::<Vec<_>>() {
            if let Err(failure) = self.store.append(&block) {
                self.fail(failure);
                return;
            }
        }
        if records.iter().any(|record| matches!(record, Record::Mark(_)))
            && let Err(failure) = self.store.sync()
        {
            self.fail(failure);
        }
        self.tell(Event::Records(records));
    }

    fn fail(&mut self, failure: Failure) {
        if self.failed.is_none() {
            self.tell(Event::Failed(failure.clone()));
            self.failed = Some(failure);
        }
    }

    fn tell(&self, event: Event) {
        // A session that is gone wants to hear nothing.
        let _ = self.events.send(event);
    }
}

/// What writes the blocks of a capture, or of a segment of a series.
fn writer(lines: &[LineInfo], segments: Option<&Segments>) -> CaptureWriter {
    let writer = CaptureWriter::new(lines);
    match segments {
        Some(segments) => writer.in_series(segments.name()),
        None => writer,
    }
}
