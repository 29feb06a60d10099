//! Two clocks that do not mix: a position in a sample stream and an instant in UTC.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A position in a stream of samples, counted from its first sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SampleIndex(pub u64);

impl SampleIndex {
    /// The time from the first sample, in seconds, at `rate_hz` samples a second.
    pub fn seconds(self, rate_hz: f64) -> f64 {
        self.0 as f64 / rate_hz
    }

    /// The index `count` samples later; saturates at the end of the range.
    #[must_use]
    pub fn plus(self, count: u64) -> Self {
        Self(self.0.saturating_add(count))
    }
}

/// An instant in UTC: nanoseconds since 1970-01-01T00:00:00Z, leap seconds not counted.
///
/// At a border it is text in RFC 3339 with `Z`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Timestamp {
    unix_ns: i64,
}

/// The text is not an instant.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{text}` is not a time in RFC 3339 such as 2026-02-14T03:25:00.5Z: {reason}")]
pub struct ParseTimestampError {
    /// What was found.
    pub text: String,
    /// What is wrong with it.
    pub reason: String,
}

impl Timestamp {
    /// Takes nanoseconds since 1970-01-01T00:00:00Z.
    pub fn from_unix_ns(unix_ns: i64) -> Self {
        Self { unix_ns }
    }

    /// Nanoseconds since 1970-01-01T00:00:00Z.
    pub fn unix_ns(self) -> i64 {
        self.unix_ns
    }

    /// The instant `seconds` later (earlier where negative), to the nearest nanosecond; saturates.
    #[must_use]
    pub fn plus_seconds(self, seconds: f64) -> Self {
        // The cast saturates, and so does the sum: a clock never wraps round.
        #[expect(clippy::cast_possible_truncation, reason = "saturating is what is wanted")]
        let ns = (seconds * 1e9).round() as i64;
        Self {
            unix_ns: self.unix_ns.saturating_add(ns),
        }
    }

    /// The time from `earlier` to here in seconds.
    pub fn seconds_since(self, earlier: Self) -> f64 {
        (i128::from(self.unix_ns) - i128::from(earlier.unix_ns)) as f64 / 1e9
    }

    /// The year with its fraction, such as 2026.5, as magnetic models take it.
    pub fn decimal_year(self) -> f64 {
        let zoned = self.civil();
        let year = zoned.date().first_of_year();
        let day = f64::from(zoned.date().day_of_year() - 1);
        let days = f64::from(year.days_in_year());
        let seconds = zoned
            .time()
            .duration_since(jiff::civil::Time::midnight())
            .as_secs_f64();
        f64::from(year.year()) + (day + seconds / 86_400.0) / days
    }

    /// The calendar date in UTC as year, month (1 to 12) and day (1 to 31).
    pub fn date_utc(self) -> (i32, u8, u8) {
        let date = self.civil().date();
        (
            i32::from(date.year()),
            date.month().unsigned_abs(),
            date.day().unsigned_abs(),
        )
    }

    fn civil(self) -> jiff::civil::DateTime {
        jiff::tz::TimeZone::UTC.to_datetime(self.instant())
    }

    fn instant(self) -> jiff::Timestamp {
        jiff::Timestamp::from_nanosecond(i128::from(self.unix_ns))
            .expect("every i64 of nanoseconds lies between the years 1677 and 2262")
    }
}

impl FromStr for Timestamp {
    type Err = ParseTimestampError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let fail = |reason: String| ParseTimestampError {
            text: text.to_owned(),
            reason,
        };
        let instant: jiff::Timestamp = text
            .trim()
            .parse()
            .map_err(|e: jiff::Error| fail(e.to_string()))?;
        let unix_ns = i64::try_from(instant.as_nanosecond())
            .map_err(|_| fail("the year must lie between 1678 and 2262".to_owned()))?;
        Ok(Self { unix_ns })
    }
}

impl fmt::Display for Timestamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.instant())
    }
}

impl Serialize for Timestamp {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Timestamp {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?
            .parse()
            .map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rfc_3339_goes_in_and_comes_out() {
        let t: Timestamp = "2026-02-14T03:25:00.5Z".parse().unwrap();
        assert_eq!(t.unix_ns(), 1_771_039_500_500_000_000);
        assert_eq!(t.to_string(), "2026-02-14T03:25:00.5Z");
    }

    #[test]
    fn text_without_a_zone_is_refused() {
        let error = "2026-02-14 03:25".parse::<Timestamp>().unwrap_err();
        assert!(
            error
                .to_string()
                .starts_with("`2026-02-14 03:25` is not a time in RFC 3339")
        );
    }

    #[test]
    fn adding_seconds_saturates() {
        let t = Timestamp::from_unix_ns(i64::MAX);
        assert_eq!(t.plus_seconds(1e30).unix_ns(), i64::MAX);
        assert!((t.seconds_since(Timestamp::from_unix_ns(i64::MIN)) - 1.844_674_407e10).abs() < 1e3);
    }

    #[test]
    fn the_middle_of_a_common_year_is_half() {
        let t: Timestamp = "2026-07-02T12:00:00Z".parse().unwrap();
        assert!((t.decimal_year() - 2026.5).abs() < 1e-9);
        assert_eq!(t.date_utc(), (2026, 7, 2));
    }
}
