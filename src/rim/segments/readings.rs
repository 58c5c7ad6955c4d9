//! A segment's readings as a Parquet file beside it: a row for each poll cycle of a meter, as `convert` writes them, with
//! no more in memory than some minutes of it.

use std::fs::File;
use std::io::{BufWriter, Read as _};
use std::path::Path;

use parquet::file::reader::FileReader as _;
use parquet::file::serialized_reader::SerializedFileReader;

use super::super::log_files::{look, open};
use super::super::parquet::{Labels, ParquetFile};
use crate::base::Failure;
use crate::pipeline::long::LongPipeline;
use crate::pipeline::{Overrides, site_and_profiles};
use crate::reading::MeterSeries;
use crate::record::{CaptureStream, Entry};
use crate::report::columns::{columns, table_rows};

/// Bytes read at a time.
const PIECE: usize = 256 << 10;

/// Writes the readings of a capture, reads back how many there are, and gives the file its name.
///
/// # Errors
/// The capture cannot be read, or the disk did not take the readings.
#[expect(clippy::disallowed_methods, reason = "the rim writes files")]
pub(super) fn write(capture: &Path, to: &Path) -> Result<(), Failure> {
    let failed = |error: &dyn std::fmt::Display| {
        Failure::nothing(format!("the readings of {} cannot be written: {error}", capture.display()))
    };
    let part = to.with_extension("parquet.part");
    let file = File::create(&part).map_err(|error| failed(&error))?;
    let (file, rows) = table(capture, BufWriter::new(file))?;
    let file = file.into_inner().map_err(|error| failed(&error))?;
    file.sync_all().map_err(|error| failed(&error))?;
    let back = File::open(&part).map_err(|error| failed(&error))?;
    let back = SerializedFileReader::new(back).map_err(|error| failed(&error))?;
    if back.metadata().file_metadata().num_rows() != rows {
        return Err(failed(&"they do not read back whole"));
    }
    std::fs::rename(&part, to).map_err(|error| failed(&error))
}

/// The table, and how many rows it has.
fn table<W: std::io::Write + Send>(capture: &Path, to: W) -> Result<(W, i64), Failure> {
    let ports = [crate::record::PORT];
    let head = look(capture, &ports)?;
    let (site, profiles, _) = site_and_profiles(head.marks.iter(), &Overrides::default())?;
    let columns = columns(&profiles);
    let name = capture.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let origin = [
        ("wattward.signs", "powers and reactive powers positive on import".to_owned()),
        ("wattward.captures", serde_json::json!({ name: super::sha256_of(capture)? }).to_string()),
    ];
    let mut table = ParquetFile::begin(to, &columns, true, &origin)?;
    let mut count = 0;
    let mut add = |table: &mut ParquetFile<W>, series: Vec<MeterSeries>| {
        for (meter, series) in site.meters.iter().zip(&series) {
            let labels = Labels { meter: meter.name.clone(), site: Some(site.name.clone()) };
            let rows = table_rows(series, &columns);
            count += rows.len() as i64;
            table.add(&labels, rows)?;
        }
        Ok::<(), Failure>(())
    };
    let mut pipeline = LongPipeline::new(&site, &profiles);
    let mut stream = CaptureStream::new(&ports);
    let mut source = open(capture)?;
    let (mut piece, mut lines) = (vec![0; PIECE], Vec::new());
    let push = |entries: Vec<Entry>, lines: &[u16], pipeline: &mut LongPipeline| {
        for mut entry in entries {
            if let Entry::Chunk(chunk) = &mut entry {
                let Some(line) = lines.get(usize::from(chunk.line)) else { continue };
                chunk.line = *line;
            }
            pipeline.push(&entry);
        }
    };
    loop {
        let read = source.read(&mut piece);
        let read = read.map_err(|error| Failure::unreadable(format!("{}: {error}", capture.display())))?;
        if read == 0 {
            break;
        }
        let entries = stream.push(&piece[..read])?;
        if stream.lines().len() > lines.len() {
            lines = pipeline.lines(stream.lines());
        }
        push(entries, &lines, &mut pipeline);
        add(&mut table, pipeline.take_series())?;
    }
    let (entries, _) = stream.finish()?;
    push(entries, &lines, &mut pipeline);
    add(&mut table, pipeline.finish_series())?;
    Ok((table.finish()?, count))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::replay;
    use crate::record::{frame_all, read_capture};

    #[test]
    #[expect(clippy::disallowed_methods, reason = "a test reads files")]
    fn as_many_rows_as_the_whole_capture_replayed_gives() {
        for name in ["limit-held", "ct-right"] {
            let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("captures/{name}.pcapng"));
            let capture = read_capture(&std::fs::read(&path).expect("a capture")).expect("a capture");
            let records = frame_all(&capture);
            let case = replay(&capture.lines, &records, &Overrides::default()).expect("a case").case;
            let columns = columns(case.meters.iter().map(|meter| &meter.profile));
            let rows =
                case.meters.iter().map(|meter| table_rows(&meter.series, &columns).len()).sum::<usize>();
            let (_, count) = table(&path, Vec::new()).expect("a table");
            assert!(rows > 10);
            assert_eq!(count, rows as i64, "{name}");
        }
    }
}
