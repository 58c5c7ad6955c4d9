//! Local time of a site, for reports. Zones come from the database inside the program, never from the machine's, so that a
//! report reads the same everywhere.

use jiff::tz::{TimeZone, TimeZoneDatabase};

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
