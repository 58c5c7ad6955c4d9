//! Interval data of the operator or the supplier: a table of energies or mean powers by quarter, half or whole hour, in the
//! local time of the site. Which column is what is read from its heading; what a heading leaves open must be said.

use crate::base::zone::Zone;
use crate::base::{Failure, Span, Stamp};
use crate::check::review::{Interval, Intervals};

/// What the person said about the table.
#[derive(Clone, Debug, Default)]
pub(super) struct Said {
    /// `Wh`, `kWh`, `MWh`, `W`, `kW`.
    pub(super) unit: Option<String>,
    /// The length of an interval.
    pub(super) length: Option<Span>,
    /// The times are those at which an interval ends.
    pub(super) ends: bool,
    /// Import or export, for a table with one column of values.
    pub(super) column: Option<String>,
}

/// Reads a table. `name` is how the file is called in what is said about it.
pub(super) fn read(name: &str, text: &str, zone: &Zone, said: &Said) -> Result<Intervals, Failure> {
    let text = text.trim_start_matches('\u{feff}');
    let wrong = |line: usize, what: String| Failure::usage(format!("{name}, line {line}: {what}"));
    let separator = separator(text);
    let mut reader = csv::ReaderBuilder::new();
    reader.delimiter(separator).has_headers(false).flexible(true).trim(csv::Trim::All);
    let mut rows = Vec::new();
    for record in reader.from_reader(text.as_bytes()).records() {
        let record = record.map_err(|error| Failure::usage(format!("{name}: {error}")))?;
        let line = record.position().map_or(0, |position| position.line() as usize);
        rows.push((line, record.iter().map(str::to_owned).collect::<Vec<String>>()));
    }
    // Lines before the heading hold addresses and the like.
    let place = rows.iter().position(|(_, fields)| Columns::of(fields).is_some());
    let Some(place) = place else {
        return Err(Failure::usage(format!("{name} has no line of headings with a time and a value"))
            .hint("headings wattward knows: time, date, start, end; import, export, net (or what they are in your language), with the unit in brackets"));
    };
    let columns = Columns::of(&rows[place].1)
        .unwrap_or_default()
        .told(said)
        .map_err(|what| wrong(rows[place].0, what))?;
    let body: Vec<&(usize, Vec<String>)> =
        rows[place + 1..].iter().filter(|(_, fields)| fields.iter().any(|field| !field.is_empty())).collect();
    let order = date_order(body.iter().filter_map(|(_, fields)| fields.get(columns.date)))
        .map_err(|what| Failure::usage(format!("{name}: {what}")).hint("write the dates as 2026-03-29"))?;
    let mut times: Vec<(Stamp, usize)> = Vec::new();
    let mut skipped = 0;
    for (index, (line, fields)) in body.iter().enumerate() {
        let text = columns.time_of(fields);
        let local = Local::parse(&text, order).ok_or_else(|| wrong(*line, format!("`{text}` is no time")))?;
        let before = times.last().map(|(at, _)| *at);
        let at = if let Some(offset) = local.offset_s {
            local.utc(offset)
        } else {
            let candidates = zone.instants(local.date, local.second_of_day);
            // The hour that comes twice in autumn: first the earlier one, then the later.
            let next = candidates.iter().find(|at| before.is_none_or(|before| **at > before)).copied();
            match next {
                Some(at) => at,
                None if candidates.is_empty() && columns.empty(fields) => {
                    skipped += 1;
                    continue;
                }
                None if candidates.is_empty() => {
                    return Err(wrong(*line, format!("there was no {text} in the site's time zone"))
                            .hint("clocks went forward over it: are the times in UTC, or in winter time all year? --against-zone UTC, or Etc/GMT-1"));
                }
                None => return Err(wrong(*line, format!("{text} goes back in time"))),
            }
        };
        times.push((at, index));
    }
    let length_s = length(&times, said).map_err(|what| Failure::usage(format!("{name}: {what}")))?;
    let back = if columns.ends { Span::from_seconds(length_s) } else { Span::ZERO };
    let mut list = Vec::with_capacity(times.len());
    let mut steps = Vec::new();
    for (at, index) in times {
        let (line, fields) = body[index];
        let mut value = |column: Option<&Column>| -> Result<Option<f64>, Failure> {
            let Some(column) = column else { return Ok(None) };
            let text = fields.get(column.place).map_or("", String::as_str);
            if matches!(text, "" | "-" | "n/a") {
                return Ok(None);
            }
            let (number, digits) =
                number(text, separator).ok_or_else(|| wrong(*line, format!("`{text}` is no number")))?;
            steps.push(column.factor(length_s) * libm::pow(10.0, -f64::from(digits)));
            Ok(Some(number * column.factor(length_s)))
        };
        let (import, export) = (value(columns.import.as_ref())?, value(columns.export.as_ref())?);
        let net = value(columns.net.as_ref())?;
        let import_wh = import.or(net.map(|net| net.max(0.0)));
        let export_wh = export.map(f64::abs).or(net.map(|net| (-net).max(0.0)));
        list.push(Interval { start: at - back, import_wh, export_wh });
    }
    let step_wh = steps.into_iter().min_by(f64::total_cmp).unwrap_or(0.0);
    Ok(Intervals { file: name.to_owned(), length_s, step_wh, net: columns.net.is_some(), skipped, list })
}

/// The character that stands most often outside of quotes in the lines: `;` and tab before the comma, which may be a
/// decimal one.
fn separator(text: &str) -> u8 {
    let count = |mark: char| text.lines().take(50).filter(|line| line.contains(mark)).count();
    let lines = text.lines().take(50).filter(|line| !line.trim().is_empty()).count().max(1);
    [b';', b'\t'].into_iter().find(|mark| 2 * count(char::from(*mark)) > lines).unwrap_or(b',')
}

#[derive(Clone, Debug)]
struct Column {
    place: usize,
    unit: Option<String>,
}

impl Column {
    /// Wh for each unit of what stands there.
    fn factor(&self, length_s: f64) -> f64 {
        match self.unit.as_deref() {
            Some("mwh") => 1e6,
            Some("kwh") => 1e3,
            Some("kw") => 1e3 * length_s / 3600.0,
            Some("w") => length_s / 3600.0,
            _ => 1.0,
        }
    }
}

/// Where what stands.
#[derive(Clone, Debug, Default)]
struct Columns {
    date: usize,
    time: Option<usize>,
    ends: bool,
    import: Option<Column>,
    export: Option<Column>,
    net: Option<Column>,
    value: Option<Column>,
}

impl Columns {
    fn of(headings: &[String]) -> Option<Self> {
        let mut found = Self::default();
        let (mut date, mut time, mut end) = (None, None, None);
        for (place, heading) in headings.iter().enumerate() {
            let words = heading.to_lowercase();
            let has = |list: &[&str]| list.iter().any(|word| words.contains(word));
            let column = || Some(Column { place, unit: unit(&words) });
            if has(&["export", "feed", "einspeis", "injection", "inject", "teruglever", "immissione"]) {
                found.export = found.export.or_else(column);
            } else if has(&[
                "import",
                "consum",
                "bezug",
                "usage",
                "verbrauch",
                "soutirage",
                "prelievo",
                "afname",
            ]) {
                found.import = found.import.or_else(column);
            } else if has(&["net ", "netto", "saldo"]) || words == "net" {
                found.net = found.net.or_else(column);
            } else if has(&["end", "bis", "until", "ende"]) || words == "to" {
                end = end.or(Some(place));
            } else if has(&["date", "datum", "day", "tag", "start", "begin", "von", "from", "timestamp"]) {
                date = date.or(Some(place));
            } else if has(&["time", "zeit", "hour", "heure"]) {
                time = time.or(Some(place));
            } else if unit(&words).is_some() || has(&["value", "wert"]) {
                found.value = found.value.or_else(column);
            }
        }
        found.ends = date.is_none() && time.is_none();
        found.date = date.or(time).or(end)?;
        found.time = time.filter(|_| date.is_some());
        let any =
            found.import.is_some() || found.export.is_some() || found.net.is_some() || found.value.is_some();
        any.then_some(found)
    }

    fn told(mut self, said: &Said) -> Result<Self, String> {
        self.ends |= said.ends;
        if let Some(value) = self.value.take() {
            match said.column.as_deref() {
                Some("import") => self.import = Some(value),
                Some("export") => self.export = Some(value),
                Some("net") => self.net = Some(value),
                _ if self.import.is_none() && self.export.is_none() && self.net.is_none() => {
                    return Err(
                        "the heading says not whether this is import, export or net: --against-column".into(),
                    );
                }
                _ => {}
            }
        }
        let all = self.import.iter_mut().chain(&mut self.export).chain(&mut self.net);
        for column in all {
            if let Some(unit) = &said.unit {
                column.unit = Some(unit.to_lowercase());
            }
            if column.unit.is_none() {
                return Err("the heading has no unit: --against-unit kWh (or Wh, kW, W)".into());
            }
        }
        Ok(self)
    }

    fn time_of(&self, fields: &[String]) -> String {
        let part = |place: usize| fields.get(place).map_or("", String::as_str);
        self.time
            .map_or_else(|| part(self.date).to_owned(), |time| format!("{} {}", part(self.date), part(time)))
    }

    /// No value, or zeros: what stands for an hour that was not.
    fn empty(&self, fields: &[String]) -> bool {
        let columns = self.import.iter().chain(&self.export).chain(&self.net);
        columns.into_iter().all(|column| {
            let text = fields.get(column.place).map_or("", String::as_str);
            text.chars().all(|c| matches!(c, '0' | '.' | ',' | '-' | ' '))
        })
    }
}

/// The unit in a heading, as a word of its own.
fn unit(heading: &str) -> Option<String> {
    let words = heading.split(|c: char| !c.is_alphanumeric());
    words.into_iter().find(|word| matches!(*word, "mwh" | "kwh" | "wh" | "kw" | "w")).map(str::to_owned)
}

/// A number with how many digits it has after the point. Where both marks stand, the last one is the decimal mark.
fn number(text: &str, separator: u8) -> Option<(f64, u8)> {
    let plain: String = text.chars().filter(|c| !c.is_whitespace() && *c != '\'').collect();
    let (comma, point) = (plain.rfind(','), plain.rfind('.'));
    let decimal_comma = match (comma, point) {
        (Some(comma), Some(point)) => comma > point,
        (Some(_), None) => separator != b',' || plain.matches(',').count() == 1,
        _ => false,
    };
    let mark = if decimal_comma { ',' } else { '.' };
    let cleaned: String = plain
        .chars()
        .filter(|c| *c == mark || !matches!(c, ',' | '.'))
        .map(|c| if c == mark { '.' } else { c })
        .collect();
    let digits = cleaned.split_once('.').map_or(0, |(_, after)| after.len().min(12) as u8);
    cleaned.parse().ok().filter(|value: &f64| value.is_finite()).map(|value| (value, digits))
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Order {
    Year,
    Day,
    Month,
}

/// Whether 03/04/2026 is in April or in March: by any date that can be only one of them.
fn date_order<'a>(dates: impl Iterator<Item = &'a String>) -> Result<Order, String> {
    let (mut first_most, mut second_most, mut slashes) = (0, 0, false);
    for date in dates {
        let mut parts = date.split(|c: char| !c.is_ascii_digit()).filter(|part| !part.is_empty());
        let (Some(first), Some(second)) = (parts.next(), parts.next()) else { continue };
        if first.len() == 4 {
            return Ok(Order::Year);
        }
        slashes |= date.contains('/');
        first_most = first_most.max(first.parse().unwrap_or(0));
        second_most = second_most.max(second.parse().unwrap_or(0));
    }
    match (first_most > 12, second_most > 12) {
        (true, _) => Ok(Order::Day),
        (_, true) => Ok(Order::Month),
        // With points the day stands first everywhere.
        _ if !slashes => Ok(Order::Day),
        _ => Err("nothing shows whether the day or the month comes first".into()),
    }
}

/// A time as it stands in the table.
struct Local {
    date: (i16, i8, i8),
    second_of_day: i32,
    offset_s: Option<i32>,
}

impl Local {
    fn parse(text: &str, order: Order) -> Option<Self> {
        let (text, offset_s) = offset(text.trim());
        let numbers: Option<Vec<i32>> = text
            .split(|c: char| !c.is_ascii_digit())
            .filter(|part| !part.is_empty())
            .map(|part| part.parse().ok())
            .collect();
        let numbers = numbers?;
        let [one, two, three] = numbers.get(..3)?.try_into().ok()?;
        let (year, month, day) = match order {
            Order::Year => (one, two, three),
            Order::Day => (three, two, one),
            Order::Month => (three, one, two),
        };
        let part = |place: usize| numbers.get(place).copied().unwrap_or(0);
        let second_of_day = part(3) * 3600 + part(4) * 60 + part(5);
        let right =
            (1..=12).contains(&month) && (1..=31).contains(&day) && (0..=86_400).contains(&second_of_day);
        right.then_some(Self { date: (year as i16, month as i8, day as i8), second_of_day, offset_s })
    }

    fn utc(&self, offset_s: i32) -> Stamp {
        let there = Zone::default().instants(self.date, self.second_of_day);
        there.first().map_or(Stamp::from_nanos(0), |at| *at - Span::from_millis(i64::from(offset_s) * 1000))
    }
}

/// An offset from UTC at the end of a time: `Z`, `+01:00`, `-0500`.
fn offset(text: &str) -> (&str, Option<i32>) {
    if let Some(rest) = text.strip_suffix(['Z', 'z']) {
        return (rest, Some(0));
    }
    // Of 2026-03-29 the hyphens are none: an offset comes after a time of day.
    let Some(place) = text.rfind(['+', '-']).filter(|place| text[..*place].contains(':')) else {
        return (text, None);
    };
    let digits: String = text[place + 1..].chars().filter(char::is_ascii_digit).collect();
    let (hours, minutes) = match digits.len() {
        1 | 2 => (digits.parse().unwrap_or(0), 0),
        4 => (digits[..2].parse().unwrap_or(0), digits[2..].parse().unwrap_or(0)),
        _ => return (text, None),
    };
    let seconds: i32 = hours * 3600 + minutes * 60;
    (&text[..place], Some(if text[place..].starts_with('-') { -seconds } else { seconds }))
}

/// The length of an interval: as said, else the usual distance of two times.
fn length(times: &[(Stamp, usize)], said: &Said) -> Result<f64, String> {
    if let Some(length) = said.length {
        return Ok(length.seconds());
    }
    let steps: Vec<f64> = times.windows(2).map(|pair| pair[1].0.seconds_since(pair[0].0)).collect();
    if steps.is_empty() {
        return Err("too few lines to tell how long an interval is: --against-interval 15min".into());
    }
    let usual = crate::base::uncertain::median(&steps);
    let known = [300.0, 600.0, 900.0, 1800.0, 3600.0];
    known.into_iter().find(|length| (length - usual).abs() < 1.0).ok_or_else(|| {
        format!(
            "its times are usually {usual:.0} s apart: intervals of 5, 10, 15, 30 or 60 minutes are compared"
        )
    })
}

#[cfg(test)]
mod tests;
