//! The table of bearings, read back.

use std::collections::BTreeMap;
use std::io::Read;
use std::str::FromStr;

use lobewright_types::{
    Azimuth, Bearing, BearingClass, BearingOutcome, CircleDensity, Dbfs, NoBearing, Position,
};
use serde::de::DeserializeOwned;

use crate::ReadError;
use crate::json::bearing_out_of_range;

/// Modes below this are not listed, as in the bearing itself.
const LEAST_MODE: f64 = 0.05;
/// What a table must have to be one of bearings.
const NEEDED: [&str; 8] = [
    "outcome",
    "id",
    "station",
    "lat_deg",
    "lon_deg",
    "azimuth_true_deg",
    "sigma_deg",
    "density",
];

/// Whether a heading is that of [`crate::bearings_csv`], and not that of bearings taken by hand.
pub fn is_bearings_csv(heading: &[u8]) -> bool {
    let text = String::from_utf8_lossy(heading);
    let columns: Vec<&str> = text
        .trim_start_matches('\u{feff}')
        .split(',')
        .map(|c| c.trim().trim_matches('"'))
        .collect();
    ["outcome", "density"].iter().all(|c| columns.contains(c))
}

/// Reads a table written by [`crate::bearings_csv`].
///
/// # Inputs
/// `reader`: CSV with a heading line, columns in any order; those that are not known are ignored. Modes, arcs and class are taken from
/// the density, not from their columns.
///
/// # Errors
/// [`ReadError`] names the line and the field, and what would be right.
pub fn read_bearings_csv(reader: impl Read, name: &str) -> Result<Vec<BearingOutcome>, ReadError> {
    let mut table = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(reader);
    let broken = |line: usize, reason: String| ReadError::Record {
        name: name.to_owned(),
        line,
        column: 0,
        reason,
    };
    let heading = table
        .headers()
        .map_err(|e| broken(1, e.to_string()))?
        .iter()
        .map(|c| c.trim_start_matches('\u{feff}').to_owned())
        .collect::<Vec<_>>();
    if let Some(missing) = NEEDED.iter().find(|c| !heading.iter().any(|h| h == *c)) {
        return Err(broken(1, format!("the heading has no column `{missing}`")));
    }
    let mut first_line_of: BTreeMap<String, usize> = BTreeMap::new();
    let mut outcomes = Vec::new();
    for record in table.records() {
        let record = record.map_err(|e| {
            let line = e.position().map_or(0, csv::Position::line);
            broken(usize::try_from(line).unwrap_or(0), e.to_string())
        })?;
        let line = record.position().map_or(0, csv::Position::line);
        let row = Row {
            name,
            line: usize::try_from(line).unwrap_or(0),
            heading: &heading,
            record: &record,
        };
        let outcome = row.outcome()?;
        let id = row.text("id").to_owned();
        if let Some(&first_line) = first_line_of.get(&id) {
            return Err(ReadError::DuplicateId {
                name: name.to_owned(),
                line: row.line,
                id,
                first_line,
            });
        }
        first_line_of.insert(id, row.line);
        outcomes.push(outcome);
    }
    Ok(outcomes)
}

struct Row<'a> {
    name: &'a str,
    line: usize,
    heading: &'a [String],
    record: &'a csv::StringRecord,
}

impl Row<'_> {
    fn outcome(&self) -> Result<BearingOutcome, ReadError> {
        match self.text("outcome") {
            "bearing" => self.bearing().map(|b| BearingOutcome::Bearing(Box::new(b))),
            "no_bearing" => Ok(BearingOutcome::NoBearing(NoBearing {
                id: self.text("id").to_owned(),
                station: self.text("station").to_owned(),
                reason: self.word("reason", "a reason such as no_burst")?,
            })),
            _ => Err(self.wrong("outcome", "`bearing` or `no_bearing`")),
        }
    }

    fn bearing(&self) -> Result<Bearing, ReadError> {
        let density = CircleDensity::from_compact(self.text("density")).map_err(|e| ReadError::Record {
            name: self.name.to_owned(),
            line: self.line,
            column: 0,
            reason: format!("`density` is no compact density: {e}"),
        })?;
        let azimuth = Azimuth::from_degrees(self.number("azimuth_true_deg")?);
        let place = Position::from_lat_lon(self.number("lat_deg")?, self.number("lon_deg")?);
        let bearing = Bearing {
            id: self.text("id").to_owned(),
            station: self.text("station").to_owned(),
            transmitter: self.maybe("transmitter", "a label")?,
            compass: self.maybe("compass", "a name")?,
            time_utc: self.maybe("time_utc", "a time in RFC 3339 such as 2026-02-14T03:25:00Z")?,
            position: place
                .map_err(|_| self.wrong("lat_deg", "from -90 to 90, and lon_deg from -180 to 180"))?,
            position_sigma_m: self.or_zero("position_sigma_m")?,
            kind: self.word("kind", "`automatic`, `hand` or `remote`")?,
            azimuth,
            sigma_deg: self.number("sigma_deg")?,
            heading_sigma_deg: self.or_zero("heading_sigma_deg")?,
            modes: density.modes(LEAST_MODE),
            arcs50: density.highest_density_arcs(0.5),
            arcs95: density.highest_density_arcs(0.95),
            class: BearingClass::of(&density, azimuth),
            density,
            level: self.maybe_number("level_dbfs")?.map(Dbfs),
            snr_db: self.maybe_number("snr_db")?,
            frequency_hz: self.maybe_number("frequency_hz")?,
            readings: self.maybe("readings", "a whole number")?.unwrap_or(0),
            bursts: self.maybe("bursts", "a whole number")?.unwrap_or(0),
            fitted: self.fitted()?,
            flags: self.flags()?,
        };
        match bearing_out_of_range(&bearing) {
            Some((field, found, needed)) => Err(ReadError::Value {
                name: self.name.to_owned(),
                line: self.line,
                field,
                found,
                needed,
            }),
            None => Ok(bearing),
        }
    }

    fn fitted(&self) -> Result<Option<lobewright_types::FittedSignal>, ReadError> {
        let parts = [
            self.maybe_number("level_error_sigma_db")?,
            self.maybe_number("reduced_chi_square")?,
            self.maybe_number("effective_readings")?,
        ];
        Ok(match parts {
            [
                Some(level_error_sigma_db),
                Some(reduced_chi_square),
                Some(effective_readings),
            ] => Some(lobewright_types::FittedSignal {
                level_error_sigma_db,
                reduced_chi_square,
                effective_readings,
            }),
            _ => None,
        })
    }

    fn flags(&self) -> Result<Vec<lobewright_types::BearingFlag>, ReadError> {
        self.text("flags")
            .split_whitespace()
            .map(|flag| {
                named(flag).ok_or_else(|| self.wrong("flags", "flags such as `weak`, separated by blanks"))
            })
            .collect()
    }

    fn text(&self, column: &str) -> &str {
        self.heading
            .iter()
            .position(|h| h == column)
            .and_then(|i| self.record.get(i))
            .unwrap_or("")
    }

    fn word<T: DeserializeOwned>(&self, column: &str, wanted: &str) -> Result<T, ReadError> {
        named(self.text(column)).ok_or_else(|| self.wrong(column, wanted))
    }

    fn maybe<T: FromStr>(&self, column: &str, wanted: &str) -> Result<Option<T>, ReadError> {
        match self.text(column) {
            "" => Ok(None),
            text => text.parse().map(Some).map_err(|_| self.wrong(column, wanted)),
        }
    }

    fn maybe_number(&self, column: &str) -> Result<Option<f64>, ReadError> {
        let number: Option<f64> = self.maybe(column, "a number")?;
        match number {
            Some(n) if !n.is_finite() => Err(self.wrong(column, "a finite number")),
            number => Ok(number),
        }
    }

    fn number(&self, column: &str) -> Result<f64, ReadError> {
        self.maybe_number(column)?
            .ok_or_else(|| self.wrong(column, "a number"))
    }

    fn or_zero(&self, column: &str) -> Result<f64, ReadError> {
        Ok(self.maybe_number(column)?.unwrap_or(0.0))
    }

    fn wrong(&self, column: &str, wanted: &str) -> ReadError {
        ReadError::Record {
            name: self.name.to_owned(),
            line: self.line,
            column: 0,
            reason: format!("`{column}` is `{}`; it must be {wanted}", self.text(column)),
        }
    }
}

/// A value by the name that it has in files.
fn named<T: DeserializeOwned>(name: &str) -> Option<T> {
    serde_json::from_value(serde_json::Value::from(name)).ok()
}
