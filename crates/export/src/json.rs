//! JSON Lines (one object a line, UTF-8) and JSON.

use std::collections::BTreeMap;
use std::io::BufRead;

use lobewright_types::{Bearing, BearingOutcome, Burst, FixOutcome, LevelReading, Position};
use serde::Serialize;

use crate::ReadError;

pub(crate) fn line<T: Serialize>(value: &T) -> String {
    let mut text = serde_json::to_string(value)
        .expect("only maps with keys that are no text, or failing writers, cannot be written as JSON");
    text.push('\n');
    text
}

/// Writes bearings, and the records that say why there is none, one a line.
///
/// A number that is not finite is written as `null`; the estimators give none.
pub fn bearings_jsonl(bearings: &[BearingOutcome]) -> String {
    bearings.iter().map(line).collect()
}

/// Writes bursts, one a line.
pub fn bursts_jsonl(bursts: &[Burst]) -> String {
    bursts.iter().map(line).collect()
}

/// Writes level readings, one a line.
pub fn readings_jsonl(readings: &[LevelReading]) -> String {
    readings.iter().map(line).collect()
}

/// Writes a position, or why there is none, as one line.
pub fn fix_json(fix: &FixOutcome) -> String {
    line(fix)
}

/// Reads bearings written by [`bearings_jsonl`], by a person or by another station.
///
/// # Inputs
/// `reader`: UTF-8 text, one JSON object a line; empty lines and a byte order mark are passed over, fields that are
/// not known are ignored. `name` stands for the input in error messages.
///
/// # Errors
/// [`ReadError`] names the line: not a record, a value out of range, or an `id` used twice.
pub fn read_bearings_jsonl(mut reader: impl BufRead, name: &str) -> Result<Vec<BearingOutcome>, ReadError> {
    let mut bearings = Vec::new();
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    let mut text = String::new();
    for number in 1_usize.. {
        text.clear();
        let count = reader.read_line(&mut text).map_err(|source| ReadError::Io {
            name: name.to_owned(),
            line: number,
            source,
        })?;
        if count == 0 {
            break;
        }
        let record = text.trim_start_matches('\u{feff}').trim();
        if record.is_empty() {
            continue;
        }
        let outcome = parse(record, name, number)?;
        let id = match &outcome {
            BearingOutcome::Bearing(bearing) => bearing.id.clone(),
            BearingOutcome::NoBearing(none) => none.id.clone(),
        };
        if let Some(first_line) = seen.insert(id.clone(), number) {
            return Err(ReadError::DuplicateId {
                name: name.to_owned(),
                line: number,
                id,
                first_line,
            });
        }
        bearings.push(outcome);
    }
    Ok(bearings)
}

fn parse(record: &str, name: &str, line: usize) -> Result<BearingOutcome, ReadError> {
    let outcome: BearingOutcome = serde_json::from_str(record).map_err(|error| {
        let reason = error.to_string();
        // The parser counts lines within the record, which is one line.
        let reason = reason.split(" at line ").next().unwrap_or_default().to_owned();
        ReadError::Record {
            name: name.to_owned(),
            line,
            column: error.column(),
            reason,
        }
    })?;
    if let BearingOutcome::Bearing(bearing) = &outcome
        && let Some((field, found, needed)) = bearing_out_of_range(bearing)
    {
        return Err(ReadError::Value {
            name: name.to_owned(),
            line,
            field,
            found,
            needed,
        });
    }
    Ok(outcome)
}

pub(crate) type Fault = (String, f64, &'static str);

/// The first value that no bearing can have.
pub(crate) fn bearing_out_of_range(bearing: &Bearing) -> Option<Fault> {
    place_out_of_range(bearing.position)
        .or_else(|| {
            let sigma = bearing.sigma_deg;
            let good = sigma.is_finite() && sigma > 0.0;
            (!good).then(|| ("sigma_deg".to_owned(), sigma, "a finite number above 0"))
        })
        .or_else(|| {
            [
                ("position_sigma_m", bearing.position_sigma_m),
                ("heading_sigma_deg", bearing.heading_sigma_deg),
            ]
            .into_iter()
            .find(|(_, value)| !(value.is_finite() && *value >= 0.0))
            .map(|(field, value)| (field.to_owned(), value, "a finite number, 0 or more"))
        })
        .or_else(|| {
            bearing
                .modes
                .iter()
                .map(|mode| mode.probability)
                .find(|p| !(0.0..=1.0 + 1e-9).contains(p))
                .map(|p| ("modes.probability".to_owned(), p, "from 0 to 1"))
        })
        .or_else(|| {
            bearing
                .arcs50
                .iter()
                .chain(&bearing.arcs95)
                .map(|arc| arc.width_deg)
                .find(|width| !(0.0..=360.0 + 1e-9).contains(width))
                .map(|width| ("width_deg".to_owned(), width, "from 0 to 360"))
        })
}

pub(crate) fn place_out_of_range(place: Position) -> Option<Fault> {
    if !(-90.0..=90.0).contains(&place.lat_deg) {
        return Some((
            "position.lat_deg".to_owned(),
            place.lat_deg,
            "from -90 to 90, north positive",
        ));
    }
    let good = (-180.0..=180.0).contains(&place.lon_deg);
    (!good).then(|| {
        (
            "position.lon_deg".to_owned(),
            place.lon_deg,
            "from -180 to 180, east positive",
        )
    })
}
