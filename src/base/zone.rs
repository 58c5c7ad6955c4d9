//! Local time of a site, for reports. Zones come from the database inside the program, never from the machine's, so that a
//! report reads the same everywhere.

use jiff::tz::{AmbiguousOffset, Offset, TimeZone, TimeZoneDatabase};

use super::time::Stamp;

/// A time zone.
#[derive(Clone, Debug)]
pub struct Zone(TimeZone);

/// An instant as a clock on the wall shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LocalTime {
    /// `2026-05-28`.
    pub date: String,
    /// `21:26:40`, cut to the second.
    pub time: String,
    /// `+01:00`.
    pub offset: String,
}

impl Default for Zone {
    /// UTC.
    fn default() -> Self {
        Self(TimeZone::UTC)
    }
}

impl Zone {
    /// The zone of this IANA name; nothing where the database knows none, or where the name says that nobody knows.
    pub fn named(name: &str) -> Option<Self> {
        TimeZoneDatabase::bundled().get(name).ok().filter(|zone| !zone.is_unknown()).map(Self)
    }

    /// Its name in the database.
    pub fn name(&self) -> &str {
        self.0.iana_name().unwrap_or("UTC")
    }

    /// The instants at which a clock there shows this date (year, month, day) and second of the day (86 400 is the end of it),
    /// in time order: one; none of a time that is skipped as clocks go forward; two as they go back.
    pub fn instants(&self, (year, month, day): (i16, i8, i8), second: i32) -> Vec<Stamp> {
        let Ok(date) = jiff::civil::Date::new(year, month, day) else { return Vec::new() };
        let midnight = date.at(0, 0, 0, 0);
        let Ok(shown) = midnight.checked_add(jiff::SignedDuration::from_secs(i64::from(second))) else {
            return Vec::new();
        };
        let offsets = match self.0.to_ambiguous_timestamp(shown).offset() {
            AmbiguousOffset::Unambiguous { offset } => vec![offset],
            AmbiguousOffset::Gap { .. } => Vec::new(),
            AmbiguousOffset::Fold { before, after } => vec![before, after],
        };
        let instant = |offset: Offset| {
            let at = offset.to_timestamp(shown).ok()?;
            i64::try_from(at.as_nanosecond()).ok().map(Stamp::from_nanos)
        };
        offsets.into_iter().filter_map(instant).collect()
    }

    /// What a clock there shows at this instant.
    pub fn local(&self, at: Stamp) -> LocalTime {
        let stamp =
            jiff::Timestamp::from_nanosecond(i128::from(at.nanos())).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        let there = stamp.to_zoned_datetime(self.0.clone());
        let part = |form: &str| there.strftime(form).to_string();
        LocalTime { date: part("%Y-%m-%d"), time: part("%H:%M:%S"), offset: part("%:z") }
    }
}

impl LocalTime {
    /// `2026-05-28 21:26:40 +01:00`.
    pub fn whole(&self) -> String {
        format!("{} {} {}", self.date, self.time, self.offset)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Summer time in the United Kingdom: last Sunday of March to last Sunday of October, 01:00 UTC (Summer Time Order 2002).
    #[test]
    fn the_offset_follows_summer_time() {
        let zone = Zone::named("Europe/London").expect("in the database");
        let local = |text: &str| zone.local(Stamp::parse(text).expect("a time")).whole();
        assert_eq!(local("2026-03-29T00:59:59.999Z"), "2026-03-29 00:59:59 +00:00");
        assert_eq!(local("2026-03-29T01:00:00Z"), "2026-03-29 02:00:00 +01:00");
        assert_eq!(local("2026-10-25T01:00:00Z"), "2026-10-25 01:00:00 +00:00");
    }

    #[test]
    fn offsets_of_half_an_hour_and_west_of_utc_are_whole() {
        let local =
            |name: &str| Zone::named(name).expect("in the database").local(Stamp::from_nanos(0)).whole();
        assert_eq!(local("Asia/Kolkata"), "1970-01-01 05:30:00 +05:30");
        assert_eq!(local("America/New_York"), "1969-12-31 19:00:00 -05:00");
        assert_eq!(local("UTC"), "1970-01-01 00:00:00 +00:00");
    }

    #[test]
    fn a_name_nobody_knows_is_no_zone() {
        assert!(Zone::named("Europe/Atlantis").is_none());
        assert!(Zone::named("Etc/Unknown").is_none());
    }
}
