//! From captures to what a page shows of one check; the same for writing a report and for verifying one.

use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::base::Failure;
use crate::cli::judge::{Check, Judged, judge, judge_run, replay_loaded};
use crate::cli::out::Out;
use crate::cli::source::load;
use crate::evidence::Case;
use crate::pipeline::{CheckRun, Overrides, Replayed, check_runs};
use crate::record::MarkKind;
use crate::report::page::doc::Doc;
use crate::report::page::{Entry, Evidence, LineCount, Sheet};
use crate::report::{Beside, CaptureRef, differences};
use crate::rim::store::sha256_of;

/// A check ready for the page.
pub(super) struct Checked {
    /// What is shown.
    pub(super) sheet: Sheet,
}

impl Checked {
    /// What goes into the record.
    pub(super) fn entry(&self) -> Entry {
        Entry { recomputed: self.sheet.evidence.is_some(), document: self.sheet.document.clone() }
    }

    /// What makes two entries the same check: kind, meter, start, captures.
    pub(super) fn key(&self) -> (String, String, String, Vec<String>) {
        let doc = self.sheet.doc();
        let mut hashes: Vec<String> =
            doc.list("captures").map(|capture| capture.text("sha256").to_owned()).collect();
        hashes.sort();
        (doc.text("check").to_owned(), doc.text("meter").to_owned(), doc.text("start").to_owned(), hashes)
    }
}

/// Captures replayed once, for all checks in them.
pub(super) struct Ground {
    captures: Vec<CaptureRef>,
    replayed: Replayed,
    runs: Vec<CheckRun>,
}

impl Ground {
    /// Reads and replays captures.
    pub(super) fn of(paths: &[PathBuf], overrides: &Overrides, out: &Out) -> Result<Self, Failure> {
        let (captures, replayed) = replay_loaded(load(paths, overrides)?, overrides, out)?;
        let runs = check_runs(&replayed.case.marks, replayed.case.span);
        Ok(Self { captures, replayed, runs })
    }

    /// Every check recorded in the captures; where none is, the one its marks are for.
    pub(super) fn all(&self) -> Result<Vec<Checked>, Failure> {
        let mut list = Vec::new();
        let kinds = self.runs.iter().filter(|run| Check::parse(&run.check).is_some()).count();
        if let Some(check) = self.meant().filter(|_| kinds == 0) {
            let judged = judge(check, &self.replayed.case, &[])?;
            let case = self.replayed.case.clone();
            list.push(self.sheet(&judged, case, None, &self.captures, &Beside::default())?);
        }
        for run in &self.runs {
            if let Some(check) = Check::parse(&run.check) {
                list.push(self.checked(check, run, &self.captures, &Beside::default())?);
            }
        }
        Ok(list)
    }

    /// A window's marks are of a limit check, those of loads alone of a CT check.
    fn meant(&self) -> Option<Check> {
        let has = |kinds: &[MarkKind]| self.replayed.case.marks.iter().any(|mark| kinds.contains(&mark.kind));
        if has(&[MarkKind::WindowStart, MarkKind::WindowEnd]) {
            Some(Check::Limit)
        } else {
            has(&[MarkKind::LoadOn, MarkKind::LoadOff]).then_some(Check::Ct)
        }
    }

    /// The check a document is of: the run that gives the same document, else the one that begins at the same time, else
    /// the last of its kind; captures without a run are judged as a whole, for the meter the document names. `beside` is what
    /// the document says it was told beside the captures.
    pub(super) fn of_document(
        &self,
        document: &Value,
        captures: &[CaptureRef],
        beside: &Beside,
    ) -> Result<Checked, Failure> {
        let doc = Doc(document);
        let word = doc.text("check");
        let Some(check) = Check::parse(word) else {
            return Err(Failure::usage(format!(
                "a check called `{word}` can't be computed again by this program"
            )));
        };
        let text = document.to_string();
        let mut found: Option<(u8, Checked)> = None;
        for run in self.runs.iter().filter(|run| run.check == word) {
            let checked = self.checked(check, run, captures, beside)?;
            let same = differences(&text, &checked.sheet.document.to_string()).is_empty();
            let rank =
                if same { 2 } else { u8::from(checked.sheet.doc().text("start") == doc.text("start")) };
            if found.as_ref().is_none_or(|(best, _)| rank >= *best) {
                found = Some((rank, checked));
            }
        }
        if let Some((_, checked)) = found {
            return Ok(checked);
        }
        let mut options = beside.options.clone();
        if !options.iter().any(|option| option.starts_with("--meter ")) {
            options.push(format!("--meter {}", doc.text("meter")));
        }
        let judged = judge(check, &self.replayed.case, &options)?;
        self.sheet(&judged, self.replayed.case.clone(), None, captures, beside)
    }

    fn checked(
        &self,
        check: Check,
        run: &CheckRun,
        captures: &[CaptureRef],
        beside: &Beside,
    ) -> Result<Checked, Failure> {
        let (judged, case) = judge_run(check, run, &self.runs, &self.replayed.case, &beside.options)?;
        self.sheet(&judged, case, Some(run), captures, beside)
    }

    fn sheet(
        &self,
        judged: &Judged,
        case: Case,
        run: Option<&CheckRun>,
        captures: &[CaptureRef],
        beside: &Beside,
    ) -> Result<Checked, Failure> {
        let site = &case.site.name;
        // Judged by something else than it was, a run owes its recorded document nothing.
        let recorded = run.and_then(|run| run.recorded.as_deref()).filter(|_| beside.is_empty());
        let inside = judged.document(site, None);
        let differences = recorded.map(|recorded| differences(recorded, &inside)).unwrap_or_default();
        let recorded = recorded.and_then(|text| {
            let value: Value = serde_json::from_str(text).ok()?;
            Some(Doc(&value).text("verdict").to_owned())
        });
        let document = judged.document_beside(site, Some(captures), beside);
        let document = serde_json::from_str(&document).map_err(|error| {
            Failure::unreadable(format!("a verdict document can't be read back: {error}"))
        })?;
        let inside = |transaction: &&crate::link::Transaction| {
            run.is_none_or(|run| (run.from..=run.to).contains(&transaction.asked_at))
        };
        let asked = self.replayed.transactions.iter().filter(inside);
        let line = LineCount {
            requests: asked.clone().count(),
            answers: asked.filter(|transaction| transaction.answered_at().is_some()).count(),
        };
        let curves = if let Judged::Ct(judged) = judged { judged.curves.clone() } else { Vec::new() };
        let evidence = Evidence { case, curves, line, recorded, differences };
        Ok(Checked { sheet: Sheet { document, evidence: Some(evidence) } })
    }
}

/// A capture that a document names, as it is found now.
pub(super) enum Place {
    /// Here, and the same to the last byte.
    Same(PathBuf),
    /// Here, with another hash.
    Changed(PathBuf, String),
    /// Nowhere.
    Missing,
}

/// Looks for a capture under its name, beside the document, and in other places (folders or files).
pub(super) fn locate(capture: &CaptureRef, beside: &Path, places: &[PathBuf]) -> Result<Place, Failure> {
    let folder = beside.parent().unwrap_or_else(|| Path::new(""));
    let named = Path::new(&capture.file);
    // A path of another system counts too.
    let name = crate::report::page::place::base_name(&capture.file);
    let given = places.iter().map(|place| if place.is_dir() { place.join(name) } else { place.clone() });
    let usual = vec![named.to_path_buf(), folder.join(named), folder.join(name)];
    // What was named in so many words goes first: a changed copy there is not made good by the right file elsewhere.
    for candidates in [given.collect(), usual] {
        let mut changed = None;
        for path in candidates.into_iter().filter(|path| path.is_file()) {
            let sha256 = sha256_of(&path)?;
            if sha256 == capture.sha256 {
                return Ok(Place::Same(path));
            }
            let same_name = path.file_name().is_some_and(|file| file.to_str() == Some(name));
            if same_name && changed.is_none() {
                changed = Some(Place::Changed(path, sha256));
            }
        }
        if let Some(changed) = changed {
            return Ok(changed);
        }
    }
    Ok(Place::Missing)
}

/// The captures a document names.
pub(super) fn captures_of(document: &Value) -> Vec<CaptureRef> {
    let captures = Doc(document).list("captures").map(|capture| CaptureRef {
        file: capture.text("file").to_owned(),
        sha256: capture.text("sha256").to_owned(),
    });
    captures.collect()
}
