//! What a page carries for machines: the verdict documents whole, with what was given beside the captures. From it and the
//! captures the page can be made again, which is how it is verified.

use std::fmt::Write as _;

use serde::{Deserialize, Serialize};
use serde_json::Value;

pub use crate::report::beside::{Given, GivenText};
use crate::report::visit::VisitStep;

/// What the record's line begins with in HTML and Markdown; the rest of the line is JSON.
const BEGIN: &str = "wattward-record ";

/// The form of the record. A change of meaning raises it.
pub const FORM: u32 = 1;

/// The whole record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// The form: 1.
    pub report: u32,
    /// The program that wrote it.
    pub tool: ToolName,
    /// When, RFC 3339.
    pub written: String,
    /// What was given beside the captures.
    #[serde(default, skip_serializing_if = "Given::is_empty")]
    pub given: Given,
    /// The steps of a guided visit, where there was one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub visit: Vec<VisitStep>,
    /// The checks.
    pub checks: Vec<Entry>,
}

/// The program that wrote a report.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ToolName {
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
}

impl Default for ToolName {
    /// This one.
    fn default() -> Self {
        Self { name: env!("CARGO_PKG_NAME").to_owned(), version: env!("CARGO_PKG_VERSION").to_owned() }
    }
}

/// One check.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Whether the captures were at hand and gave this document.
    pub recomputed: bool,
    /// The verdict document.
    pub document: Value,
}

impl Record {
    /// The record as one line of JSON in which no character can end or open a tag, a comment or an entity.
    pub fn line(&self) -> String {
        let json = serde_json::to_string(self).unwrap_or_default();
        let mut line = String::with_capacity(json.len() + BEGIN.len());
        line.push_str(BEGIN);
        for c in json.chars() {
            match c {
                '<' | '>' | '&' | '\u{2028}' | '\u{2029}' => {
                    let _ = write!(line, "\\u{:04x}", u32::from(c));
                }
                c => line.push(c),
            }
        }
        line
    }

    /// Reads the record out of a report in any of its forms; a lone verdict document is a record of one check.
    ///
    /// # Errors
    /// A sentence that says what is wrong.
    pub fn find(text: &str) -> Result<Self, String> {
        // The record has a line of its own; texts from files never begin one.
        let mut records = text.lines().filter_map(|line| line.strip_prefix(BEGIN));
        let json = match (records.next(), records.next()) {
            (Some(_), Some(_)) => {
                return Err("it holds more than one record, and which one counts can't be known".to_owned());
            }
            (Some(json), None) => json,
            (None, _) => text,
        };
        let first = serde_json::Deserializer::from_str(json).into_iter::<Value>().next();
        let value = match first {
            Some(Ok(value)) => value,
            Some(Err(error)) => return Err(format!("its record can't be read: {error}")),
            None => return Err("it is empty".to_owned()),
        };
        if value.get("check").is_some() && value.get("report").is_none() {
            return Ok(Self::of_document(value));
        }
        let record: Self =
            serde_json::from_value(value).map_err(|error| format!("its record can't be read: {error}"))?;
        if record.report > FORM {
            let (form, version) = (record.report, record.tool.version);
            return Err(format!(
                "its form is {form}, written by version {version}; this program reads form {FORM}"
            ));
        }
        Ok(record)
    }

    /// A verdict document by itself.
    fn of_document(document: Value) -> Self {
        Self {
            report: FORM,
            tool: ToolName::default(),
            written: String::new(),
            given: Given::default(),
            visit: Vec::new(),
            checks: vec![Entry { recomputed: true, document }],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(headline: &str) -> Record {
        Record {
            report: FORM,
            tool: ToolName::default(),
            written: "2026-05-28T20:26:40Z".into(),
            given: Given::default(),
            visit: Vec::new(),
            checks: vec![Entry {
                recomputed: true,
                document: serde_json::json!({ "check": "ct", "headline": headline, "gain": 1.004 }),
            }],
        }
    }

    #[test]
    fn a_record_comes_back_from_among_anything() {
        let record = record("</template><script>alert(1)</script> --> & wattward");
        let line = record.line();
        assert!(!line.contains(['<', '>', '&']), "{line}");
        let page = format!("<p>before</p>\n<template>\n{line}\n</template>\n<p>after</p>\n");
        assert_eq!(Record::find(&page).expect("found"), record);
        assert_eq!(
            Record::find(&serde_json::to_string_pretty(&record).expect("JSON")).expect("found"),
            record
        );
    }

    #[test]
    fn two_records_are_none() {
        let line = record("x").line();
        assert!(Record::find(&format!("{line}\n{line}")).is_err());
        assert!(Record::find("<p>no record</p>").is_err());
        assert!(Record::find("").is_err());
    }

    #[test]
    fn a_later_form_says_who_can_read_it() {
        let mut later = record("x");
        later.report = 2;
        let why = Record::find(&later.line()).expect_err("too new");
        assert!(why.contains("form is 2"), "{why}");
    }
}
