//! `limit` told something beside its captures: other rules, another window, a `ct` document. The document carries what it was
//! told, so that a report can compute it again, and a changed word is found out.

#![cfg(feature = "rim")]
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

mod common;

use std::path::Path;

use common::commands::{json, run, text};
use serde_json::Value;

const HELD: &str = "limit-held.pcapng";
const BROKEN: &str = "limit-broken.pcapng";

fn desk(captures: &[&str]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    for capture in captures {
        let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures").join(capture);
        std::fs::copy(from, folder.path().join(capture)).expect("copied");
    }
    folder
}

/// The site file of these captures, with other rules.
fn other_site(folder: &Path, from: &str, to: &str) {
    let scenarios = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures/scenarios");
    let site = std::fs::read_to_string(scenarios.join("limit.site.toml")).expect("the site file");
    assert!(site.contains(from), "{from}");
    std::fs::write(folder.join("other.toml"), site.replace(from, to)).expect("written");
}

fn judged(folder: &Path, arguments: &[&str]) -> Value {
    let mut all = vec!["limit", "--json", "--quiet"];
    all.extend(arguments);
    let done = run(folder, &all);
    std::fs::write(folder.join("limit.json"), &done.stdout).expect("written");
    json(&done)
}

/// A report from the document, and its verification, both agree with the captures; the page has these words.
fn report_holds(folder: &Path, words: &[&str]) {
    let made = run(folder, &["report", "limit.json", "--out", "page.md"]);
    assert_eq!(made.status.code(), Some(0));
    let page = std::fs::read_to_string(folder.join("page.md")).expect("a page");
    for word in words {
        assert!(page.contains(word), "{word}");
    }
    let verified = run(folder, &["report", "--verify", "page.md"]);
    assert!(text(&verified.stdout).starts_with("HOLDS"));
    assert_eq!(verified.status.code(), Some(0));
}

#[test]
fn an_old_window_is_judged_by_other_rules_and_says_by_which() {
    let folder = desk(&[HELD, BROKEN]);
    let folder = folder.path();
    assert_eq!(judged(folder, &["--from", HELD])["verdict"], "pass");
    // The export was back within 2.9 to 4.2 s: a second is not enough.
    other_site(folder, "longest_s = 8.0", "longest_s = 1.0");
    let strict = judged(folder, &["--from", HELD, "--site", "other.toml"]);
    assert_ne!(strict["verdict"], "pass");
    assert_eq!(strict["rules"][0]["longest_s"], 1.0);
    assert_eq!(strict["given"]["site"]["file"], "other.toml");
    report_holds(folder, &["other.toml", "given beside the captures"]);
    // A window that broke 0 W kept twice the plant's power, and is still no pass: the control had nothing to do.
    other_site(folder, "export_W = 0", "export_W = 12000");
    let lax = judged(folder, &["--from", BROKEN, "--site", "other.toml"]);
    assert_eq!(lax["verdict"], "inconclusive");
    assert!(lax["reasons"].to_string().contains("0 of 3 challenges"), "{}", lax["reasons"]);
}

#[test]
fn options_typed_beside_a_capture_stand_in_the_document_and_a_report_computes_them_again() {
    let folder = desk(&[HELD, BROKEN]);
    let folder = folder.path();
    let plain = judged(folder, &["--from", HELD]);
    assert!(plain.get("options").is_none() && plain.get("given").is_none());
    let longer = judged(folder, &["--from", HELD, "--window", "10min"]);
    assert_eq!(longer["options"], serde_json::json!(["--window 600s"]));
    assert_eq!(longer["verdict"], "inconclusive");
    assert!(longer["reasons"].to_string().contains("10 min asked"), "{}", longer["reasons"]);
    report_holds(folder, &["--window 600s"]);
    // One rule in place of the site file's.
    let lax = judged(folder, &["--from", BROKEN, "--export", "5kW"]);
    assert_eq!(lax["rules"].as_array().map(Vec::len), Some(1));
    assert_eq!((&lax["rules"][0]["export_W"], &lax["rules"][0]["longest_s"]), (&5000.0.into(), &5.0.into()));
    assert_eq!(lax["options"], serde_json::json!(["--export 5000W"]));
    std::fs::remove_file(folder.join("page.md")).expect("removed");
    report_holds(folder, &["--export 5000W"]);
    // The same figures with the option taken out, or another in its place, are not what the captures give.
    let document = std::fs::read_to_string(folder.join("limit.json")).expect("text");
    for (from, to) in [("--export 5000W", "--export 4000W"), ("\"--export 5000W\"", "")] {
        std::fs::write(folder.join("limit.json"), document.replace(from, to)).expect("written");
        let refused = run(folder, &["report", "limit.json", "--out", "other.md"]);
        assert_eq!(refused.status.code(), Some(1));
        assert!(!folder.join("other.md").exists());
    }
}

#[test]
fn a_ct_document_given_by_hand_is_carried_along() {
    let folder = desk(&[HELD]);
    let folder = folder.path();
    // Judged as if its meter were the steering one, the window needs a `ct` pass.
    other_site(folder, "role = \"reference\"", "role = \"steering\"");
    let bare = judged(folder, &["--from", HELD, "--site", "other.toml"]);
    assert!(bare["reasons"].to_string().contains("without a `ct` pass"), "{}", bare["reasons"]);
    let ct = r#"{"check": "ct", "verdict": "pass", "site": "Ferry house", "meter": "connection", "start": "2026-06-01T10:00:00Z",
                 "channels": [{"channel": "L1", "status": "correct"}]}"#;
    std::fs::write(folder.join("ct.json"), ct).expect("written");
    let given = judged(folder, &["--from", HELD, "--site", "other.toml", "--ct", "ct.json"]);
    assert_eq!(given["verdict"], "pass", "{}", given["reasons"]);
    report_holds(folder, &["on meter connection: pass", "other.toml"]);
}

#[test]
fn files_that_happen_to_lie_here_change_nothing_a_capture_says() {
    let folder = desk(&[HELD]);
    let folder = folder.path();
    let alone = judged(folder, &["--from", HELD]);
    let scenarios = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures/scenarios");
    let profile = std::fs::read_to_string(scenarios.join("house.profile.toml")).expect("the profile");
    let turned = profile.replace("positive = \"import\"", "positive = \"export\"");
    assert_ne!(profile, turned);
    std::fs::write(folder.join("house.profile.toml"), turned).expect("written");
    std::fs::copy(scenarios.join("limit.site.toml"), folder.join("site.toml")).expect("copied");
    assert_eq!(judged(folder, &["--from", HELD]), alone);
}
