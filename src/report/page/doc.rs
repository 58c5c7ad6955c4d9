//! A verdict document read back: values by dotted path, absent ones told apart from nought.

use serde_json::Value;

use crate::base::{LocalTime, Stamp, Zone};

/// A document, or a part of one.
#[derive(Clone, Copy, Debug)]
pub struct Doc<'a>(pub &'a Value);

impl<'a> Doc<'a> {
    /// The part at a dotted path; null where there is none.
    #[must_use]
    pub fn at(self, path: &str) -> Self {
        path.split('.').fold(self, |part, key| Self(part.0.get(key).unwrap_or(&Value::Null)))
    }

    /// The text at a path, or nothing.
    pub fn text(self, path: &str) -> &'a str {
        self.at(path).0.as_str().unwrap_or("")
    }

    /// The number at a path.
    pub fn number(self, path: &str) -> Option<f64> {
        self.at(path).0.as_f64()
    }

    /// The number under a key that has `export` in it, or `generation` on a generation meter.
    pub fn flow(self, key: &str) -> Option<f64> {
        self.number(key)
            .or_else(|| self.number(&key.replace("exported", "generated").replace("export", "generation")))
    }

    /// Yes or no at a path.
    pub fn yes(self, path: &str) -> Option<bool> {
        self.at(path).0.as_bool()
    }

    /// The list at a path.
    pub fn list(self, path: &str) -> impl Iterator<Item = Self> {
        self.at(path).0.as_array().into_iter().flatten().map(Doc)
    }

    /// The texts of a list.
    pub fn texts(self, path: &str) -> Vec<String> {
        self.list(path).filter_map(|item| item.0.as_str().map(str::to_owned)).collect()
    }

    /// The time at a path.
    pub fn time(self, path: &str) -> Option<Stamp> {
        Stamp::parse(self.text(path))
    }
}

/// How times are written on one page: in full, or by the clock where date and offset are those of the check.
#[derive(Clone, Debug, Default)]
pub struct Times {
    /// The site's zone.
    pub zone: Zone,
    /// Date and offset that need no saying.
    pub usual: Option<LocalTime>,
}

impl Times {
    /// Times of a check that began then.
    pub fn from(zone: &Zone, start: Option<Stamp>) -> Self {
        Self { zone: zone.clone(), usual: start.map(|start| zone.local(start)) }
    }

    /// Date, time and offset.
    pub fn whole(&self, at: Option<Stamp>) -> String {
        at.map_or_else(|| "not known".to_owned(), |at| self.zone.local(at).whole())
    }

    /// The clock alone, on the day and in the offset of the check; else all of it.
    pub fn clock(&self, at: Option<Stamp>) -> String {
        let Some(local) = at.map(|at| self.zone.local(at)) else { return "not known".to_owned() };
        match &self.usual {
            Some(usual) if usual.date == local.date && usual.offset == local.offset => local.time,
            _ => local.whole(),
        }
    }

    /// From one instant to another, date and offset once where they are the same.
    pub fn span(&self, from: Option<Stamp>, to: Option<Stamp>) -> String {
        let (Some(start), Some(end)) = (from, to) else { return self.whole(from) };
        let (start, end) = (self.zone.local(start), self.zone.local(end));
        if start.date == end.date && start.offset == end.offset {
            format!("{}, {} to {} ({})", start.date, start.time, end.time, start.offset)
        } else {
            format!("{} to {}", start.whole(), end.whole())
        }
    }

    /// The title of a column of times.
    pub fn title(&self) -> String {
        self.usual.as_ref().map_or_else(|| "time".to_owned(), |usual| format!("time ({})", usual.offset))
    }
}
