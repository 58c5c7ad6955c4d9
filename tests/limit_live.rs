//! `limit` over a pseudo-terminal against a simulated plant: the steering signal taken away from one with a fail-safe and
//! from one without; a window made longer; a window that ends at its threshold.

#![cfg(unix)]
#![expect(clippy::expect_used, clippy::disallowed_methods, reason = "a test may stop where it stands")]

mod common;

use common::house::{Does, converse, simulate_of};
use serde_json::Value;
use wattward::record::{MarkKind, Record, frame_all, read_capture};

const METER: &str = r#"
[profile]
name = "Test meter"
[line]
baud = 115200
[read]
update_ms = 200
[defaults]
table = "input"
type = "f32"
positive = "import"
[points.active_power]
L1 = { address = 2, signed = true }
"#;

const SITE: &str = r#"
[site]
name = "Test house"
phases = 1
[[meter]]
name = "connection"
role = "reference"
profile = "meter.toml"
line = { serial = "LINE" }
class = "1"
[[plant]]
name = "roof"
rated_W = 3000
storage = false
[[load]]
name = "kettle"
power_W = 2000
phase = "L1"
[limit]
window_s = 48
challenges = 2
[[limit.rule]]
export_W = 0
averaging_s = 0.2
longest_s = 3
"#;

/// A plant under control, which stops so long after its signal was lost.
fn scenario(stop: &str) -> String {
    format!(
        "[scenario]\nsite = \"site.toml\"\nseed = 5\n[[plant]]\nname = \"roof\"\nrated_W = 3000\nsun = 90\n\
         control = {{ meter = \"connection\", limit_W = 0, bias_W = 150, gain = 1.0, dead_s = 0.3, period_s = 0.6, \
         ramp_W_per_s = 6000, ramp_up_W_per_s = 3000{stop} }}\n"
    )
}

/// What a live check left: its screen and how it ended.
struct Left {
    screen: String,
    code: Option<i32>,
}

/// Runs a check, its prompts answered by `say`; gives what it left, its document and its records.
fn visited(scenario: &str, arguments: &[&str], say: impl FnMut(&str) -> Does) -> (Left, String, Vec<Record>) {
    let folder = tempfile::tempdir().expect("a folder");
    let mut served = simulate_of(folder.path(), METER, SITE, scenario);
    let mut all = arguments.to_vec();
    all.extend(["--json", "--listen-first", "200ms", "--capture", "visit.pcapng"]);
    let (code, document, screen) = converse(folder.path(), &all, &mut served, say);
    let capture = std::fs::read(folder.path().join("visit.pcapng")).expect("the capture");
    (Left { screen, code }, document, frame_all(&read_capture(&capture).expect("a capture")))
}

/// The same by a person who does whatever is asked; `also` is typed at the first prompt of the window.
fn visit(scenario: &str, arguments: &[&str], also: &str) -> (Left, Value, Vec<Record>) {
    let mut prompts = 0;
    let (left, document, records) = visited(scenario, arguments, |_| {
        prompts += 1;
        if prompts == 2 && !also.is_empty() {
            Does::Types(vec![also.to_owned(), String::new()])
        } else {
            Does::types("")
        }
    });
    (left, serde_json::from_str(&document).expect("a document"), records)
}

fn loss(document: &Value) -> &Value {
    let challenges = document["challenges"].as_array().expect("a list");
    challenges.iter().find(|one| one["kind"] == "signal-loss").expect("the loss of the signal")
}

fn marks(records: &[Record], kind: MarkKind) -> usize {
    records.iter().filter(|record| matches!(record, Record::Mark(mark) if mark.kind == kind)).count()
}

#[test]
fn a_plant_with_a_fail_safe_stops_when_its_signal_is_lost_and_comes_back_with_it() {
    let (left, document, records) = visit(&scenario(", stop_after_s = 2.0"), &["limit", "--signal-loss"], "");
    assert_eq!(document["verdict"], "pass", "{}\n{document:#}", left.screen);
    assert_eq!(left.code, Some(0));
    assert_eq!((marks(&records, MarkKind::SignalOff), marks(&records, MarkKind::SignalOn)), (1, 1));
    let loss = loss(&document);
    assert_eq!(loss["counts"], true, "{loss:#}");
    // Silence noticed after 2 s, then 2 kW down at 6 kW a second; the last look at the signal was up to 0.6 s before.
    let dead_s = loss["dead_time_s"].as_f64().expect("a dead time");
    assert!((1.2..3.2).contains(&dead_s), "{loss:#}");
    // Back on: the next look within 0.6 s, its dead time, and up by half at 3 kW a second.
    let resumed_s = loss["resumed_s"].as_f64().expect("the plant came back");
    assert!((0.2..2.5).contains(&resumed_s), "{loss:#}");
}

#[test]
fn a_plant_without_a_fail_safe_goes_on_and_does_not_pass_and_the_window_can_be_made_longer() {
    let (left, document, records) = visit(&scenario(""), &["limit", "--signal-loss"], "+7s");
    assert_eq!(document["verdict"], "inconclusive", "{}\n{document:#}", left.screen);
    assert_eq!(left.code, Some(3));
    assert!(loss(&document)["why_not"].to_string().contains("did not visibly stop"), "{document:#}");
    assert!(
        document["reasons"].to_string().contains("loss of the steering signal was asked for"),
        "{document:#}"
    );
    let length = document["window"]["duration_s"].as_f64().expect("a length");
    assert!((54.5..57.0).contains(&length), "48 s and 7 s more: {length}");
    assert!(left.screen.contains("7.0 s longer"), "{}", left.screen);
    assert!(marks(&records, MarkKind::Note) >= 1);
}

#[test]
fn a_window_ends_by_word_at_its_threshold_also_while_a_prompt_stands() {
    let free = scenario("").replace("control", "# control");
    let (left, document, records) = visit(&free, &["limit", "--abort", "1kW"], "");
    assert!(left.screen.contains("ABORTED: export passed 1000 W"), "{}", left.screen);
    assert_ne!(document["verdict"], "pass");
    let noted = |record: &Record| matches!(record, Record::Mark(mark) if mark.message.starts_with("aborted"));
    assert!(records.iter().any(noted));
    let length = document["window"]["duration_s"].as_f64().expect("a length");
    assert!(length < 20.0, "it ended early: {length}");
}

#[test]
fn whoever_leaves_while_the_signal_is_away_is_told_to_give_it_back() {
    let reminder = "the steering signal is still away: give it back now";
    let leave = |answer: Does| {
        let leaving = answer.clone();
        let (left, _, records) =
            visited(&scenario(", stop_after_s = 2.0"), &["limit", "--signal-loss"], move |prompt| {
                if prompt.contains("give back the steering signal") {
                    leaving.clone()
                } else {
                    Does::types("")
                }
            });
        assert!(left.screen.contains(reminder), "{answer:?}: {}", left.screen);
        assert_eq!(marks(&records, MarkKind::SignalOn), 0);
        assert_ne!(left.code, Some(0), "{answer:?}");
    };
    std::thread::scope(|scope| {
        for answer in [Does::Leaves, Does::types("q"), Does::types("s")] {
            scope.spawn(|| leave(answer));
        }
    });
}
