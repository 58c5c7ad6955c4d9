//! A capture without names: of the site, its meters, loads and plants, of files and lines; without serial numbers, dates of
//! calibration and notes, and with the texts by which meters identify themselves blanked.

use toml::{Table, Value};

use crate::base::Failure;
use crate::record::{LineInfo, Mark, MarkKind, Medium, Record, Role};
use crate::wire::crc::crc16;

/// Old names with what stands in their place, in the order they were met.
#[derive(Clone, Debug, Default)]
pub struct Names(Vec<(String, String)>);

/// What the new path of a profile begins with.
const PATH: &str = "profile-";

/// Keys whose values are nobody else's business.
const PRIVATE: [&str; 4] = ["serial", "calibrated", "notes", "note"];

impl Names {
    /// All names in these records and of these lines.
    ///
    /// # Errors
    /// A site file in it cannot be read, so nobody knows what is a name.
    pub fn of(lines: &[LineInfo], records: &[Record]) -> Result<Self, Failure> {
        let mut names = Self::default();
        for (number, line) in (1..).zip(lines) {
            names.line(number, line);
        }
        for mark in marks(records) {
            match mark.kind {
                MarkKind::Site => names.site(mark)?,
                MarkKind::Profile => names.profile(mark)?,
                _ => {}
            }
            names.add(mark.meter.as_ref(), "meter");
            names.add(mark.plant.as_ref(), "plant");
            names.add(mark.load.as_ref(), "load");
        }
        Ok(names)
    }

    fn add(&mut self, name: Option<&String>, kind: &str) {
        let Some(name) = name.filter(|name| !name.is_empty()) else { return };
        if self.0.iter().any(|(known, _)| known == name) {
            return;
        }
        let number = self.0.iter().filter(|(_, new)| new.starts_with(&format!("{kind} "))).count() + 1;
        self.0.push((name.clone(), format!("{kind} {number}")));
    }

    fn put(&mut self, name: &str, new: String) {
        if !name.is_empty() && !self.0.iter().any(|(known, _)| known == name) {
            self.0.push((name.to_owned(), new));
        }
    }

    fn line(&mut self, number: usize, line: &LineInfo) {
        self.door(number, &line.name, line.medium == Medium::Tcp);
    }

    /// A host becomes another, on the same port; a serial port another.
    fn door(&mut self, number: usize, name: &str, network: bool) {
        let port = name.rsplit_once(':').and_then(|(_, port)| port.parse::<u16>().ok());
        match port {
            Some(port) => self.put(name, format!("host-{number}:{port}")),
            None if network => self.put(name, format!("host-{number}")),
            None => self.put(name, format!("line-{number}")),
        }
    }

    fn site(&mut self, mark: &Mark) -> Result<(), Failure> {
        let table = table(mark, "site file")?;
        let text = |table: &Table, key: &str| table.get(key).and_then(Value::as_str).map(str::to_owned);
        if let Some(name) = table.get("site").and_then(Value::as_table).and_then(|site| text(site, "name")) {
            self.put(&name, "site".to_owned());
        }
        for (array, kind) in [("meter", "meter"), ("plant", "plant"), ("load", "load")] {
            for entry in table.get(array).and_then(Value::as_array).into_iter().flatten() {
                let Some(entry) = entry.as_table() else { continue };
                self.add(text(entry, "name").as_ref(), kind);
                if let Some(path) = text(entry, "profile") {
                    let number = self.0.iter().filter(|(_, new)| new.starts_with(PATH)).count() + 1;
                    self.put(&path, format!("{PATH}{number}.toml"));
                }
                for (door, name) in entry.get("line").and_then(Value::as_table).into_iter().flatten() {
                    let number = self.0.len() + 1;
                    if let Some(name) = name.as_str().filter(|_| PLACES.contains(&door.as_str())) {
                        self.door(number, name, door != "serial");
                    }
                }
            }
        }
        Ok(())
    }

    fn profile(&mut self, mark: &Mark) -> Result<(), Failure> {
        let table = table(mark, "profile")?;
        let head = table.get("profile").and_then(Value::as_table);
        let name = head.and_then(|head| head.get("name")).and_then(Value::as_str).map(str::to_owned);
        self.add(name.as_ref(), "profile");
        Ok(())
    }

    /// What stands in a name's place.
    fn new_of(&self, name: &str) -> String {
        let found = self.0.iter().find(|(known, _)| known == name);
        found.map_or_else(|| name.to_owned(), |(_, new)| new.clone())
    }

    /// A text with every name in it replaced, longest first.
    fn inside(&self, text: &str) -> String {
        let mut names: Vec<&(String, String)> = self.0.iter().collect();
        names.sort_by_key(|(name, _)| std::cmp::Reverse(name.len()));
        let (mut out, mut rest) = (String::new(), text);
        while let Some(letter) = rest.chars().next() {
            let begins = !out.ends_with(char::is_alphanumeric);
            let found = names.iter().find(|(name, _)| {
                begins
                    && rest
                        .strip_prefix(name.as_str())
                        .is_some_and(|rest| !rest.starts_with(char::is_alphanumeric))
            });
            if let Some((name, new)) = found {
                out.push_str(new);
                rest = &rest[name.len()..];
            } else {
                out.push(letter);
                rest = &rest[letter.len_utf8()..];
            }
        }
        out
    }

    /// The lines under their new names.
    pub fn lines(&self, lines: &[LineInfo]) -> Vec<LineInfo> {
        lines.iter().map(|line| LineInfo { name: self.new_of(&line.name), ..line.clone() }).collect()
    }

    /// The records without names. Verdict marks come out without their documents, which tell of the old ones.
    ///
    /// # Errors
    /// As `of`.
    pub fn scrub(&self, records: &[Record]) -> Result<Vec<Record>, Failure> {
        records
            .iter()
            .map(|record| {
                let mut record = record.clone();
                match &mut record {
                    Record::Mark(mark) => self.mark(mark)?,
                    Record::Frame(frame) if frame.role == Role::Response => {
                        let serial = frame.medium == Medium::Serial;
                        let head = if serial { 1 } else { 7 };
                        let end = frame.bytes.len() - if serial { 2 } else { 0 };
                        if identification(frame.bytes.get_mut(head..end).unwrap_or(&mut [])) && serial {
                            let crc = crc16(&frame.bytes[..end]).to_le_bytes();
                            frame.bytes[end..].copy_from_slice(&crc);
                        }
                    }
                    Record::Stray(stray) => damaged(&mut stray.bytes),
                    Record::Frame(_) => {}
                }
                Ok(record)
            })
            .collect()
    }

    fn mark(&self, mark: &mut Mark) -> Result<(), Failure> {
        for field in [&mut mark.line, &mut mark.plant, &mut mark.load, &mut mark.meter].into_iter().flatten()
        {
            *field = self.new_of(field);
        }
        match mark.kind {
            MarkKind::Site | MarkKind::Profile => {
                let mut table = table(mark, mark.kind.word())?;
                self.values(&mut table, true);
                mark.text = Some(table.to_string());
                // A profile is found by the path its message ends in, where it names no meter.
                let path = self.0.iter().filter(|(_, new)| new.starts_with(PATH));
                let path = path.rev().find(|(old, _)| mark.message.ends_with(old.as_str()));
                mark.message = words(mark.kind, path.map(|(_, new)| new));
            }
            MarkKind::CheckStart => {
                let text = mark.text.as_deref().unwrap_or(&mark.message);
                let lines = text.lines().map(|line| match line.split_once(' ') {
                    Some((option, value)) => format!("{option} {}", self.option(value)),
                    None => line.to_owned(),
                });
                let text = lines.collect::<Vec<_>>().join("\n");
                text.lines().next().unwrap_or("").clone_into(&mut mark.message);
                mark.text = Some(text);
            }
            _ => {
                let of = mark.load.as_ref().or(mark.plant.as_ref()).or(mark.line.as_ref());
                mark.message = words(mark.kind, of);
                mark.text = None;
            }
        }
        Ok(())
    }

    /// The value of an option: a document, or words.
    fn option(&self, value: &str) -> String {
        match serde_json::from_str::<serde_json::Value>(value) {
            Ok(mut document) if document.is_object() => {
                self.document(&mut document);
                document.to_string()
            }
            _ => self.inside(value),
        }
    }

    fn document(&self, value: &mut serde_json::Value) {
        match value {
            serde_json::Value::String(text) => *text = self.inside(text),
            serde_json::Value::Array(list) => list.iter_mut().for_each(|value| self.document(value)),
            serde_json::Value::Object(entries) => entries.values_mut().for_each(|value| self.document(value)),
            _ => {}
        }
    }

    fn values(&self, table: &mut Table, top: bool) {
        // `serial` names the port of a line, and the number of a meter.
        let is_line = table.keys().any(|key| PLACES.contains(&key.as_str()) && key != "serial")
            || (table.contains_key("serial")
                && !table.contains_key("name")
                && !table.contains_key("profile"));
        if !top && !is_line {
            table.retain(|key, _| !PRIVATE.contains(&key));
        }
        for (_, value) in table.iter_mut() {
            self.value(value);
        }
    }

    fn value(&self, value: &mut Value) {
        match value {
            Value::String(text) => *text = self.new_of(text),
            Value::Array(list) => list.iter_mut().for_each(|value| self.value(value)),
            Value::Table(table) => self.values(table, false),
            _ => {}
        }
    }
}

/// Keys of a line that say where it is.
const PLACES: [&str; 3] = ["serial", "tcp", "serial_over_tcp"];

fn marks(records: &[Record]) -> impl Iterator<Item = &Mark> {
    records.iter().filter_map(|record| match record {
        Record::Mark(mark) => Some(&**mark),
        _ => None,
    })
}

/// A message that names nobody.
fn words(kind: MarkKind, of: Option<&String>) -> String {
    of.map_or_else(|| kind.word().to_owned(), |of| format!("{} {of}", kind.word()))
}

fn table(mark: &Mark, what: &str) -> Result<Table, Failure> {
    let text = mark.text.as_deref().unwrap_or("");
    text.parse::<Table>().map_err(|error| {
        Failure::unreadable(format!(
            "the {what} noted at {} cannot be read, so nobody knows which of its words are names: {}",
            mark.at.rfc3339(3),
            error.message()
        ))
    })
}

/// Blanks the objects of an answer to 43/14 (Modbus Application Protocol 1.1b3, 6.21); whether it was one.
fn identification(pdu: &mut [u8]) -> bool {
    if !pdu.starts_with(&[0x2B, 0x0E]) {
        return false;
    }
    // Two codes, conformity, more to come, next object, how many; then number, length and text of each.
    let mut at = 7;
    while let Some(&length) = pdu.get(at + 1) {
        let end = (at + 2 + usize::from(length)).min(pdu.len());
        pdu[at + 2..end].fill(b' ');
        at = end;
    }
    true
}

/// Blanks the words in what is left of a damaged answer to 43/14.
fn damaged(bytes: &mut [u8]) {
    let Some(start) = bytes.windows(2).position(|pair| pair == [0x2B, 0x0E]) else { return };
    let mut at = start + 2;
    while at < bytes.len() {
        let words = bytes[at..].iter().take_while(|byte| (0x20..0x7F).contains(*byte)).count();
        if words >= 4 {
            bytes[at..at + words].fill(b' ');
        }
        at += words.max(1);
    }
}
