//! From captures to a verdict: the one way for `--from`, for `replay` and for the end of a live check, so that all three
//! say the same.

use std::path::{Path, PathBuf};

use super::exit::Exit;
use super::out::Out;
use super::source::{Loaded, append, load};
use crate::base::Failure;
use crate::check::ct::{self, CtOptions};
use crate::check::limit::{self, LimitBody, LimitOptions};
use crate::check::{Finding, Verdict};
use crate::evidence::Case;
use crate::pipeline::edit::PART;
use crate::pipeline::{CheckRun, Overrides, Replayed, Text, check_runs, replay};
use crate::record::{CaptureWriter, Mark, MarkKind, Record};
use crate::report::beside::{Beside, Given, GivenText};
use crate::report::{CaptureRef, ct_plot, ct_text, document, limit_text, text};

/// The checks that end in a verdict.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Check {
    /// CT direction.
    Ct,
    /// Export limit.
    Limit,
}

impl Check {
    /// The word in documents and marks.
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Ct => "ct",
            Self::Limit => "limit",
        }
    }

    /// Reads the word.
    pub(crate) fn parse(word: &str) -> Option<Self> {
        [Self::Ct, Self::Limit].into_iter().find(|check| check.word() == word)
    }
}

/// The verdict in a check's document.
pub(crate) fn verdict_of(document: &str) -> Option<String> {
    let value: serde_json::Value = serde_json::from_str(document).ok()?;
    value.get("verdict")?.as_str().map(str::to_owned)
}

/// A check's finding.
#[derive(Debug)]
pub(crate) enum Judged {
    /// CT direction.
    Ct(Box<ct::Judged>),
    /// Export limit.
    Limit(Box<Finding<LimitBody>>),
}

impl Judged {
    /// Pass, fail or inconclusive.
    pub(crate) const fn verdict(&self) -> Verdict {
        match self {
            Self::Ct(judged) => judged.finding.verdict,
            Self::Limit(finding) => finding.verdict,
        }
    }

    /// The document of contracts, section 6, of a check as it was recorded.
    pub(crate) fn document(&self, site: &str, captures: Option<&[CaptureRef]>) -> String {
        self.document_beside(site, captures, &Beside::default())
    }

    /// The same, of a check that was told something beside the captures.
    pub(crate) fn document_beside(
        &self,
        site: &str,
        captures: Option<&[CaptureRef]>,
        beside: &Beside,
    ) -> String {
        match self {
            Self::Ct(judged) => document("ct", site, &judged.finding, captures, beside),
            Self::Limit(finding) => document("limit", site, finding, captures, beside),
        }
    }
}

/// Judges a case with options as a `check-start` mark holds them, one a line.
pub(crate) fn judge(check: Check, case: &Case, options: &[String]) -> Result<Judged, Failure> {
    let mut bound = case.clone();
    bound.binding.part |= options.iter().any(|option| option.starts_with(PART));
    let case = &bound;
    Ok(match check {
        Check::Ct => Judged::Ct(Box::new(ct::examine(case, &CtOptions::from_lines(options)))),
        Check::Limit => Judged::Limit(Box::new(limit::judge(
            case,
            &LimitOptions::from_lines(options).map_err(Failure::usage)?,
        ))),
    })
}

/// A check made from captures.
#[derive(Debug)]
pub(crate) struct Outcome {
    /// What was found.
    pub(crate) judged: Judged,
    /// The evidence it was found in.
    pub(crate) case: Case,
    /// The captures it rests on.
    pub(crate) captures: Vec<CaptureRef>,
    /// What was typed beside them.
    pub(crate) beside: Beside,
}

/// Judges captures. Options typed now go before those recorded; of several runs of the check the last one counts.
pub(crate) fn judge_captures(
    check: Check,
    paths: &[PathBuf],
    overrides: &Overrides,
    options: &[String],
    out: &Out,
) -> Result<Outcome, Failure> {
    let loaded = load(paths, overrides)?;
    let (captures, replayed) = replay_loaded(loaded, overrides, out)?;
    let runs = check_runs(&replayed.case.marks, replayed.case.span);
    let run = runs.iter().rfind(|run| run.check == check.word()).cloned();
    let case = part_of(&replayed.case, &runs, run.as_ref());
    let beside = Beside { options: options.to_vec(), given: given(overrides, &replayed.case) };
    let options = merged(options, run.as_ref());
    Ok(Outcome { judged: judge(check, &case, &options)?, case, captures, beside })
}

/// Frames to case, telling the person what is doubtful about the files.
pub(crate) fn replay_loaded(
    loaded: Loaded,
    overrides: &Overrides,
    out: &Out,
) -> Result<(Vec<CaptureRef>, Replayed), Failure> {
    for note in &loaded.notes {
        out.error(&format!("note: {note}"));
    }
    let replayed = replay(&loaded.lines, &loaded.records, overrides)?;
    for run in check_runs(&replayed.case.marks, replayed.case.span) {
        if let Some(began) = run.lacks {
            out.error(&format!(
                "note: the {} of {} goes on with one that began at {}; give that capture as well",
                run.check,
                run.from.rfc3339(0),
                began.rfc3339(0)
            ));
        }
    }
    for faults in &replayed.warnings {
        out.note(&super::render::faults(faults, out));
    }
    Ok((loaded.captures, replayed))
}

/// The part of the case that a run covers; all of it where it is the only one.
fn part_of(case: &Case, runs: &[CheckRun], run: Option<&CheckRun>) -> Case {
    let checks = runs.iter().filter(|run| Check::parse(&run.check).is_some()).count();
    match run {
        Some(run) if checks > 1 => case.between(run.from, run.to),
        _ => case.clone(),
    }
}

/// Judges one run recorded in captures again, with options typed beside them; gives the part of the case that it covers as
/// well.
pub(crate) fn judge_run(
    check: Check,
    run: &CheckRun,
    runs: &[CheckRun],
    case: &Case,
    options: &[String],
) -> Result<(Judged, Case), Failure> {
    let part = part_of(case, runs, Some(run));
    Ok((judge(check, &part, &merged(options, Some(run)))?, part))
}

/// Of the texts given beside captures those that were judged by: a site that stands in counts where the captures hold none.
pub(crate) fn given(overrides: &Overrides, case: &Case) -> Given {
    given_beside(overrides, &case.marks)
}

/// The same by the marks of the captures.
pub(crate) fn given_beside(overrides: &Overrides, marks: &[Mark]) -> Given {
    let text = |text: &Text| GivenText { file: text.file.clone(), text: text.text.clone() };
    let recorded = marks.iter().any(|mark| mark.kind == MarkKind::Site && mark.text.is_some());
    let otherwise = overrides.fallback_site.as_ref().filter(|_| overrides.site.is_none() && !recorded);
    let named = overrides.site.is_some() || otherwise.is_some();
    let profiles = overrides.profiles.iter().filter(|_| named && overrides.profile.is_none());
    Given {
        site: overrides.site.as_ref().map(text),
        profiles: profiles.map(|(name, found)| (name.clone(), text(found))).collect(),
        profile: overrides.profile.as_ref().map(text),
        otherwise: otherwise.map(text),
    }
}

/// The same the other way round.
pub(crate) fn overrides_of(given: &Given) -> Overrides {
    let text = |given: &GivenText| Text { file: given.file.clone(), text: given.text.clone() };
    Overrides {
        site: given.site.as_ref().map(text),
        profiles: given.profiles.iter().map(|(name, found)| (name.clone(), text(found))).collect(),
        profile: given.profile.as_ref().map(text),
        fallback_site: given.otherwise.as_ref().map(text),
    }
}

/// Options typed now, then the recorded ones that were not typed.
fn merged(typed: &[String], run: Option<&CheckRun>) -> Vec<String> {
    let name = |option: &str| option.split(' ').next().unwrap_or("").to_owned();
    let mut options = typed.to_vec();
    for recorded in run.iter().flat_map(|run| &run.options) {
        if !typed.iter().any(|option| name(option) == name(recorded)) {
            options.push(recorded.clone());
        }
    }
    options
}

/// Prints what was found: the document with `--json`, else words.
pub(crate) fn show(outcome: &Outcome, out: &Out) -> Exit {
    let site = &outcome.case.site.name;
    if out.json {
        out.print(&outcome.judged.document_beside(site, Some(&outcome.captures), &outcome.beside));
    } else {
        let text = match &outcome.judged {
            Judged::Ct(judged) => {
                let table = ct_text::table(&judged.finding.body, out.width);
                let plot = ct_plot::text(&judged.curves, out.width);
                // What to do stands before the figures: on a small screen they scroll it away.
                format!("{}\n{table}{plot}", text::finding("ct", site, &judged.finding, "", out.width))
            }
            Judged::Limit(finding) => {
                let table = limit_text::table(&outcome.case, finding, out.width);
                text::finding("limit", site, finding, &table, out.width)
            }
        };
        out.print(&painted(&text, outcome.judged.verdict(), out));
        for words in outcome.beside.words() {
            out.print(&format!("judged with  {words}"));
        }
        for capture in &outcome.captures {
            out.print(&crate::cli::render::evidence(&capture.file, &capture.sha256, out));
        }
    }
    outcome.judged.verdict().into()
}

/// The verdict's word in colour, on a terminal. The word says it without.
fn painted(text: &str, verdict: Verdict, out: &Out) -> String {
    let word = verdict.word().to_uppercase();
    match text.strip_prefix(&word) {
        Some(rest) if out.colour => {
            let colour = match verdict {
                Verdict::Pass => 32,
                Verdict::Fail => 31,
                Verdict::Inconclusive => 33,
            };
            format!("\x1b[1;{colour}m{word}\x1b[0m{rest}")
        }
        _ => text.to_owned(),
    }
}

/// The end of a live check: judges the capture just closed (with the earlier parts of the same check), notes the verdict in
/// it, and shows it.
pub(crate) fn conclude(
    check: Check,
    earlier: &[PathBuf],
    path: &Path,
    out: &Out,
) -> Result<(Outcome, Exit), Failure> {
    let paths = [earlier, &[path.to_path_buf()]].concat();
    // What is doubtful about the files was said when the check began.
    let silent = Out { quiet: true, ..*out };
    let mut outcome = judge_captures(check, &paths, &Overrides::default(), &[], &silent)?;
    let text = outcome.judged.document(&outcome.case.site.name, None);
    let sha256 = append_verdict(path, check, outcome.judged.verdict(), &text)?;
    outcome.captures.pop();
    outcome.captures.push(CaptureRef { file: path.display().to_string(), sha256 });
    let exit = show(&outcome, out);
    Ok((outcome, exit))
}

/// Notes the verdict in the closed capture, as one more block; gives the hash of the file as it then is.
fn append_verdict(path: &Path, check: Check, verdict: Verdict, document: &str) -> Result<String, Failure> {
    let last = load(&[path.to_path_buf()], &Overrides::default())?
        .records
        .iter()
        .map(Record::at)
        .max()
        .unwrap_or_default();
    let mut mark = Mark::new(last, MarkKind::Verdict, format!("{}: {}", check.word(), verdict.word()));
    mark.text = Some(document.to_owned());
    let blocks = CaptureWriter::new(&[]).record(&Record::Mark(Box::new(mark))).concat();
    append(path, &blocks)
}
