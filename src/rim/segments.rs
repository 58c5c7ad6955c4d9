//! A log of weeks as a series of captures: each complete on its own, begun at UTC multiples of a length or when full,
//! compressed with zstd once closed, listed in an index. A log that is started again goes on with the same series.

use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::thread::JoinHandle;

use super::store::{ClosedCapture, Store, sha256_of};
use crate::base::{Failure, Span, Stamp};

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
            return (number > 0).then_some(Self::Bytes(number * unit)).ok_or_else(wrong);
        }
        let span = Span::parse(text).map_err(|_| wrong())?;
        (span >= Span::from_millis(1000)).then_some(Self::Time(span)).ok_or_else(wrong)
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
    closing: Option<JoinHandle<Result<ClosedCapture, Failure>>>,
    /// Held while the series is written: a second log would take the open segment for one that was left.
    _lock: File,
}

impl Segments {
    /// A series with this path as its stem: `logs/barn` makes `logs/barn-20260921T141320Z.pcapng` and so on. What an earlier
    /// run left open is compressed first.
    ///
    /// # Errors
    /// The folder cannot be made or read.
    pub fn new(stem: &Path, length: SegmentLength) -> Result<Self, Failure> {
        let name =
            stem.file_name().map_or_else(|| "log".to_owned(), |name| name.to_string_lossy().into_owned());
        let name = name.strip_suffix(".pcapng").unwrap_or(&name).to_owned();
        let parent = stem.parent().filter(|parent| !parent.as_os_str().is_empty());
        let folder = parent.map_or_else(|| PathBuf::from("."), Path::to_path_buf);
        let failed = |error: std::io::Error| {
            Failure::nothing(format!("the folder {} cannot be used: {error}", folder.display()))
        };
        std::fs::create_dir_all(&folder).map_err(failed)?;
        let index = folder.join(format!("{name}.index.jsonl"));
        let lock = File::options().append(true).create(true).open(&index).map_err(failed)?;
        rustix::fs::flock(&lock, rustix::fs::FlockOperation::NonBlockingLockExclusive).map_err(|_| {
            Failure::usage(format!("another log is writing the series {}", stem.display()))
                .hint("name another series with --capture")
        })?;
        let mut left: Vec<PathBuf> = Vec::new();
        for entry in std::fs::read_dir(&folder).map_err(failed)? {
            let path = entry.map_err(failed)?.path();
            let file = path.file_name().map(|file| file.to_string_lossy().into_owned()).unwrap_or_default();
            if file.starts_with(&format!("{name}-")) && file.ends_with(".pcapng") {
                left.push(path);
            }
        }
        left.sort();
        let closing = (!left.is_empty()).then(|| {
            std::thread::spawn(move || {
                let mut last = Err(Failure::nothing("nothing was left"));
                for path in &left {
                    last = Ok(pack(path, &index)?);
                }
                last
            })
        });
        Ok(Self { folder, name, length, until: None, closing, _lock: lock })
    }

    /// Opens the next segment.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn open(&mut self, now: Stamp) -> Result<Store, Failure> {
        if let SegmentLength::Time(span) = self.length {
            let nanos = span.nanos();
            self.until = Some(Stamp::from_nanos((now.nanos().div_euclid(nanos) + 1) * nanos));
        }
        let time = now.rfc3339(0).replace(['-', ':'], "");
        let mut path = self.folder.join(format!("{}-{time}.pcapng", self.name));
        let mut number = 2;
        // Two within a second, or one that is packed already.
        while path.exists() || packed(&path).exists() {
            path = self.folder.join(format!("{}-{time}-{number}.pcapng", self.name));
            number += 1;
        }
        Store::create(&path)
    }

    /// Whether the open segment has reached its end.
    pub fn due(&self, now: Stamp, bytes: u64) -> bool {
        match self.length {
            SegmentLength::Time(_) => self.until.is_some_and(|until| now >= until),
            SegmentLength::Bytes(most) => bytes >= most,
        }
    }

    /// Closes and packs a segment, without holding anybody up; at most one is being packed at a time.
    ///
    /// # Errors
    /// An earlier one could not be packed: the disk is full or gone.
    pub fn close(&mut self, store: Store) -> Result<(), Failure> {
        let before = self.closing.take();
        let index = self.folder.join(format!("{}.index.jsonl", self.name));
        self.closing = Some(std::thread::spawn(move || {
            if let Some(before) = before {
                joined(before)?;
            }
            let closed = store.close()?;
            pack(&closed.path, &index)
        }));
        Ok(())
    }

    /// Waits until everything is packed; the last segment.
    ///
    /// # Errors
    /// One could not be packed.
    pub fn finish(mut self, store: Store) -> Result<ClosedCapture, Failure> {
        self.close(store)?;
        self.closing.map_or_else(|| Err(Failure::nothing("no capture was kept")), joined)
    }
}

fn joined(thread: JoinHandle<Result<ClosedCapture, Failure>>) -> Result<ClosedCapture, Failure> {
    thread.join().unwrap_or_else(|_| Err(Failure::nothing("a segment was not packed")))
}

fn packed(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".zst");
    name.into()
}

/// Compresses a closed segment, puts it in the index, and only then lets the plain one go.
#[expect(clippy::disallowed_methods, reason = "the rim reads and writes captures")]
fn pack(path: &Path, index: &Path) -> Result<ClosedCapture, Failure> {
    let to = packed(path);
    let part = to.with_extension("part");
    let failed =
        |error: std::io::Error| Failure::nothing(format!("{} cannot be packed: {error}", path.display()));
    let plain = File::open(path).map_err(failed)?;
    let file = File::create(&part).map_err(failed)?;
    let mut encoder = zstd::stream::write::Encoder::new(file, 6).map_err(failed)?;
    encoder.include_checksum(true).map_err(failed)?;
    std::io::copy(&mut std::io::BufReader::new(plain), &mut encoder).map_err(failed)?;
    let file = encoder.finish().map_err(failed)?;
    file.sync_all().map_err(failed)?;
    std::fs::rename(&part, &to).map_err(failed)?;
    let sha256 = sha256_of(&to)?;
    let bytes = std::fs::metadata(&to).map_err(failed)?.len();
    let name = to.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let line = serde_json::json!({ "file": name, "bytes": bytes, "sha256": sha256 });
    let mut list = File::options().append(true).create(true).open(index).map_err(failed)?;
    writeln!(list, "{line}").map_err(failed)?;
    list.sync_all().map_err(failed)?;
    std::fs::remove_file(path).map_err(failed)?;
    Ok(ClosedCapture { path: to, sha256 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_read_with_their_unit_only() {
        assert_eq!(SegmentLength::parse("1d"), Ok(SegmentLength::Time(Span::from_millis(86_400_000))));
        assert_eq!(SegmentLength::parse("500MB"), Ok(SegmentLength::Bytes(500_000_000)));
        assert!(SegmentLength::parse("500").is_err() && SegmentLength::parse("0GB").is_err());
    }

    #[test]
    #[expect(clippy::disallowed_methods, reason = "a test reads back what was written")]
    fn segments_end_at_utc_multiples_are_packed_and_go_on_after_a_crash() {
        let folder = tempfile::tempdir().expect("folder");
        let stem = folder.path().join("barn");
        let hour = SegmentLength::Time(Span::from_millis(3_600_000));
        let at = |text: &str| Stamp::parse(text).expect("a time");
        let mut segments = Segments::new(&stem, hour).expect("a series");
        let mut store = segments.open(at("2026-09-21T14:13:20Z")).expect("open");
        store.append(b"first").expect("append");
        assert!(
            !segments.due(at("2026-09-21T14:59:59.9Z"), 0) && segments.due(at("2026-09-21T15:00:00Z"), 0)
        );
        segments.close(store).expect("close");
        // The second one is left as a crash leaves it.
        let mut store = segments.open(at("2026-09-21T15:00:00Z")).expect("open");
        store.append(b"second").expect("append");
        joined(segments.closing.take().expect("packing")).expect("packed");
        drop(store);
        assert!(Segments::new(&stem, hour).is_err(), "two logs on one series");
        drop(segments);
        let mut again = Segments::new(&stem, hour).expect("the same series");
        let mut store = again.open(at("2026-09-21T15:20:00Z")).expect("open");
        store.append(b"third").expect("append");
        let last = again.finish(store).expect("packed");
        assert!(last.path.ends_with("barn-20260921T152000Z.pcapng.zst"), "{last:?}");
        let mut names: Vec<String> = std::fs::read_dir(folder.path())
            .expect("folder")
            .map(|entry| entry.expect("entry").file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        assert_eq!(
            names,
            [
                "barn-20260921T141320Z.pcapng.zst",
                "barn-20260921T150000Z.pcapng.zst",
                "barn-20260921T152000Z.pcapng.zst",
                "barn.index.jsonl"
            ]
        );
        let packed = std::fs::read(folder.path().join(&names[1])).expect("read");
        assert_eq!(zstd::decode_all(&packed[..]).expect("zstd"), b"second");
        let index = std::fs::read_to_string(folder.path().join("barn.index.jsonl")).expect("index");
        assert_eq!(index.lines().count(), 3);
    }
}
