//! Time as a number we own: nanoseconds of UTC and lengths of time. Nothing here asks the system for the time.

use std::fmt;
use std::ops::{Add, AddAssign, Mul, Neg, Sub};

/// An instant: nanoseconds since 1970-01-01 00:00:00 UTC. On the wire it is the arrival of the first byte.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Stamp(i64);

/// A length of time in nanoseconds; may be negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Span(i64);

impl Stamp {
    /// From nanoseconds since the epoch.
    pub const fn from_nanos(nanos: i64) -> Self {
        Self(nanos)
    }

    /// From microseconds since the epoch (the resolution of marks).
    pub const fn from_micros(micros: i64) -> Self {
        Self(micros.saturating_mul(1000))
    }

    /// Nanoseconds since the epoch.
    pub const fn nanos(self) -> i64 {
        self.0
    }

    /// Whole microseconds since the epoch, cut towards the past.
    pub const fn micros(self) -> i64 {
        self.0.div_euclid(1000)
    }

    /// The same instant cut to microseconds, as marks are when they are made.
    #[must_use]
    pub const fn cut_to_micros(self) -> Self {
        Self(self.0.div_euclid(1000) * 1000)
    }

    /// Seconds from `origin` to this instant; exact to a nanosecond up to 104 days, better than a microsecond for 100 years.
    pub fn seconds_since(self, origin: Self) -> f64 {
        (self - origin).seconds()
    }

    /// RFC 3339 in UTC with exactly `digits` (0 to 9) decimals of the second.
    pub fn rfc3339(self, digits: u8) -> String {
        let stamp =
            jiff::Timestamp::from_nanosecond(i128::from(self.0)).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        format!("{stamp:.*}", usize::from(digits.min(9)))
    }

    /// Reads RFC 3339.
    pub fn parse(text: &str) -> Option<Self> {
        let stamp: jiff::Timestamp = text.parse().ok()?;
        i64::try_from(stamp.as_nanosecond()).ok().map(Self)
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);

    /// From nanoseconds.
    pub const fn from_nanos(nanos: i64) -> Self {
        Self(nanos)
    }

    /// From microseconds.
    pub const fn from_micros(micros: i64) -> Self {
        Self(micros.saturating_mul(1000))
    }

    /// From milliseconds.
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis.saturating_mul(1_000_000))
    }

    /// From seconds, rounded to the nanosecond and held within ±292 years.
    pub fn from_seconds(seconds: f64) -> Self {
        Self((seconds * 1e9).round() as i64)
    }

    /// Nanoseconds.
    pub const fn nanos(self) -> i64 {
        self.0
    }

    /// Seconds.
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1e9
    }

    /// Milliseconds.
    pub fn millis(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// Reads a length as people type it: `90s`, `500ms`, `2h`, `1.5min`, `1d`; a bare number is refused.
    ///
    /// # Errors
    /// A sentence with the forms accepted.
    pub fn parse(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let split = text.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(text.len());
        let (number, unit) = text.split_at(split);
        let factor = match unit.trim() {
            "ms" => 1e-3,
            "s" => 1.0,
            "min" | "m" => 60.0,
            "h" => 3600.0,
            "d" => 86400.0,
            _ => return Err(format!("`{text}` is no length of time: write 500ms, 10s, 15min, 2h or 1d")),
        };
        match number.trim().parse::<f64>() {
            Ok(value) if value.is_finite() && (0.0..1e9).contains(&(value * factor)) => {
                Ok(Self::from_seconds(value * factor))
            }
            _ => Err(format!("`{text}` is no length of time: write 500ms, 10s, 15min, 2h or 1d")),
        }
    }
}

impl serde::Serialize for Stamp {
    /// RFC 3339 in UTC to the microsecond, as documents have it.
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.rfc3339(6))
    }
}

impl fmt::Display for Stamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.rfc3339(3))
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seconds = self.seconds();
        let size = seconds.abs();
        if size < 1.0 {
            write!(f, "{:.0} ms", seconds * 1e3)
        } else if size < 120.0 {
            write!(f, "{seconds:.1} s")
        } else if size < 7200.0 {
            write!(f, "{:.0} min {:02.0} s", (seconds / 60.0).trunc(), (size % 60.0).trunc())
        } else {
            write!(f, "{:.0} h {:02.0} min", (seconds / 3600.0).trunc(), (size % 3600.0 / 60.0).trunc())
        }
    }
}

impl Add<Span> for Stamp {
    type Output = Self;
    fn add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0))
    }
}

impl AddAssign<Span> for Stamp {
    fn add_assign(&mut self, span: Span) {
        *self = *self + span;
    }
}

impl Sub<Span> for Stamp {
    type Output = Self;
    fn sub(self, span: Span) -> Self {
        Self(self.0.saturating_sub(span.0))
    }
}

impl Sub for Stamp {
    type Output = Span;
    fn sub(self, earlier: Self) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

impl Add for Span {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Sub for Span {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

impl Neg for Span {
    type Output = Self;
    fn neg(self) -> Self {
        Self(self.0.saturating_neg())
    }
}

impl Mul<i64> for Span {
    type Output = Self;
    fn mul(self, factor: i64) -> Self {
        Self(self.0.saturating_mul(factor))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stamps_print_and_read_rfc_3339() {
        let stamp = Stamp::from_nanos(1_780_000_000_926_842_708);
        assert_eq!(stamp.rfc3339(9), "2026-05-28T20:26:40.926842708Z");
        assert_eq!(stamp.rfc3339(3), "2026-05-28T20:26:40.926Z");
        assert_eq!(Stamp::parse("2026-05-28T20:26:40.926842708Z"), Some(stamp));
        assert_eq!(Stamp::parse("2026-05-28T22:26:40.926842708+02:00"), Some(stamp));
    }

    #[test]
    fn lengths_are_read_with_their_unit_only() {
        assert_eq!(Span::parse("90s"), Ok(Span::from_millis(90_000)));
        assert_eq!(Span::parse("0.5 min"), Ok(Span::from_millis(30_000)));
        assert_eq!(Span::parse("250ms"), Ok(Span::from_millis(250)));
        assert!(Span::parse("90").is_err());
        assert!(Span::parse("-1s").is_err());
        assert!(Span::parse("s").is_err());
    }
}
