//! The guided visit, from nothing to the report, by a person who reads the prompts: left in the middle, gone on with, one
//! step left out with a reason.
#![cfg(unix)]
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

mod common;

use common::commands::records;
use common::house::{Does, METER, Stopped, converse, program, simulate};
use wattward::record::{MarkKind, Record};

/// What is answered to the questions that make the site file, by how each begins.
fn answers(line: &str) -> Vec<(&'static str, String)> {
    [
        ("Name of the site", "Guided house"),
        ("Phases", "1"),
        ("Time zone", "Europe/London"),
        ("The line", line),
        ("File of the meter's profile", "meter.toml"),
        ("Unit address", ""),
        ("Is this meter independent", "y"),
        ("Accuracy class", "1"),
        ("Serial number", "SN-77"),
        ("Rated power", "3000W"),
        ("What it is called", "roof"),
        ("Is there a battery", "n"),
        ("A known load", "kettle"),
        ("Its power", "2000W"),
        ("Does it only heat", "y"),
        ("Export limit", "0W"),
        ("For how many seconds", "5"),
        ("How long is the window", "10min"),
    ]
    .map(|(question, answer)| (question, answer.to_owned()))
    .to_vec()
}

#[test]
fn a_visit_from_nothing_is_left_gone_on_with_and_told_in_the_report() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut served = simulate(folder.path());
    // The house goes by other names than the site file will.
    std::fs::write(folder.path().join("meter.toml"), METER).expect("profile");
    let line = folder.path().join("line").display().to_string();
    let arguments = ["commission", "visit", "--listen-first", "200ms"];

    let mut in_ct = false;
    let (code, _, screen) = converse(folder.path(), &arguments, &mut served, |prompt| {
        in_ct |= prompt.contains("ON (L1, pair 1");
        if in_ct {
            return Does::Leaves;
        }
        if let Some((_, answer)) =
            answers(&line).into_iter().find(|(question, _)| prompt.starts_with(question))
        {
            return Does::types(&answer);
        }
        if prompt.starts_with("Type what the clamp meter shows") {
            return Does::Types(vec!["L1 230V".into(), "8.7".into(), String::new()]);
        }
        Does::types("")
    });
    assert_eq!(code, Some(130), "{screen}");
    assert!(screen.contains("Read off another instrument: voltage 230 V on L1; the meter had"), "{screen}");
    assert!(screen.contains("`8.7` has no unit"), "{screen}");
    assert!(screen.contains("go on with: wattward commission visit"), "{screen}");
    let site = std::fs::read_to_string(folder.path().join("visit/site.toml")).expect("the site file");
    assert!(site.contains("name = \"Guided house\"") && site.contains("serial = \"SN-77\""), "{site}");

    let mut asked = Vec::new();
    let (code, _, screen) = converse(folder.path(), &arguments, &mut served, |prompt| {
        asked.push(prompt.to_owned());
        // The first prompt of the limit step, when the CT check has passed.
        let passed = folder.path().join("visit/5-ct-2.json").exists();
        let report = folder.path().join("visit/7-as-left.pcapng").exists();
        let begin = prompt.starts_with("Enter: ");
        Does::types(
            if passed && begin && !report && asked.iter().filter(|one| **one == "limit").count() == 0 {
                asked.push("limit".into());
                "s the operator has not agreed"
            } else {
                ""
            },
        )
    });
    assert!(
        screen.contains("4 of 8  Readings beside another instrument, settings as found: done"),
        "{screen}"
    );
    assert!(!asked.iter().any(|prompt| prompt.starts_with("Name of the site")), "{asked:?}");
    // A check was left out, so the visit as a whole shows nothing.
    assert_eq!(code, Some(3), "{screen}");
    let page = std::fs::read_to_string(folder.path().join("visit/8-report.html")).expect("the report");
    assert!(page.contains("Export limit: left out on the visit (the operator has not agreed)."), "{page}");
    assert!(page.contains("SN-77"), "the meter's serial number is in the report");
    // What the other steps of the visit saw is there too.
    for noted in ["100 requests in", "voltage 230 V on L1", "names no settings to compare"] {
        assert!(page.contains(noted), "{noted}: {page}");
    }
    let verified = program(folder.path(), &["report", "--verify", "visit/8-report.html", "visit"]).output();
    let verified = verified.expect("verified");
    assert_eq!(verified.status.code(), Some(0), "{}", String::from_utf8_lossy(&verified.stdout));
}

/// Answers the questions of the site, and leaves out every step that can be left out.
fn answers_and_skips(line: &str, no_limit: bool) -> impl FnMut(&str) -> Does {
    let answers = answers(line);
    let mut begun = 0;
    move |prompt| {
        if let Some((question, answer)) = answers.iter().find(|(question, _)| prompt.starts_with(question)) {
            return Does::types(if no_limit && *question == "Export limit" { "none" } else { answer });
        }
        if prompt.starts_with("Enter: ") {
            begun += 1;
            return Does::types(if begun <= 2 { "" } else { "s nobody is at home" });
        }
        Does::types("")
    }
}

#[test]
fn a_visit_of_which_all_was_left_out_has_a_report_that_says_so() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut served = simulate(folder.path());
    let line = folder.path().join("line").display().to_string();
    let arguments = ["commission", "visit", "--listen-first", "200ms"];
    let (code, _, screen) = converse(folder.path(), &arguments, &mut served, answers_and_skips(&line, true));
    assert_eq!(code, Some(3), "{screen}");
    let report = program(folder.path(), &["report", "visit", "--out", "left.md"]).output().expect("a report");
    assert_eq!(report.status.code(), Some(0), "{}", String::from_utf8_lossy(&report.stderr));
    let page = std::fs::read_to_string(folder.path().join("left.md")).expect("the report");
    assert!(page.contains("CT direction: left out on the visit (nobody is at home)."), "{page}");
    assert!(page.contains("Export limit: not called for (the site file has no export limit)."), "{page}");
    let site = std::fs::read_to_string(folder.path().join("visit/site.toml")).expect("the site file");
    assert!(site.contains("role = \"reference\"") && !site.contains("[limit]"), "{site}");
}

#[test]
fn a_check_left_before_the_site_file_was_corrected_is_begun_anew_and_a_site_without_a_limit_can_pass() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut served = simulate(folder.path());
    let site = std::fs::read_to_string(folder.path().join("site.toml")).expect("the site file");
    let (before, _) = site.split_once("[limit]").expect("a limit");
    std::fs::write(folder.path().join("site.toml"), before).expect("written");
    let arguments = ["commission", "visit", "--site", "site.toml", "--listen-first", "200ms"];
    let (code, _, screen) = converse(folder.path(), &arguments, &mut served, |prompt| {
        if prompt.contains("ON (L1, pair 2") { Does::Leaves } else { Does::types("") }
    });
    assert_eq!(code, Some(130), "{screen}");
    let corrected = before.replace("power_W = 2000", "power_W = 2010");
    std::fs::write(folder.path().join("site.toml"), corrected).expect("written");
    let (code, _, screen) = converse(folder.path(), &arguments, &mut served, |_| Does::types(""));
    assert!(screen.contains("begun anew: the site file or a profile has been changed since"), "{screen}");
    assert_eq!(code, Some(0), "{screen}");
    let document = std::fs::read_to_string(folder.path().join("visit/5-ct-2.json")).expect("the document");
    let document: serde_json::Value = serde_json::from_str(&document).expect("JSON");
    assert_eq!(document["captures"].as_array().map(Vec::len), Some(1), "{document:#}");
    let site =
        records(&folder.path().join("visit/5-ct-2.pcapng")).into_iter().find_map(|record| match record {
            Record::Mark(mark) if mark.kind == MarkKind::Site => mark.text.clone(),
            _ => None,
        });
    assert!(site.as_ref().is_some_and(|text| text.contains("power_W = 2010")), "{site:?}");

    // A limit that is written into the site file later is called for, and leaves the CT check as it is; another load does not.
    let limit = "[limit]\nwindow_s = 14\nchallenges = 2\n[[limit.rule]]\nexport_W = 0\nlongest_s = 5\n";
    let wanted = |power: &str, limit: &str| before.replace("power_W = 2000", power) + limit;
    std::fs::write(folder.path().join("site.toml"), wanted("power_W = 2010", limit)).expect("written");
    let leave = |prompt: &str| Does::types(if prompt.starts_with("Enter: ") { "q" } else { "" });
    let (_, _, screen) = converse(folder.path(), &arguments, &mut served, leave);
    assert!(
        screen.contains("5 of 8  CT direction: done") && screen.contains("A window in which"),
        "{screen}"
    );
    std::fs::write(folder.path().join("site.toml"), wanted("power_W = 1990", limit)).expect("written");
    let (_, _, screen) = converse(folder.path(), &arguments, &mut served, leave);
    assert!(screen.contains("changed since this check was made: it is due again"), "{screen}");
    assert!(!screen.contains("6 of 8"), "{screen}");
}

#[test]
fn when_nobody_types_any_more_a_run_ends() {
    let folder = tempfile::tempdir().expect("a folder");
    let _served = simulate(folder.path());
    for (arguments, code) in [(&["commission", "visit", "--site", "site.toml"][..], 130), (&["ct"], 3)] {
        let mut command = program(folder.path(), arguments);
        let run = command.args(["--listen-first", "200ms"]).stdin(std::process::Stdio::null()).spawn();
        let mut run = Stopped(run.expect("the run"));
        let begun = std::time::Instant::now();
        let ended = loop {
            if let Some(ended) = run.0.try_wait().expect("its state") {
                break ended;
            }
            assert!(begun.elapsed().as_secs() < 60, "{arguments:?} waits for what cannot come");
            std::thread::sleep(std::time::Duration::from_millis(50));
        };
        assert_eq!(ended.code(), Some(code), "{arguments:?}");
    }
}
