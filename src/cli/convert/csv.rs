//! CSV as RFC 4180 has it, made so that a spreadsheet takes it for what it is: no cell that a spreadsheet would run as a
//! formula, an instant in words it knows beside the exact one, a decimal comma where asked for.

use std::io::Write;

use jiff::tz::TimeZone;

use super::{Part, Summary, rows};
use crate::base::{Failure, Stamp};
use crate::report::columns::Column;

/// Writes all parts, one after the other.
pub(super) fn write<W: Write>(
    to: W,
    parts: &[Part],
    columns: &[Column],
    decimal_comma: bool,
    summary: &mut Summary,
) -> Result<(), Failure> {
    let mut writer = csv::WriterBuilder::new()
        .delimiter(if decimal_comma { b';' } else { b',' })
        .terminator(csv::Terminator::CRLF)
        .from_writer(to);
    let failed = |error: csv::Error| Failure::nothing(format!("cannot write the table: {error}"));
    let names = columns.iter().map(|column| column.name.as_str());
    writer.write_record(["time", "local_time", "site", "meter"].into_iter().chain(names)).map_err(failed)?;
    for part in parts {
        let site = plain_text(&part.case.site.name);
        let zone = TimeZone::get(&part.case.site.time_zone).unwrap_or(TimeZone::UTC);
        for (meter, rows) in rows(part, columns) {
            let meter = plain_text(meter);
            summary.count(&rows);
            for row in rows {
                let mut record = vec![row.at.rfc3339(3), local(row.at, &zone), site.clone(), meter.clone()];
                record.extend(row.values.iter().map(|value| number(*value, decimal_comma)));
                writer.write_record(&record).map_err(failed)?;
            }
        }
    }
    writer.flush().map_err(|error| Failure::nothing(format!("cannot write the table: {error}")))
}

/// The site's local time as spreadsheets read dates; it says nothing about daylight saving, which `time` does not have.
fn local(at: Stamp, zone: &TimeZone) -> String {
    let stamp = jiff::Timestamp::from_millisecond(at.nanos().div_euclid(1_000_000)).unwrap_or_default();
    let civil = zone.to_datetime(stamp);
    format!("{} {:.3}", civil.date(), civil.time())
}

/// No exponent, no thousands: what every spreadsheet reads as a number.
fn number(value: Option<f64>, decimal_comma: bool) -> String {
    let Some(value) = value else { return String::new() };
    let text = format!("{value}");
    if decimal_comma { text.replace('.', ",") } else { text }
}

/// A cell that begins like a formula gets an apostrophe before it (common practice against formula injection).
fn plain_text(text: &str) -> String {
    let risky = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
    if risky { format!("'{text}") } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_cell_begins_a_formula_and_no_number_has_an_exponent() {
        assert_eq!(plain_text("=cmd()"), "'=cmd()");
        assert_eq!(plain_text("Cider barn"), "Cider barn");
        assert_eq!(number(Some(-1234.5), true), "-1234,5");
        assert_eq!(number(Some(1.0e-7), false), "0.0000001");
        assert_eq!(number(Some(4.2e17), false), "420000000000000000");
        assert_eq!(number(None, false), "");
    }

    #[test]
    fn local_time_follows_the_site_through_daylight_saving() {
        // Europe/London left summer time on 2026-10-25 at 01:00 UTC (IANA time zone database).
        let zone = TimeZone::get("Europe/London").expect("bundled");
        let at = |text: &str| Stamp::parse(text).expect("an instant");
        assert_eq!(local(at("2026-10-25T00:59:59.5Z"), &zone), "2026-10-25 01:59:59.500");
        assert_eq!(local(at("2026-10-25T01:00:00Z"), &zone), "2026-10-25 01:00:00.000");
    }
}
