//! Readings as rows and columns for other programs: a row for each poll cycle of a meter, a column for each point, named
//! with its unit, so that meters of different profiles lie in one table.

use crate::base::{PointKey, Stamp};
use crate::profile::{Point, Profile};
use crate::reading::{MeterSeries, derived_powers};

/// One column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// `active_power_total_W`: quantity, phase and base unit; letters, digits and underscores only.
    pub name: String,
    /// The point whose values it holds.
    pub key: PointKey,
    /// The base unit; for points under `other` the profile's word, which may be empty.
    pub unit: String,
}

/// One row: what one poll cycle gave.
#[derive(Clone, Debug, PartialEq)]
pub struct TableRow {
    /// Arrival of the cycle's first answer (or its first question, where it stayed without one).
    pub at: Stamp,
    /// By column; none where the meter has no such point or gave no value.
    pub values: Vec<Option<f64>>,
}

/// The columns that hold every point of these profiles, in their order, each once. Settings are left out: they are read at
/// the ends of a check, not in its cycles.
pub fn columns<'a>(profiles: impl IntoIterator<Item = &'a Profile>) -> Vec<Column> {
    let mut columns: Vec<Column> = Vec::new();
    let mut add = |key: PointKey, unit: &str| match columns.iter_mut().find(|column| column.key == key) {
        // Two profiles may log a point of one name in two units; the table says so and converts nothing.
        Some(known) if known.unit.split(" or ").all(|word| word != unit) => {
            known.unit = format!("{} or {unit}", known.unit);
        }
        Some(_) => {}
        None => columns.push(Column { name: column_name(&key), key, unit: unit.to_owned() }),
    };
    for profile in profiles {
        for point in &profile.points {
            add(point.key.clone(), &unit(point));
        }
        for key in derived_powers(profile) {
            add(key, "W");
        }
    }
    columns
}

fn unit(point: &Point) -> String {
    match &point.key {
        PointKey::Of(quantity, _) => quantity.dimension().base().to_owned(),
        PointKey::Other(_) | PointKey::Setting(_) => point.unit_word.clone(),
    }
}

/// Names that every engine takes without quotes.
fn column_name(key: &PointKey) -> String {
    let text = match key {
        PointKey::Of(quantity, phase) => {
            let unit = quantity.dimension().base();
            let name = format!("{}_{}", quantity.word(), phase.word());
            if unit.is_empty() { name } else { format!("{name}_{unit}") }
        }
        PointKey::Other(name) => format!("other_{name}"),
        PointKey::Setting(name) => format!("settings_{name}"),
    };
    text.chars().map(|letter| if letter.is_ascii_alphanumeric() { letter } else { '_' }).collect()
}

/// The rows of one meter, in time order. A row closes when a point comes a second time, as a poll cycle closes when a
/// request repeats.
pub fn table_rows(series: &MeterSeries, columns: &[Column]) -> Vec<TableRow> {
    let mut events: Vec<(Stamp, usize, Option<f64>)> = Vec::new();
    for (index, column) in columns.iter().enumerate() {
        let Some(series) = series.points.get(&column.key) else { continue };
        events.extend(series.samples.iter().map(|sample| (sample.at, index, Some(sample.value))));
        events.extend(series.absent.iter().map(|(at, _)| (*at, index, None)));
    }
    events.sort_by_key(|(at, index, _)| (*at, *index));
    let mut rows: Vec<TableRow> = Vec::new();
    let mut taken = vec![true; columns.len()];
    for (at, index, value) in events {
        if taken[index] {
            taken.fill(false);
            rows.push(TableRow { at, values: vec![None; columns.len()] });
        }
        taken[index] = true;
        if let Some(row) = rows.last_mut() {
            row.values[index] = value;
        }
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::{Phase, Quantity};
    use crate::profile::parse_profile;
    use crate::reading::{Absent, Sample, Series};

    fn stamp(millis: i64) -> Stamp {
        Stamp::from_nanos(1_790_000_000_000_000_000 + millis * 1_000_000)
    }

    fn profile(text: &str) -> Profile {
        let head =
            "[profile]\nname = \"x\"\n[defaults]\ntype = \"f32\"\ntable = \"input\"\npositive = \"import\"\n";
        parse_profile("x.toml", &format!("{head}{text}")).expect("a profile").0
    }

    #[test]
    fn columns_of_two_profiles_lie_in_one_table() {
        let grid = profile(
            "[points.voltage]\n\"L1-L2\" = { address = 0 }\n[points.active_power_import]\ntotal = { address = 4, unit = \"kW\" }\n\
             [points.active_power_export]\ntotal = { address = 6 }\n[points.other]\n\"state, %\" = { address = 8, unit = \"%\" }\n",
        );
        let battery = profile("[points.other]\n\"state, %\" = { address = 8, unit = \"Ah\" }\n");
        let columns = columns([&grid, &battery, &grid]);
        let shown: Vec<(&str, &str)> =
            columns.iter().map(|column| (column.name.as_str(), column.unit.as_str())).collect();
        assert_eq!(
            shown,
            [
                ("voltage_L1_L2_V", "V"),
                ("active_power_import_total_W", "W"),
                ("active_power_export_total_W", "W"),
                ("other_state___", "% or Ah"),
                ("active_power_total_W", "W"),
            ]
        );
    }

    #[test]
    fn a_row_is_a_cycle_and_what_is_absent_is_empty() {
        let profile = profile(
            "[points.voltage]\nL1 = { address = 0 }\n[points.active_power]\nL1 = { address = 100, signed = true }\n",
        );
        let columns = columns([&profile]);
        let mut series = MeterSeries::default();
        let sample = |millis, value| Sample { at: stamp(millis), value };
        // The second cycle's voltage was not answered, the third cycle's power not asked for any more.
        series.points.insert(
            PointKey::Of(Quantity::Voltage, Phase::L1),
            Series {
                samples: vec![sample(0, 230.0), sample(2000, 231.0)],
                absent: vec![(stamp(1000), Absent::NoAnswer)],
            },
        );
        series.points.insert(
            PointKey::Of(Quantity::ActivePower, Phase::L1),
            Series { samples: vec![sample(40, -5.0), sample(1300, -6.0)], absent: vec![] },
        );
        let rows = table_rows(&series, &columns);
        assert_eq!(
            rows,
            [
                TableRow { at: stamp(0), values: vec![Some(230.0), Some(-5.0)] },
                TableRow { at: stamp(1000), values: vec![None, Some(-6.0)] },
                TableRow { at: stamp(2000), values: vec![Some(231.0), None] },
            ]
        );
    }
}
