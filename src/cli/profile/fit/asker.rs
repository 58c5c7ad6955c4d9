//! A meter asked for registers that nobody has named: which it answers, and what they hold at an instant.

use std::path::Path;

use crate::base::{Failure, FailureKind, Span};
use crate::cli::out::Out;
use crate::link::survey::{Reply, Survey, Where};
use crate::link::{MasterPlan, Outcome, Pairer, Question, TimeoutBounds, Transaction};
use crate::profile::{Door, DriverDirection, Registers, SerialSettings, Table};
use crate::reading::fit::RegisterMap;
use crate::record::{CaptureWriter, LineInfo, Mark, Medium, Record};
use crate::rim::ClosedCapture;
use crate::rim::search::{Searching, StageEnd};
use crate::rim::serial::SerialOptions;
use crate::rim::store::Store;
use crate::wire::Request;

/// How the line is asked.
#[derive(Clone, Debug)]
pub(crate) struct Terms {
    pub(crate) door: Door,
    pub(crate) settings: SerialSettings,
    pub(crate) unit: u8,
    pub(crate) listen_first: Span,
    pub(crate) share_line: bool,
}

/// One meter behind one line. The line is open only while something is asked.
pub(crate) struct Asker {
    pub(crate) searching: Searching,
    pub(crate) terms: Terms,
    /// Everything said, for a capture.
    records: Vec<Record>,
    line: Option<LineInfo>,
    /// Over all openings of the line: a late answer knows none.
    pairer: Option<Pairer>,
    asked: usize,
    spent: Span,
}

impl Asker {
    pub(crate) fn new(terms: Terms, out: &Out) -> Result<Self, Failure> {
        let searching = Searching::new(terms.door.clone())?;
        out.note(
            "asking can blind an inverter that steers by this meter; best with the inverter's own polling off. Nothing is written",
        );
        if searching.medium() == Medium::Serial {
            out.note(&format!(
                "listening {} for another master before the first request",
                terms.listen_first
            ));
        }
        Ok(Self {
            searching,
            terms,
            records: Vec::new(),
            line: None,
            pairer: None,
            asked: 0,
            spent: Span::ZERO,
        })
    }

    /// Finds what the meter answers.
    pub(crate) fn survey(&mut self, place: &Where, out: &Out) -> Result<Survey, Failure> {
        let mut survey = Survey::new(place);
        let mut answers = 0;
        loop {
            let batch = survey.batch();
            if batch.is_empty() {
                break;
            }
            let left = survey.left() + batch.len();
            let found = survey.registers();
            let each = self.each();
            let settled = self.ask(&batch, 1, |done| {
                let left = each * (left - done.min(left)) as i64;
                out.status(&format!("looking for registers: {found} so far, about {left} to go"));
            })?;
            for (registers, reply, _) in settled {
                answers += usize::from(reply != Reply::Silent);
                survey.settle(registers, reply);
            }
            if answers == 0 {
                out.clear_status();
                return Err(self.silent());
            }
        }
        out.clear_status();
        if survey.registers() == 0 {
            return Err(Failure::nothing(format!(
                "unit {} answers, and no register was found",
                self.terms.unit
            ))
            .hint(
                "`--everywhere` looks at every sixteenth address, `--range 0x0200..0x0300` where you say",
            ));
        }
        Ok(survey)
    }

    /// Nothing came back from it.
    pub(crate) fn silent(&self) -> Failure {
        Failure::nothing(format!("unit {} does not answer on {}", self.terms.unit, self.terms.door.name())).hint(
            "`wattward find` looks for the unit, speed and parity; `wattward line` says what is wrong with a line",
        )
    }

    /// Time of a question so far; before the first one a guess (ours).
    fn each(&self) -> Span {
        match self.asked {
            0 => Span::from_millis(60),
            asked => Span::from_nanos(self.spent.nanos() / asked as i64),
        }
    }

    /// Reads all of these now.
    pub(crate) fn sweep(&mut self, runs: &[Registers], out: &Out) -> Result<RegisterMap, Failure> {
        let mut map = RegisterMap::default();
        let mut asked = runs.to_vec();
        while !asked.is_empty() {
            let all = asked.len();
            let settled =
                self.ask(&asked, 2, |done| out.status(&format!("reading: {done} of {all} requests")))?;
            asked.clear();
            for (registers, reply, words) in settled {
                map.put(registers, &words);
                // What it gives in two pieces it may refuse as one.
                if matches!(reply, Reply::Refused(_)) && registers.count > 1 {
                    let (half, table) = (registers.count / 2, registers.table);
                    let rest = registers.address.saturating_add(half);
                    asked.push(Registers { table, address: registers.address, count: half });
                    asked.push(Registers { table, address: rest, count: registers.count - half });
                }
            }
        }
        out.clear_status();
        if map.is_empty() {
            return Err(self.silent());
        }
        Ok(map)
    }

    /// Asks for one run of registers.
    pub(crate) fn one(&mut self, registers: Registers) -> Result<(Reply, Vec<u16>), Failure> {
        let settled = self.ask(&[registers], 2, |_| {})?;
        Ok(settled.into_iter().next().map_or((Reply::Silent, Vec::new()), |(_, reply, words)| (reply, words)))
    }

    /// Asks these once each, in order; gives what came of them. What came in doubt is asked again.
    fn ask(
        &mut self,
        batch: &[Registers],
        attempts: u8,
        progress: impl FnMut(usize),
    ) -> Result<Vec<(Registers, Reply, Vec<u16>)>, Failure> {
        let mut settled = self.put(batch, attempts, progress)?;
        let in_doubt = |registers: &&Registers| {
            let mut of_it = settled.iter().filter(|transaction| is_of(transaction, **registers));
            outcome(**registers, &settled).1 == Reply::Silent && of_it.any(|transaction| transaction.suspect)
        };
        let doubtful: Vec<Registers> = batch.iter().filter(in_doubt).copied().collect();
        if !doubtful.is_empty() {
            settled.extend(self.put(&doubtful, 2, |_| {})?);
        }
        Ok(batch.iter().map(|registers| outcome(*registers, &settled)).collect())
    }

    /// Opens the line, asks, closes it again.
    fn put(
        &mut self,
        batch: &[Registers],
        attempts: u8,
        mut progress: impl FnMut(usize),
    ) -> Result<Vec<Transaction>, Failure> {
        let once = batch
            .iter()
            .map(|registers| {
                let request = match registers.table {
                    Table::Input => Request::read_input(registers.address, registers.count),
                    Table::Holding => Request::read_holding(registers.address, registers.count),
                };
                let request = request.map_err(|bad| Failure::usage(bad.to_string()))?;
                Ok(Question { unit: self.terms.unit, request })
            })
            .collect::<Result<Vec<Question>, Failure>>()?;
        let plan = MasterPlan {
            medium: self.searching.medium(),
            settings: self.terms.settings,
            latency: Span::ZERO,
            units: Vec::new(),
            once,
            every: None,
            cycles: Some(1),
            attempts,
            listen_first: std::mem::replace(&mut self.terms.listen_first, Span::ZERO),
            share_line: self.terms.share_line,
            bounds: TimeoutBounds::default(),
            earlier: self.pairer.as_ref().and_then(|pairer| pairer.earlier(0)),
        };
        let options = SerialOptions {
            settings: self.terms.settings,
            direction: DriverDirection::Adapter,
            listen_only: false,
        };
        let begun = self.searching.now();
        let mut settled: Vec<Transaction> = Vec::new();
        let (records, line, pairer, clock) =
            (&mut self.records, &mut self.line, &mut self.pairer, &self.searching);
        let end = clock.stage(options, plan, |info, said| {
            let pairer = pairer.get_or_insert_with(|| Pairer::new(std::slice::from_ref(info)));
            line.get_or_insert_with(|| info.clone());
            for record in said {
                pairer.push(record, &mut settled);
                records.push(record.clone());
            }
            progress(settled.len());
            true
        })?;
        match end {
            StageEnd::Done | StageEnd::Stopped => {}
            StageEnd::Interrupted => return Err(Failure::new(FailureKind::Interrupted, "interrupted")),
            StageEnd::Refused(heard) => {
                return Err(Failure::nothing(format!("{} is in use: {heard}", self.terms.door.name())).hint(
                    "record it with `wattward listen --capture FILE` and fit `--from FILE`; `--share-line` asks all the same",
                ));
            }
        }
        if let Some(pairer) = &mut self.pairer {
            pairer.close(&mut settled);
        }
        self.asked += settled.len();
        self.spent = self.spent + (self.searching.now() - begun);
        Ok(settled)
    }

    /// Notes what was seen, for the capture.
    pub(crate) fn note(&mut self, mark: Mark) {
        self.records.push(Record::Mark(Box::new(mark)));
    }

    /// Keeps everything said as a capture.
    pub(crate) fn keep(&self, path: &Path) -> Result<ClosedCapture, Failure> {
        let lines: Vec<LineInfo> = self.line.iter().cloned().collect();
        let mut writer = CaptureWriter::new(&lines);
        let mut store = Store::create(path)?;
        for block in writer.header() {
            store.append(&block)?;
        }
        for record in &self.records {
            for block in writer.record(record) {
                store.append(&block)?;
            }
        }
        store.close()
    }
}

fn is_of(transaction: &Transaction, registers: Registers) -> bool {
    let asked = &transaction.asked;
    asked.function == registers.table.function()
        && asked.address == registers.address
        && asked.count == registers.count
}

/// The last that came of a question; a repeat counts for more than its first try.
fn outcome(registers: Registers, settled: &[Transaction]) -> (Registers, Reply, Vec<u16>) {
    let mut found = (registers, Reply::Silent, Vec::new());
    for transaction in settled.iter().filter(|transaction| is_of(transaction, registers)) {
        match (&transaction.outcome, transaction.registers()) {
            (Outcome::Answer { .. }, Some(words)) => {
                found = (registers, Reply::Answered, words);
            }
            (Outcome::Exception { code, .. }, _) if found.1 == Reply::Silent => {
                found.1 = Reply::Refused(*code);
            }
            _ => {}
        }
    }
    found
}
