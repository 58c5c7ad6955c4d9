//! The document does not depend on how the log was cut, nor on whether its parts are compressed.

use std::path::Path;
use std::process::Command;

use serde_json::Value;

use crate::frames::{captures, log};

fn review(folder: &Path) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_wattward"))
        .args(["review", "--json", "--from", "."])
        .current_dir(folder)
        .output()
        .expect("the program runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}

/// The text without the list of files.
fn without_files(document: &str) -> String {
    let start = document.find("  \"captures\": [").expect("captures");
    let end = start + document[start..].find("],\n").expect("a list") + 3;
    format!("{}{}", &document[..start], &document[end..])
}

#[test]
fn one_seven_or_four_hundred_segments_give_the_same_document() {
    let records = log(7500);
    let mut seen: Vec<String> = Vec::new();
    for (count, compressed) in [(1, false), (7, false), (400, false), (7, true)] {
        let folder = tempfile::tempdir().expect("folder");
        for (index, bytes) in captures(&records, count).into_iter().enumerate() {
            if compressed {
                let packed = zstd::encode_all(&bytes[..], 3).expect("zstd");
                std::fs::write(folder.path().join(format!("log-{index:04}.pcapng.zst")), packed)
                    .expect("write");
            } else {
                std::fs::write(folder.path().join(format!("log-{index:04}.pcapng")), bytes).expect("write");
            }
        }
        seen.push(without_files(&review(folder.path())));
    }
    assert!(seen.iter().all(|document| *document == seen[0]), "the documents differ");
    let value: Value = serde_json::from_str(&seen[0]).expect("a document still");
    assert!(value.get("captures").is_none() && value["period"]["readings"].as_u64() > Some(7000), "{value}");
    assert!(seen[0].contains("\"counter_resets\": [\n    {"), "{}", seen[0]);
    assert!(seen[0].contains("\"found\": true"), "hunting: {}", seen[0]);
}
