//! Parquet: one file, or a data set below `site=…/day=…` as query engines know it. Each capture has a file of its own in
//! every day it touches, named after the capture, so a capture converted twice (or again when it has grown) replaces its
//! own rows and no other's.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

use super::{Part, Summary, rows, write_file};
use crate::base::Failure;
use crate::report::CaptureRef;
use crate::report::columns::{Column, TableRow, columns};
use crate::rim::parquet::{Labels, ParquetFile};

/// Everything in one file, the site as a column.
pub(super) fn write_one(
    path: &Path,
    parts: &[Part],
    columns: &[Column],
    summary: &mut Summary,
) -> Result<(), Failure> {
    let captures: Vec<_> = parts.iter().map(|part| &part.capture).collect();
    write_file(path, |file| {
        let mut table = ParquetFile::begin(file, columns, true, &origin(&captures))?;
        for part in parts {
            for (meter, rows) in rows(part, columns) {
                summary.count(&rows);
                let labels = Labels { meter: meter.to_owned(), site: Some(part.case.site.name.clone()) };
                table.add(&labels, rows)?;
            }
        }
        table.finish().map(drop)
    })?;
    summary.files.push(path.display().to_string());
    Ok(())
}

/// A file for each capture and UTC day.
pub(super) fn write_set(root: &Path, parts: &[Part], summary: &mut Summary) -> Result<(), Failure> {
    for part in parts {
        let columns = columns(part.case.meters.iter().map(|meter| &meter.profile));
        let mut days: BTreeMap<String, Vec<(&str, Vec<TableRow>)>> = BTreeMap::new();
        for (meter, rows) in rows(part, &columns) {
            summary.count(&rows);
            for day_rows in rows.chunk_by(|one, next| day(one) == day(next)) {
                let Some(first) = day_rows.first() else { continue };
                days.entry(day(first)).or_default().push((meter, day_rows.to_vec()));
            }
        }
        for (day, meters) in days {
            let folder =
                root.join(format!("site={}", escape(&part.case.site.name))).join(format!("day={day}"));
            std::fs::create_dir_all(&folder).map_err(|error| {
                Failure::nothing(format!("cannot make the folder {}: {error}", folder.display()))
            })?;
            let path = folder.join(format!("capture-{}.parquet", part.identity));
            write_file(&path, |file| {
                let mut table = ParquetFile::begin(file, &columns, false, &origin(&[&part.capture]))?;
                for (meter, rows) in meters {
                    table.add(&Labels { meter: meter.to_owned(), site: None }, rows)?;
                }
                table.finish().map(drop)
            })?;
            summary.files.push(path.display().to_string());
        }
    }
    Ok(())
}

/// The UTC day, so that no day has 23 or 25 hours.
fn day(row: &TableRow) -> String {
    row.at.rfc3339(0).chars().take(10).collect()
}

/// A partition value as a folder name: what a path or an engine would misread is percent-encoded.
fn escape(text: &str) -> String {
    let mut escaped = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.".contains(&byte) {
            escaped.push(char::from(byte));
        } else {
            let _ = write!(escaped, "%{byte:02X}");
        }
    }
    escaped
}

/// What a table's footer says of where it comes from.
fn origin(captures: &[&CaptureRef]) -> Vec<(&'static str, String)> {
    let hashes: BTreeMap<&str, &str> =
        captures.iter().map(|capture| (capture.file.as_str(), capture.sha256.as_str())).collect();
    vec![
        ("wattward.signs", "powers and reactive powers positive on import".to_owned()),
        ("wattward.captures", serde_json::to_string(&hashes).unwrap_or_default()),
    ]
}

#[cfg(test)]
mod tests {
    use super::escape;

    #[test]
    fn a_site_name_cannot_leave_its_folder() {
        // RFC 3986, 2.1: percent-encoding.
        assert_eq!(escape("Cider barn"), "Cider%20barn");
        assert_eq!(escape("../Größe=1"), "..%2FGr%C3%B6%C3%9Fe%3D1");
    }
}
