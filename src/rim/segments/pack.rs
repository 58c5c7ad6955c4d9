//! The thread that closes and packs segments, one after the other, without holding anybody up. One that cannot be packed
//! stays as it is, is told, and is tried again with the next; those after it are packed all the same.

use std::fs::File;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use super::super::store::{ClosedCapture, Store, UNNAMED, sha256_of};
use super::index::Index;
use super::keep::Keeper;
use crate::base::Failure;

/// How often a budget is looked at while nothing ends.
const LOOK: Duration = Duration::from_secs(60);

/// What is to be packed.
pub(super) enum Job {
    /// What an earlier run left open.
    Left(PathBuf),
    /// A segment that has ended.
    Ended(Store),
}

/// The thread, with what it has to say.
#[derive(Debug)]
pub(super) struct Packer {
    jobs: Option<Sender<Job>>,
    troubles: Receiver<Failure>,
    thread: JoinHandle<Option<ClosedCapture>>,
}

impl Packer {
    /// Starts it; it lists what it has packed in the index.
    pub(super) fn start(index: Index, mut keeper: Option<Keeper>) -> Self {
        let (jobs, to_do) = channel::<Job>();
        let (tell, troubles) = channel();
        let thread = std::thread::spawn(move || {
            let mut packer = Packing { index, tell, last: None, again: Vec::new() };
            loop {
                let job = match to_do.recv_timeout(LOOK) {
                    Ok(job) => Some(job),
                    Err(RecvTimeoutError::Timeout) => None,
                    Err(RecvTimeoutError::Disconnected) => break,
                };
                if let Some(job) = job {
                    packer.take(job);
                }
                for trouble in keeper.iter_mut().flat_map(|keeper| keeper.make_room(&packer.index)) {
                    let _ = packer.tell.send(trouble);
                }
            }
            packer.last
        });
        Self { jobs: Some(jobs), troubles, thread }
    }

    /// Gives it something to do.
    pub(super) fn take(&self, job: Job) {
        if let Some(jobs) = &self.jobs {
            let _ = jobs.send(job);
        }
    }

    /// What went wrong since this was asked.
    pub(super) fn trouble(&self) -> Option<Failure> {
        self.troubles.try_recv().ok()
    }

    /// Waits until everything is packed; the last segment.
    pub(super) fn finish(mut self) -> Result<ClosedCapture, Failure> {
        self.jobs = None;
        let last = self.thread.join().map_err(|_| Failure::nothing("a segment was not packed"))?;
        // What nobody has asked for yet is told with the end.
        match self.troubles.try_recv() {
            Ok(failure) => Err(failure),
            Err(_) => last.ok_or_else(|| Failure::nothing("no capture was kept")),
        }
    }
}

/// What the thread has at hand.
struct Packing {
    index: Index,
    tell: Sender<Failure>,
    last: Option<ClosedCapture>,
    /// What could not be packed so far.
    again: Vec<PathBuf>,
}

impl Packing {
    fn take(&mut self, job: Job) {
        self.again.retain(|path| pack(path, &self.index).is_err());
        let path = match job {
            Job::Left(path) => path,
            Job::Ended(mut store) => match store.name().and_then(|()| store.close()) {
                Ok(closed) => self.last.insert(closed).path.clone(),
                Err(failure) => {
                    let _ = self.tell.send(failure);
                    return;
                }
            },
        };
        match pack(&path, &self.index) {
            Ok(packed) => self.last = Some(packed),
            Err(failure) => {
                let _ = self.tell.send(failure);
                self.again.push(path);
            }
        }
    }
}

/// The packed copy's name.
pub(super) fn packed(path: &Path) -> PathBuf {
    beside(path, ".zst")
}

/// The name it has before it has its own.
pub(super) fn unnamed(path: &Path) -> PathBuf {
    beside(path, UNNAMED)
}

fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

/// Compresses a closed segment, reads the copy back whole, puts it in the index, and only then lets the plain one go.
fn pack(path: &Path, index: &Index) -> Result<ClosedCapture, Failure> {
    let to = packed(path);
    let part = beside(&to, ".part");
    let failed = |error: std::io::Error| {
        Failure::nothing(format!("{} cannot be packed: {error}", path.display()))
            .hint("the plain segment is kept, and is packed with the next one or when the log starts again")
    };
    // A copy that a crash left beside its source is taken for one only if it is.
    if to.exists() {
        same(path, &to).map_err(failed)?;
    } else {
        compress(path, &part).and_then(|()| same(path, &part)).map_err(failed)?;
        std::fs::rename(&part, &to).map_err(failed)?;
        super::sync_folder(&to).map_err(failed)?;
    }
    let sha256 = sha256_of(&to)?;
    index.packed(&to, &sha256).map_err(failed)?;
    std::fs::remove_file(path).map_err(failed)?;
    Ok(ClosedCapture { path: to, sha256 })
}

#[expect(clippy::disallowed_methods, reason = "the rim reads and writes captures")]
fn compress(path: &Path, to: &Path) -> std::io::Result<()> {
    let mut encoder = zstd::stream::write::Encoder::new(File::create(to)?, 6)?;
    encoder.include_checksum(true)?;
    std::io::copy(&mut BufReader::new(File::open(path)?), &mut encoder)?;
    encoder.finish()?.sync_all()
}

/// Reads a packed copy back beside its source, to the last byte of both.
#[expect(clippy::disallowed_methods, reason = "the rim reads captures")]
fn same(plain: &Path, copy: &Path) -> std::io::Result<()> {
    let mut source = BufReader::new(File::open(plain)?);
    let mut back = zstd::stream::read::Decoder::new(File::open(copy)?)?;
    let differs =
        |()| std::io::Error::other(format!("{} does not hold what it was made from", copy.display()));
    let (mut one, mut other) = (vec![0; 1 << 16], vec![0; 1 << 16]);
    loop {
        let count = source.read(&mut one)?;
        if count == 0 {
            let more = back.read(&mut other)?;
            return if more == 0 { Ok(()) } else { Err(differs(())) };
        }
        back.read_exact(&mut other[..count]).map_err(|_| differs(()))?;
        if one[..count] != other[..count] {
            return Err(differs(()));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[expect(clippy::disallowed_methods, reason = "a test writes files")]
    fn a_source_goes_only_when_its_copy_reads_back_whole() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("barn-20260921T141320Z.pcapng");
        std::fs::write(&path, b"the evidence").expect("write");
        for wrong in [&b"the evidenc"[..], b"the evidence!", b"THE evidence", b""] {
            std::fs::write(packed(&path), zstd::encode_all(wrong, 3).expect("zstd")).expect("write");
            let failure = pack(&path, &Index::new(folder.path(), "barn")).expect_err("another content");
            assert!(failure.message.contains("does not hold"), "{failure:?}");
            assert!(path.exists());
        }
        let whole = zstd::encode_all(&b"the evidence"[..], 3).expect("zstd");
        std::fs::write(packed(&path), &whole[..whole.len() - 3]).expect("write");
        assert!(pack(&path, &Index::new(folder.path(), "barn")).is_err() && path.exists());
        // Left by a crash between the copy and the index: the copy is whole, so it is listed and the source goes.
        std::fs::write(packed(&path), &whole).expect("write");
        pack(&path, &Index::new(folder.path(), "barn")).expect("packed");
        assert!(!path.exists());
        let index = std::fs::read_to_string(folder.path().join("barn.index.jsonl")).expect("index");
        assert_eq!(index.lines().count(), 1);
    }
}
