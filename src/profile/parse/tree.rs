//! The text of a TOML file as a tree of our own: every value with its place, in the order of the file.

use std::ops::Range;

use toml::de::{DeArray, DeTable, DeValue};

use super::slip::slip;
use crate::base::Faults;

/// Which of the two files a text is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileKind {
    /// A register map (contracts 3).
    Profile,
    /// A site (contracts 4).
    Site,
}

/// A value with its place in the text.
#[derive(Clone, Debug)]
pub(crate) struct Node {
    pub(crate) span: Range<usize>,
    pub(crate) value: Value,
}

/// What a value is.
#[derive(Clone, Debug)]
pub(crate) enum Value {
    Text(String),
    /// Nothing when it does not fit 128 bits.
    Integer(Option<i128>),
    Real(f64),
    Flag(bool),
    Date(String),
    List(Vec<Node>),
    Table(Vec<Entry>),
}

/// A key with its value.
#[derive(Clone, Debug)]
pub(crate) struct Entry {
    pub(crate) key: String,
    pub(crate) key_span: Range<usize>,
    pub(crate) node: Node,
}

impl Value {
    /// For messages: what stands there.
    pub(crate) const fn noun(&self) -> &'static str {
        match self {
            Self::Text(_) => "text",
            Self::Integer(_) => "a whole number",
            Self::Real(_) => "a number with a decimal point",
            Self::Flag(_) => "true or false",
            Self::Date(_) => "a date",
            Self::List(_) => "a list",
            Self::Table(_) => "a table",
        }
    }
}

/// The tree of a text; what breaks TOML's own rules is added to the faults, and the rest is read all the same.
pub(crate) fn read_tree(text: &str, faults: &mut Faults) -> Node {
    let (root, errors) = DeTable::parse_recoverable(text);
    let mut told: Vec<usize> = Vec::new();
    for error in errors {
        let span = error.span().unwrap_or(text.len()..text.len());
        let line = text.get(..span.start).map_or(0, |before| before.rfind('\n').map_or(0, |at| at + 1));
        let rest = text.get(line..).and_then(|rest| rest.lines().next()).unwrap_or("");
        // One slip makes TOML stumble several times over the same line.
        if let Some((at, message, mend)) = slip(rest) {
            if !told.contains(&line) {
                faults.error(line + at.start..line + at.end, message, mend);
            }
        } else {
            let (message, mend) = plain(error.message());
            if !(mend.is_empty() && told.contains(&line)) {
                faults.error(span, message, mend);
            }
        }
        told.push(line);
    }
    // What is missing from the file as a whole is missing at its end.
    Node { span: text.len()..text.len(), value: Value::Table(table(root.get_ref())) }
}

/// A text with the bare structure only: which tables stand at the top.
pub fn file_kind(text: &str) -> FileKind {
    let (root, _) = DeTable::parse_recoverable(text);
    let has = |key: &str| root.get_ref().iter().any(|(name, _)| name.get_ref() == key);
    let site = ["site", "meter", "plant", "load", "limit"].into_iter().filter(|key| has(key)).count();
    let profile =
        ["profile", "points", "defaults", "read", "settings"].into_iter().filter(|key| has(key)).count();
    if site > profile { FileKind::Site } else { FileKind::Profile }
}

/// Whether a text has points or defaults of a profile at its top.
pub(super) fn names_points(text: &str) -> bool {
    let (root, _) = DeTable::parse_recoverable(text);
    root.get_ref()
        .iter()
        .any(|(name, _)| matches!(name.get_ref().as_ref(), "points" | "defaults" | "profile"))
}

fn table(table: &DeTable<'_>) -> Vec<Entry> {
    let mut entries: Vec<Entry> = table
        .iter()
        .map(|(key, value)| Entry {
            key: key.get_ref().to_string(),
            key_span: key.span(),
            node: Node { span: value.span(), value: convert(value.get_ref()) },
        })
        .collect();
    entries.sort_by_key(|entry| entry.key_span.start);
    entries
}

fn list(array: &DeArray<'_>) -> Vec<Node> {
    array.iter().map(|item| Node { span: item.span(), value: convert(item.get_ref()) }).collect()
}

fn convert(value: &DeValue<'_>) -> Value {
    match value {
        DeValue::String(text) => Value::Text(text.to_string()),
        DeValue::Integer(number) => {
            Value::Integer(i128::from_str_radix(number.as_str(), number.radix()).ok())
        }
        DeValue::Float(number) => Value::Real(number.as_str().parse().unwrap_or(f64::NAN)),
        DeValue::Boolean(flag) => Value::Flag(*flag),
        DeValue::Datetime(date) => Value::Date(date.to_string()),
        DeValue::Array(array) => Value::List(list(array)),
        DeValue::Table(inner) => Value::Table(table(inner)),
    }
}

/// Said of `[name` without its end.
pub(super) const UNCLOSED_HEADING: &str = "a heading without its `]`";

/// TOML's own complaints in words for somebody who does not know TOML.
fn plain(message: &str) -> (String, &'static str) {
    let has = |part: &str| message.contains(part);
    if has("string values must be quoted") || has("invalid float") || has("invalid integer") {
        return (
            "a value that is neither a number nor in quotes".into(),
            "put text in quotes: key = \"text\"",
        );
    }
    if has("duplicate key") {
        return (
            "this stands in the file twice".into(),
            "keep one of the two; points of one quantity go under one heading",
        );
    }
    if has("missing comma") {
        return (
            "something is missing before this: a comma, or the end of the line above".into(),
            "close the line above with `}` or `]`, or put a comma between its parts",
        );
    }
    if has("key with no value") {
        return ("a key without a value".into(), "write `key = value`, one to a line");
    }
    if has("invalid boolean") {
        return ("neither `true` nor `false`".into(), "write `true` or `false`, in small letters");
    }
    if has("unclosed inline table") {
        return ("a `{` without its `}`".into(), "close it with `}`");
    }
    if has("unclosed table") {
        return (UNCLOSED_HEADING.into(), "close it: `[name]`");
    }
    if has("unclosed array") {
        return ("a list without its `]`".into(), "close it with `]`");
    }
    (message.to_owned(), "")
}
