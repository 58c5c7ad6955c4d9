//! Files the command line writes for a person: new ones, which are never written over, and the visit's own.

use std::fs::{File, OpenOptions};
use std::io::Write as _;
use std::path::Path;

use crate::base::Failure;

/// Writes a file that must not be there yet.
///
/// # Errors
/// It is there, or the disk does not take it.
pub(crate) fn write_new(path: &Path, text: &str) -> Result<(), Failure> {
    free(path)?;
    let write = || put(OpenOptions::new().write(true).create_new(true).open(path)?, text);
    write().map_err(|error| failed(path, &error))
}

/// Whether a file may be written here.
///
/// # Errors
/// Something is there already.
pub(crate) fn free(path: &Path) -> Result<(), Failure> {
    if path.exists() {
        return Err(Failure::usage(format!("{} exists already", path.display()))
            .hint("name another with --out FILE, or take that one away; nothing is written over"));
    }
    Ok(())
}

/// Writes a file whole in place of the one that may be there: a computer that stops leaves the old one or the new one.
///
/// # Errors
/// The disk does not take it.
pub(crate) fn write_whole(path: &Path, text: &str) -> Result<(), Failure> {
    let beside = path.with_extension("new");
    let write = || {
        put(OpenOptions::new().write(true).create(true).truncate(true).open(&beside)?, text)?;
        std::fs::rename(&beside, path)
    };
    write().map_err(|error| failed(path, &error))
}

fn put(mut file: File, text: &str) -> std::io::Result<()> {
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

fn failed(path: &Path, error: &std::io::Error) -> Failure {
    Failure::nothing(format!("{} cannot be written: {error}", path.display()))
}
