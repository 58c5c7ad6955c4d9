//! A series as logs leave it: ended at UTC multiples, killed, beside files of others, on a disk that refuses.

use super::*;
use crate::record::CaptureWriter;

const HOUR: Series = Series { length: SegmentLength::Time(Span::from_millis(3_600_000)), keep: None };

fn at(text: &str) -> Stamp {
    Stamp::parse(text).expect("a time")
}

/// What a recorder begins a segment with.
fn head(series: &str) -> Vec<u8> {
    CaptureWriter::new(&[]).in_series(series).header().concat()
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .expect("folder")
        .map(|entry| entry.expect("entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

fn ending(folder: &Path, ending: &str) -> Vec<String> {
    let mut names = names(folder);
    names.retain(|name| Path::new(name).extension().is_some_and(|found| found == ending));
    names
}

#[test]
fn lengths_are_read_with_their_unit_only() {
    assert_eq!(SegmentLength::parse("1d"), Ok(SegmentLength::Time(Span::from_millis(86_400_000))));
    assert_eq!(SegmentLength::parse("500MB"), Ok(SegmentLength::Bytes(500_000_000)));
    assert!(SegmentLength::parse("500").is_err() && SegmentLength::parse("0GB").is_err());
    for large in ["18446744074GB", "18446744073709551615MB", "99999999999GB", "106751d", "9999999999999d"] {
        assert!(SegmentLength::parse(large).is_err(), "{large}");
    }
}

#[test]
#[expect(clippy::disallowed_methods, reason = "a test reads back what was written")]
fn segments_end_at_utc_multiples_are_packed_and_go_on_after_a_crash() {
    let folder = tempfile::tempdir().expect("folder");
    let stem = folder.path().join("barn");
    let mut segments = Segments::new(&stem, HOUR).expect("a series");
    let mut store = segments.open(at("2026-09-21T14:13:20Z")).expect("open");
    store.append(&head("barn")).expect("append");
    assert!(!segments.due(at("2026-09-21T14:59:59.9Z"), 0) && segments.due(at("2026-09-21T15:00:00Z"), 0));
    segments.close(store);
    // The second one is left as a crash leaves it.
    let mut left = segments.open(at("2026-09-21T15:00:00Z")).expect("open");
    left.append(&[&head("barn")[..], b"second"].concat()).expect("append");
    left.name().expect("named");
    assert!(Segments::new(&stem, HOUR).is_err(), "two logs on one series");
    let Segments { packer, _lock: lock, .. } = segments;
    packer.finish().expect("packed");
    drop((left, lock));
    let mut again = Segments::new(&stem, HOUR).expect("the same series");
    let mut store = again.open(at("2026-09-21T15:20:00Z")).expect("open");
    store.append(b"third").expect("append");
    let last = again.finish(store).expect("packed");
    assert!(last.path.ends_with("barn-20260921T152000Z.pcapng.zst"), "{last:?}");
    let names = names(folder.path());
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
    assert_eq!(zstd::decode_all(&packed[..]).expect("zstd"), [&head("barn")[..], b"second"].concat());
    let index = std::fs::read_to_string(folder.path().join("barn.index.jsonl")).expect("index");
    assert_eq!(index.lines().count(), 3);
}

#[test]
#[expect(clippy::disallowed_methods, reason = "a test writes files of others")]
fn evidence_of_others_in_the_folder_is_never_touched() {
    let folder = tempfile::tempdir().expect("folder");
    let others = [
        // Names that begin alike; names of the very pattern that are no segment of this series.
        ("log-20260921-141320.pcapng", CaptureWriter::new(&[]).header().concat()),
        ("log-visit.pcapng", CaptureWriter::new(&[]).header().concat()),
        ("log-east-20260921T141320Z.pcapng", head("log-east")),
        ("log-20260920T000000Z.pcapng", CaptureWriter::new(&[]).header().concat()),
        ("log-20260920T010000Z.pcapng", head("barn")),
        ("log-20260920T020000Z.pcapng", b"no capture at all".to_vec()),
        ("log-20260920T030000Z.pcapng", Vec::new()),
    ];
    for (name, bytes) in &others {
        std::fs::write(folder.path().join(name), bytes).expect("write");
    }
    std::fs::write(folder.path().join("log-20260921T130000Z.pcapng"), head("log")).expect("write");
    let mut segments = Segments::new(&folder.path().join("log"), HOUR).expect("a series");
    let store = segments.open(at("2026-09-21T14:13:20Z")).expect("open");
    segments.finish(store).expect("packed");
    for (name, bytes) in &others {
        assert_eq!(std::fs::read(folder.path().join(name)).ok().as_ref(), Some(bytes), "{name}");
    }
    assert_eq!(
        ending(folder.path(), "zst"),
        ["log-20260921T130000Z.pcapng.zst", "log-20260921T141320Z.pcapng.zst"]
    );
}

#[test]
fn one_that_cannot_be_packed_is_told_kept_and_holds_up_no_other() {
    let folder = tempfile::tempdir().expect("folder");
    let mut segments = Segments::new(&folder.path().join("barn"), HOUR).expect("a series");
    let first = segments.open(at("2026-09-21T14:13:20Z")).expect("open");
    // Something stands where the packed copy should go.
    let in_the_way = folder.path().join("barn-20260921T141320Z.pcapng.zst");
    std::fs::create_dir(&in_the_way).expect("in the way");
    segments.close(first);
    let second = segments.open(at("2026-09-21T15:00:00Z")).expect("open");
    segments.close(second);
    let mut told = None;
    for _ in 0..500 {
        told = told.or_else(|| segments.trouble());
        if told.is_some() && folder.path().join("barn-20260921T150000Z.pcapng.zst").exists() {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    assert!(told.expect("told").message.contains("barn-20260921T141320Z.pcapng cannot be packed"));
    assert!(folder.path().join("barn-20260921T141320Z.pcapng").exists(), "kept");
    std::fs::remove_dir(&in_the_way).expect("out of the way");
    let third = segments.open(at("2026-09-21T16:00:00Z")).expect("open");
    segments.finish(third).expect("packed");
    assert_eq!(ending(folder.path(), "pcapng"), [""; 0], "tried again with the next");
}
