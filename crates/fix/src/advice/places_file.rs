//! Places that a person could go to, written into a table.

use std::io::Read;

use lobewright_types::Position;

use super::candidates::Candidate;

const COLUMNS: [&str; 4] = ["place", "lat_deg", "lon_deg", "note"];

/// Why a table of places was refused.
#[derive(Debug, thiserror::Error)]
pub enum PlacesError {
    /// The table could not be read as CSV.
    #[error("cannot read `{name}` as a table of comma-separated values")]
    Csv {
        /// The table's name.
        name: String,
        /// What the reader found.
        source: csv::Error,
    },
    /// The header is not right.
    #[error(
        "`{name}` has the columns `{found}`; its first line must name place, lat_deg and lon_deg, each once, and may name note"
    )]
    Header {
        /// The table's name.
        name: String,
        /// The columns found.
        found: String,
    },
    /// A field holds what it must not.
    #[error("`{name}` row {row}: `{field}` is `{found}`; it must be {wanted}")]
    Field {
        /// The table's name.
        name: String,
        /// Row under the header, from 1; comments and blank lines are not counted.
        row: usize,
        /// The column.
        field: &'static str,
        /// What was found.
        found: String,
        /// What would be right.
        wanted: &'static str,
    },
}

/// Reads a table of places.
///
/// # Inputs
/// CSV with a header line, columns in any order: `place` (a name, not empty), `lat_deg`, `lon_deg` (WGS 84, north and east positive) and, not used,
/// `note`. Lines that start with `#` and blank lines are passed over. `name` is the table's name in messages.
///
/// # Errors
/// [`PlacesError`], which names row and field, and what would be right.
pub fn read_places(reader: impl Read, name: &str) -> Result<Vec<Candidate>, PlacesError> {
    let mut table = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(reader);
    let broken = |source| PlacesError::Csv {
        name: name.to_owned(),
        source,
    };
    let header = table.headers().map_err(broken)?.clone();
    let count = |column: &str| header.iter().filter(|h| *h == column).count();
    let sound = header.iter().all(|h| COLUMNS.contains(&h))
        && COLUMNS[..3].iter().all(|c| count(c) == 1)
        && count("note") < 2;
    if !sound {
        return Err(PlacesError::Header {
            name: name.to_owned(),
            found: header.iter().collect::<Vec<_>>().join(","),
        });
    }
    let mut places = Vec::new();
    for (index, record) in table.records().enumerate() {
        let record = record.map_err(broken)?;
        places.push(place(&header, &record, (name, index + 1))?);
    }
    Ok(places)
}

fn place(
    header: &csv::StringRecord,
    record: &csv::StringRecord,
    (name, row): (&str, usize),
) -> Result<Candidate, PlacesError> {
    let text = |column: &str| {
        header
            .iter()
            .position(|h| h == column)
            .and_then(|i| record.get(i))
            .unwrap_or("")
    };
    let wrong = |field: &'static str, wanted: &'static str| PlacesError::Field {
        name: name.to_owned(),
        row,
        field,
        found: text(field).to_owned(),
        wanted,
    };
    let number = |field: &'static str, low: f64, high: f64, wanted: &'static str| {
        text(field)
            .parse()
            .ok()
            .filter(|v: &f64| (low..=high).contains(v))
            .ok_or_else(|| wrong(field, wanted))
    };
    if text("place").is_empty() {
        return Err(wrong("place", "a name"));
    }
    let lat_deg = number(
        "lat_deg",
        -90.0,
        90.0,
        "a number from -90 to 90 degrees, north positive",
    )?;
    let wanted = "a number from -180 to 360 degrees, east positive";
    let lon_deg = number("lon_deg", -180.0, 360.0, wanted)?;
    Ok(Candidate {
        name: text("place").to_owned(),
        position: Position::from_lat_lon(lat_deg, lon_deg).map_err(|_| wrong("lon_deg", wanted))?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn error_of(table: &str) -> String {
        read_places(table.as_bytes(), "spots.csv")
            .unwrap_err()
            .to_string()
    }

    #[test]
    fn places_come_in() {
        let table =
            "lon_deg,place,lat_deg,note\n# by the river\n185.9,\"car park, south\",-41.3,gate shut at 8\n";
        let places = read_places(table.as_bytes(), "spots.csv").unwrap();
        assert_eq!(places.len(), 1);
        assert_eq!(places[0].name, "car park, south");
        assert!((places[0].position.lon_deg + 174.1).abs() < 1e-9);
    }

    #[test]
    fn errors_name_row_field_and_what_would_be_right() {
        for (table, words) in [
            (
                "place,lat_deg,lon_deg\nhill,91,10\n",
                "`spots.csv` row 1: `lat_deg` is `91`; it must be a number from -90 to 90 degrees, north positive",
            ),
            (
                "place,lat_deg,lon_deg\nhill,41,NaN\n",
                "`spots.csv` row 1: `lon_deg` is `NaN`; it must be a number from -180 to 360 degrees, east positive",
            ),
            (
                "place,lat_deg,lon_deg\n,41,10\n",
                "`spots.csv` row 1: `place` is ``; it must be a name",
            ),
            (
                "place,lat_deg\nhill,41\n",
                "`spots.csv` has the columns `place,lat_deg`; its first line must name place, lat_deg and lon_deg, each once, and may name note",
            ),
            (
                "place,lat_deg,lon_deg\nhill,41\n",
                "cannot read `spots.csv` as a table of comma-separated values",
            ),
        ] {
            assert_eq!(error_of(table), words);
        }
    }
}
