//! Definitions from disk, and what a common block says with them.

use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::base::Failure;
use crate::cli::source::read_text;
use crate::link::Chain;
use crate::profile::Table;
use crate::profile::import::{Definition, Kind, definition};
use crate::reading::fit::RegisterMap;

/// All of them, by number. A file named by itself must be a definition; in a folder other files are passed over.
pub(super) fn definitions(paths: &[PathBuf]) -> Result<Vec<Definition>, Failure> {
    let mut known: Vec<Definition> = Vec::new();
    for path in paths {
        let (files, named) = if path.is_dir() { (listed(path)?, false) } else { (vec![path.clone()], true) };
        let before = known.len();
        let mut wrong = None;
        for file in files {
            match definition(&read_text(&file)?.text) {
                Ok(one) if known.iter().any(|other| other.id == one.id) => {
                    return Err(Failure::usage(format!(
                        "{}: a second definition of model {}",
                        file.display(),
                        one.id
                    )));
                }
                Ok(one) => known.push(one),
                Err(error) if named => {
                    return Err(Failure::usage(format!("{}: {error}", file.display()))
                        .hint("give the definition of a model in JSON, as the standard's publisher has it"));
                }
                Err(error) => wrong = wrong.or(Some((file, error))),
            }
        }
        if known.len() == before {
            let failure = Failure::usage(format!("{} holds no definition of a model", path.display()));
            return Err(match wrong {
                Some((file, error)) => failure.hint(format!("{}: {error}", file.display())),
                None => failure.hint("it has no .json file; give the folder with the definitions"),
            });
        }
    }
    known.sort_by_key(|definition| definition.id);
    Ok(known)
}

fn listed(folder: &Path) -> Result<Vec<PathBuf>, Failure> {
    let entries = std::fs::read_dir(folder)
        .map_err(|error| Failure::usage(format!("cannot read {}: {error}", folder.display())))?;
    let mut files: Vec<PathBuf> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("json")))
        .collect();
    files.sort();
    Ok(files)
}

/// The definition of a model.
pub(super) fn of(known: &[Definition], id: u16) -> Result<&Definition, Failure> {
    known.iter().find(|definition| definition.id == id).ok_or_else(|| {
        let given: Vec<String> = known.iter().map(|definition| definition.id.to_string()).collect();
        Failure::usage(format!("no definition of model {id} was given")).hint(if given.len() > 12 {
            format!("{} others were; add the file of model {id}", given.len())
        } else {
            format!("those of {} were; add the file of model {id}", given.join(", "))
        })
    })
}

/// The words and numbers of the first common block (model 1), by their names.
pub(super) fn identity(known: &[Definition], chain: &Chain, registers: &RegisterMap) -> Vec<(String, Value)> {
    let common = known.iter().find(|definition| definition.id == 1);
    let (Some(definition), Some(model)) = (common, chain.models().iter().find(|model| model.id == 1)) else {
        return Vec::new();
    };
    let value = |point: &crate::profile::import::DefinedPoint| {
        let words: Option<Vec<u16>> = (0..point.size)
            .map(|at| registers.word(Table::Holding, model.address.checked_add(point.offset + at)?))
            .collect();
        let words = words.filter(|_| point.offset + point.size <= model.length.saturating_add(2))?;
        match point.kind {
            Kind::Text => text(&words).map(Value::from),
            Kind::Number(_) if words.len() == 1 && words[0] != 0xFFFF => Some(words[0].into()),
            _ => None,
        }
    };
    let points = definition.points.iter().skip(2);
    points.filter_map(|point| Some((point.name.clone(), value(point)?))).collect()
}

/// Letters, two in a register, filled up with zeros. Nothing where the first one is zero: not implemented.
fn text(words: &[u16]) -> Option<String> {
    let bytes: Vec<u8> =
        words.iter().flat_map(|word| word.to_be_bytes()).take_while(|byte| *byte != 0).collect();
    // A broken letter must not reach the screen as it is.
    let text: String =
        String::from_utf8_lossy(&bytes).chars().filter(|letter| !letter.is_control()).collect();
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}
