//! A reading as a table by quantity and phase, and as rows of a document.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde::Serialize;

use crate::base::{Dimension, Phase, PointKey, Quantity, Stamp};
use crate::profile::{Point, Profile};
use crate::reading::{Absent, MeterSeries, Sample};

/// One point of a reading, as documents have it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Row {
    /// Its name in the profile: `active_power.L1`.
    pub point: String,
    /// The value in `unit`; null where there is none.
    pub value: Option<f64>,
    /// The base unit, or the profile's word for points under `other` and `settings`.
    pub unit: String,
    /// Arrival of the answer that gave it, or of the question that should have.
    pub at: Option<Stamp>,
    /// Why there is no value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub absent: Option<String>,
}

/// The newest value of every point that has one, unless it was absent since.
pub fn latest(series: &MeterSeries) -> BTreeMap<PointKey, Sample> {
    series.points.keys().filter_map(|key| Some((key.clone(), newest(series, key)?.ok()?))).collect()
}

fn newest(series: &MeterSeries, key: &PointKey) -> Option<Result<Sample, (Stamp, Absent)>> {
    let series = series.points.get(key)?;
    match (series.samples.last(), series.absent.last()) {
        (Some(sample), Some(absent)) if absent.0 > sample.at => Some(Err(*absent)),
        (Some(sample), _) => Some(Ok(*sample)),
        (None, absent) => absent.copied().map(Err),
    }
}

/// Every point of a profile with its newest value, in the profile's order.
pub fn rows(profile: &Profile, series: &MeterSeries) -> Vec<Row> {
    let points = profile.points.iter().chain(&profile.settings);
    let mut rows: Vec<Row> =
        points.map(|point| row(&point.key, unit(point), newest(series, &point.key))).collect();
    // Powers made of two directions have no point of their own.
    for key in series.points.keys().filter(|key| profile.point(key).is_none()) {
        let unit = if let PointKey::Of(quantity, _) = key { quantity.dimension().base() } else { "" };
        rows.push(row(key, unit.to_owned(), newest(series, key)));
    }
    rows
}

fn row(key: &PointKey, unit: String, newest: Option<Result<Sample, (Stamp, Absent)>>) -> Row {
    let (value, at, absent) = match newest {
        Some(Ok(sample)) => (Some(sample.value), Some(sample.at), None),
        Some(Err((at, absent))) => (None, Some(at), Some(reason(absent))),
        None => (None, None, Some("not read".to_owned())),
    };
    Row { point: key.to_string(), value, unit, at, absent }
}

fn unit(point: &Point) -> String {
    point.unit.map_or_else(|| point.unit_word.clone(), |unit| unit.dimension.base().to_owned())
}

/// The reason in words.
pub fn reason(absent: Absent) -> String {
    match absent {
        Absent::NoAnswer => "no answer".to_owned(),
        Absent::Exception(code) => format!("exception {code}"),
        Absent::Missing => "unavailable".to_owned(),
        Absent::Invalid => "out of range".to_owned(),
        Absent::Incomplete => "incomplete".to_owned(),
        Absent::Undecodable => "undecodable".to_owned(),
        Absent::Suspect => "suspect".to_owned(),
    }
}

/// Columns of a label and of a value: four phases fit 80.
const LABEL: usize = 28;
const CELL: usize = 12;

/// The table, under 80 columns: a row for each quantity, a column for each phase that the profile has, line-to-line
/// voltages below, then the points that are logged as they are.
pub fn reading(profile: &Profile, series: &MeterSeries) -> String {
    let keys: Vec<&PointKey> =
        profile.points.iter().map(|point| &point.key).chain(series.points.keys()).collect();
    let mut text = String::new();
    let between = [Phase::L1L2, Phase::L2L3, Phase::L3L1];
    let (lines, pairs): (Vec<Phase>, Vec<Phase>) = Phase::ALL
        .into_iter()
        .filter(|phase| keys.iter().any(|key| matches!(key, PointKey::Of(_, of) if of == phase)))
        .partition(|phase| !between.contains(phase));
    for phases in [lines, pairs] {
        block(&mut text, &phases, &keys, series);
    }
    let others = profile.points.iter().chain(&profile.settings);
    for point in others.filter(|point| !matches!(point.key, PointKey::Of(..))) {
        let value = match newest(series, &point.key) {
            Some(Ok(sample)) => format!("{} {}", sample.value, unit(point)),
            Some(Err((_, absent))) => reason(absent),
            None => "not read".to_owned(),
        };
        let _ = writeln!(text, "{:<LABEL$} {}", point.key.to_string(), value.trim_end());
    }
    text
}

fn block(text: &mut String, phases: &[Phase], keys: &[&PointKey], series: &MeterSeries) {
    if phases.is_empty() {
        return;
    }
    let _ = write!(text, "{:<LABEL$}", "");
    for phase in phases {
        let _ = write!(text, "{:>CELL$}", phase.word());
    }
    text.push('\n');
    for quantity in Quantity::ALL {
        let has = |phase: &Phase| keys.iter().any(|key| **key == PointKey::Of(quantity, *phase));
        if !phases.iter().any(&has) {
            continue;
        }
        let label = format!("{} {}", quantity.word().replace('_', " "), shown_unit(quantity));
        let mut line = format!("{label:<LABEL$}");
        for phase in phases {
            let cell = if has(phase) {
                cell(quantity, newest(series, &PointKey::Of(quantity, *phase)))
            } else {
                String::new()
            };
            let _ = write!(line, "{cell:>CELL$}");
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
}

fn shown_unit(quantity: Quantity) -> &'static str {
    match quantity.dimension() {
        Dimension::Ratio => "",
        dimension => dimension.base(),
    }
}

fn cell(quantity: Quantity, newest: Option<Result<Sample, (Stamp, Absent)>>) -> String {
    match newest {
        Some(Ok(sample)) => format!("{:.*}", decimals(quantity), sample.value),
        Some(Err((_, absent))) => reason(absent),
        None => "not read".to_owned(),
    }
}

const fn decimals(quantity: Quantity) -> usize {
    match quantity.dimension() {
        Dimension::Current | Dimension::Frequency | Dimension::Ratio => 3,
        Dimension::ActiveEnergy | Dimension::ReactiveEnergy => 0,
        _ => 1,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::parse_profile;
    use crate::reading::Series;

    fn sample(value: f64) -> Series {
        Series {
            samples: vec![Sample { at: Stamp::from_micros(1_790_000_000_000_000), value }],
            absent: vec![],
        }
    }

    #[test]
    fn every_phase_has_its_column_and_every_absence_its_reason() {
        let text = "[profile]\nname = \"x\"\n[defaults]\ntype = \"f32\"\ntable = \"input\"\npositive = \"import\"\n\
                    [points.voltage]\neach = { address = 0, stride = 2 }\n\"L1-L2\" = { address = 8 }\n\
                    [points.active_power]\ntotal = { address = 10 }\n[points.other]\nstate = { address = 20, unit = \"%\" }\n";
        let (profile, _) = parse_profile("x.toml", text).expect("profile");
        let mut series = MeterSeries::default();
        let voltage = |phase| PointKey::Of(Quantity::Voltage, phase);
        series.points.insert(voltage(Phase::L1), sample(230.06));
        series.points.insert(voltage(Phase::L1L2), sample(398.2));
        let mut gone = sample(229.0);
        gone.absent.push((Stamp::from_micros(1_790_000_001_000_000), Absent::Exception(2)));
        series.points.insert(voltage(Phase::L2), gone);
        series.points.insert(PointKey::Of(Quantity::ActivePower, Phase::Total), sample(-1234.56));
        series.points.insert(PointKey::Other("state".into()), sample(81.0));
        let table = reading(&profile, &series);
        assert_eq!(
            table,
            "                                      L1          L2          L3       total\n\
             voltage V                          230.1 exception 2    not read\n\
             active power W                                                       -1234.6\n\
             \x20                                  L1-L2\n\
             voltage V                          398.2\n\
             other.state                  81 %\n"
        );
        assert!(table.lines().all(|line| line.chars().count() < 80));
        assert_eq!(latest(&series).len(), 4);
        let rows = rows(&profile, &series);
        assert_eq!(rows[1].absent.as_deref(), Some("exception 2"));
        assert_eq!((rows[0].value, rows[0].unit.as_str()), (Some(230.06), "V"));
    }
}
