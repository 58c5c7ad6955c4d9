//! Walking the tree: a desk that collects the faults, and sections whose keys are checked when they are opened.

use std::ops::Range;

pub(crate) use super::shape::Bound;
use super::shape::{Key, Keys, Shape, all};
use super::tree::{Entry, Node, UNCLOSED_HEADING, Value, read_tree};
use crate::base::Faults;
use crate::profile::suggest;

/// Where the faults of one file are collected.
pub(crate) struct Desk {
    pub(crate) faults: Faults,
    /// Where keys belong, for those that stand in the wrong place: key, section.
    homes: &'static [(&'static str, &'static str)],
    /// Places at which the text broke TOML's rules.
    broken: Vec<Range<usize>>,
}

impl Desk {
    /// Opens a file: its tree, and a desk that already holds what broke TOML's rules.
    pub(crate) fn open(
        file: &str,
        text: &str,
        homes: &'static [(&'static str, &'static str)],
    ) -> (Self, Node) {
        let mut faults = Faults::new(file, text);
        let root = read_tree(text, &mut faults);
        let broken = faults
            .list
            .iter()
            .map(|fault| {
                let mut line = line_around(text, &fault.span);
                if fault.message == UNCLOSED_HEADING {
                    // What stands under a broken heading seems to stand elsewhere.
                    let rest = text.get(line.end..).unwrap_or("");
                    line.end = rest.find("\n[").map_or(text.len(), |at| line.end + at);
                }
                line
            })
            .collect();
        (Self { faults, homes, broken }, root)
    }

    /// Adds an error, unless the text on that line is broken anyhow.
    pub(crate) fn error(&mut self, span: &Range<usize>, message: impl Into<String>, mend: impl Into<String>) {
        if !self.is_broken(span) {
            self.faults.error(span.clone(), message, mend);
        }
    }

    /// Adds a warning.
    pub(crate) fn warn(&mut self, span: &Range<usize>, message: impl Into<String>, mend: impl Into<String>) {
        if !self.is_broken(span) {
            self.faults.warning(span.clone(), message, mend);
        }
    }

    /// Adds an error for something that is not there, unless broken text may have swallowed it.
    pub(crate) fn missing(
        &mut self,
        span: &Range<usize>,
        message: impl Into<String>,
        mend: impl Into<String>,
    ) {
        if self.broken.is_empty() {
            self.faults.error(span.clone(), message, mend);
        }
    }

    fn is_broken(&self, span: &Range<usize>) -> bool {
        self.broken.iter().any(|line| span.start <= line.end && line.start <= span.end)
    }

    /// All faults in order of place.
    pub(crate) fn close(mut self) -> Faults {
        self.faults.sort();
        self.faults
    }
}

/// The line (or lines) a span stands on, without the line's end.
fn line_around(text: &str, span: &Range<usize>) -> Range<usize> {
    let bytes = text.as_bytes();
    let start = span.start.min(bytes.len());
    let end = span.end.clamp(start, bytes.len());
    let first = bytes[..start].iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    let last = bytes[end..].iter().position(|byte| *byte == b'\n').map_or(bytes.len(), |at| end + at);
    first..last
}

/// A table whose keys are known.
pub(crate) struct Section<'t> {
    /// What it is, for messages: `[line]`, `the point active_power.L1`.
    pub(crate) title: String,
    /// Its heading, or the whole of an inline table.
    pub(crate) span: Range<usize>,
    keys: Vec<(Known, &'t Entry)>,
}

/// A key that a table may have, with its shape where it has one.
#[derive(Clone, Copy)]
struct Known {
    name: &'static str,
    key: Option<&'static Key>,
}

impl<'t> Section<'t> {
    /// Opens a table. Keys that nobody knows are faults; one that is near a known key stands in for it from here on, so
    /// that a slip of the pen is one fault and not two.
    pub(crate) fn open(
        desk: &mut Desk,
        node: &'t Node,
        title: impl Into<String>,
        known: Keys,
    ) -> Option<Self> {
        let known: Vec<Known> = all(known).map(|key| Known { name: key.name, key: Some(key) }).collect();
        Self::of(desk, node, title.into(), &known)
    }

    /// Opens a table whose keys have no shapes: whoever reads them gives the bounds.
    pub(crate) fn plain(
        desk: &mut Desk,
        node: &'t Node,
        title: impl Into<String>,
        known: &'static [&'static str],
    ) -> Option<Self> {
        let known: Vec<Known> = known.iter().map(|name| Known { name, key: None }).collect();
        Self::of(desk, node, title.into(), &known)
    }

    fn of(desk: &mut Desk, node: &'t Node, title: String, known: &[Known]) -> Option<Self> {
        let Value::Table(entries) = &node.value else {
            let mend = format!("write {title} as a table of `key = value`");
            desk.error(&node.span, format!("{title} is {}, not a table", node.value.noun()), mend);
            return None;
        };
        let names = || known.iter().map(|known| known.name);
        let (named, unknown): (Vec<&Entry>, Vec<&Entry>) =
            entries.iter().partition(|entry| names().any(|name| name == entry.key));
        let mut keys: Vec<(Known, &'t Entry)> = Vec::new();
        for entry in named {
            keys.extend(known.iter().find(|known| known.name == entry.key).map(|known| (*known, entry)));
        }
        for entry in unknown {
            let free = || known.iter().filter(|key| keys.iter().all(|(taken, _)| taken.name != key.name));
            let near = suggest::nearest(&entry.key, free().map(|key| key.name));
            let home = desk.homes.iter().find(|(key, _)| *key == entry.key);
            let mend = match (home, near) {
                (Some((_, home)), _) => format!("`{}` belongs in {home}", entry.key),
                (None, Some(key)) => format!("did you mean `{key}`?"),
                (None, None) => format!("{title} may have {}", suggest::list(names(), "and")),
            };
            let meant = free().find(|key| home.is_none() && near == Some(key.name)).copied();
            keys.extend(meant.map(|key| (key, entry)));
            desk.error(&entry.key_span, format!("unknown key `{}` in {title}", entry.key), mend);
        }
        Some(Self { title, span: node.span.clone(), keys })
    }

    /// The keys that are there.
    pub(crate) fn present(&self) -> impl Iterator<Item = &'static Key> {
        self.keys.iter().filter_map(|(known, _)| known.key)
    }

    /// The value of a key.
    pub(crate) fn node(&self, key: &str) -> Option<&'t Node> {
        self.entry(key).map(|entry| &entry.node)
    }

    fn entry(&self, key: &str) -> Option<&'t Entry> {
        self.keys.iter().find(|(known, _)| known.name == key).map(|(_, entry)| *entry)
    }

    fn shape(&self, key: &str) -> Option<Shape> {
        self.keys.iter().find(|(known, _)| known.name == key)?.0.key.map(|key| key.shape)
    }

    /// Whether a key is there.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.entry(key).is_some()
    }

    /// Where a key with its value stands; the section's own place when the key is not there.
    pub(crate) fn place(&self, key: &str) -> Range<usize> {
        match self.entry(key) {
            Some(entry) if entry.node.span.start >= entry.key_span.start => {
                entry.key_span.start..entry.node.span.end
            }
            Some(entry) => entry.node.span.clone(),
            None => self.span.clone(),
        }
    }

    /// Text that is not empty.
    pub(crate) fn text(&self, desk: &mut Desk, key: &str) -> Option<&'t str> {
        let node = self.node(key)?;
        match &node.value {
            Value::Text(text) if !text.trim().is_empty() => Some(text),
            Value::Text(_) => {
                desk.error(&node.span, format!("`{key}` is empty"), "write something between the quotes");
                None
            }
            other => {
                let mend = format!("put it in quotes: `{key} = \"…\"`");
                desk.error(&node.span, format!("`{key}` is {}, not text", other.noun()), mend);
                None
            }
        }
    }

    /// One of a few words.
    pub(crate) fn word<T: Copy>(&self, desk: &mut Desk, key: &str, words: &[(&'static str, T)]) -> Option<T> {
        let node = self.node(key)?;
        choose(desk, node, key, words)
    }

    /// True or false.
    pub(crate) fn flag(&self, desk: &mut Desk, key: &str) -> Option<bool> {
        let node = self.node(key)?;
        if let Value::Flag(flag) = node.value {
            return Some(flag);
        }
        let message = format!("`{key}` is {}, not true or false", node.value.noun());
        desk.error(&node.span, message, format!("write `{key} = true` or `{key} = false`, without quotes"));
        None
    }

    /// A whole number within the bounds of its key.
    pub(crate) fn integer(&self, desk: &mut Desk, key: &str) -> Option<i64> {
        let (low, high) = match self.shape(key) {
            Some(Shape::Whole(low, high)) => (low, high),
            _ => (i64::MIN, i64::MAX),
        };
        self.within(desk, key, low, high)
    }

    /// A whole number within bounds that no table gives, or that depend on other keys.
    pub(crate) fn within(&self, desk: &mut Desk, key: &str, low: i64, high: i64) -> Option<i64> {
        let node = self.node(key)?;
        let number = whole(desk, node, key)?;
        let within = i64::try_from(number).ok().filter(|number| (low..=high).contains(number));
        if within.is_none() {
            let mend = format!("write a whole number from {low} to {high}");
            desk.error(&node.span, format!("`{key}` is {number}, out of its range"), mend);
        }
        within
    }

    /// A number within the bounds of its key, with or without a decimal point.
    pub(crate) fn number(&self, desk: &mut Desk, key: &str) -> Option<f64> {
        self.number_or(desk, key, |_| None)
    }

    /// The same; of a number out of bounds `teach` may know what was meant: the message and the mend.
    pub(crate) fn number_or(
        &self,
        desk: &mut Desk,
        key: &str,
        teach: impl Fn(f64) -> Option<(String, String)>,
    ) -> Option<f64> {
        let Some(Shape::Number(bound)) = self.shape(key) else {
            return self.bounded(desk, key, Bound::Finite);
        };
        self.taught(desk, key, bound, teach)
    }

    /// A number within bounds that no table gives.
    pub(crate) fn bounded(&self, desk: &mut Desk, key: &str, bound: Bound) -> Option<f64> {
        self.taught(desk, key, bound, |_| None)
    }

    fn taught(
        &self,
        desk: &mut Desk,
        key: &str,
        bound: Bound,
        teach: impl Fn(f64) -> Option<(String, String)>,
    ) -> Option<f64> {
        let node = self.node(key)?;
        let number = real(desk, node, key)?;
        if bound.admits(number) {
            return Some(number);
        }
        let (message, mend) = teach(number).unwrap_or_else(|| {
            (format!("`{key}` is {number}, out of its range"), format!("write {}", bound.words()))
        });
        desk.error(&node.span, message, mend);
        None
    }
}

/// One of a few words, each with what it stands for.
pub(crate) fn choose<T: Copy>(
    desk: &mut Desk,
    node: &Node,
    what: &str,
    words: &[(&'static str, T)],
) -> Option<T> {
    let names = || words.iter().map(|(word, _)| *word);
    let known = format!("`{what}` is one of {}", suggest::list(names(), "or"));
    let Value::Text(text) = &node.value else {
        let quoted = match node.value {
            Value::Integer(_) | Value::Real(_) => "; mind the quotes: `\"1\"`, not `1`",
            _ => "",
        };
        let message = format!("`{what}` is {}, not text", node.value.noun());
        desk.error(&node.span, message, format!("{known}{quoted}"));
        return None;
    };
    let found = words.iter().find(|(word, _)| word == text).map(|(_, value)| *value);
    if found.is_none() {
        let mend = match suggest::meant(text, names()).or_else(|| suggest::nearest(text, names())) {
            Some(near) => format!("did you mean `{near}`? {known}"),
            None => known,
        };
        desk.error(&node.span, format!("`{text}` is no value of `{what}`"), mend);
    }
    found
}

/// A whole number of any size up to 128 bits.
pub(crate) fn whole(desk: &mut Desk, node: &Node, what: &str) -> Option<i128> {
    match &node.value {
        Value::Integer(Some(number)) => Some(*number),
        Value::Integer(None) => {
            desk.error(&node.span, format!("`{what}` is larger than any number here"), "check the digits");
            None
        }
        other => {
            let mend = match other {
                Value::Text(text) if is_number(text) => format!("write it without quotes: `{what} = {text}`"),
                Value::Real(_) => "write it without a decimal point".to_owned(),
                _ => "write a plain number, without quotes and without a unit".to_owned(),
            };
            desk.error(&node.span, format!("`{what}` is {}, not a whole number", other.noun()), mend);
            None
        }
    }
}

/// A number, finite or not.
pub(crate) fn real(desk: &mut Desk, node: &Node, what: &str) -> Option<f64> {
    match &node.value {
        Value::Integer(Some(number)) => Some(*number as f64),
        Value::Real(number) => Some(*number),
        Value::Integer(None) => Some(f64::INFINITY),
        other => {
            let mend = match other {
                Value::Text(text) if is_number(text) => format!("write it without quotes: `{what} = {text}`"),
                Value::Text(text) => match quotient(text) {
                    Some(quotient) => format!("write what it comes to: `{what} = {quotient}`"),
                    None => "write a plain number, without quotes and without a unit".to_owned(),
                },
                _ => "write a plain number, without quotes and without a unit".to_owned(),
            };
            desk.error(&node.span, format!("`{what}` is {}, not a number", other.noun()), mend);
            None
        }
    }
}

/// `200/5`, as ratios stand on a name plate.
fn quotient(text: &str) -> Option<f64> {
    let (over, under) = text.split_once(['/', ':'])?;
    let number = |text: &str| text.trim().trim_end_matches('A').trim().parse::<f64>().ok();
    Some(number(over)? / number(under)?).filter(|quotient| quotient.is_finite())
}

fn is_number(text: &str) -> bool {
    let hex = text.strip_prefix("0x").is_some_and(|digits| u64::from_str_radix(digits, 16).is_ok());
    hex || text.parse::<f64>().is_ok_and(f64::is_finite)
}
