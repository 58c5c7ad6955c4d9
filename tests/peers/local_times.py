"""Quarter hours about the changes of the clocks in 2026, as Python's zoneinfo has them: the table that the reader of interval
data is held against. Run by itself it writes the table anew."""
import pathlib
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

FILE = pathlib.Path(__file__).parent.parent / "files" / "local-times.csv"
ZONES = ["Europe/Berlin", "Europe/London", "America/New_York", "Australia/Sydney", "Australia/Lord_Howe", "Asia/Kolkata"]


def changes(zone):
    """Instants at which the offset changes in 2026; the new year where it never does."""
    hour = timedelta(hours=1)
    at, found = datetime(2026, 1, 1, tzinfo=timezone.utc), []
    while at.year == 2026:
        if at.astimezone(zone).utcoffset() != (at + hour).astimezone(zone).utcoffset():
            found.append(at)
        at += hour
    return found or [datetime(2026, 1, 1, tzinfo=timezone.utc)]


def table():
    lines = ["zone;local;utc"]
    for name in ZONES:
        zone = ZoneInfo(name)
        for change in changes(zone):
            for quarter in range(-16, 20):
                at = change + timedelta(minutes=15 * quarter)
                lines.append(f"{name};{at.astimezone(zone):%Y-%m-%d %H:%M};{at:%Y-%m-%dT%H:%M:%SZ}")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    FILE.write_text(table())
