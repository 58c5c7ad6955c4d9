//! `wattward replay CAPTURE…` runs again what captures hold and compares with the verdicts recorded in them.
//!
//! ```console
//! $ wattward replay demo-ct.pcapng
//! ct of 2026-05-28 20:26:40 UTC   recorded fail, replayed fail: the same to the last digit
//! ```
//!
//! Exit 0 when every verdict is the one recorded (or nothing was recorded to compare with), 1 when one differs, 5 when a
//! capture cannot be read.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::args::SourceArgs;
use super::exit::Exit;
use super::judge::{Check, judge_run, replay_loaded, verdict_of};
use super::out::Out;
use super::source::{Extra, load, overrides};
use crate::base::{Failure, Stamp};
use crate::pipeline::{CheckRun, Overrides, Replayed, check_runs};
use crate::report::differences;
use crate::report::grid::Table;

/// Options of `replay`.
#[derive(Args, Debug)]
pub(crate) struct ReplayArgs {
    /// The captures, merged by time
    #[arg(required = true, value_name = "CAPTURE")]
    captures: Vec<PathBuf>,
    /// Judge by this site file in place of the one inside
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// Decode with this profile in place of the ones inside
    #[arg(long, value_name = "FILE")]
    profile: Option<PathBuf>,
}

/// One check run again.
#[derive(Debug, Serialize)]
struct Again {
    check: String,
    start: Stamp,
    verdict: &'static str,
    recorded: Option<String>,
    same: Option<bool>,
    differences: Vec<String>,
}

/// What one meter gave.
#[derive(Debug, Serialize)]
struct MeterRead {
    meter: String,
    point: String,
    readings: usize,
    absent: usize,
    first: f64,
    last: f64,
    lowest: f64,
    highest: f64,
}

#[derive(Debug, Serialize)]
struct Document {
    captures: Vec<crate::report::CaptureRef>,
    site: String,
    requests: usize,
    answers: usize,
    readings: Vec<MeterRead>,
    checks: Vec<Again>,
}

/// Runs the command.
pub(crate) fn run(args: &ReplayArgs, out: &Out) -> Result<Exit, Failure> {
    let source =
        SourceArgs { site: args.site.clone(), profile: args.profile.clone(), ..SourceArgs::default() };
    let overrides = overrides(&source, &Extra::default())?;
    let loaded = load(&args.captures, &overrides)?;
    let (captures, replayed) = replay_loaded(loaded, &overrides, out)?;
    let checks = checks_again(&replayed)?;
    let exit = if checks.iter().any(|check| check.same == Some(false)) { Exit::Fail } else { Exit::Done };
    let answers =
        replayed.transactions.iter().filter(|transaction| transaction.answered_at().is_some()).count();
    let document = Document {
        captures,
        site: replayed.case.site.name.clone(),
        requests: replayed.transactions.len(),
        answers,
        readings: readings(&replayed),
        checks,
    };
    if out.json {
        out.print(&serde_json::to_string_pretty(&document).unwrap_or_default());
    } else {
        out.print(&words(&document, out));
    }
    Ok(exit)
}

/// Judges the checks in captures again, with nothing beside them: whether each came out as recorded, and how to say so.
pub(crate) fn same_again(captures: &[PathBuf], out: &Out) -> Result<(bool, String), Failure> {
    let overrides = Overrides::default();
    let (_, replayed) = replay_loaded(load(captures, &overrides)?, &overrides, out)?;
    let checks = checks_again(&replayed)?;
    let same = !checks.is_empty() && checks.iter().all(|check| check.same == Some(true));
    Ok((same, checks.iter().map(Again::words).collect::<Vec<_>>().join("\n")))
}

fn checks_again(replayed: &Replayed) -> Result<Vec<Again>, Failure> {
    let runs = check_runs(&replayed.case.marks, replayed.case.span);
    let judged = runs.iter().filter_map(|run| Check::parse(&run.check).map(|check| (check, run)));
    judged.map(|(check, run)| again(check, run, &runs, replayed)).collect()
}

impl Again {
    /// A line, and what differs under it.
    fn words(&self) -> String {
        let head = format!("{} of {}: ", self.check, self.start.rfc3339(0));
        let mut rows = vec![match (&self.recorded, self.same) {
            (Some(recorded), Some(true)) => {
                format!("{head}recorded {recorded}, replayed {}: the same to the last digit", self.verdict)
            }
            (Some(recorded), _) => format!("{head}recorded {recorded}, replayed {}: DIFFERENT", self.verdict),
            (None, _) => format!("{head}{}; no verdict was recorded to compare with", self.verdict),
        }];
        rows.extend(self.differences.iter().take(20).map(|difference| format!("  {difference}")));
        rows.join("\n")
    }
}

fn again(check: Check, run: &CheckRun, runs: &[CheckRun], replayed: &Replayed) -> Result<Again, Failure> {
    let (judged, case) = judge_run(check, run, runs, &replayed.case, &[])?;
    let text = judged.document(&case.site.name, None);
    let found = run.recorded.as_deref().map(|recorded| differences(recorded, &text));
    let recorded = run.recorded.as_deref().and_then(verdict_of);
    Ok(Again {
        check: run.check.clone(),
        start: run.from,
        verdict: judged.verdict().word(),
        recorded,
        same: found.as_ref().map(Vec::is_empty),
        differences: found.unwrap_or_default(),
    })
}

fn readings(replayed: &Replayed) -> Vec<MeterRead> {
    let mut rows = Vec::new();
    for meter in &replayed.case.meters {
        for (key, series) in &meter.series.points {
            let values = || series.samples.iter().map(|sample| sample.value);
            let (Some(first), Some(last)) = (values().next(), values().next_back()) else { continue };
            rows.push(MeterRead {
                meter: meter.meter.name.clone(),
                point: key.to_string(),
                readings: series.samples.len(),
                absent: series.absent.len(),
                first,
                last,
                lowest: values().fold(first, f64::min),
                highest: values().fold(first, f64::max),
            });
        }
    }
    rows
}

fn words(document: &Document, out: &Out) -> String {
    let mut text = String::new();
    for check in &document.checks {
        text.push_str(&check.words());
        text.push('\n');
    }
    if document.checks.is_empty() {
        let none =
            "no check was recorded in it; judge it with `wattward ct --from` or `wattward limit --from`";
        text.push_str(&out.broken(none));
        text.push('\n');
    }
    let (requests, answers) = (document.requests, document.answers);
    let counted = format!("site {}: {requests} requests, {answers} answers", document.site);
    let _ = writeln!(text, "\n{}", out.broken(&counted));
    let mut table =
        Table::new("", &["meter", "point", ">readings", ">absent", ">lowest", ">highest", ">last"]);
    for row in &document.readings {
        let absent = if row.absent == 0 { String::new() } else { row.absent.to_string() };
        let counts = [row.readings.to_string(), absent];
        let values = [row.lowest, row.highest, row.last].map(|value| format!("{value:.2}"));
        let names = [row.meter.clone(), row.point.clone()];
        table.row(names.into_iter().chain(counts).chain(values));
    }
    text + &table.without_empty_columns().text(2, out.width)
}
