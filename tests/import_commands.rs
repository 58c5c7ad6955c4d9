//! `profile import` as a person runs it, against a meter of a few lines that follows the open register model; and again from
//! the capture kept. (The published definitions and the package's own meter are in `tests/peers/import_test.py`.)

#![cfg(feature = "rim")]
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Command, Output};

#[path = "common/crc.rs"]
#[expect(unreachable_pub, reason = "shared by test files")]
mod crc;

/// An invented layout in the standard's form.
const DEFINITION: &str = include_str!("files/invented-model.json");
/// The common block's names as in facts 3.2, cut short.
const COMMON: &str = r#"{ "id": 1, "group": { "label": "Common", "points": [
  { "name": "ID", "type": "uint16", "size": 1 }, { "name": "L", "type": "uint16", "size": 1 },
  { "name": "Mn", "type": "string", "size": 4 }, { "name": "Md", "type": "string", "size": 2 } ] } }"#;

/// Marker, a common block of 6 registers ("Example" and "M3"), model 203 with 20, the end without a length.
fn image() -> Vec<u16> {
    let words =
        |text: &[u8]| text.chunks(2).map(|two| u16::from_be_bytes([two[0], two[1]])).collect::<Vec<u16>>();
    let mut image = words(b"SunS");
    image.extend([1, 6]);
    image.extend(words(b"Example\0M3\0\0"));
    // PhVphB not implemented, PhVphA 2305 at -1, W -1234 at 0, PF 980, Hz 49.99, TotWhImp 70000.
    image.extend([203, 20, 0x8000, 2305, 0xFFFF, 0xFB2E, 0, 980, 0x4247, 0xF5C3, 1, 4464]);
    image.extend([0; 10]);
    image.push(0xFFFF);
    image
}

fn meter(base: u16) -> String {
    meter_of(base, image())
}

/// Answers function 3 from an address on, at most 30 registers at once; an exception for everything else.
fn meter_of(base: u16, image: Vec<u16>) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("bind");
    let address = listener.local_addr().expect("address").to_string();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let Ok(mut stream) = stream else { return };
            let mut question = [0; 12];
            while stream.read_exact(&mut question).is_ok() {
                let word = |at: usize| u16::from_be_bytes([question[at], question[at + 1]]);
                let from = usize::from(word(8)).checked_sub(usize::from(base));
                let words = from.and_then(|from| image.get(from..from + usize::from(word(10))));
                let pdu = match words {
                    Some(words) if question[7] == 3 && words.len() <= 30 => {
                        let bytes = words.iter().flat_map(|word| word.to_be_bytes());
                        [3, 2 * words.len() as u8].into_iter().chain(bytes).collect()
                    }
                    _ => vec![question[7] | 0x80, 2],
                };
                let mut answer = question[..4].to_vec();
                answer.extend((pdu.len() as u16 + 1).to_be_bytes());
                answer.push(question[6]);
                answer.extend(pdu);
                if stream.write_all(&answer).is_err() {
                    break;
                }
            }
        }
    });
    address
}

/// The same meter behind a gateway that passes serial frames on. To the first connection nothing comes back; the answer to its
/// first question goes to the next one, as soon as that asks something.
fn late_gateway() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("bind");
    let address = listener.local_addr().expect("address").to_string();
    std::thread::spawn(move || {
        let (image, mut held) = (image(), None);
        for (connection, stream) in listener.incoming().enumerate() {
            let Ok(mut stream) = stream else { return };
            let mut question = [0; 8];
            while stream.read_exact(&mut question).is_ok() {
                let word = |at: usize| u16::from_be_bytes([question[at], question[at + 1]]);
                let from = usize::from(word(2)).checked_sub(40_000);
                let words = from.and_then(|from| image.get(from..from + usize::from(word(4))));
                let answer = match words {
                    Some(words) if question[1] == 3 => {
                        let bytes = words.iter().flat_map(|word| word.to_be_bytes());
                        [question[0], 3, 2 * words.len() as u8].into_iter().chain(bytes).collect()
                    }
                    _ => vec![question[0], question[1] | 0x80, 2],
                };
                if connection == 0 {
                    held.get_or_insert(answer);
                    continue;
                }
                for answer in held.take().into_iter().chain([answer]) {
                    if stream.write_all(&crc::rtu(&answer)).is_err() {
                        break;
                    }
                }
            }
        }
    });
    address
}

#[test]
fn a_late_marker_makes_no_chain_at_the_next_place() {
    let folder = definitions();
    let host = late_gateway();
    let line = ["profile", "import", "models", "--serial-over-tcp", &host, "--listen-first", "100ms"];
    let told = words(&run(folder.path(), &line));
    assert!(!told.contains("the marker stands at 0"), "{told}");
    assert!(told.contains("the marker stands at 40000") || told.contains("no marker"), "{told}");
}

fn run(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_wattward"))
        .args(arguments)
        .current_dir(folder)
        .output()
        .expect("the program runs")
}

fn words(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

fn definitions() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::create_dir(folder.path().join("models")).expect("made");
    std::fs::write(folder.path().join("models/203.json"), DEFINITION).expect("written");
    std::fs::write(folder.path().join("models/1.json"), COMMON).expect("written");
    folder
}

/// Facts 3.3: raw 2305 with -1 is 230.5 V, raw 0xFB2E with 0 is -1234 W; the other values follow from their scales.
#[test]
fn a_meter_gives_a_profile_that_reads_it_and_its_capture_gives_the_same() {
    let folder = definitions();
    let host = meter(50_000);
    let done =
        run(folder.path(), &["profile", "import", "models", "--tcp", &host, "--capture", "kept.pcapng"]);
    let told = words(&done);
    assert_eq!(done.status.code(), Some(0), "{told}");
    for part in [
        "the marker stands at 50000",
        "model 203 (invented) at 50010",
        "Mn Example",
        "implemented by this meter: PhVphB",
        "import is assumed",
    ] {
        assert!(told.contains(part), "{part}\n{told}");
    }
    let read = run(folder.path(), &["read", "--profile", "imported.toml", "--tcp", &host, "--json"]);
    let document: serde_json::Value = serde_json::from_slice(&read.stdout).expect("json");
    let rows = document["meters"][0]["values"].as_array().expect("values");
    let value =
        |point: &str| rows.iter().find(|row| row["point"] == point).and_then(|row| row["value"].as_f64());
    assert_eq!(value("voltage.L1"), Some(230.5));
    assert_eq!(value("active_power.total"), Some(-1234.0));
    assert_eq!(value("power_factor.total"), Some(0.98));
    assert_eq!(value("energy_import.total"), Some(70_000.0));
    assert!((value("frequency.total").expect("a frequency") - 49.99).abs() < 1e-5);
    assert_eq!(value("voltage.L2"), None);

    let again =
        run(folder.path(), &["profile", "import", "models", "--from", "kept.pcapng", "--out", "again.toml"]);
    assert_eq!(again.status.code(), Some(0), "{}", words(&again));
    let points = |file: &str| {
        let text = std::fs::read_to_string(folder.path().join(file)).expect("a profile");
        text[text.find("[defaults]").expect("a section")..].to_owned()
    };
    assert_eq!(points("imported.toml"), points("again.toml"));
}

#[test]
fn what_cannot_be_imported_says_why_and_what_to_do() {
    let folder = definitions();
    let case = |arguments: &[&str], code: i32, parts: &[&str]| {
        let done = run(folder.path(), &[&["profile", "import"], arguments].concat());
        let told = words(&done);
        assert_eq!(done.status.code(), Some(code), "{told}");
        for part in parts {
            assert!(told.contains(part), "{part}\n{told}");
        }
    };
    let host = meter(50_000);
    case(&["models", "--tcp", &meter(100)], 4, &["no marker", "profile fit"]);
    case(&["models/1.json", "--tcp", &host], 2, &["no definition of model 203 was given", "those of 1 were"]);
    case(
        &["models", "--tcp", &host, "--model", "103"],
        4,
        &["no model 103", "it has 1 at 50002, 203 at 50010"],
    );
    // Behind the marker nothing, or at once the number that ends a chain: no list to choose from is offered.
    let marker = || image()[..2].to_vec();
    case(
        &["models", "--tcp", &meter_of(40_000, marker())],
        4,
        &["no model of a meter", "no answer at 40002", "profile fit"],
    );
    let ended = meter_of(40_000, [marker(), vec![0xFFFF, 0]].concat());
    let told = words(&run(folder.path(), &["profile", "import", "models", "--tcp", &ended]));
    assert!(told.contains("ends right behind its marker") && !told.contains("--model NUMBER"), "{told}");
    case(&["models", "--at", "70000"], 2, &["no address"]);
    case(&["models/1.json"], 2, &["no number that a profile knows"]);
    case(&["models/203.json", "--at", "0x20"], 0, &["at 32 is taken on trust"]);
    case(&["models/203.json"], 2, &["imported.toml exists already"]);
}
