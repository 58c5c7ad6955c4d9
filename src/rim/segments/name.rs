//! Which files are segments of a series: by their name, and by what they say of themselves. Anything else in the folder,
//! however alike its name, is somebody else's evidence.

use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use crate::base::Stamp;
use crate::record::series_of;

/// Ending of a segment that is written on or waits to be packed.
pub(super) const PLAIN: &str = ".pcapng";
/// Ending of a packed one.
pub(super) const PACKED: &str = ".pcapng.zst";
/// Ending of the readings that stay when a raw one goes.
pub(super) const READINGS: &str = ".parquet";

/// Bytes of a file's head in which its section header stands.
const HEAD: u64 = 4096;

/// The file name of the segment of a series that begins then; `number` counts those of one second, from 1.
pub(super) fn file_name(series: &str, begins: Stamp, number: u32) -> String {
    let time = begins.rfc3339(0).replace(['-', ':'], "");
    let number = if number > 1 { format!("-{number}") } else { String::new() };
    format!("{series}-{time}{number}{PLAIN}")
}

/// Whether a file name is exactly that of a segment of this series: `SERIES-20260921T141320Z.pcapng`, with `-2` and so on
/// for the second of a second. What it has in common with the times of others, sorted as they were begun.
pub(super) fn place<'a>(series: &str, file: &'a str, ending: &str) -> Option<(&'a str, u32)> {
    let rest = file.strip_prefix(series)?.strip_prefix('-')?.strip_suffix(ending)?;
    let (time, number) = rest.split_at_checked("20260921T141320Z".len())?;
    let shape = |(index, byte): (usize, u8)| match index {
        8 => byte == b'T',
        15 => byte == b'Z',
        _ => byte.is_ascii_digit(),
    };
    let number = match number.strip_prefix('-') {
        None => number.is_empty().then_some(1),
        Some(digits) if digits.starts_with(|first: char| first.is_ascii_digit() && first != '0') => {
            digits.parse().ok().filter(|number| *number > 1)
        }
        Some(_) => None,
    };
    time.bytes().enumerate().all(shape).then_some((time, number?))
}

/// The files of a series with this ending, in the order they were begun.
pub(super) fn files(folder: &Path, series: &str, ending: &str) -> std::io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let file = entry.file_name().to_string_lossy().into_owned();
        if let Some((time, number)) = place(series, &file, ending)
            && entry.file_type()?.is_file()
        {
            found.push((time.to_owned(), number, entry.path()));
        }
    }
    found.sort();
    Ok(found.into_iter().map(|(_, _, path)| path).collect())
}

/// Whether a plain file says of itself that it is a segment of this series.
#[expect(clippy::disallowed_methods, reason = "the rim reads files")]
pub(super) fn says_so(path: &Path, series: &str) -> std::io::Result<bool> {
    let mut head = Vec::new();
    File::open(path)?.take(HEAD).read_to_end(&mut head)?;
    Ok(series_of(&head).as_deref() == Some(series))
}

/// The same of a packed one.
pub(super) fn packed_says_so(path: &Path, series: &str) -> std::io::Result<bool> {
    let mut head = Vec::new();
    let opened =
        super::super::log_files::open(path).map_err(|failure| std::io::Error::other(failure.message))?;
    opened.take(HEAD).read_to_end(&mut head)?;
    Ok(series_of(&head).as_deref() == Some(series))
}

/// Where the readings of a segment stand, plain or packed.
pub(super) fn readings_of(path: &Path) -> PathBuf {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let stem = name.strip_suffix(PACKED).or_else(|| name.strip_suffix(PLAIN)).unwrap_or(&name);
    path.with_file_name(format!("{stem}{READINGS}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_of_the_exact_pattern_are_segments() {
        let of = |series, file| place(series, file, PLAIN).is_some();
        assert!(of("barn", "barn-20260921T141320Z.pcapng") && of("barn", "barn-20260921T141320Z-12.pcapng"));
        for other in [
            "barn-east-20260921T141320Z.pcapng",
            "barn-20260921-141320.pcapng",
            "barn-visit.pcapng",
            "barn-20260921T141320Z-1.pcapng",
            "barn-20260921T141320Z-02.pcapng",
            "barn-20260921T141320Z-east.pcapng",
            "barn-20260921T141320Z.pcapng.zst",
            "barn-2026092ÄT41320Z.pcapng",
            "barn.pcapng",
        ] {
            assert!(!of("barn", other), "{other}");
        }
        let at = Stamp::parse("2026-09-21T14:13:20Z").expect("a time");
        for number in [1, 2, 10] {
            assert_eq!(place("a", &file_name("a", at, number), PLAIN), Some(("20260921T141320Z", number)));
        }
    }
}
