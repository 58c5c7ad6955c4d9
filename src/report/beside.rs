//! What a check from captures was told beside them: options and files typed on the command line. A document that rests on
//! them carries them, so that whoever has the captures can compute it again.

use serde::{Deserialize, Serialize};
use serde_json::Value;

/// Options and texts beside the captures.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Beside {
    /// Options that bear on the verdict, one each, as a `check-start` mark holds them: `--window 600s`.
    pub options: Vec<String>,
    /// Texts given in place of those in the captures.
    pub given: Given,
}

/// Texts given beside the captures, which were judged by in place of those inside.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Given {
    /// A site file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub site: Option<GivenText>,
    /// The profiles it names, by the path it names them with.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub profiles: Vec<(String, GivenText)>,
    /// One profile for every meter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<GivenText>,
    /// A site for captures that hold none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub otherwise: Option<GivenText>,
}

/// A file's name and what it held.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct GivenText {
    /// Its name.
    pub file: String,
    /// Its text.
    pub text: String,
}

impl Given {
    /// Whether nothing was given.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Names of the files given in place of those in the captures.
    pub fn files(&self) -> impl Iterator<Item = &str> {
        let texts = self.site.iter().chain(&self.profile).chain(&self.otherwise);
        texts.chain(self.profiles.iter().map(|(_, text)| text)).map(|text| text.file.as_str())
    }
}

impl Beside {
    /// Whether the captures alone were judged.
    pub fn is_empty(&self) -> bool {
        self.options.is_empty() && self.given.is_empty()
    }

    /// As a document holds them; nothing where it can't be read.
    pub fn of_document(document: &Value) -> Self {
        let part = |key: &str| document.get(key).cloned().unwrap_or(Value::Null);
        Self {
            options: serde_json::from_value(part("options")).unwrap_or_default(),
            given: serde_json::from_value(part("given")).unwrap_or_default(),
        }
    }

    /// In words, one for each: the options, a long one by its name alone, and the files.
    pub fn words(&self) -> Vec<String> {
        let option = |option: &String| match option.split_once(' ') {
            Some((name, document)) if document.trim_start().starts_with('{') => {
                let value: Value = serde_json::from_str(document).unwrap_or(Value::Null);
                let text = |key: &str| value.get(key).and_then(Value::as_str).unwrap_or("?").to_owned();
                format!(
                    "{name} (document of `{}` on meter {}: {}, {})",
                    text("check"),
                    text("meter"),
                    text("verdict"),
                    text("start")
                )
            }
            _ => option.clone(),
        };
        let mut words: Vec<String> = self.options.iter().map(option).collect();
        words.extend(self.given.files().map(|file| format!("the file {file}")));
        words
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_document_gives_back_what_it_was_told() {
        let given = Given {
            site: Some(GivenText { file: "other.toml".into(), text: "[site]\n".into() }),
            ..Given::default()
        };
        let ct = r#"--ct {"check":"ct","meter":"grid","verdict":"pass","start":"2026-05-28T20:26:40.000Z"}"#;
        let beside = Beside { options: vec!["--window 600s".into(), ct.into()], given };
        let document = serde_json::json!({ "options": beside.options, "given": beside.given });
        assert_eq!(Beside::of_document(&document), beside);
        assert!(Beside::of_document(&serde_json::json!({ "check": "ct" })).is_empty());
        let words = beside.words();
        assert_eq!(words[0], "--window 600s");
        assert_eq!(words[1], "--ct (document of `ct` on meter grid: pass, 2026-05-28T20:26:40.000Z)");
        assert_eq!(words[2], "the file other.toml");
    }
}
