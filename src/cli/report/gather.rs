//! From the files named to the checks of a report.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::evidence::{Checked, Ground, Place, captures_of, locate};
use crate::base::Failure;
use crate::cli::judge::overrides_of;
use crate::cli::out::Out;
use crate::cli::source::read_text;
use crate::pipeline::Overrides;
use crate::report::page::doc::Doc;
use crate::report::page::{Given, Sheet};
use crate::report::visit::{self, Diary, VisitStep};
use crate::report::{Beside, differences};

/// What was found.
pub(super) struct Gathered {
    /// In time order.
    pub(super) checks: Vec<Checked>,
    /// Documents and captures that contradict each other.
    pub(super) wrong: Vec<String>,
    /// Steps of the guided visit they come from.
    pub(super) visit: Vec<VisitStep>,
}

/// What a file is.
enum Kind {
    Document(Value),
    Capture,
    /// Of a guided visit.
    Diary(Diary),
    /// Neither; only a folder may hold such files.
    Other,
}

/// Reads everything and judges it again.
pub(super) fn gather(files: &[PathBuf], overrides: &Overrides, out: &Out) -> Result<Gathered, Failure> {
    let mut gathered = Gathered { checks: Vec::new(), wrong: Vec::new(), visit: Vec::new() };
    let (mut documents, mut captures) = (Vec::new(), Vec::new());
    for (path, named) in listed(files)? {
        match kind(&path, named)? {
            Kind::Document(value) => documents.push((path, value)),
            Kind::Capture => captures.push((path, named)),
            Kind::Diary(diary) => gathered.visit.extend(diary.steps),
            Kind::Other => {}
        }
    }
    for (path, document) in documents {
        match of_document(&path, document, files, overrides, out)? {
            Ok(checked) => add(&mut gathered.checks, checked),
            Err(wrong) => gathered.wrong.push(wrong),
        }
    }
    for (path, named) in captures {
        let found = Ground::of(std::slice::from_ref(&path), overrides, out)?.all()?;
        if found.is_empty() && named {
            let shown = path.display();
            return Err(Failure::usage(format!("{shown} holds no check")).hint(format!(
                "judge it first, `wattward ct --from {shown} --json > ct.json`, and give the document"
            )));
        }
        for checked in found {
            add(&mut gathered.checks, checked);
        }
    }
    // A visit of which every check was left out has a report too: it says what was not tested, and why.
    if gathered.checks.is_empty() && gathered.wrong.is_empty() && gathered.visit.is_empty() {
        return Err(Failure::usage("no check in the files named")
            .hint("name captures of `ct` or `limit`, their verdict documents, or a folder with them"));
    }
    gathered.checks.sort_by_key(|checked| checked.sheet.doc().time("start"));
    let mut sites: Vec<&str> =
        gathered.checks.iter().map(|checked| checked.sheet.doc().text("site")).collect();
    sites.sort_unstable();
    sites.dedup();
    if sites.len() > 1 {
        return Err(Failure::usage(format!("the checks are of different sites: `{}`", sites.join("`, `")))
            .hint("make one report for each site"));
    }
    Ok(gathered)
}

fn add(checks: &mut Vec<Checked>, checked: Checked) {
    let key = checked.key();
    if !checks.iter().any(|known| known.key() == key) {
        checks.push(checked);
    }
}

/// Files as named, folders as what lies in them by name; whether each was named itself.
fn listed(files: &[PathBuf]) -> Result<Vec<(PathBuf, bool)>, Failure> {
    let mut list = Vec::new();
    for path in files {
        if !path.is_dir() {
            list.push((path.clone(), true));
            continue;
        }
        let entries = std::fs::read_dir(path)
            .map_err(|error| Failure::usage(format!("{} cannot be read: {error}", path.display())))?;
        let mut inside: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
        inside.retain(|path| {
            path.extension().is_some_and(|ending| ending == "pcapng" || ending == "json") && path.is_file()
        });
        inside.sort();
        list.extend(inside.into_iter().map(|path| (path, false)));
    }
    Ok(list)
}

/// A verdict document is JSON; whatever else was named is taken for a capture.
fn kind(path: &Path, named: bool) -> Result<Kind, Failure> {
    let json = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("json"));
    if !json {
        return Ok(Kind::Capture);
    }
    let read = read_text(path);
    let text = match read {
        Ok(text) => text,
        Err(failure) if named => return Err(failure),
        Err(_) => return Ok(Kind::Other),
    };
    let value: Value = match serde_json::from_str(&text.text) {
        Ok(value) => value,
        Err(error) if named => {
            return Err(Failure::unreadable(format!("{} is no JSON: {error}", path.display())));
        }
        Err(_) => return Ok(Kind::Other),
    };
    if path.file_name().is_some_and(|name| name == visit::FILE)
        && let Ok(diary) = serde_json::from_value(value.clone())
    {
        return Ok(Kind::Diary(diary));
    }
    let doc = Doc(&value);
    match (doc.text("check"), doc.text("headline")) {
        ("", _) | (_, "") if named => {
            let hint = if value.get("report").is_some() {
                "it is a report already: check it with --verify"
            } else {
                "a verdict document is what `ct --json` and `limit --json` print"
            };
            Err(Failure::usage(format!("{} is no verdict document", path.display())).hint(hint))
        }
        ("", _) | (_, "") => Ok(Kind::Other),
        _ => Ok(Kind::Document(value)),
    }
}

/// A document with its captures computed again; as it is, where none is at hand; or what is wrong with it.
fn of_document(
    path: &Path,
    document: Value,
    places: &[PathBuf],
    overrides: &Overrides,
    out: &Out,
) -> Result<Result<Checked, String>, Failure> {
    let shown = path.display();
    let captures = captures_of(&document);
    let mut paths = Vec::new();
    for capture in &captures {
        match locate(capture, path, places)? {
            Place::Same(found) => paths.push(found),
            Place::Changed(found, sha256) => {
                return Ok(Err(format!(
                    "{shown}: {} is not the capture it was made from: its SHA-256 is {sha256}, the document says {}",
                    found.display(),
                    capture.sha256
                )));
            }
            Place::Missing => {}
        }
    }
    if paths.len() < captures.len() || captures.is_empty() {
        out.note(&format!("note: {shown}: not all of its captures are at hand; the report will say so"));
        return Ok(Ok(Checked { sheet: Sheet { document, evidence: None } }));
    }
    let by_its_own = overrides.site.is_none() && overrides.profile.is_none();
    let mut beside = Beside::of_document(&document);
    // What is given now goes before what the document was given.
    let over = if by_its_own && !beside.given.is_empty() {
        overrides_of(&beside.given)
    } else {
        beside.given = Given::default();
        overrides.clone()
    };
    let again = Ground::of(&paths, &over, out)?.of_document(&document, &captures, &beside)?;
    let found = differences(&document.to_string(), &again.sheet.document.to_string());
    // By another site file or profile other figures are due; the page says which files.
    if by_its_own && !found.is_empty() {
        let some: Vec<&str> = found.iter().take(10).map(String::as_str).collect();
        return Ok(Err(format!(
            "{shown} does not say what its captures give ({} figures):\n  {}",
            found.len(),
            some.join("\n  ")
        )));
    }
    Ok(Ok(again))
}
