//! Captures of weeks, read in the order of time with little in memory: plain or compressed with zstd, one after the other
//! where they follow each other, side by side where they overlap (several meters, a file each).

use std::collections::VecDeque;
use std::fs::File;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use sha2::{Digest, Sha256};

use super::store::hex;
use crate::base::{Failure, Stamp};
use crate::evidence::long::Slice;
use crate::pipeline::long::LongPipeline;
use crate::record::{CaptureStream, Cut, Entry, LineInfo, Mark, MarkKind};

/// Bytes read at a time.
const PIECE: usize = 256 << 10;

/// How much of a file is looked at for its first packet.
const HEAD: usize = 32 << 20;

/// First bytes of a zstd frame (RFC 8878, 3.1.1).
const ZSTD: [u8; 4] = [0x28, 0xB5, 0x2F, 0xFD];

/// A capture before it is read.
#[derive(Clone, Debug)]
pub struct LogFile {
    /// Where it is.
    pub path: PathBuf,
    /// Bytes on the disk.
    pub bytes: u64,
    /// Its lines, as far as its head names them.
    pub lines: Vec<LineInfo>,
    /// The site and profiles it holds, and what else is noted before the first packet.
    pub marks: Vec<Mark>,
    /// When it begins.
    pub first: Option<Stamp>,
}

/// A capture that has been read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReadFile {
    /// Where it is.
    pub path: PathBuf,
    /// SHA-256 of the file as it stands on the disk.
    pub sha256: String,
    /// Where it stops being whole, if it does.
    pub cut: Option<Cut>,
}

/// Looks at the beginning of a capture.
///
/// # Errors
/// It cannot be read, or is no capture.
pub fn look(path: &Path, ports: &[u16]) -> Result<LogFile, Failure> {
    let bytes = std::fs::metadata(path).map_err(|error| unreadable(path, &error))?.len();
    let mut file =
        LogFile { path: path.to_owned(), bytes, lines: Vec::new(), marks: Vec::new(), first: None };
    let mut source = open(path)?;
    let mut stream = CaptureStream::new(ports);
    let (mut piece, mut seen) = (vec![0; 4 << 10], 0);
    while seen < HEAD && file.first.is_none() {
        let count = source.read(&mut piece).map_err(|error| unreadable(path, &error))?;
        let entries = if count == 0 {
            file.lines = stream.lines().to_vec();
            let (entries, _) = stream.finish().map_err(|failure| of(path, failure))?;
            file.take(entries);
            return Ok(file);
        } else {
            stream.push(&piece[..count]).map_err(|failure| of(path, failure))?
        };
        seen += count;
        file.take(entries);
        // Files that begin with large texts are read faster.
        if piece.len() < PIECE {
            piece.resize(piece.len() * 2, 0);
        }
    }
    file.lines = stream.lines().to_vec();
    Ok(file)
}

impl LogFile {
    fn take(&mut self, entries: Vec<Entry>) {
        for entry in entries {
            match entry {
                Entry::Chunk(chunk) => {
                    self.first.get_or_insert(chunk.at);
                    return;
                }
                Entry::Mark(mark) if matches!(mark.kind, MarkKind::Site | MarkKind::Profile) => {
                    self.marks.push(*mark);
                }
                Entry::Mark(_) => {}
            }
        }
    }
}

/// Reads all files in the order of time through a pipeline. `slice` takes each slice, `progress` the bytes read so far.
///
/// # Errors
/// A file cannot be read, or is no capture.
pub fn read(
    mut files: Vec<LogFile>,
    ports: &[u16],
    pipeline: &mut LongPipeline,
    mut slice: impl FnMut(Slice),
    mut progress: impl FnMut(u64),
) -> Result<Vec<ReadFile>, Failure> {
    files.sort_by(|one, other| (one.first, &one.path).cmp(&(other.first, &other.path)));
    let mut waiting: VecDeque<LogFile> = files.into();
    let mut open: Vec<Running> = Vec::new();
    let (mut done, mut read_bytes) = (Vec::new(), 0);
    loop {
        // Of the open files the one that is earliest; a file that begins before that is opened first.
        for running in &mut open {
            read_bytes += running.fill(pipeline)?;
        }
        let (over, going): (Vec<_>, Vec<_>) = open.into_iter().partition(|running| running.queue.is_empty());
        open = going;
        done.extend(over.into_iter().map(Running::close));
        let place = (0..open.len()).min_by_key(|place| open[*place].at());
        let earliest = place.and_then(|place| open[place].at());
        let next = waiting.front().is_some_and(|file| earliest.is_none() || file.first < earliest);
        if let Some(file) = if next { waiting.pop_front() } else { None } {
            open.push(Running::new(&file, ports)?);
            continue;
        }
        let Some(place) = place else { break };
        let others = (0..open.len()).filter(|other| *other != place).filter_map(|other| open[other].at());
        let until = others.chain(waiting.front().and_then(|file| file.first)).min();
        open[place].pass(until, pipeline);
        for ready in pipeline.ready() {
            slice(ready);
        }
        progress(read_bytes);
    }
    Ok(done)
}

/// A capture being read.
struct Running {
    path: PathBuf,
    source: Box<dyn Read + Send>,
    hash: Arc<Mutex<Passed>>,
    /// Nothing once the file has ended.
    stream: Option<CaptureStream>,
    cut: Option<Cut>,
    /// The file's lines, as the pipeline numbers them.
    lines: Vec<u16>,
    queue: VecDeque<Entry>,
    piece: Vec<u8>,
    latest: Option<Stamp>,
}

impl Running {
    fn new(file: &LogFile, ports: &[u16]) -> Result<Self, Failure> {
        let hash = Arc::new(Mutex::new(Passed::default()));
        let source = open_hashed(&file.path, Some(Arc::clone(&hash)))?;
        Ok(Self {
            path: file.path.clone(),
            source,
            hash,
            stream: Some(CaptureStream::new(ports)),
            cut: None,
            lines: Vec::new(),
            queue: VecDeque::new(),
            piece: vec![0; PIECE],
            latest: None,
        })
    }

    /// When its next entry is; a mark noted late counts as now.
    fn at(&self) -> Option<Stamp> {
        self.queue.front().map(|entry| self.latest.map_or(time(entry), |latest| latest.max(time(entry))))
    }

    /// Reads on where nothing waits; the bytes read.
    fn fill(&mut self, pipeline: &mut LongPipeline) -> Result<u64, Failure> {
        let before = self.passed();
        while self.queue.is_empty() {
            let Some(mut stream) = self.stream.take() else { break };
            let count = self.source.read(&mut self.piece).map_err(|error| unreadable(&self.path, &error))?;
            let entries = if count == 0 {
                let (entries, cut) = stream.finish().map_err(|failure| of(&self.path, failure))?;
                self.cut = cut;
                entries
            } else {
                let entries = stream.push(&self.piece[..count]).map_err(|failure| of(&self.path, failure))?;
                if stream.lines().len() > self.lines.len() {
                    self.lines = pipeline.lines(stream.lines());
                }
                self.stream = Some(stream);
                entries
            };
            for entry in entries {
                let entry = self.numbered(entry);
                self.queue.extend(entry);
            }
        }
        Ok(self.passed() - before)
    }

    fn passed(&self) -> u64 {
        self.hash.lock().map_or(0, |passed| passed.bytes)
    }

    fn numbered(&self, mut entry: Entry) -> Option<Entry> {
        if let Entry::Chunk(chunk) = &mut entry {
            chunk.line = *self.lines.get(usize::from(chunk.line))?;
        }
        Some(entry)
    }

    /// Hands on what waits, up to an instant.
    fn pass(&mut self, until: Option<Stamp>, pipeline: &mut LongPipeline) {
        while let Some(entry) = self.queue.front() {
            let at = self.latest.map_or(time(entry), |latest| latest.max(time(entry)));
            if until.is_some_and(|until| at > until) {
                break;
            }
            pipeline.push(entry);
            self.latest = Some(at);
            self.queue.pop_front();
        }
    }

    fn close(self) -> ReadFile {
        let sha256 = self.hash.lock().map_or_else(|_| String::new(), |passed| hex(passed.hash.clone()));
        ReadFile { path: self.path, sha256, cut: self.cut }
    }
}

fn time(entry: &Entry) -> Stamp {
    match entry {
        Entry::Chunk(chunk) => chunk.at,
        Entry::Mark(mark) => mark.at,
    }
}

/// What of a file has been read.
#[derive(Default)]
struct Passed {
    hash: Sha256,
    bytes: u64,
}

/// A file that notes its hash as it is read.
struct Hashed {
    file: File,
    hash: Option<Arc<Mutex<Passed>>>,
}

impl Read for Hashed {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let count = self.file.read(buffer)?;
        if let Some(Ok(mut hash)) = self.hash.as_ref().map(|hash| hash.lock()) {
            hash.hash.update(&buffer[..count]);
            hash.bytes += count as u64;
        }
        Ok(count)
    }
}

/// A file's bytes, unpacked where zstd packed it, with the SHA-256 of the file as it stands on the disk.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unpacked {
    /// What it holds.
    pub bytes: Vec<u8>,
    /// Of the file itself.
    pub sha256: String,
    /// Why what was packed could not be unpacked to its end: `bytes` are what came before.
    pub short: Option<String>,
}

/// Unpacks bytes read from a capture's file, where they are packed.
pub fn unpack(bytes: Vec<u8>) -> Unpacked {
    let sha256 = super::store::sha256(&bytes);
    if !bytes.starts_with(&ZSTD) {
        return Unpacked { bytes, sha256, short: None };
    }
    let mut unpacked = Vec::new();
    let read = zstd::stream::read::Decoder::new(&bytes[..])
        .and_then(|mut decoder| decoder.read_to_end(&mut unpacked).map(drop));
    Unpacked { bytes: unpacked, sha256, short: read.err().map(|error| error.to_string()) }
}

/// Opens a capture to be read from its beginning, plain or packed.
///
/// # Errors
/// It cannot be read.
pub fn open(path: &Path) -> Result<Box<dyn Read + Send>, Failure> {
    open_hashed(path, None)
}

#[expect(clippy::disallowed_methods, reason = "the rim reads files")]
fn open_hashed(path: &Path, hash: Option<Arc<Mutex<Passed>>>) -> Result<Box<dyn Read + Send>, Failure> {
    let mut head = [0; 4];
    let file = File::open(path).map_err(|error| unreadable(path, &error))?;
    let count = (&file).read(&mut head).map_err(|error| unreadable(path, &error))?;
    let file = File::open(path).map_err(|error| unreadable(path, &error))?;
    let source = Hashed { file, hash };
    if count == 4 && head == ZSTD {
        let decoder = zstd::stream::read::Decoder::new(source).map_err(|error| unreadable(path, &error))?;
        return Ok(Box::new(decoder));
    }
    Ok(Box::new(BufReader::with_capacity(PIECE, source)))
}

fn unreadable(path: &Path, error: &std::io::Error) -> Failure {
    Failure::unreadable(format!("cannot read {}: {error}", path.display()))
}

fn of(path: &Path, failure: Failure) -> Failure {
    Failure { message: format!("{}: {}", path.display(), failure.message), ..failure }
}
