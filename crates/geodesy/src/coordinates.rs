//! Coordinates in the forms that people write, read and written.

use std::fmt;
use std::str::FromStr;

use lobewright_types::{Position, PositionError};

use crate::grid::{GridError, GridZone};
use crate::{angles, inverse, maidenhead, mgrs, utm};

/// Longest text that is looked at, in bytes.
const MAX_BYTES: usize = 120;
/// Metres of a degree, a minute and a second of latitude, rounded up.
const DEGREE_M: f64 = 112_000.0;
const MINUTE_M: f64 = 1_862.0;
const SECOND_M: f64 = 31.1;

/// A way to write a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CoordinateForm {
    /// Degrees with decimals, signed: `-41.30000, 174.10000`.
    Decimal,
    /// Degrees and minutes with decimals: `41° 18.000' S, 174° 06.000' E`.
    Minutes,
    /// Degrees, minutes and seconds: `41° 18' 00.0" S, 174° 06' 00.0" E`.
    Seconds,
    /// Zone, hemisphere, easting and northing of UTM, of UPS near the poles: `60 south 257201 mE 5423882 mN`.
    Utm,
    /// The Military Grid Reference System: `60G TV 57201 23881`.
    Mgrs,
    /// The Maidenhead locator: `RE78br23`.
    Locator,
}

impl CoordinateForm {
    /// Every form.
    pub const ALL: [Self; 6] = [
        Self::Decimal,
        Self::Minutes,
        Self::Seconds,
        Self::Utm,
        Self::Mgrs,
        Self::Locator,
    ];

    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Decimal => "decimal",
            Self::Minutes => "minutes",
            Self::Seconds => "seconds",
            Self::Utm => "utm",
            Self::Mgrs => "mgrs",
            Self::Locator => "locator",
        }
    }
}

impl fmt::Display for CoordinateForm {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// A word is no form of coordinates.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no form of coordinates; it must be decimal, minutes, seconds, utm, mgrs or locator")]
pub struct ParseFormError(String);

impl FromStr for CoordinateForm {
    type Err = ParseFormError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::ALL
            .into_iter()
            .find(|form| form.word().eq_ignore_ascii_case(text.trim()))
            .ok_or_else(|| ParseFormError(text.to_owned()))
    }
}

/// A place that was read, and how closely the text says it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ParsedPosition {
    /// The place; the middle of the cell where the text names one.
    pub position: Position,
    /// Half the width, east to west, of what the text stands for: a cell, or one unit of the last digit. Metres.
    pub half_east_m: f64,
    /// Half its height.
    pub half_north_m: f64,
    /// The form that was found.
    pub form: CoordinateForm,
    /// The grid that the text names (UTM, UPS), which may be the neighbour's of the one that the place belongs to.
    pub zone: Option<GridZone>,
}

impl ParsedPosition {
    /// One standard deviation in metres, each axis, of a place that may be anywhere in the cell: the root mean square of both axes.
    pub fn sigma_m(&self) -> f64 {
        self.half_east_m.hypot(self.half_north_m) / 6.0_f64.sqrt()
    }

    /// Whether the text names a cell, such as a locator or a square of a grid, and not a point.
    pub fn is_cell(&self) -> bool {
        matches!(self.form, CoordinateForm::Mgrs | CoordinateForm::Locator)
    }
}

/// Why a text was not taken as a place.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CoordinateError {
    /// Nothing there.
    #[error(
        "no coordinates were given; write them such as `-41.3, 174.1`, `41 18.0 S 174 06.0 E`, `60 south 257201 5423882`, `60G TV 57201 23881` or `RE78br`"
    )]
    Empty,
    /// More than any coordinates need.
    #[error("a text of {0} characters is no coordinates; they have at most 120")]
    TooLong(usize),
    /// No known form.
    #[error("`{found}` is no coordinates: {wrong}")]
    Unknown {
        /// What was found.
        found: String,
        /// What is wrong, and what would be right.
        wrong: &'static str,
    },
    /// A number where one axis or one part has another.
    #[error("`{found}` is no {axis}: {wrong}")]
    Angle {
        /// What was found.
        found: String,
        /// `latitude` or `longitude`.
        axis: &'static str,
        /// What is wrong, and what would be right.
        wrong: &'static str,
    },
    /// It can be read in two ways.
    #[error("`{found}` can be read in two ways: {readings}")]
    Ambiguous {
        /// What was found.
        found: String,
        /// The readings, and how to write either.
        readings: String,
    },
    /// A grid reference that is not one.
    #[error("`{found}` is no MGRS reference: {wrong}")]
    Mgrs {
        /// What was found.
        found: String,
        /// What is wrong, and what would be right.
        wrong: &'static str,
    },
    /// A square that the zone and band do not have.
    #[error(
        "`{found}` is no MGRS reference: the square does not lie in that zone and band; check the letters"
    )]
    MgrsSquare {
        /// What was found.
        found: String,
    },
    /// A UTM band that does not hold the northing.
    #[error(
        "`{found}`: band {band} reaches from {south_deg} to {north_deg} degrees, but the northing is at {lat_deg:.2}; check both, or write `north` or `south` in place of the band"
    )]
    Band {
        /// What was found.
        found: String,
        /// The band's letter.
        band: char,
        /// Its southern edge.
        south_deg: f64,
        /// Its northern edge.
        north_deg: f64,
        /// The latitude of the coordinates.
        lat_deg: f64,
    },
    /// A locator that is not one.
    #[error("`{found}` is no Maidenhead locator: {wrong}")]
    Locator {
        /// What was found.
        found: String,
        /// What is wrong, and what would be right.
        wrong: &'static str,
    },
    /// A place that has no coordinates in the form asked for.
    #[error(
        "the place has no such reference; its latitude must be from -90 to 90 degrees and its longitude from -180 to 180"
    )]
    NoPlace,
    /// Grid coordinates that are outside their grid.
    #[error(transparent)]
    Grid(#[from] GridError),
    /// Degrees out of range.
    #[error(transparent)]
    Position(#[from] PositionError),
}

/// Reads a place in any form, which it finds by itself.
///
/// # Inputs
/// One of
///
/// | form | examples |
/// |---|---|
/// | decimal degrees | `-41.3, 174.1`; `41.3 S 174.1 E`; `E174.1 S41.3` |
/// | degrees and minutes | `41 18.0 S 174 06.0 E`; `41°18.0'S, 174°06.0'E`; `-41 18.0, 174 6.0` |
/// | degrees, minutes and seconds | `41 18 00 S 174 06 00 E`; `41°18'00"S 174°06'00"E`; `41:18:00 S, 174:06:00 E` |
/// | UTM, UPS | `60 south 257201 5423882`; `60G 257201 5423882`; `60 south 257201 mE 5423882 mN`; `UPS north 2000000 2300000` |
/// | MGRS | `60G TV 57201 23881`; `60GTV5720123881`; `60GTV57` (a square of 10 km) |
/// | Maidenhead locator | `RE78`, `RE78br`, `RE78br23`, `RE78br23aa` |
///
/// Capital and small letters are the same. Without hemisphere letters the latitude stands first and south and west are negative. A decimal mark
/// is a point.
///
/// # Result
/// The place (the middle of a cell), and half the size of the cell or of the last digit.
///
/// # Errors
/// [`CoordinateError`], in words: what was found, what is wrong, what would be right. What can be read in two ways is refused:
/// two letters of one axis, a sign beside a letter, a decimal comma, `17S` before coordinates that fit band S as well as the southern
/// hemisphere.
///
/// # Example
/// ```
/// use lobewright_geodesy::{CoordinateForm, parse_position};
/// let locator = parse_position("RE78br")?;
/// assert_eq!(locator.form, CoordinateForm::Locator);
/// assert!(locator.position.lat_deg < -41.2 && locator.half_north_m > 2_000.0);
/// assert!(parse_position("41,3 S 174,1 E").unwrap_err().to_string().contains("decimal point"));
/// # Ok::<(), lobewright_geodesy::CoordinateError>(())
/// ```
pub fn parse_position(text: &str) -> Result<ParsedPosition, CoordinateError> {
    if text.len() > MAX_BYTES {
        return Err(CoordinateError::TooLong(text.chars().count()));
    }
    let text = text.trim();
    if text.is_empty() {
        return Err(CoordinateError::Empty);
    }
    if looks_like_locator(text) {
        let (position, half_lat_deg, half_lon_deg) = maidenhead::parse(text)?;
        return Ok(of_degrees(
            position,
            (half_lat_deg, half_lon_deg),
            CoordinateForm::Locator,
        ));
    }
    if let Some(reference) = mgrs_reference(text)? {
        let (position, half_m) = mgrs::parse(&reference)?;
        return Ok(ParsedPosition {
            position,
            half_east_m: half_m,
            half_north_m: half_m,
            form: CoordinateForm::Mgrs,
            zone: None,
        });
    }
    if let Some(parsed) = utm::parse(text)? {
        return Ok(parsed);
    }
    let pair = angles::parse(text)?;
    let position = Position::from_lat_lon(pair.lat_deg, pair.lon_deg)?;
    Ok(of_degrees(
        position,
        (pair.half_lat_deg, pair.half_lon_deg),
        pair.form,
    ))
}

/// A place with halves in degrees of latitude and longitude.
fn of_degrees(position: Position, halves_deg: (f64, f64), form: CoordinateForm) -> ParsedPosition {
    let lat = |turn: f64| Position {
        lat_deg: (position.lat_deg + turn).clamp(-90.0, 90.0),
        ..position
    };
    let east = Position {
        lon_deg: position.lon_deg + halves_deg.1,
        ..position
    };
    ParsedPosition {
        position,
        half_east_m: inverse(position, east).distance_m,
        half_north_m: inverse(lat(-halves_deg.0), lat(halves_deg.0)).distance_m / 2.0,
        form,
        zone: None,
    }
}

/// Letters, then figures, and nothing between: no other form begins so.
fn looks_like_locator(text: &str) -> bool {
    let b = text.as_bytes();
    let letters = b.iter().take_while(|b| b.is_ascii_alphabetic()).count();
    letters == 2
        && b.get(2).is_some_and(u8::is_ascii_digit)
        && b.len() <= 12
        && b.iter().all(u8::is_ascii_alphanumeric)
        // `N41E174` has its figures behind one letter, `NE41` is a locator.
        && b.len() >= 3
}

/// The text without blanks where it has the letters of a grid reference.
fn mgrs_reference(text: &str) -> Result<Option<String>, CoordinateError> {
    let compact: String = text
        .chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| c.to_ascii_uppercase())
        .collect();
    let zone = compact.bytes().take_while(u8::is_ascii_digit).count();
    let letters = compact[zone..]
        .bytes()
        .take_while(u8::is_ascii_alphabetic)
        .count();
    let rest = &compact[zone + letters..];
    let polar = zone == 0 && compact.starts_with(['A', 'B', 'Y', 'Z']);
    let head = letters == 3 && ((1..=2).contains(&zone) || polar);
    if !head || !rest.bytes().all(|b| b.is_ascii_digit()) {
        return Ok(None);
    }
    let mut groups = text.rsplit(|c: char| c.is_whitespace() || c.is_ascii_alphabetic());
    let (last, before) = (groups.next().unwrap_or(""), groups.next().unwrap_or(""));
    if !last.is_empty() && !before.is_empty() && last.len() != before.len() {
        return Err(CoordinateError::Mgrs {
            found: text.to_owned(),
            wrong: "easting and northing must have the same number of digits",
        });
    }
    Ok(Some(compact))
}

/// A number as it was written, and half a unit of its last digit.
pub(crate) struct Written {
    pub(crate) value: f64,
    pub(crate) half_unit: f64,
}

/// A number of figures with at most one point: no sign, no exponent, no word.
pub(crate) fn plain_number(text: &str) -> Option<Written> {
    let plain = text.bytes().all(|b| b.is_ascii_digit() || b == b'.')
        && text.bytes().filter(|&b| b == b'.').count() <= 1
        && text.bytes().any(|b| b.is_ascii_digit());
    if !plain {
        return None;
    }
    let decimals = text.split_once('.').map_or(0, |(_, after)| after.len());
    Some(Written {
        value: text.parse().ok().filter(|v: &f64| v.is_finite())?,
        half_unit: 0.5 * 10_f64.powi(-i32::try_from(decimals).ok()?),
    })
}

/// Writes a place in a form, with as many digits as `resolution_m` needs.
///
/// # Inputs
/// `resolution_m`: how closely the text must say the place, in metres; the last digit or the cell is no coarser, as far as the form goes: from
/// 1e-9 degrees, a millimetre (UTM), a metre (MGRS) or a locator of ten characters (38 m by 19 m) up. What is not a positive number
/// stands for one metre.
///
/// # Result
/// Text that [`parse_position`] reads back to the same place within half a unit of the last digit, or into the cell that holds it; `no place`
/// where the latitude or longitude is out of range.
///
/// # Example
/// ```
/// use lobewright_geodesy::{CoordinateForm, format_position};
/// let hill = lobewright_types::Position::from_lat_lon(-41.3, 174.1)?;
/// let words = |form| format_position(hill, form, 1.0);
/// assert_eq!(words(CoordinateForm::Decimal), "-41.300000, 174.100000");
/// assert_eq!(words(CoordinateForm::Minutes), "41° 18.0000' S, 174° 06.0000' E");
/// assert_eq!(words(CoordinateForm::Seconds), "41° 18' 00.00\" S, 174° 06' 00.00\" E");
/// assert_eq!(words(CoordinateForm::Utm), "60 south 257201 mE 5423882 mN");
/// assert_eq!(words(CoordinateForm::Mgrs), "60G TV 57201 23881");
/// assert_eq!(words(CoordinateForm::Locator), "RE78bq28aa");
/// # Ok::<(), lobewright_types::PositionError>(())
/// ```
pub fn format_position(position: Position, form: CoordinateForm, resolution_m: f64) -> String {
    const NO_PLACE: &str = "no place";
    let Ok(position) = Position::from_lat_lon(position.lat_deg, position.lon_deg) else {
        return NO_PLACE.to_owned();
    };
    let resolution_m = if resolution_m.is_finite() && resolution_m > 0.0 {
        resolution_m
    } else {
        1.0
    };
    match form {
        CoordinateForm::Decimal => {
            let digits = decimals(DEGREE_M, resolution_m, 9);
            format!("{:.digits$}, {:.digits$}", position.lat_deg, position.lon_deg)
        }
        CoordinateForm::Minutes => angles::minutes(position, decimals(MINUTE_M, resolution_m, 7)),
        CoordinateForm::Seconds => angles::seconds(position, decimals(SECOND_M, resolution_m, 5)),
        CoordinateForm::Utm => {
            utm::format(position, decimals(1.0, resolution_m, 3)).unwrap_or_else(|_| NO_PLACE.to_owned())
        }
        CoordinateForm::Mgrs => {
            let digits = mgrs::MAX_DIGITS - mgrs_loss(resolution_m);
            mgrs::format(position, digits).map_or_else(|_| NO_PLACE.to_owned(), |text| spaced(&text, digits))
        }
        CoordinateForm::Locator => {
            let pairs = (maidenhead::MIN_PAIRS..maidenhead::MAX_PAIRS)
                .find(|&pairs| maidenhead::height_deg(pairs) * DEGREE_M <= resolution_m)
                .unwrap_or(maidenhead::MAX_PAIRS);
            maidenhead::format(position, pairs)
        }
    }
}

/// Decimals after which a unit of `unit_m` metres is no coarser than the resolution.
fn decimals(unit_m: f64, resolution_m: f64, most: usize) -> usize {
    (0..most)
        .find(|&digits| unit_m * 10_f64.powi(-i32::try_from(digits).unwrap_or(0)) <= resolution_m)
        .unwrap_or(most)
}

/// Digits of a grid reference that the resolution does not need.
fn mgrs_loss(resolution_m: f64) -> usize {
    (1..=mgrs::MAX_DIGITS)
        .take_while(|&lost| 10_f64.powi(i32::try_from(lost).unwrap_or(0)) <= resolution_m)
        .count()
}

/// A grid reference with the blanks that make it readable.
fn spaced(text: &str, digits: usize) -> String {
    let (letters, numbers) = text.split_at(text.len() - 2 * digits);
    let (head, square) = letters.split_at(letters.len() - 2);
    let (east, north) = numbers.split_at(digits);
    [head, square, east, north]
        .into_iter()
        .filter(|part| !part.is_empty())
        .collect::<Vec<_>>()
        .join(" ")
}
