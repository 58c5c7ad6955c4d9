//! What was found and written, for people and for programs.

use std::fmt::Write as _;
use std::path::Path;

use serde_json::{Value, json};

use super::Chosen;
use crate::cli::profile::number;
use crate::link::{Chain, ChainEnd};
use crate::profile::import::{Definition, Imported};
use crate::report::text::wrapped;

fn label(known: &[Definition], id: u16) -> Option<&str> {
    known.iter().find(|definition| definition.id == id).map(|definition| definition.label.as_str())
}

/// The chain of models.
pub(super) fn chain(chain: &Chain, unit: u8, known: &[Definition], width: usize) -> String {
    let base = chain.base().map_or_else(String::new, |base| base.to_string());
    let mut text = format!("unit {unit}: the marker stands at {base}\n");
    for model in chain.models() {
        let name = match label(known, model.id) {
            Some("") => String::new(),
            Some(label) => format!(" ({label})"),
            None => " (no definition given)".to_owned(),
        };
        let words = format!("model {}{name} at {}, {} registers", model.id, model.address, model.length);
        text.push_str(&wrapped("  ", &words, width));
    }
    match chain.end() {
        Some(ChainEnd::Cut(address)) => {
            let words =
                format!("the chain breaks off at {address}, without its end; models behind it are not seen");
            text.push_str(&wrapped("  ", &words, width));
        }
        Some(ChainEnd::Endless) => text.push_str("  the chain does not end; its last models may be none\n"),
        Some(ChainEnd::Marked) | None => {}
    }
    text
}

/// The chain for programs.
pub(super) fn models(chain: &Chain, known: &[Definition]) -> Value {
    let models = chain.models().iter().map(|model| {
        json!({ "model": model.id, "label": label(known, model.id), "address": model.address, "registers": model.length })
    });
    models.collect()
}

/// What was written, and what to do next.
pub(super) fn written(
    path: &Path,
    chosen: &Chosen<'_>,
    identity: &[(String, Value)],
    made: &Imported,
    (asked, sign_assumed): (bool, bool),
    width: usize,
) -> String {
    let mut text = String::new();
    if !identity.is_empty() {
        let words = identity.iter().map(|(name, value)| match value {
            Value::String(text) => format!("{name} {text}"),
            other => format!("{name} {other}"),
        });
        text.push_str(&wrapped("it says of itself: ", &words.collect::<Vec<_>>().join(", "), width));
    }
    let (file, id) = (path.display(), chosen.definition.id);
    let _ = writeln!(text, "{file} written from model {id}: {}", number(made.points, "point"));
    if !made.not_implemented.is_empty() {
        text.push_str(&wrapped("  not implemented by this meter: ", &made.not_implemented.join(", "), width));
    }
    if !asked {
        let words =
            format!("no meter was asked; that the model stands at {} is taken on trust", chosen.address);
        text.push_str(&wrapped("  ", &words, width));
    }
    if sign_assumed {
        let words = "what a positive power means, the model does not say: import is assumed. Compare with the meter's display; \
                     `wattward ct` proves it with a load";
        text.push_str(&wrapped("  ", words, width));
    }
    text.push_str("next: read it once, with `wattward read --profile ");
    let _ = writeln!(text, "{file}` and the line's options");
    text
}
