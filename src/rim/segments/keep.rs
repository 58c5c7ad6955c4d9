//! A disk budget for a series: its oldest raw segments go first, each only when its readings stand beside it as Parquet and
//! have been read back, and the index says so. Readings are never let go.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use super::super::store::sha256_of;
use super::index::Index;
use super::{name, readings};
use crate::base::Failure;

/// The room a series takes, and may take.
#[derive(Debug)]
pub struct Room {
    /// Bytes of all its files when last counted.
    used: AtomicU64,
    /// The budget.
    most: u64,
}

impl Room {
    /// A budget of so many bytes.
    pub(super) fn new(most: u64) -> Arc<Self> {
        Arc::new(Self { used: AtomicU64::new(0), most })
    }

    /// Bytes of all its files when last counted: after each segment, and every minute.
    pub fn used(&self) -> u64 {
        self.used.load(Ordering::Relaxed)
    }

    /// The budget.
    pub fn most(&self) -> u64 {
        self.most
    }
}

/// Keeps a series within its room.
pub(super) struct Keeper {
    pub(super) folder: PathBuf,
    pub(super) series: String,
    pub(super) room: Arc<Room>,
    /// What has been told, so that it is told once.
    told: Vec<String>,
}

impl Keeper {
    pub(super) fn new(folder: &Path, series: &str, room: Arc<Room>) -> Self {
        Self { folder: folder.to_owned(), series: series.to_owned(), room, told: Vec::new() }
    }

    /// Lets the oldest raw segments go until the series fits; what stands in the way, once each.
    pub(super) fn make_room(&mut self, index: &Index) -> Vec<Failure> {
        let mut troubles = Vec::new();
        let mut failed = |error: &dyn std::fmt::Display, told: &mut Vec<String>| {
            let words = format!("no room can be made in {}: {error}", self.folder.display());
            if !told.contains(&words) {
                told.push(words.clone());
                troubles.push(Failure::nothing(words));
            }
        };
        let told = &mut self.told;
        let raw = match name::files(&self.folder, &self.series, name::PACKED) {
            Ok(raw) => raw,
            Err(error) => {
                failed(&error, told);
                return troubles;
            }
        };
        let used = |folder: &Path, series: &str| {
            let mut bytes = std::fs::metadata(index.path()).map_or(0, |file| file.len());
            for ending in [name::PLAIN, name::PACKED, name::READINGS] {
                let files = name::files(folder, series, ending).unwrap_or_default();
                bytes += files
                    .iter()
                    .filter_map(|path| std::fs::metadata(path).ok())
                    .map(|f| f.len())
                    .sum::<u64>();
            }
            bytes
        };
        let mut now = used(&self.folder, &self.series);
        for path in raw {
            if now <= self.room.most {
                break;
            }
            if let Err(failure) = let_go(&path, &self.series, index) {
                failed(&failure, told);
            }
            now = used(&self.folder, &self.series);
        }
        self.room.used.store(now, Ordering::Relaxed);
        if now > self.room.most {
            let words = "the readings kept and the open segment alone take more than --keep allows";
            failed(&words, told);
        }
        troubles
    }
}

/// Writes a packed segment's readings beside it, reads them back, notes it in the index, and only then lets it go.
fn let_go(path: &Path, series: &str, index: &Index) -> Result<(), Failure> {
    let failed = |error: std::io::Error| Failure::nothing(format!("{}: {error}", path.display()));
    if !name::packed_says_so(path, series).map_err(failed)? {
        return Err(Failure::nothing(format!("{} is no segment of this series", path.display())));
    }
    let to = name::readings_of(path);
    if !to.exists() {
        readings::write(path, &to)?;
        super::sync_folder(&to).map_err(failed)?;
    }
    index.let_go(path, &to, &sha256_of(&to)?).map_err(failed)?;
    std::fs::remove_file(path).map_err(failed)
}

#[cfg(test)]
#[expect(clippy::disallowed_methods, reason = "a test writes files")]
mod tests {
    use super::*;

    /// A demo capture as a packed segment of a series.
    fn segment(folder: &Path, name: &str) -> u64 {
        let plain = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures/ct-total.pcapng");
        let mut bytes = crate::record::CaptureWriter::new(&[]).in_series("barn").header().concat();
        bytes.extend(std::fs::read(plain).expect("a capture"));
        let packed = zstd::encode_all(&bytes[..], 3).expect("zstd");
        std::fs::write(folder.join(name), &packed).expect("write");
        packed.len() as u64
    }

    #[test]
    fn the_oldest_raw_frames_go_first_and_their_readings_stay() {
        let folder = tempfile::tempdir().expect("folder");
        let names = [
            "barn-20260921T000000Z",
            "barn-20260922T000000Z",
            "barn-20260922T000000Z-2",
            "barn-20260923T000000Z",
        ];
        let mut each = 0;
        for name in names {
            each = segment(folder.path(), &format!("{name}.pcapng.zst"));
        }
        // Alike by name; of another series; of nobody.
        segment(folder.path(), "barn-east-20200101T000000Z.pcapng.zst");
        std::fs::write(folder.path().join("barn-20190101T000000Z.pcapng.zst"), b"not ours").expect("write");
        let index = Index::new(folder.path(), "barn");
        let room = Room::new(2 * each + 11_000);
        let most = room.most();
        let mut keeper = Keeper::new(folder.path(), "barn", Arc::clone(&room));
        let troubles = keeper.make_room(&index);
        assert_eq!(troubles.len(), 1, "the one of nobody is told and stays: {troubles:?}");
        assert!(room.used() <= most, "{} of {most}", room.used());
        let there = |name: &str| folder.path().join(name).exists();
        assert!(there("barn-20190101T000000Z.pcapng.zst") && there("barn-east-20200101T000000Z.pcapng.zst"));
        assert!(there("barn-20260923T000000Z.pcapng.zst") && !there("barn-20260921T000000Z.pcapng.zst"));
        let gone: Vec<_> = names.iter().filter(|name| !there(&format!("{name}.pcapng.zst"))).collect();
        assert!(names.iter().zip(&gone).all(|(name, gone)| name == *gone), "oldest first: {gone:?}");
        assert!(gone.iter().all(|name| there(&format!("{name}.parquet"))), "{gone:?}");
        let list = std::fs::read_to_string(index.path()).expect("index");
        assert_eq!(list.lines().count(), gone.len());
        assert!(list.lines().all(|line| line.contains("let_go") && line.contains(".parquet")), "{list}");
        assert!(keeper.make_room(&index).is_empty(), "told once");
    }
}
