//! What was heard, for people and for programs.

use std::fmt::Write as _;

use serde::Serialize;

use crate::link::{Latency, ListenDocument, ListenRange};
use crate::profile::{Meter, Point, Profile, Registers, Table};
use crate::reading::MeterSeries;
use crate::report::table::{Row, latest, reading, rows};
use crate::report::text::wrapped;
use crate::report::{CaptureRef, Tool};

/// Unnamed ranges whose registers the screen shows, and how many registers of each; the document has all.
const MOST_UNNAMED: usize = 16;
const MOST_REGISTERS: usize = 24;

/// What was heard.
pub(super) struct Heard {
    /// Who was asked what.
    pub(super) line: ListenDocument,
    /// The meters a profile is known of, with what was read of them.
    pub(super) meters: Vec<MeterHeard>,
    /// Where it is kept, or where it came from.
    pub(super) captures: Vec<CaptureRef>,
}

/// One meter.
pub(super) struct MeterHeard {
    name: String,
    line: String,
    unit: u8,
    profile: Profile,
    series: MeterSeries,
}

impl MeterHeard {
    pub(super) fn new(meter: &Meter, profile: Profile, series: MeterSeries) -> Self {
        let unit = meter.unit.unwrap_or(profile.unit);
        Self { name: meter.name.clone(), line: meter.line.door.name().to_owned(), unit, profile, series }
    }

    /// The points that an answer to this range holds.
    fn points_in(&self, range: &ListenRange) -> Vec<String> {
        let table = match range.function {
            3 => Table::Holding,
            4 => Table::Input,
            _ => return Vec::new(),
        };
        let (start, end) = (u32::from(range.address), u32::from(range.address) + u32::from(range.count));
        let holds = |registers: &Registers| {
            let first = u32::from(registers.address);
            registers.table == table && first >= start && first + u32::from(registers.count) <= end
        };
        let points = self.profile.points.iter().chain(&self.profile.settings);
        let inside = points.filter(|point: &&Point| point.needs().first().is_some_and(holds));
        inside.map(|point| format!("{} {}", self.name, point.key)).collect()
    }
}

impl Heard {
    /// The same with the points that each range holds. A meter counts for the line that is named as its own; where a
    /// capture of another computer calls all lines otherwise, for every line.
    pub(super) fn named(mut self) -> Self {
        let of_site = |range: &ListenRange| self.meters.iter().any(|meter| meter.line == range.line);
        let named = self.line.ranges.iter().any(of_site);
        for range in &mut self.line.ranges {
            let here = |meter: &&MeterHeard| meter.unit == range.unit && (meter.line == range.line || !named);
            let points = self.meters.iter().filter(here).flat_map(|meter| meter.points_in(range)).collect();
            range.points = Some(points);
        }
        self
    }
}

#[derive(Serialize)]
pub(super) struct Document<'a> {
    tool: Tool,
    #[serde(flatten)]
    line: &'a ListenDocument,
    meters: Vec<MeterRow<'a>>,
    captures: &'a [CaptureRef],
}

#[derive(Serialize)]
struct MeterRow<'a> {
    meter: &'a str,
    unit: u8,
    values: Vec<Row>,
}

pub(super) fn document(heard: &Heard) -> Document<'_> {
    let meter = |meter: &'_ MeterHeard| rows(&meter.profile, &meter.series);
    let meters = heard.meters.iter();
    Document {
        tool: Tool::default(),
        line: &heard.line,
        meters: meters.map(|one| MeterRow { meter: &one.name, unit: one.unit, values: meter(one) }).collect(),
        captures: &heard.captures,
    }
}

/// The counts in one line.
pub(super) fn totals(line: &ListenDocument) -> String {
    let units: Vec<String> = line.units.iter().map(u8::to_string).collect();
    let mut text = format!(
        "{} answered, {} unanswered, {} damaged, {} foreign, {} stray bytes",
        line.transactions, line.timeouts, line.damaged, line.foreign, line.stray_bytes
    );
    if let Some(baud) = line.baud {
        let _ = write!(text, "; {baud} baud");
    }
    if !units.is_empty() {
        let _ = write!(text, "; unit{} {}", if units.len() == 1 { "" } else { "s" }, units.join(", "));
    }
    text
}

/// Everything, no wider than `width` but for the table, which takes 79 columns.
pub(super) fn screen(heard: &Heard, width: usize) -> String {
    let line = &heard.line;
    let mut text = String::new();
    let several = line.ranges.iter().any(|range| range.line != line.ranges[0].line);
    let mut before: Option<&str> = None;
    for range in &line.ranges {
        if before != Some(&range.line) {
            if several {
                let _ = writeln!(text, "{}", range.line);
            }
            text.push_str(HEAD);
            before = Some(&range.line);
        }
        text.push_str(&row(range));
    }
    if line.further_questions > 0 {
        let _ = writeln!(text, "{} questions for further ranges", line.further_questions);
    }
    text.push_str(&wrapped("", &totals(line), width));
    if line.cut_in > 1 {
        let words = format!(
            "two masters: {} questions began before the one ahead of them could be answered. Two masters spoil each other's \
             answers, and may blind an inverter: have one of them paused, or give it a line of its own",
            line.cut_in
        );
        text.push_str(&wrapped("", &words, width));
    }
    for meter in &heard.meters {
        let _ = write!(text, "\n{} ({}, unit {})", meter.name, meter.profile.name, meter.unit);
        let newest = latest(&meter.series).values().map(|sample| sample.at).max();
        match newest {
            Some(at) => {
                let at = at.rfc3339(0).replace('T', " ").replace('Z', " UTC");
                let _ = write!(text, "  {at}\n{}", reading(&meter.profile, &meter.series));
            }
            None => text.push_str("  nothing of it was heard\n"),
        }
    }
    unnamed(&mut text, heard, width);
    text
}

const HEAD: &str = "unit fn address count   asked    every  p50 ms  p99 ms  max ms  silent refused\n";

fn row(range: &ListenRange) -> String {
    let period = range.period_s.map_or_else(|| "-".to_owned(), |seconds| format!("{seconds:.2} s"));
    let latency = |part: fn(&Latency) -> f64| {
        range
            .latency_s
            .as_ref()
            .map_or_else(|| "-".to_owned(), |latency| format!("{:.1}", part(latency) * 1e3))
    };
    format!(
        "{:>4} {:>2} {:>7} {:>5} {:>7} {:>8} {:>7} {:>7} {:>7} {:>7} {:>7}\n",
        range.unit,
        range.function,
        range.address,
        range.count,
        range.transactions + range.timeouts + range.damaged,
        period,
        latency(|latency| latency.p50),
        latency(|latency| latency.p99),
        latency(|latency| latency.max),
        range.timeouts,
        range.exceptions
    )
}

/// Ranges of registers that no profile names, with what was last heard.
fn unnamed(text: &mut String, heard: &Heard, width: usize) {
    let unnamed = heard.line.ranges.iter().filter(|range| {
        matches!(range.function, 3 | 4)
            && !range.registers.is_empty()
            && range.points.as_ref().is_none_or(Vec::is_empty)
    });
    let unnamed: Vec<&ListenRange> = unnamed.collect();
    if unnamed.is_empty() {
        return;
    }
    let which = if heard.meters.is_empty() { "" } else { "in ranges that no profile names, " };
    let head = format!("registers last heard, {which}hexadecimal (docs/profile.md says how to name them)");
    let _ = write!(text, "\n{}", wrapped("", &head, width));
    for range in unnamed.iter().take(MOST_UNNAMED) {
        let lead = format!("unit {} fn {} {:>5}:  ", range.unit, range.function, range.address);
        let shown = range.registers.iter().take(MOST_REGISTERS);
        let mut words: Vec<String> = shown.map(|word| format!("{word:04x}")).collect();
        if range.registers.len() > MOST_REGISTERS {
            words.push(format!("and {} more", range.registers.len() - MOST_REGISTERS));
        }
        text.push_str(&wrapped(&lead, &words.join(" "), width));
    }
    if unnamed.len() > MOST_UNNAMED {
        let _ = writeln!(text, "and {} more ranges (--json has all)", unnamed.len() - MOST_UNNAMED);
    }
    let begin = match heard.captures.first() {
        Some(capture) => format!(
            "`wattward profile fit --from {} --at TIME --snapshot \"…\"` finds out what they mean from what your instruments showed",
            capture.file
        ),
        None => "with `--capture FILE`, `wattward profile fit --from FILE` finds out what they mean from what your instruments show"
            .to_owned(),
    };
    text.push_str(&wrapped("to begin a profile: ", &begin, width));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::{parse_profile, parse_site};

    fn range(address: u16, count: u16) -> ListenRange {
        ListenRange {
            line: "/dev/x".into(),
            unit: 7,
            function: 4,
            address,
            count,
            transactions: 1_234_567,
            period_s: Some(1234.5),
            latency_s: Some(Latency { p50: 0.0215, p99: 0.022, max: 59.0 }),
            timeouts: 12,
            damaged: 0,
            exceptions: 1,
            registers: (0..count).collect(),
            points: None,
        }
    }

    fn heard(ranges: Vec<ListenRange>) -> Heard {
        let line = ListenDocument {
            transactions: 3,
            timeouts: 0,
            damaged: 0,
            foreign: 0,
            cut_in: 0,
            stray_bytes: 0,
            baud: Some(9600),
            units: vec![7],
            ranges,
            further_questions: 0,
        };
        Heard { line, meters: Vec::new(), captures: Vec::new() }
    }

    #[test]
    fn the_table_fits_eighty_columns_and_registers_are_listed_for_a_profile_to_be_begun() {
        let text = screen(&heard(vec![range(0, 40), range(60_000, 2)]), 80);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert!(text.contains("unit 7 fn 4 60000:  0000 0001\n"), "{text}");
        assert!(text.contains("and 16 more"), "{text}");
    }

    #[test]
    fn only_ranges_that_no_profile_names_are_listed() {
        let profile = "[profile]\nname = \"x\"\n[line]\nunit = 7\n[defaults]\ntable = \"input\"\ntype = \"f32\"\n\
                       [points.voltage]\nL1 = { address = 10 }\n";
        let (profile, _) = parse_profile("x.toml", profile).expect("profile");
        let site = "[[meter]]\nname = \"m\"\nprofile = \"x.toml\"\nline = { serial = \"/dev/x\" }\n";
        let (site, _) = parse_site("site.toml", site).expect("site");
        let mut heard = heard(vec![range(10, 2), range(10, 1), range(11, 4)]);
        heard.meters.push(MeterHeard::new(&site.meters[0], profile, MeterSeries::default()));
        let heard = heard.named();
        assert_eq!(heard.line.ranges[0].points, Some(vec!["m voltage.L1".to_owned()]));
        let text = screen(&heard, 80);
        assert!(text.contains("in ranges that no profile names"), "{text}");
        assert!(!text.contains("unit 7 fn 4    10:  0000 0001\n"), "{text}");
        assert!(text.contains("unit 7 fn 4    10:  0000\n") && text.contains("   11:  "), "{text}");
    }
}
