//! The Military Grid Reference System.
//!
//! NGA.STND.0037, *Universal Grids and Grid Reference Systems* (2014), chapter 3: letters and digits, truncated, not rounded.

use lobewright_types::Position;

use crate::CoordinateError;
use crate::grid::{GridPosition, GridZone, band_lats_deg, band_letter};

/// Side of a lettered square in metres.
const SQUARE_M: f64 = 100_000.0;
/// Northings repeat their letters after this many squares.
const CYCLE: usize = 20;
/// Most digits of each coordinate: metres.
pub(crate) const MAX_DIGITS: usize = 5;

/// Column letters of the zones 3, 6, 9 ..., of 1, 4, 7 ... and of 2, 5, 8 ..., from 100 km east on.
const COLUMNS: [&[u8; 8]; 3] = [b"STUVWXYZ", b"ABCDEFGH", b"JKLMNPQR"];
/// Row letters; even zones begin five further.
const ROWS: &[u8; CYCLE] = b"ABCDEFGHJKLMNPQRSTUV";
const EVEN_ROW_SHIFT: usize = 5;

/// Letters of a half of a polar grid: band, columns and the first one's easting in squares.
struct PolarHalf {
    band: char,
    columns: &'static [u8],
    first_column: usize,
    rows: &'static [u8],
    first_row: usize,
}

const NORTH_ROWS: &[u8] = b"ABCDEFGHJKLMNP";
const SOUTH_ROWS: &[u8] = b"ABCDEFGHJKLMNPQRSTUVWXYZ";
/// West and east of the south pole, west and east of the north pole.
const POLAR: [PolarHalf; 4] = [
    PolarHalf {
        band: 'A',
        columns: b"JKLPQRSTUXYZ",
        first_column: 8,
        rows: SOUTH_ROWS,
        first_row: 8,
    },
    PolarHalf {
        band: 'B',
        columns: b"ABCFGHJKLPQR",
        first_column: 20,
        rows: SOUTH_ROWS,
        first_row: 8,
    },
    PolarHalf {
        band: 'Y',
        columns: b"RSTUXYZ",
        first_column: 13,
        rows: NORTH_ROWS,
        first_row: 13,
    },
    PolarHalf {
        band: 'Z',
        columns: b"ABCFGHJ",
        first_column: 20,
        rows: NORTH_ROWS,
        first_row: 13,
    },
];

/// The square of a reference: where its south-west corner lies, and its side.
struct Square {
    corner: GridPosition,
    side_m: f64,
}

/// The middle of a reference's square, and half its side in metres.
///
/// `text` has upper-case letters and no blanks.
pub(crate) fn parse(text: &str) -> Result<(Position, f64), CoordinateError> {
    let square = square(text)?;
    let half_m = square.side_m / 2.0;
    let middle = at(&square, 0.5, 0.5).position().map_err(|_| beside(text))?;
    if lies_in(&square, text) {
        Ok((middle, half_m))
    } else {
        Err(beside(text))
    }
}

fn beside(text: &str) -> CoordinateError {
    CoordinateError::MgrsSquare {
        found: text.to_owned(),
    }
}

/// A place of the square, at a share of its side east and north of its corner.
fn at(square: &Square, east: f64, north: f64) -> GridPosition {
    GridPosition {
        easting_m: square.corner.easting_m + east * square.side_m,
        northing_m: square.corner.northing_m + north * square.side_m,
        ..square.corner
    }
}

/// Whether some of the square lies in the zone and band that the reference names.
fn lies_in(square: &Square, text: &str) -> bool {
    // A square at the edge may hold only a sliver; what we write ourselves is in by a rounding error at least.
    const STEPS: u32 = 10;
    const EDGE_DEG: f64 = 1e-9;
    let band = text.chars().find(char::is_ascii_alphabetic).unwrap_or(' ');
    (0..=STEPS * (STEPS + 2)).any(|i| {
        let share = |k: u32| f64::from(k) / f64::from(STEPS);
        let (east, north) = (share(i % (STEPS + 1)), share(i / (STEPS + 1)));
        let Ok(place) = at(square, east, north).position() else {
            return false;
        };
        [-EDGE_DEG, 0.0, EDGE_DEG].into_iter().any(|dlat| {
            [-EDGE_DEG, 0.0, EDGE_DEG].into_iter().any(|dlon| {
                let near = Position {
                    lat_deg: (place.lat_deg + dlat).clamp(-90.0, 90.0),
                    lon_deg: place.lon_deg + dlon,
                };
                let zone = GridZone::of(near);
                zone == square.corner.zone
                    && (!matches!(zone, GridZone::Utm(_)) || band_letter(near.lat_deg) == band)
            })
        })
    })
}

fn square(text: &str) -> Result<Square, CoordinateError> {
    let zone_digits = text.bytes().take_while(u8::is_ascii_digit).count();
    let (zone, rest) = text.split_at(zone_digits);
    let letters = rest.bytes().take_while(u8::is_ascii_alphabetic).count();
    let (letters, digits) = rest.split_at(letters);
    let refused = |wrong: &'static str| CoordinateError::Mgrs {
        found: text.to_owned(),
        wrong,
    };
    if !digits.bytes().all(|b| b.is_ascii_digit()) {
        return Err(refused("only digits may follow the letters"));
    }
    if digits.len() % 2 == 1 {
        return Err(refused(
            "easting and northing must have the same number of digits, so that their number is even",
        ));
    }
    let places = digits.len() / 2;
    if places > MAX_DIGITS {
        return Err(refused(
            "there may be at most five digits of easting and five of northing",
        ));
    }
    let &[band, column, row] = letters.as_bytes() else {
        return Err(refused(
            "there must be three letters: the band and the two of the square",
        ));
    };
    let side_m = SQUARE_M / 10_f64.powi(i32::try_from(places).unwrap_or(0));
    let part_m = |digits: &str| digits.parse::<f64>().unwrap_or(0.0) * side_m;
    let (east_m, north_m) = (part_m(&digits[..places]), part_m(&digits[places..]));
    let mut corner = if zone.is_empty() {
        polar_corner(char::from(band), column, row)
    } else {
        let number = zone.parse().map_err(|_| refused("the zone must be 1 to 60"))?;
        utm_corner(number, char::from(band), column, row)
    }
    .map_err(refused)?;
    corner.easting_m += east_m;
    corner.northing_m += north_m;
    Ok(Square { corner, side_m })
}

/// South-west corner of a lettered square in metres.
fn utm_corner(number: u8, band: char, column: u8, row: u8) -> Result<GridPosition, &'static str> {
    if !(1..=60).contains(&number) {
        return Err("the zone must be 1 to 60");
    }
    let (south_deg, north_deg) =
        band_lats_deg(band).ok_or("after a zone the band must be a letter from C to X, not I or O")?;
    let columns = COLUMNS[usize::from(number % 3)];
    let column = columns
        .iter()
        .position(|&c| c == column)
        .ok_or("the square's first letter does not occur in that zone")?;
    let row = ROWS
        .iter()
        .position(|&r| r == row)
        .ok_or("the square's second letter must be one from A to V, not I or O")?;
    let shift = if number.is_multiple_of(2) {
        EVEN_ROW_SHIFT
    } else {
        0
    };
    let row = (row + CYCLE - shift) % CYCLE;
    let north = south_deg >= 0.0;
    // The repetition of the letters whose middle is nearest to the middle of the band: bands are less than half as high as the cycle.
    let zone = GridZone::Utm(number);
    let middle = GridPosition::in_zone(
        Position {
            lat_deg: f64::midpoint(south_deg, north_deg),
            lon_deg: zone.central_meridian_deg(),
        },
        zone,
    )
    .map_err(|_| "the zone must be 1 to 60")?;
    let cycle_m = SQUARE_M * CYCLE as f64;
    let first_m = row as f64 * SQUARE_M;
    let turns = ((middle.northing_m - SQUARE_M / 2.0 - first_m) / cycle_m).round();
    Ok(GridPosition {
        zone,
        north,
        easting_m: (column + 1) as f64 * SQUARE_M,
        northing_m: first_m + turns * cycle_m,
    })
}

fn polar_corner(band: char, column: u8, row: u8) -> Result<GridPosition, &'static str> {
    let half = POLAR
        .iter()
        .find(|half| half.band == band)
        .ok_or("without a zone number the band must be A, B (south pole), Y or Z (north pole)")?;
    let column = half
        .columns
        .iter()
        .position(|&c| c == column)
        .ok_or("the square's first letter does not occur in that half of the polar grid")?;
    let row = half
        .rows
        .iter()
        .position(|&r| r == row)
        .ok_or("the square's second letter does not occur in that polar grid")?;
    let north = matches!(band, 'Y' | 'Z');
    Ok(GridPosition {
        zone: if north {
            GridZone::UpsNorth
        } else {
            GridZone::UpsSouth
        },
        north,
        easting_m: (half.first_column + column) as f64 * SQUARE_M,
        northing_m: (half.first_row + row) as f64 * SQUARE_M,
    })
}

/// The reference of the square with `digits` digits for each coordinate (0 to 5) that holds a place, written without blanks.
pub(crate) fn format(position: Position, digits: usize) -> Result<String, CoordinateError> {
    let place = GridPosition::of(position)?;
    // A place on the edge of a band may come out a rounding error beside it: a thousandth of a metre is nothing here.
    let (easting_m, mut northing_m) = (nudged(place.easting_m), nudged(place.northing_m));
    if !place.north && matches!(place.zone, GridZone::Utm(_)) {
        // The equator itself is the north's.
        northing_m = northing_m.min(9_999_999.999_999);
    }
    let (column, row) = ((easting_m / SQUARE_M).floor(), (northing_m / SQUARE_M).floor());
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "coordinates of a grid are from 0 to 10,000 km"
    )]
    let (column, row) = (column as usize, row as usize);
    let head = match place.zone {
        GridZone::Utm(number) => {
            let columns = COLUMNS[usize::from(number % 3)];
            let shift = if number.is_multiple_of(2) {
                EVEN_ROW_SHIFT
            } else {
                0
            };
            let letter = columns.get(column.wrapping_sub(1)).copied();
            letter.map(|letter| {
                format!(
                    "{number:02}{}{}{}",
                    band_letter(position.lat_deg),
                    char::from(letter),
                    char::from(ROWS[(row + shift) % CYCLE])
                )
            })
        }
        GridZone::UpsNorth | GridZone::UpsSouth => polar_head(place.north, column, row),
    }
    .ok_or(CoordinateError::NoPlace)?;
    let places = digits.min(MAX_DIGITS);
    let unit_m = SQUARE_M / 10_f64.powi(i32::try_from(places).unwrap_or(0));
    let part = |m: f64| ((m % SQUARE_M) / unit_m).floor();
    if places == 0 {
        return Ok(head);
    }
    Ok(format!(
        "{head}{:0places$.0}{:0places$.0}",
        part(easting_m),
        part(northing_m)
    ))
}

/// Metres to the micrometre, so that 3 m does not come out as 2.9999999 m and one square too far south-west.
fn nudged(m: f64) -> f64 {
    (m * 1e6).round() / 1e6
}

fn polar_head(north: bool, column: usize, row: usize) -> Option<String> {
    let east = column >= 20;
    let half = POLAR
        .iter()
        .find(|half| matches!(half.band, 'Y' | 'Z') == north && matches!(half.band, 'B' | 'Z') == east)?;
    let column = half.columns.get(column.checked_sub(half.first_column)?)?;
    let row = half.rows.get(row.checked_sub(half.first_row)?)?;
    Some(format!(
        "{}{}{}",
        half.band,
        char::from(*column),
        char::from(*row)
    ))
}
