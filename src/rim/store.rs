//! The capture file: append-only, one write for each block, synced at least once a second without holding up a line.
//!
//! The file has its final name from the first byte (a segment of a series from its header on), so that whatever is cut
//! (power, plug, program) leaves a capture that opens. A block that the disk took only in part is taken back, and the file
//! ends with the last whole one.

use std::fs::File;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;

use sha2::{Digest, Sha256};

use crate::base::Failure;

/// Ending of a file that has not got its name.
pub(super) const UNNAMED: &str = ".new";

/// A closed capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClosedCapture {
    /// Where it is.
    pub path: PathBuf,
    /// SHA-256 of the closed file, lower-case hexadecimal.
    pub sha256: String,
}

/// What the store asks of a disk.
pub trait Disk: Send {
    /// Appends; may take a part of it and fail on the rest.
    fn append(&mut self, bytes: &[u8]) -> std::io::Result<()>;
    /// Cuts the file to this length.
    fn cut(&mut self, length: u64) -> std::io::Result<()>;
}

impl Disk for File {
    fn append(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        self.write_all(bytes)
    }

    fn cut(&mut self, length: u64) -> std::io::Result<()> {
        self.set_len(length)
    }
}

/// An open capture.
#[derive(Debug)]
pub struct Store<D: Disk = File> {
    /// Nothing for a capture that is not kept.
    disk: Option<D>,
    path: PathBuf,
    length: u64,
    dirty: bool,
    syncer: Option<Syncer>,
    /// Where it is as long as it has not got its name.
    unnamed: Option<PathBuf>,
}

/// The thread that waits for the disk.
#[derive(Debug)]
struct Syncer {
    wake: SyncSender<()>,
    thread: JoinHandle<std::io::Result<()>>,
}

impl Store {
    /// Creates the file; one that is there already is never touched.
    ///
    /// # Errors
    /// It exists (usage), or the folder cannot be written (nothing measured).
    pub fn create(path: &Path) -> Result<Self, Failure> {
        let file = File::options().append(true).create_new(true).open(path).map_err(|error| {
            if error.kind() == std::io::ErrorKind::AlreadyExists {
                exists(path)
            } else {
                Failure::nothing(format!("{} cannot be written: {error}", path.display()))
            }
        })?;
        let twin = file.try_clone().map_err(|error| full(path, &error))?;
        // One waiting wish is enough: a sync covers everything before it.
        let (wake, wishes) = sync_channel::<()>(1);
        let thread = std::thread::spawn(move || {
            for () in wishes {
                twin.sync_data()?;
            }
            twin.sync_all()
        });
        let syncer = Some(Syncer { wake, thread });
        Ok(Self { disk: Some(file), path: path.to_owned(), length: 0, dirty: false, syncer, unnamed: None })
    }

    /// Creates the file under a name of its own beside the path, which it gets with `name`: a file of a series is there
    /// with its header or not at all.
    ///
    /// # Errors
    /// As `create`.
    pub fn create_unnamed(path: &Path) -> Result<Self, Failure> {
        let mut beside = path.as_os_str().to_owned();
        beside.push(UNNAMED);
        let store = Self::create(Path::new(&beside))?;
        Ok(Self { path: path.to_owned(), unnamed: Some(beside.into()), ..store })
    }

    /// Gives it its name, if it has not got it.
    ///
    /// # Errors
    /// The folder does not take it.
    pub fn name(&mut self) -> Result<(), Failure> {
        match self.unnamed.take() {
            Some(_) if self.path.exists() => Err(exists(&self.path)),
            Some(beside) => std::fs::rename(beside, &self.path).map_err(|error| full(&self.path, &error)),
            None => Ok(()),
        }
    }

    /// A store that keeps nothing.
    pub fn nowhere() -> Self {
        Self { disk: None, path: PathBuf::new(), length: 0, dirty: false, syncer: None, unnamed: None }
    }

    /// Syncs what is left, closes the file and hashes it as it stands on the disk.
    ///
    /// # Errors
    /// The disk did not take all of it, or it cannot be read back; nothing was kept.
    pub fn close(mut self) -> Result<ClosedCapture, Failure> {
        if self.disk.is_none() {
            return Err(Failure::nothing("no capture was kept"));
        }
        if let Some(syncer) = self.syncer.take() {
            drop(syncer.wake);
            match syncer.thread.join() {
                Ok(Ok(())) => {}
                Ok(Err(error)) => return Err(full(&self.path, &error)),
                Err(_) => return Err(Failure::nothing(format!("{} was not synced", self.path.display()))),
            }
        }
        let sha256 = sha256_of(&self.path)?;
        Ok(ClosedCapture { path: self.path, sha256 })
    }
}

impl<D: Disk> Store<D> {
    /// Appends whole blocks with one write.
    ///
    /// # Errors
    /// The disk is full or gone: what it took of these blocks is taken back, and what stood before stays readable.
    pub fn append(&mut self, blocks: &[u8]) -> Result<(), Failure> {
        let Some(disk) = &mut self.disk else { return Ok(()) };
        if let Err(error) = disk.append(blocks) {
            // Should even this fail, the reader still finds the cut and uses what stands before it.
            let _ = disk.cut(self.length);
            return Err(full(&self.path, &error));
        }
        self.length += blocks.len() as u64;
        self.dirty = true;
        Ok(())
    }

    /// Wishes for a sync of everything appended so far, without waiting for it. Called once a second and at marks.
    ///
    /// # Errors
    /// An earlier sync failed: the disk is full or gone.
    pub fn sync(&mut self) -> Result<(), Failure> {
        if !std::mem::take(&mut self.dirty) {
            return Ok(());
        }
        match self.syncer.as_ref().map(|syncer| syncer.wake.try_send(())) {
            None | Some(Ok(()) | Err(TrySendError::Full(()))) => Ok(()),
            Some(Err(TrySendError::Disconnected(()))) => {
                let error = match self.syncer.take().map(|syncer| syncer.thread.join()) {
                    Some(Ok(Err(error))) => error,
                    _ => std::io::Error::other("the disk did not take it"),
                };
                Err(full(&self.path, &error))
            }
        }
    }

    /// Where it is, if it is kept.
    pub fn path(&self) -> Option<&Path> {
        self.disk.is_some().then_some(&self.path)
    }

    /// How many bytes it holds.
    pub fn length(&self) -> u64 {
        self.length
    }
}

/// A capture that is there already.
pub(super) fn exists(path: &Path) -> Failure {
    Failure::usage(format!("{} exists already", path.display()))
        .hint("name another file: a capture is evidence and is never written over")
}

/// SHA-256 of a file, lower-case hexadecimal.
///
/// # Errors
/// It cannot be read.
pub fn sha256_of(path: &Path) -> Result<String, Failure> {
    let unreadable =
        |error: std::io::Error| Failure::unreadable(format!("{} cannot be read: {error}", path.display()));
    #[expect(clippy::disallowed_methods, reason = "the rim reads files")]
    let mut file = File::open(path).map_err(unreadable)?;
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    loop {
        match file.read(&mut buffer).map_err(unreadable)? {
            0 => break,
            count => hash.update(&buffer[..count]),
        }
    }
    Ok(format!("{:x}", hash.finalize()))
}

/// SHA-256 of bytes already read, lower-case hexadecimal.
pub fn sha256(bytes: &[u8]) -> String {
    format!("{:x}", Sha256::digest(bytes))
}

/// A hash that was made piece by piece, lower-case hexadecimal.
pub(super) fn hex(hash: Sha256) -> String {
    format!("{:x}", hash.finalize())
}

fn full(path: &Path, error: &std::io::Error) -> Failure {
    let failure = Failure::nothing(format!("{} cannot be written on: {error}", path.display()));
    if error.kind() == std::io::ErrorKind::StorageFull {
        failure.hint("make room on the disk; what was recorded so far is kept and readable")
    } else {
        failure.hint("what was recorded so far is kept")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_appended_is_there_and_the_hash_is_sha_256() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("a.pcapng");
        let mut store = Store::create(&path).expect("create");
        store.append(b"ab").expect("append");
        store.sync().expect("sync");
        store.append(b"c").expect("append");
        let closed = store.close().expect("close");
        // FIPS 180-2, B.1: SHA-256 of "abc".
        assert_eq!(closed.sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert_eq!(closed.path, path);
    }

    #[test]
    fn a_file_that_exists_is_never_touched() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("a.pcapng");
        Store::create(&path).expect("create").append(b"kept").expect("append");
        let failure = Store::create(&path).expect_err("exists");
        assert_eq!(failure.kind, crate::base::FailureKind::Usage);
        assert_eq!(std::fs::metadata(&path).expect("metadata").len(), 4);
    }

    /// A disk with room for so many bytes.
    struct Small(Vec<u8>, usize);

    impl Disk for Small {
        fn append(&mut self, bytes: &[u8]) -> std::io::Result<()> {
            let room = self.1 - self.0.len();
            self.0.extend_from_slice(&bytes[..bytes.len().min(room)]);
            if bytes.len() > room { Err(std::io::ErrorKind::StorageFull.into()) } else { Ok(()) }
        }

        fn cut(&mut self, length: u64) -> std::io::Result<()> {
            self.0.truncate(length as usize);
            Ok(())
        }
    }

    #[test]
    fn a_full_disk_is_told_and_leaves_whole_blocks() {
        let disk = Some(Small(Vec::new(), 10));
        let mut store =
            Store { disk, path: "a".into(), length: 0, dirty: false, syncer: None, unnamed: None };
        store.append(b"whole 1").expect("room");
        let failure = store.append(b"whole 2").expect_err("no room");
        assert_eq!(failure.kind, crate::base::FailureKind::NothingMeasured);
        assert!(failure.hint.expect("hint").contains("make room"));
        assert_eq!(store.disk.expect("kept").0, b"whole 1");
    }
}
