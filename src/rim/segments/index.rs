//! The list of a series' segments: one JSON object a line, appended to, each with the file's size and SHA-256.

use std::fs::File;
use std::io::{Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

/// The index file of a series.
#[derive(Clone, Debug)]
pub(super) struct Index {
    path: PathBuf,
}

impl Index {
    /// That of the series of this name in a folder.
    pub(super) fn new(folder: &Path, series: &str) -> Self {
        Self { path: folder.join(format!("{series}.index.jsonl")) }
    }

    /// Where it is.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Lists a packed segment, once.
    pub(super) fn packed(&self, file: &Path, sha256: &str) -> std::io::Result<()> {
        let bytes = std::fs::metadata(file)?.len();
        self.add(&serde_json::json!({ "file": name(file), "bytes": bytes, "sha256": sha256 }))
    }

    /// Notes that a raw segment goes and its readings stay.
    pub(super) fn let_go(&self, file: &Path, readings: &Path, sha256: &str) -> std::io::Result<()> {
        let bytes = std::fs::metadata(readings)?.len();
        let kept = serde_json::json!({ "file": name(readings), "bytes": bytes, "sha256": sha256 });
        self.add(&serde_json::json!({ "file": name(file), "let_go": true, "readings": kept }))
    }

    /// Adds a line, unless it is there already.
    fn add(&self, line: &serde_json::Value) -> std::io::Result<()> {
        let mut list = File::options().read(true).append(true).create(true).open(&self.path)?;
        let mut text = String::new();
        list.seek(SeekFrom::Start(0))?;
        list.read_to_string(&mut text)?;
        let line = line.to_string();
        if text.lines().any(|known| known == line) {
            return Ok(());
        }
        // A line that a crash cut short must not swallow the next.
        let gap = if text.is_empty() || text.ends_with('\n') { "" } else { "\n" };
        list.write_all(format!("{gap}{line}\n").as_bytes())?;
        list.sync_all()
    }
}

fn name(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}
