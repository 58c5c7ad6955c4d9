//! `wattward report FILE…` makes the document for the file: verdicts in plain words, figures, plots, instruments, what was not
//! tested, cautions, and how to check it. From captures, from verdict documents whose captures are at hand, or from a folder
//! of both; each capture is judged again first.
//!
//! ```console
//! $ wattward report wattward-demo
//! report.html  3 checks, each computed again from its capture
//! $ wattward report --verify report.html wattward-demo
//! HOLDS  report.html says what its captures give: 3 checks computed again, every figure and line compared.
//! ```
//!
//! Exit 0 when written, or when it holds · 1 when a figure or a capture differs from what is written · 2 usage · 3 when the
//! page was written by another version and only its documents could be compared · 5 when a report, document or capture
//! can't be read, or a capture that a report rests on is not at hand.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use serde::Serialize;

use super::args::SourceArgs;
use super::exit::Exit;
use super::out::Out;
use super::source::{Extra, overrides};
use super::written::{free, write_new};
use crate::base::Failure;
use crate::pipeline::{Overrides, Text};
use crate::report::page::record::{FORM, ToolName};
use crate::report::page::{Given, GivenText, Record, Report, html, markdown};
use crate::rim::clock::Clock;

mod evidence;
mod gather;
mod verify;

/// Options of `report`.
#[derive(Args, Debug)]
pub(crate) struct ReportArgs {
    /// Captures, verdict documents, or folders of them; with --verify, where captures may lie
    #[arg(value_name = "FILE", required_unless_present = "verify")]
    files: Vec<PathBuf>,
    /// Compute a report's verdicts again from its captures, and say whether it still tells the truth
    #[arg(long, value_name = "REPORT", conflicts_with_all = ["site", "profile", "out", "format"])]
    verify: Option<PathBuf>,
    /// Judge by this site file in place of the one inside the captures; the report says so
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// Decode with this profile in place of the ones inside the captures
    #[arg(long, value_name = "FILE")]
    profile: Option<PathBuf>,
    /// Where it goes; `-` is standard output [default: report.html here]
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Its form [default: as the name of the file ends, else html]
    #[arg(long, value_name = "FORM", value_enum)]
    format: Option<Format>,
}

/// The form of a report.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// One page for a browser or a printer.
    Html,
    /// Text with tables.
    Markdown,
    /// For programs.
    Json,
}

impl Format {
    const fn ending(self) -> &'static str {
        match self {
            Self::Html => "html",
            Self::Markdown => "md",
            Self::Json => "json",
        }
    }

    fn of(path: &Path) -> Option<Self> {
        match path.extension()?.to_str()?.to_ascii_lowercase().as_str() {
            "html" | "htm" => Some(Self::Html),
            "md" | "markdown" => Some(Self::Markdown),
            "json" => Some(Self::Json),
            _ => None,
        }
    }

    /// The report in this form.
    fn render(self, report: &Report) -> String {
        match self {
            Self::Html => html(report),
            Self::Markdown => markdown(report),
            Self::Json => serde_json::to_string_pretty(&report.record).unwrap_or_default() + "\n",
        }
    }
}

/// What `--json` prints when a report was written.
#[derive(Serialize)]
struct Written {
    report: String,
    checks: Vec<WrittenCheck>,
}

#[derive(Serialize)]
struct WrittenCheck {
    check: String,
    verdict: Option<String>,
    start: Option<String>,
    recomputed: bool,
    same_as_recorded: Option<bool>,
}

/// Runs the command.
pub(crate) fn run(args: &ReportArgs, out: &Out) -> Result<Exit, Failure> {
    if let Some(report) = &args.verify {
        return verify::verify(report, &args.files, out);
    }
    let format = args.format.or_else(|| args.out.as_deref().and_then(Format::of)).unwrap_or(Format::Html);
    let path = args.out.clone().unwrap_or_else(|| PathBuf::from("report").with_extension(format.ending()));
    let to_screen = path.as_os_str() == "-";
    if !to_screen {
        free(&path)?;
    }
    let source =
        SourceArgs { site: args.site.clone(), profile: args.profile.clone(), ..SourceArgs::default() };
    let mut over = overrides(&source, &Extra::default())?;
    if args.profile.is_none() {
        // A site file that happens to lie here is none of the captures'.
        over.fallback_site = None;
    }
    let gathered = gather::gather(&args.files, &over, out)?;
    if !gathered.wrong.is_empty() {
        for wrong in &gathered.wrong {
            out.error(&format!("DIFFERS  {wrong}"));
        }
        out.error("no report was written: a document must say what its captures give");
        return Ok(Exit::Fail);
    }
    let report = Report {
        record: Record {
            report: FORM,
            tool: ToolName::default(),
            written: Clock::start().now().rfc3339(0),
            given: given(&over),
            visit: gathered.visit,
            checks: gathered.checks.iter().map(evidence::Checked::entry).collect(),
        },
        sheets: gathered.checks.into_iter().map(|checked| checked.sheet).collect(),
    };
    let text = format.render(&report);
    let exit = if differs(&report) { Exit::Fail } else { Exit::Done };
    if to_screen {
        out.print(&text);
    } else {
        write_new(&path, &text)?;
        tell(&path, &report, out);
    }
    Ok(exit)
}

/// Whether a capture no longer gives the verdict document recorded in it, with nothing given in place of its files.
fn differs(report: &Report) -> bool {
    let evidence = report.sheets.iter().filter_map(|sheet| sheet.evidence.as_ref());
    report.record.given.is_empty() && evidence.into_iter().any(|evidence| !evidence.differences.is_empty())
}

fn tell(path: &Path, report: &Report, out: &Out) {
    let checks = report.sheets.iter().zip(&report.record.checks).map(|(sheet, entry)| WrittenCheck {
        check: sheet.doc().text("check").to_owned(),
        verdict: Some(sheet.doc().text("verdict").to_owned()).filter(|verdict| !verdict.is_empty()),
        start: Some(sheet.doc().text("start").to_owned()).filter(|start| !start.is_empty()),
        recomputed: entry.recomputed,
        same_as_recorded: sheet
            .evidence
            .as_ref()
            .and_then(|evidence| evidence.recorded.as_ref().map(|_| evidence.differences.is_empty())),
    });
    let written = Written { report: path.display().to_string(), checks: checks.collect() };
    if out.json {
        out.print(&serde_json::to_string_pretty(&written).unwrap_or_default());
        return;
    }
    let again = written.checks.iter().filter(|check| check.recomputed).count();
    let count = written.checks.len();
    let how = match (count, again) {
        (1, 1) => "1 check, computed again from its capture".to_owned(),
        (count, again) if again == count => format!("{count} checks, each computed again from its captures"),
        (count, 0) => format!("{count} checks, NONE computed again: no capture was at hand"),
        (count, again) => {
            format!("{count} checks, {again} computed again; the others' captures were not at hand")
        }
    };
    out.print(&format!("{}  {how}", written.report));
    for check in &written.checks {
        let recorded = match check.same_as_recorded {
            Some(false) => "; DIFFERENT from what the capture has on record, see the report",
            _ => "",
        };
        let verdict = check.verdict.as_deref().unwrap_or("no verdict");
        out.print(&format!("  {:<12}  {}{recorded}", verdict, check.check));
    }
    out.note(&format!("next: wattward report --verify {}", written.report));
}

/// The texts given beside the captures, for the record.
fn given(over: &Overrides) -> Given {
    let text = |text: &Text| GivenText { file: text.file.clone(), text: text.text.clone() };
    Given {
        site: over.site.as_ref().map(text),
        profiles: over.profiles.iter().map(|(name, found)| (name.clone(), text(found))).collect(),
        profile: over.profile.as_ref().map(text),
        otherwise: over.fallback_site.as_ref().map(text),
    }
}
