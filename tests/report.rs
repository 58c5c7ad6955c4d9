//! Reports of the captures kept here: what a page shows, and that a changed byte or figure is found out. (A browser, an HTML
//! validator and an accessibility checker look at the same pages in `tests/peers/page_test.py`.)

#![cfg(feature = "rim")]
#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test may stop where it stands"
)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

const CT: &str = "ct-reversed.pcapng";
const LIMIT: &str = "limit-broken.pcapng";

/// A scratch folder with copies of captures in it.
struct Desk(tempfile::TempDir);

impl Desk {
    fn with(captures: &[&str]) -> Self {
        let desk = Self(tempfile::tempdir().expect("a folder"));
        for capture in captures {
            let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures").join(capture);
            std::fs::copy(from, desk.path(capture)).expect("copied");
        }
        desk
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn run(&self, arguments: &[&str]) -> Output {
        let run =
            Command::new(env!("CARGO_BIN_EXE_wattward")).args(arguments).current_dir(self.0.path()).output();
        run.expect("the program runs")
    }

    fn expect(&self, code: i32, arguments: &[&str]) -> String {
        let done = self.run(arguments);
        let (stdout, stderr) = (String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
        assert_eq!(
            done.status.code(),
            Some(code),
            "wattward {}\n--- stdout\n{stdout}\n--- stderr\n{stderr}",
            arguments.join(" ")
        );
        format!("{stdout}{stderr}")
    }

    fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).expect("written");
    }

    /// Changes one place of a text file; it must stand there.
    fn change(&self, name: &str, from: &str, to: &str) {
        let text = self.read(name);
        assert!(text.contains(from), "{name} has no {from:?}");
        self.write(name, &text.replacen(from, to, 1));
    }

    fn document(&self, check: &str, capture: &str, name: &str) {
        let done = self.run(&[check, "--json", "--quiet", "--from", capture]);
        std::fs::write(self.path(name), done.stdout).expect("written");
    }
}

#[test]
fn a_report_in_every_form_holds_against_its_captures() {
    let desk = Desk::with(&[CT]);
    for name in ["report.html", "report.md", "report.json"] {
        let said = desk.expect(0, &["report", CT, "--out", name]);
        assert!(said.contains("computed again"), "{said}");
        let said = desk.expect(0, &["report", "--verify", name]);
        assert!(said.starts_with("HOLDS"), "{said}");
    }
    let record: Value = serde_json::from_str(&desk.read("report.json")).expect("JSON");
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures/ct-reversed.document.json");
    let kept: Value = serde_json::from_str(&std::fs::read_to_string(kept).expect("kept")).expect("JSON");
    assert_eq!(record["checks"][0]["document"]["channels"], kept["channels"]);
    let refused = desk.expect(2, &["report", CT]);
    assert!(refused.contains("exists already"), "{refused}");
}

#[test]
fn the_page_has_no_script_and_nothing_from_outside() {
    let desk = Desk::with(&[LIMIT]);
    desk.expect(0, &["report", LIMIT]);
    let page = desk.read("report.html");
    for never in
        ["<script", "http://", "https://", "<link", "<iframe", "src=", "@import", " href=", "javascript:"]
    {
        assert!(!page.contains(never), "{never}");
    }
    assert!(page.contains("default-src 'none'"));
    for must in
        ["FAIL", "SHA-256", "prove dead", "Signature", "<svg role=\"img\"", "Not tested", "uncertainty"]
    {
        assert!(page.contains(must), "{must}");
    }
}

#[test]
fn a_changed_byte_in_a_capture_is_found_out_by_name() {
    let desk = Desk::with(&[CT, LIMIT.replace("limit-broken", "ct-right").as_str()]);
    desk.expect(0, &["report", CT]);
    let mut bytes = std::fs::read(desk.path(CT)).expect("capture");
    // A letter of a message in the last quarter: the file stays readable.
    let place = bytes.len() * 3 / 4
        + bytes[bytes.len() * 3 / 4..].windows(8).position(|text| text == b"MESSAGE=").expect("a mark")
        + 8;
    bytes[place] ^= 0x20;
    // In a folder named beside it, where the right one still lies at its own path.
    std::fs::create_dir(desk.path("copies")).expect("a folder");
    std::fs::write(desk.path("copies").join(CT), &bytes).expect("written");
    assert!(desk.expect(0, &["report", "--verify", "report.html"]).starts_with("HOLDS"));
    let said = desk.expect(1, &["report", "--verify", "report.html", "copies"]);
    assert!(said.contains(&format!("{CT} has changed")), "{said}");
    std::fs::write(desk.path(CT), bytes).expect("written");
    let said = desk.expect(1, &["report", "--verify", "report.html"]);
    assert!(said.starts_with("DIFFERS"), "{said}");
    assert!(said.contains(&format!("capture {CT} has changed")), "{said}");
    desk.document("ct", CT, "ct.json");
    desk.change("ct.json", "\"sha256\": \"", "\"sha256\": \"0");
    let said = desk.expect(1, &["report", "ct.json", "--out", "other.html"]);
    assert!(said.contains("is not the capture it was made from"), "{said}");
    assert!(!desk.path("other.html").exists());
}

#[test]
fn a_changed_figure_is_named_where_it_stands() {
    let desk = Desk::with(&[CT]);
    desk.expect(0, &["report", CT]);
    // In what people see: the verdict's word, a figure of the table, a point of the picture, words put in.
    let whole = desk.read("report.html");
    for (from, to, named) in [
        (">FAIL<", ">PASS<", "shows \"PASS\", should be \"FAIL\""),
        ("-1716 ± 58", "1716 ± 58", "should be \"L2 faulty: counts the wrong way -1716 ± 58"),
        ("<polyline class=\"measured\"", "<polyline class=\"measured\" opacity=\"0\"", "shows"),
        ("<h2 id=\"part-2\">", "<p>All is well.</p>\n<h2 id=\"part-2\">", "All is well."),
        ("</style>", ".fail { display: none }\n</style>", "display: none"),
        ("c77fb601", "c77fb602", "c77fb602"),
    ] {
        desk.write("report.html", &whole);
        desk.change("report.html", from, to);
        let said = desk.expect(1, &["report", "--verify", "report.html"]);
        let flat = said.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.starts_with("DIFFERS") && flat.contains(named), "{from}: {said}");
    }
    // In what programs read.
    desk.write("report.html", &whole);
    desk.change("report.html", "\"gain\":0.9", "\"gain\":0.8");
    let said = desk.expect(1, &["report", "--verify", "report.html"]);
    assert!(said.contains("check 1: channels.0.gain: the report has 0.8"), "{said}");
    // In both, as somebody would who knows how.
    let verdict = desk.read("report.html").replace("\"verdict\":\"fail\"", "\"verdict\":\"pass\"");
    desk.write("report.html", &verdict.replace(">FAIL<", ">PASS<"));
    let said = desk.expect(1, &["report", "--verify", "report.html"]);
    assert!(said.contains("verdict: the report has \"pass\", the captures give \"fail\""), "{said}");
    // A verdict document by itself.
    desk.document("ct", CT, "ct.json");
    assert!(desk.expect(0, &["report", "--verify", "ct.json"]).starts_with("HOLDS"));
    desk.change("ct.json", "\"verdict\": \"fail\"", "\"verdict\": \"pass\"");
    let said = desk.expect(1, &["report", "--verify", "ct.json"]);
    assert!(said.contains("verdict: the report has \"pass\""), "{said}");
    let said = desk.expect(1, &["report", "ct.json", "--out", "other.html"]);
    assert!(said.contains("verdict: recorded \"pass\", replayed \"fail\""), "{said}");
    assert!(!desk.path("other.html").exists());
}

#[test]
fn what_cannot_be_read_is_neither_true_nor_false() {
    let desk = Desk::with(&[CT]);
    desk.expect(0, &["report", CT]);
    std::fs::create_dir(desk.path("kept")).expect("a folder");
    std::fs::rename(desk.path(CT), desk.path("kept").join(CT)).expect("moved");
    let said = desk.expect(5, &["report", "--verify", "report.html"]);
    assert!(said.starts_with("OPEN") && said.contains("is not at hand"), "{said}");
    assert!(desk.expect(0, &["report", "--verify", "report.html", "kept"]).starts_with("HOLDS"));
    desk.write("nothing.html", "<p>no report</p>");
    desk.expect(5, &["report", "--verify", "nothing.html"]);
    desk.expect(5, &["report", "--verify", "missing.html"]);
    desk.expect(5, &["report", "missing.pcapng", "--out", "other.html"]);
    // A page of another version: its documents are compared, its lines can't be.
    desk.change(
        "report.html",
        "\"tool\":{\"name\":\"wattward\",\"version\":\"",
        "\"tool\":{\"name\":\"wattward\",\"version\":\"9.",
    );
    let said = desk.expect(3, &["report", "--verify", "report.html", "kept"]);
    assert!(said.starts_with("OPEN") && said.contains("another version"), "{said}");
}

#[test]
fn a_document_without_its_capture_says_so_beside_its_verdict() {
    let desk = Desk::with(&[CT]);
    desk.document("ct", CT, "ct.json");
    std::fs::remove_file(desk.path(CT)).expect("removed");
    let said = desk.expect(0, &["report", "ct.json", "--out", "report.md"]);
    assert!(said.contains("NONE computed again"), "{said}");
    let page = desk.read("report.md");
    assert!(page.contains("its captures were not at hand, and nothing of it was computed again"), "{page}");
    desk.expect(5, &["report", "--verify", "report.md"]);
}

#[test]
fn a_folder_gives_each_check_once_and_sites_do_not_mix() {
    let desk = Desk::with(&[CT]);
    desk.document("ct", CT, "ct.json");
    desk.write("notes.json", "{\"mine\": true}");
    let said = desk.expect(0, &["report", ".", "--json"]);
    let written: Value = serde_json::from_str(&said).expect("JSON");
    assert_eq!(written["checks"].as_array().map(Vec::len), Some(1));
    // These captures were made without a verdict in them.
    assert!(written["checks"][0]["same_as_recorded"].is_null() && written["checks"][0]["recomputed"] == true);
    let two = Desk::with(&[CT, LIMIT]);
    let said = two.expect(2, &["report", CT, LIMIT]);
    assert!(said.contains("different sites"), "{said}");
}

#[test]
fn times_are_the_sites_own_and_a_site_given_beside_is_named() {
    let desk = Desk::with(&[CT]);
    let site = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures/scenarios");
    std::fs::copy(site.join("house.profile.toml"), desk.path("house.profile.toml")).expect("copied");
    let text = std::fs::read_to_string(site.join("house.site.toml")).expect("site");
    let text = text.lines().filter(|line| !line.starts_with("time_zone")).collect::<Vec<_>>().join("\n");
    let text = text.replacen("[site]", "[site]\ntime_zone = \"Australia/Adelaide\"", 1);
    desk.write("site.toml", &text.replacen("[[meter]]", "[[meter]]\nserial = \"<b>77</b>\"", 1));
    desk.expect(0, &["report", CT, "--site", "site.toml"]);
    let page = desk.read("report.html");
    // 2026-04-14 09:12:00 UTC; Adelaide is on standard time, UTC+9:30, from the first Sunday of April.
    assert!(page.contains("2026-04-14, 18:42:00 to 18:46:02 (+09:30)"), "{page}");
    assert!(page.contains("Judged by files given beside the captures"), "{page}");
    assert!(page.contains("serial number &lt;b&gt;77&lt;/b&gt;") && !page.contains("<b>77"), "{page}");
    desk.expect(0, &["report", "--verify", "report.html"]);
}
