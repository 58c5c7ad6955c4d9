//! The JSON of contracts, section 6: the common keys and the check's own.

use serde::Serialize;
use serde_json::Value;

use super::beside::{Beside, Given};
use crate::base::Stamp;
use crate::check::review::{Review, ReviewBody};
use crate::check::{Finding, Verdict};

/// A capture a document rests on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CaptureRef {
    /// The file as it was named.
    pub file: String,
    /// SHA-256 of the closed file, in hexadecimal.
    pub sha256: String,
}

/// The program that wrote a document.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Tool {
    name: &'static str,
    version: &'static str,
}

impl Default for Tool {
    /// This one.
    fn default() -> Self {
        Self { name: env!("CARGO_PKG_NAME"), version: env!("CARGO_PKG_VERSION") }
    }
}

#[derive(Serialize)]
struct Document<'a, B> {
    tool: Tool,
    check: &'a str,
    verdict: Verdict,
    headline: &'a str,
    reasons: &'a [String],
    next: &'a [String],
    site: &'a str,
    meter: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    captures: Option<&'a [CaptureRef]>,
    #[serde(skip_serializing_if = "<[String]>::is_empty")]
    options: &'a [String],
    #[serde(skip_serializing_if = "Given::is_empty")]
    given: &'a Given,
    start: Option<Stamp>,
    end: Option<Stamp>,
    #[serde(flatten)]
    body: &'a B,
}

/// The document as JSON text. `captures` is left out of the copy that goes into a capture; `beside` is what was judged by
/// beside them, nothing for a check as it was recorded.
pub fn document<B: Serialize>(
    check: &str,
    site: &str,
    finding: &Finding<B>,
    captures: Option<&[CaptureRef]>,
    beside: &Beside,
) -> String {
    let document = Document {
        tool: Tool::default(),
        check,
        verdict: finding.verdict,
        headline: &finding.headline,
        reasons: &finding.reasons,
        next: &finding.next,
        site,
        meter: &finding.meter,
        captures,
        options: &beside.options,
        given: &beside.given,
        start: finding.start,
        end: finding.end,
        body: &finding.body,
    };
    // Serialising plain structs to a string fails only for maps with keys that are no strings; a document has none.
    serde_json::to_string_pretty(&document).unwrap_or_default()
}

#[derive(Serialize)]
struct ReviewDocument<'a> {
    tool: Tool,
    check: &'a str,
    headline: &'a str,
    reasons: &'a [String],
    next: &'a [String],
    site: &'a str,
    meter: &'a str,
    captures: &'a [CaptureRef],
    start: Stamp,
    end: Stamp,
    #[serde(skip_serializing_if = "<[String]>::is_empty")]
    options: &'a [String],
    #[serde(skip_serializing_if = "Given::is_empty")]
    given: &'a Given,
    #[serde(flatten)]
    body: &'a ReviewBody,
}

/// The document of a review: the common keys without a verdict, and what it was told beside the captures.
pub fn review_document(site: &str, review: &Review, captures: &[CaptureRef], beside: &Beside) -> String {
    let document = ReviewDocument {
        tool: Tool::default(),
        check: "review",
        headline: &review.headline,
        reasons: &review.reasons,
        next: &review.next,
        site,
        meter: &review.meter,
        captures,
        start: review.start,
        end: review.end,
        options: &beside.options,
        given: &beside.given,
        body: &review.body,
    };
    serde_json::to_string_pretty(&document).unwrap_or_default()
}

/// Where two documents of the same check differ, as dotted paths with both values. The program's version and the list of
/// captures do not count: a replay on another day is still the same evidence.
pub fn differences(recorded: &str, replayed: &str) -> Vec<String> {
    let parse = |text: &str| serde_json::from_str::<Value>(text).unwrap_or(Value::Null);
    let mut found = Vec::new();
    compare("", &parse(recorded), &parse(replayed), &mut found);
    found
}

fn compare(path: &str, recorded: &Value, replayed: &Value, found: &mut Vec<String>) {
    let ignored = |key: &str| path.is_empty() && matches!(key, "tool" | "captures");
    let below = |key: &str| if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") };
    match (recorded, replayed) {
        (Value::Object(a), Value::Object(b)) => {
            for (key, value) in a.iter().filter(|(key, _)| !ignored(key)) {
                compare(&below(key), value, b.get(key).unwrap_or(&Value::Null), found);
            }
            for (key, value) in b.iter().filter(|(key, _)| !a.contains_key(*key) && !ignored(key)) {
                compare(&below(key), &Value::Null, value, found);
            }
        }
        (Value::Array(a), Value::Array(b)) if a.len() == b.len() => {
            for (index, (a, b)) in a.iter().zip(b).enumerate() {
                compare(&below(&index.to_string()), a, b, found);
            }
        }
        _ if recorded == replayed => {}
        _ => found.push(format!("{path}: recorded {recorded}, replayed {replayed}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Serialize)]
    struct Body {
        gain: f64,
    }

    fn finding(gain: f64) -> Finding<Body> {
        Finding {
            verdict: Verdict::Fail,
            headline: "channel L2 is reversed".into(),
            reasons: vec!["it moved the other way".into()],
            next: vec!["turn the clamp".into()],
            meter: "connection".into(),
            start: Some(Stamp::from_nanos(1_780_000_000_000_000_000)),
            end: None,
            body: Body { gain },
        }
    }

    #[test]
    fn common_keys_come_first_and_captures_only_when_given() {
        let inside = document("ct", "Cider barn", &finding(1.004), None, &Beside::default());
        assert!(!inside.contains("captures"));
        let value: Value = serde_json::from_str(&inside).expect("valid JSON");
        assert_eq!(value["tool"]["name"], "wattward");
        assert_eq!(value["verdict"], "fail");
        assert_eq!(value["start"], "2026-05-28T20:26:40.000000Z");
        assert_eq!(value["gain"], 1.004);
    }

    #[test]
    fn documents_that_differ_say_where() {
        let captures = [CaptureRef { file: "a".into(), sha256: "b".into() }];
        let recorded = document("ct", "Cider barn", &finding(1.004), None, &Beside::default());
        let same = document("ct", "Cider barn", &finding(1.004), Some(&captures), &Beside::default());
        assert_eq!(differences(&recorded, &same), Vec::<String>::new());
        let other = document("ct", "Cider barn", &finding(1.005), None, &Beside::default());
        assert_eq!(differences(&recorded, &other), ["gain: recorded 1.004, replayed 1.005"]);
    }
}
