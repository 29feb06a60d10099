//! Bearings that a person took and wrote into a table.

use std::fmt;
use std::io::Read;

use lobewright_geodesy::{
    CoordinateError, DeclinationError, FieldWarning, GridZone, ParsedPosition, declination, grid_convergence,
    parse_position,
};
use lobewright_types::{
    Azimuth, Bearing, BearingClass, BearingKind, CircleDensity, Grid, Magnetic, Position, Timestamp, True,
};

use crate::hand_levels::read_hand_table;

/// Standard deviation of a place that a person gives without saying how well it is known: a handheld satellite receiver
/// or a good map (common practice, no source).
const POSITION_SIGMA_M: f64 = 10.0;
const REQUIRED: [&str; 4] = ["place", "bearing_deg", "north", "sigma_deg"];
const OPTIONAL: [&str; 12] = [
    "lat_deg",
    "lon_deg",
    "position",
    "date",
    "position_sigma_m",
    "compass",
    "transmitter",
    "meter_db",
    "attenuation_db",
    "scale",
    "heard",
    "note",
];

/// Why a table of hand bearings was refused.
#[derive(Debug, thiserror::Error)]
pub enum HandError {
    /// The table could not be read as CSV.
    #[error("cannot read `{name}` as a table of comma-separated values")]
    Csv {
        /// The table's name.
        name: String,
        /// What the reader found.
        source: csv::Error,
    },
    /// A column is missing.
    #[error(
        "`{name}` has no column `{column}`; its first line must name place, lat_deg and lon_deg or position, bearing_deg, north, sigma_deg and may name date, position_sigma_m, compass, transmitter, meter_db, attenuation_db, scale, heard, note"
    )]
    MissingColumn {
        /// The table's name.
        name: String,
        /// The column.
        column: &'static str,
    },
    /// A column that means nothing here.
    #[error(
        "`{name}` has a column `{column}` that is not known; columns are place, lat_deg, lon_deg, position, bearing_deg, north, date, sigma_deg, position_sigma_m, compass, transmitter, meter_db, attenuation_db, scale, heard, note"
    )]
    UnknownColumn {
        /// The table's name.
        name: String,
        /// The column found.
        column: String,
    },
    /// A column that is there twice.
    #[error("`{name}` has the column `{column}` twice")]
    RepeatedColumn {
        /// The table's name.
        name: String,
        /// The column found.
        column: String,
    },
    /// A field holds what it must not.
    #[error("`{name}` line {line}: `{field}` is `{found}`; it must be {wanted}")]
    Field {
        /// The table's name.
        name: String,
        /// Line in the file, from 1.
        line: u64,
        /// The column.
        field: &'static str,
        /// What was found.
        found: String,
        /// What would be right.
        wanted: &'static str,
    },
    /// A place that cannot be read.
    #[error("`{name}` line {line}: `position` cannot be read")]
    Position {
        /// The table's name.
        name: String,
        /// Line in the file, from 1.
        line: u64,
        /// Why.
        source: CoordinateError,
    },
    /// A place given in two ways, or in none.
    #[error("`{name}` line {line}: {found}; give either `position` or both `lat_deg` and `lon_deg`")]
    PlaceGiven {
        /// The table's name.
        name: String,
        /// Line in the file, from 1.
        line: u64,
        /// What was found.
        found: &'static str,
    },
    /// A magnetic bearing that cannot be turned into a true one.
    #[error("`{name}` line {line}: `date` or place does not allow a magnetic bearing")]
    Declination {
        /// The table's name.
        name: String,
        /// Line in the file, from 1.
        line: u64,
        /// Why.
        source: DeclinationError,
    },
}

/// Doubts about a hand bearing that do not stop the work.
#[derive(Debug, Clone, PartialEq)]
pub enum HandWarning {
    /// A magnetic bearing from where a compass is in doubt.
    Compass {
        /// Line in the file, from 1.
        line: u64,
        /// The place.
        place: String,
        /// What is wrong there.
        warning: FieldWarning,
    },
}

impl fmt::Display for HandWarning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Compass { line, place, warning } => write!(f, "line {line}, place `{place}`: {warning}"),
        }
    }
}

/// Makes a bearing of a direction with a normal error.
///
/// `name` becomes both its identity and its station; `errors` are the standard deviation of the station's position in metres (each
/// axis) and, inside `sigma_deg`, that of the heading in degrees, common to all bearings of the station.
///
/// # Panics
/// Where `sigma_deg` is not positive and finite.
pub fn from_normal(
    name: &str,
    position: Position,
    azimuth: Azimuth<True>,
    sigma_deg: f64,
    errors: (f64, f64),
    time_utc: Option<Timestamp>,
) -> Bearing {
    let density = CircleDensity::normal(azimuth, sigma_deg);
    let (position_sigma_m, heading_sigma_deg) = errors;
    Bearing {
        id: name.to_owned(),
        station: name.to_owned(),
        compass: None,
        transmitter: None,
        time_utc,
        position,
        position_sigma_m,
        kind: BearingKind::Hand,
        azimuth,
        sigma_deg,
        heading_sigma_deg,
        modes: density.modes(0.05),
        arcs50: density.highest_density_arcs(0.5),
        arcs95: density.highest_density_arcs(0.95),
        class: BearingClass::of(&density, azimuth),
        density,
        level: None,
        snr_db: None,
        frequency_hz: None,
        readings: 0,
        bursts: 0,
        fitted: None,
        flags: Vec::new(),
    }
}

/// Reads a table of bearings taken by hand.
///
/// # Inputs
/// CSV with a header line, columns in any order; `name` is the table's name in messages and in the bearings' identities (`name:line`).
///
/// | column | content |
/// |---|---|
/// | `place` | name of the place, not empty; the bearing's station |
/// | `lat_deg`, `lon_deg` | WGS 84, north and east positive |
/// | `position` | in their stead: coordinates in any form that [`parse_position`](lobewright_geodesy::parse_position) reads, in quotes where they have a comma |
/// | `bearing_deg` | clockwise, 0 to 360 |
/// | `north` | `true`, `magnetic` or `grid` (that of UTM, UPS near the poles): what it is counted from |
/// | `date` | RFC 3339 date (`2026-02-14`, taken as noon UTC) or time (`2026-02-14T03:25:00Z`); must be given with `magnetic` |
/// | `sigma_deg` | standard deviation, above 0, up to 90 |
/// | `position_sigma_m` | standard deviation of the place, 0 or more; 10 where not given |
/// | `compass` | who or what took it: bearings with the same name have the compass's error in common; where not given, the whole table has one |
/// | `transmitter` | label of the transmitter, where several are told apart |
/// | `note` | anything; not used |
///
/// Lines that start with `#` and blank lines are passed over. Columns for levels may be there too: [`read_hand_table`] reads them.
///
/// # Result
/// Bearings in the order of the lines, and doubts. Where `position` names a cell (a locator, a square of MGRS) the place is its middle and the
/// spread of a place anywhere in it is added to `position_sigma_m` in squares. Grid bearings are turned to true north by the convergence of
/// the grid that `position` names, else of the one that the place belongs to. Magnetic ones are turned to true north by the declination at the place and date (at the ellipsoid's height);
/// its standard deviation is added to `sigma_deg` in squares and kept as `heading_sigma_deg`, since all
/// bearings with the compass share it.
///
/// # Errors
/// [`HandError`], which names the line and the field, and what would be right.
pub fn read_hand_bearings(
    reader: impl Read,
    name: &str,
) -> Result<(Vec<Bearing>, Vec<HandWarning>), HandError> {
    let table = read_hand_table(reader, name)?;
    Ok((table.bearings, table.warnings))
}

/// Calls `take` with every row of a table.
pub(crate) fn for_rows(
    mut reader: impl Read,
    name: &str,
    mut take: impl FnMut(&Row<'_>) -> Result<(), HandError>,
) -> Result<(), HandError> {
    let mut bytes = Vec::new();
    reader.read_to_end(&mut bytes).map_err(|source| HandError::Csv {
        name: name.to_owned(),
        source: source.into(),
    })?;
    let mut table = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(bytes.as_slice());
    let broken = |source| HandError::Csv {
        name: name.to_owned(),
        source,
    };
    let header = table.headers().map_err(broken)?.clone();
    check_header(&header, name)?;
    for record in table.records() {
        let record = record.map_err(broken)?;
        take(&Row {
            name,
            header: &header,
            line: line_of(&bytes, record.position().map_or(0, csv::Position::byte)),
            record: &record,
        })?;
    }
    Ok(())
}

/// The line of the first record at or after an offset: the reader counts from before blank lines and comments.
fn line_of(bytes: &[u8], offset: u64) -> u64 {
    let start = usize::try_from(offset).unwrap_or(usize::MAX).min(bytes.len());
    let before = bytes[..start].split(|&b| b == b'\n').count() - 1;
    let passed = bytes[start..]
        .split(|&b| b == b'\n')
        .take_while(|line| line.trim_ascii().is_empty() || line.starts_with(b"#"))
        .count();
    (before + passed + 1) as u64
}

fn check_header(header: &csv::StringRecord, name: &str) -> Result<(), HandError> {
    for (i, column) in header.iter().enumerate() {
        if !REQUIRED.contains(&column) && !OPTIONAL.contains(&column) {
            return Err(HandError::UnknownColumn {
                name: name.to_owned(),
                column: column.to_owned(),
            });
        }
        if header.iter().take(i).any(|c| c == column) {
            return Err(HandError::RepeatedColumn {
                name: name.to_owned(),
                column: column.to_owned(),
            });
        }
    }
    let has = |column: &str| header.iter().any(|h| h == column);
    // Either way to give the place is enough; what is missing is one of the pair.
    let pair: &[&str] = if has("position") && !has("lat_deg") && !has("lon_deg") {
        &[]
    } else {
        &["lat_deg", "lon_deg"]
    };
    for &column in REQUIRED[..1].iter().chain(pair).chain(&REQUIRED[1..]) {
        if !has(column) {
            return Err(HandError::MissingColumn {
                name: name.to_owned(),
                column,
            });
        }
    }
    Ok(())
}

/// Where a bearing was taken.
#[derive(Clone, Copy)]
pub(crate) struct Spot {
    pub(crate) position: Position,
    /// Standard deviation, each axis, of a place anywhere in the cell that the table names; 0 for a point.
    cell_sigma_m: f64,
    /// The grid that grid north is counted in.
    zone: GridZone,
}

impl From<Position> for Spot {
    fn from(position: Position) -> Self {
        Self {
            position,
            cell_sigma_m: 0.0,
            zone: GridZone::of(position),
        }
    }
}

impl From<ParsedPosition> for Spot {
    fn from(parsed: ParsedPosition) -> Self {
        Self {
            cell_sigma_m: if parsed.is_cell() { parsed.sigma_m() } else { 0.0 },
            zone: parsed.zone.unwrap_or(GridZone::of(parsed.position)),
            ..Self::from(parsed.position)
        }
    }
}

/// A line of the table.
pub(crate) struct Row<'a> {
    pub(crate) name: &'a str,
    header: &'a csv::StringRecord,
    pub(crate) line: u64,
    record: &'a csv::StringRecord,
}

impl Row<'_> {
    pub(crate) fn bearing(&self) -> Result<(Bearing, Option<HandWarning>), HandError> {
        let (place, spot, position_sigma_m) = self.place()?;
        let position = spot.position;
        let sigma_deg = self.number(
            "sigma_deg",
            "a standard deviation above 0 and up to 90 degrees",
            |s| s > 0.0 && s <= 90.0,
        )?;
        let bearing_deg = self.number("bearing_deg", "a number of degrees from 0 to 360", |b| {
            (0.0..=360.0).contains(&b)
        })?;
        let time = self.time()?;
        let (azimuth, heading_sigma_deg, warning) = match self.text("north") {
            "true" => (Azimuth::<True>::from_degrees(bearing_deg), 0.0, None),
            "magnetic" => self.turned_to_true(bearing_deg, position, time)?,
            "grid" => (self.turned_from_grid(bearing_deg, spot)?, 0.0, None),
            _ => return Err(self.wrong("north", "`true`, `magnetic` or `grid`")),
        };
        let sigma_deg = sigma_deg.hypot(heading_sigma_deg);
        let errors = (position_sigma_m, heading_sigma_deg);
        let mut bearing = from_normal(place, position, azimuth, sigma_deg, errors, time);
        bearing.id = format!("{}:{}", self.name, self.line);
        let compass = self.text("compass");
        bearing.compass = Some(if compass.is_empty() { self.name } else { compass }.to_owned());
        bearing.transmitter = Some(self.text("transmitter").to_owned()).filter(|label| !label.is_empty());
        Ok((bearing, warning))
    }

    /// The place's name, where it is, and the standard deviation of that in metres.
    pub(crate) fn place(&self) -> Result<(&str, Spot, f64), HandError> {
        let place = self.text("place");
        if place.is_empty() {
            return Err(self.wrong("place", "a name"));
        }
        let spot = self.spot()?;
        let position_sigma_m = if self.text("position_sigma_m").is_empty() {
            POSITION_SIGMA_M
        } else {
            self.number("position_sigma_m", "a number of metres, 0 to 100000", |s| {
                (0.0..=1e5).contains(&s)
            })?
        };
        Ok((place, spot, position_sigma_m.hypot(spot.cell_sigma_m)))
    }

    fn turned_to_true(
        &self,
        bearing_deg: f64,
        position: Position,
        time: Option<Timestamp>,
    ) -> Result<(Azimuth<True>, f64, Option<HandWarning>), HandError> {
        let time = time.ok_or_else(|| {
            self.wrong(
                "date",
                "a date such as 2026-02-14, since magnetic north moves: a magnetic bearing needs it",
            )
        })?;
        let found = declination(position, 0.0, time).map_err(|source| HandError::Declination {
            name: self.name.to_owned(),
            line: self.line,
            source,
        })?;
        let warning = found.warning.map(|warning| HandWarning::Compass {
            line: self.line,
            place: self.text("place").to_owned(),
            warning,
        });
        let azimuth = Azimuth::<Magnetic>::from_degrees(bearing_deg).to_true(found.deg);
        Ok((azimuth, found.sigma_deg, warning))
    }

    fn turned_from_grid(&self, bearing_deg: f64, spot: Spot) -> Result<Azimuth<True>, HandError> {
        let convergence_deg =
            grid_convergence(spot.position, spot.zone).map_err(|error| self.no_position(error.into()))?;
        Ok(Azimuth::<Grid>::from_degrees(bearing_deg).to_true(convergence_deg))
    }

    fn spot(&self) -> Result<Spot, HandError> {
        let text = self.text("position");
        let degrees = !self.text("lat_deg").is_empty() || !self.text("lon_deg").is_empty();
        let by_position = self.header.iter().any(|h| h == "position");
        let refused = |found| HandError::PlaceGiven {
            name: self.name.to_owned(),
            line: self.line,
            found,
        };
        match (text.is_empty(), degrees) {
            (false, true) => Err(refused("the place is given twice")),
            (true, false) if by_position => Err(refused("the place is not given")),
            (true, _) => self.position().map(Spot::from),
            (false, false) => parse_position(text)
                .map(Spot::from)
                .map_err(|error| self.no_position(error)),
        }
    }

    fn no_position(&self, source: CoordinateError) -> HandError {
        HandError::Position {
            name: self.name.to_owned(),
            line: self.line,
            source,
        }
    }

    fn position(&self) -> Result<Position, HandError> {
        let lat_deg = self.number(
            "lat_deg",
            "a number from -90 to 90 degrees, north positive",
            |v| (-90.0..=90.0).contains(&v),
        )?;
        let wanted = "a number from -180 to 360 degrees, east positive";
        let lon_deg = self.number("lon_deg", wanted, |v| (-180.0..=360.0).contains(&v))?;
        Position::from_lat_lon(lat_deg, lon_deg).map_err(|_| self.wrong("lon_deg", wanted))
    }

    pub(crate) fn time(&self) -> Result<Option<Timestamp>, HandError> {
        let text = self.text("date");
        if text.is_empty() {
            return Ok(None);
        }
        let full = if text.len() == "2026-02-14".len() {
            format!("{text}T12:00:00Z")
        } else {
            text.to_owned()
        };
        full.parse().map(Some).map_err(|_| {
            self.wrong(
                "date",
                "a date such as 2026-02-14 or a time such as 2026-02-14T03:25:00Z",
            )
        })
    }

    pub(crate) fn text(&self, column: &str) -> &str {
        self.header
            .iter()
            .position(|h| h == column)
            .and_then(|i| self.record.get(i))
            .unwrap_or("")
    }

    pub(crate) fn number(
        &self,
        field: &'static str,
        wanted: &'static str,
        good: impl Fn(f64) -> bool,
    ) -> Result<f64, HandError> {
        self.text(field)
            .parse()
            .ok()
            .filter(|v: &f64| good(*v))
            .ok_or_else(|| self.wrong(field, wanted))
    }

    pub(crate) fn wrong(&self, field: &'static str, wanted: &'static str) -> HandError {
        HandError::Field {
            name: self.name.to_owned(),
            line: self.line,
            field,
            found: self.text(field).to_owned(),
            wanted,
        }
    }
}

#[cfg(test)]
#[path = "hand_tests.rs"]
mod tests;
