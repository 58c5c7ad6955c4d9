//! Captures that zstd packed (segments of a log) are read wherever plain ones are, and say the same.

#![cfg(feature = "rim")]
#![expect(clippy::disallowed_methods, clippy::expect_used, reason = "a test may stop where it stands")]

use std::path::Path;
use std::process::{Command, Output};

use sha2::{Digest as _, Sha256};

fn capture(name: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures").join(name);
    std::fs::read(path).expect("a capture")
}

fn wattward(folder: &Path, args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_wattward"));
    command.args(args).current_dir(folder).output().expect("the program runs")
}

/// A folder with a capture plain and packed.
fn folder(name: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let plain = capture(name);
    std::fs::write(folder.path().join("x.pcapng"), &plain).expect("written");
    let packed = zstd::encode_all(&plain[..], 3).expect("packed");
    std::fs::write(folder.path().join("y.pcapng.zst"), packed).expect("written");
    folder
}

#[test]
fn every_command_that_reads_a_capture_reads_a_packed_one_and_says_the_same() {
    let folder = folder("ct-reversed.pcapng");
    for args in [
        &["replay", "FILE"][..],
        &["ct", "--from", "FILE"],
        &["read", "--from", "FILE"],
        &["listen", "--from", "FILE"],
        &["line", "--from", "FILE"],
        &["convert", "--from", "FILE", "--out", "FILE.csv"],
        &["report", "FILE", "--out", "FILE.md"],
        &["review", "--from", "FILE"],
    ] {
        let said = |file: &str| {
            let args: Vec<String> = args.iter().map(|arg| arg.replace("FILE", file)).collect();
            let output = wattward(folder.path(), &args.iter().map(String::as_str).collect::<Vec<_>>());
            let text = [output.stdout, output.stderr].concat();
            let text = String::from_utf8_lossy(&text).replace(file, "FILE");
            let bytes = std::fs::read(folder.path().join(file)).expect("there");
            (output.status.code(), text.replace(&format!("{:x}", Sha256::digest(&bytes)), "HASH"))
        };
        let (plain, packed) = (said("x.pcapng"), said("y.pcapng.zst"));
        assert_eq!(plain, packed, "{args:?}");
        assert!(!packed.1.contains("cannot read"), "{args:?}: {}", packed.1);
    }
}

#[test]
fn a_packed_capture_that_is_not_whole_is_used_as_far_as_it_goes_and_said() {
    let folder = folder("ct-reversed.pcapng");
    let path = folder.path().join("y.pcapng.zst");
    let plain = capture("ct-reversed.pcapng");
    let frames: Vec<Vec<u8>> =
        plain.chunks(plain.len() / 2).map(|half| zstd::encode_all(half, 3).expect("packed")).collect();
    let mut packed = frames.concat();
    packed.truncate(packed.len() - 9);
    std::fs::write(&path, &packed).expect("written");
    let said =
        |output: Output| String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned();
    let half = said(wattward(folder.path(), &["replay", "y.pcapng.zst"]));
    assert!(half.contains("y.pcapng.zst is packed and not whole") && half.contains("answers"), "{half}");
    std::fs::write(&path, &packed[..9]).expect("written");
    let output = wattward(folder.path(), &["replay", "y.pcapng.zst"]);
    assert_eq!(output.status.code(), Some(5));
    assert!(said(output).contains("nothing can be unpacked"));
}

#[test]
fn a_capture_that_stands_there_plain_and_packed_counts_once() {
    let folder = folder("limit-held.pcapng");
    let review = || {
        let output = wattward(folder.path(), &["review", "--from", ".", "--json"]);
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).expect("json");
        (document["line"]["requests"].clone(), document["captures"].as_array().expect("captures").len())
    };
    std::fs::rename(folder.path().join("y.pcapng.zst"), folder.path().join("x.pcapng.zst")).expect("renamed");
    let both = review();
    std::fs::remove_file(folder.path().join("x.pcapng.zst")).expect("removed");
    assert_eq!(both.1, 1);
    assert_eq!(both, review());
}
