//! A log of weeks as a series of captures: each complete on its own, begun at UTC multiples of a length or when full,
//! compressed with zstd once closed, listed in an index. A log that is started again goes on with the same series.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::store::{ClosedCapture, Store, sha256_of};
use crate::base::{Failure, Span, Stamp};

mod index;
mod keep;
mod name;
mod pack;
mod readings;

use index::Index;
use keep::Keeper;
pub use keep::Room;
use pack::{Job, Packer, packed, unnamed};

/// No segment is longer: ten years. Ours, so that no multiple of it leaves the calendar.
const LONGEST: Span = Span::from_millis(3650 * 86_400_000);

/// When a segment ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SegmentLength {
    /// At multiples of this, counted in UTC.
    Time(Span),
    /// At this many bytes.
    Bytes(u64),
}

impl SegmentLength {
    /// Reads `1d`, `6h`, `500MB`, `2GB`.
    ///
    /// # Errors
    /// A sentence with the forms accepted.
    pub fn parse(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let wrong = || format!("`{text}` is no length of a segment: write 1d, 6h, 500MB or 2GB");
        let size = [("GB", 1_000_000_000), ("MB", 1_000_000)]
            .into_iter()
            .find_map(|(unit, bytes)| Some((text.strip_suffix(unit)?, bytes)));
        if let Some((number, unit)) = size {
            let number: u64 = number.trim().parse().map_err(|_| wrong())?;
            let bytes = number.checked_mul(unit).filter(|bytes| *bytes > 0);
            return bytes.map(Self::Bytes).ok_or_else(wrong);
        }
        let span = Span::parse(text).map_err(|_| wrong())?;
        (span >= Span::from_millis(1000) && span <= LONGEST).then_some(Self::Time(span)).ok_or_else(wrong)
    }
}

/// What a series is to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Series {
    /// When each segment ends.
    pub length: SegmentLength,
    /// Bytes that all of it may take.
    pub keep: Option<u64>,
}

/// Reads a disk budget: `20GB`, `500MB`.
///
/// # Errors
/// A sentence with the forms accepted.
pub fn parse_keep(text: &str) -> Result<u64, String> {
    match SegmentLength::parse(text) {
        Ok(SegmentLength::Bytes(bytes)) => Ok(bytes),
        _ => Err(format!("`{}` is no room on a disk: write 20GB or 500MB", text.trim())),
    }
}

/// A series of captures.
#[derive(Debug)]
pub struct Segments {
    folder: PathBuf,
    name: String,
    length: SegmentLength,
    /// When the open segment ends, where time decides.
    until: Option<Stamp>,
    packer: Packer,
    room: Option<Arc<Room>>,
    /// Held while the series is written: a second log would take the open segment for one that was left.
    _lock: File,
}

impl Segments {
    /// A series with this path as its stem: `logs/barn` makes `logs/barn-20260921T141320Z.pcapng` and so on. What an earlier
    /// run left open is compressed first; no other file in the folder is touched.
    ///
    /// # Errors
    /// The folder cannot be made or read.
    pub fn new(stem: &Path, Series { length, keep }: Series) -> Result<Self, Failure> {
        let name =
            stem.file_name().map_or_else(|| "log".to_owned(), |name| name.to_string_lossy().into_owned());
        let name = name.strip_suffix(".pcapng").unwrap_or(&name).to_owned();
        let parent = stem.parent().filter(|parent| !parent.as_os_str().is_empty());
        let folder = parent.map_or_else(|| PathBuf::from("."), Path::to_path_buf);
        let failed = |error: std::io::Error| {
            Failure::nothing(format!("the folder {} cannot be used: {error}", folder.display()))
        };
        std::fs::create_dir_all(&folder).map_err(failed)?;
        let index = Index::new(&folder, &name);
        let lock = File::options().append(true).create(true).open(index.path()).map_err(failed)?;
        rustix::fs::flock(&lock, rustix::fs::FlockOperation::NonBlockingLockExclusive).map_err(|_| {
            Failure::usage(format!("another log is writing the series {}", stem.display()))
                .hint("name another series with --capture")
        })?;
        let room = keep.map(Room::new);
        let keeper = room.clone().map(|room| Keeper::new(&folder, &name, room));
        let packer = Packer::start(index, keeper);
        for path in name::files(&folder, &name, name::PLAIN).map_err(failed)? {
            if name::says_so(&path, &name).map_err(failed)? {
                packer.take(Job::Left(path));
            }
        }
        Ok(Self { folder, name, length, until: None, packer, room, _lock: lock })
    }

    /// The series' name, which each of its segments says of itself.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The room it takes, where that is bounded.
    pub fn room(&self) -> Option<Arc<Room>> {
        self.room.clone()
    }

    /// Opens the next segment, which gets its name with its header.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn open(&mut self, now: Stamp) -> Result<Store, Failure> {
        if let SegmentLength::Time(span) = self.length {
            let nanos = span.nanos();
            self.until = Some(Stamp::from_nanos((now.nanos().div_euclid(nanos) + 1).saturating_mul(nanos)));
        }
        // Two within a second, or one that is packed already; or a crash left one without its name, which holds no byte of
        // the line.
        let taken = |path: &PathBuf| {
            path.exists()
                || [packed(path), unnamed(path), name::readings_of(path)].iter().any(|path| path.exists())
        };
        let names = (1..).map(|number| self.folder.join(name::file_name(&self.name, now, number)));
        let path = names.into_iter().find(|path| !taken(path)).unwrap_or_default();
        Store::create_unnamed(&path)
    }

    /// Whether the open segment has reached its end.
    pub fn due(&self, now: Stamp, bytes: u64) -> bool {
        match self.length {
            SegmentLength::Time(_) => self.until.is_some_and(|until| now >= until),
            SegmentLength::Bytes(most) => bytes >= most,
        }
    }

    /// Closes and packs a segment, without holding anybody up.
    pub fn close(&mut self, store: Store) {
        self.packer.take(Job::Ended(store));
    }

    /// What went wrong with closed segments since this was asked: the log goes on.
    pub fn trouble(&mut self) -> Option<Failure> {
        self.packer.trouble()
    }

    /// Waits until everything is packed; the last segment.
    ///
    /// # Errors
    /// One could not be packed; it is kept as it is.
    pub fn finish(self, store: Store) -> Result<ClosedCapture, Failure> {
        self.packer.take(Job::Ended(store));
        self.packer.finish()
    }
}

/// Makes a new name in a folder last through a power cut.
#[expect(clippy::disallowed_methods, reason = "the rim opens folders to sync them")]
fn sync_folder(path: &Path) -> std::io::Result<()> {
    match path.parent().filter(|parent| !parent.as_os_str().is_empty()) {
        Some(folder) => File::open(folder)?.sync_all(),
        None => File::open(".")?.sync_all(),
    }
}

#[cfg(test)]
mod tests;
