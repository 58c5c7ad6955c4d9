//! The part of a check that has no part of its own here: every figure of its document, as it stands.

use serde_json::Value;

use super::block::Block;
use super::sheet::Sheet;

/// Keys every document has, which stand elsewhere on the page.
const COMMON: [&str; 12] = [
    "tool", "check", "verdict", "headline", "reasons", "next", "site", "meter", "captures", "start", "end",
    "plots",
];

/// The longest list of figures told one by one.
const LONGEST: usize = 200;

/// Facts: the dotted path of each figure and the figure.
pub(super) fn section(page: &mut Vec<Block>, sheet: &Sheet, facts: &mut Vec<(String, String)>) {
    let mut found = Vec::new();
    if let Value::Object(keys) = &sheet.document {
        for (key, value) in keys.iter().filter(|(key, _)| !COMMON.contains(&key.as_str())) {
            flatten(key, value, &mut found);
        }
    }
    let more = found.len().saturating_sub(LONGEST);
    found.truncate(LONGEST);
    facts.append(&mut found);
    if more > 0 {
        facts.push(("and".to_owned(), format!("{more} more figures in the document itself")));
    }
    page.push(Block::Facts(std::mem::take(facts)));
}

fn flatten(path: &str, value: &Value, found: &mut Vec<(String, String)>) {
    match value {
        Value::Object(keys) => {
            keys.iter().for_each(|(key, value)| flatten(&format!("{path}.{key}"), value, found));
        }
        Value::Array(items) => {
            items
                .iter()
                .enumerate()
                .for_each(|(index, item)| flatten(&format!("{path}.{}", index + 1), item, found));
        }
        Value::String(text) => found.push((path.to_owned(), text.clone())),
        Value::Null => found.push((path.to_owned(), "-".to_owned())),
        other => found.push((path.to_owned(), other.to_string())),
    }
}
