//! A computer without `/usr/share/zoneinfo` knows zones all the same: the program brings them along.

use jiff::Timestamp;
use jiff::tz::TimeZoneDatabase;

#[test]
fn zones_are_known_without_the_database_of_the_system() {
    let zone = TimeZoneDatabase::bundled().get("Europe/London").expect("it is in the program");
    // tz database, file europe, rule EU: summer time ends on the last Sunday of October at 01:00 UTC
    let hours = |time: &str| zone.to_offset(time.parse::<Timestamp>().expect("a time")).seconds() / 3600;
    assert_eq!([hours("2026-10-25T00:59:59Z"), hours("2026-10-25T01:00:00Z")], [1, 0]);
}
