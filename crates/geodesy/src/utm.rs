//! Coordinates of the universal grids, zone, easting and northing, as text.

use lobewright_types::Position;

use crate::coordinates::{CoordinateError, CoordinateForm, ParsedPosition, plain_number};
use crate::grid::{GridError, GridPosition, GridZone, band_lats_deg};

/// Which half of a zone a word stands for.
#[derive(Clone, Copy)]
enum Half {
    North,
    South,
    /// `S`: the southern hemisphere or the band from 32 to 40 north.
    SouthOrBandS,
    Band(char),
}

fn half_of(word: &str) -> Option<Half> {
    Some(match word {
        "NORTH" | "N" => Half::North,
        "SOUTH" => Half::South,
        "S" => Half::SouthOrBandS,
        _ => {
            let mut letters = word.chars();
            let (letter, None) = (letters.next()?, letters.next()) else {
                return None;
            };
            band_lats_deg(letter)?;
            Half::Band(letter)
        }
    })
}

/// Words and numbers, each on its own.
fn tokens(text: &str) -> Vec<String> {
    let mut tokens: Vec<String> = Vec::new();
    let mut last = ' ';
    for c in text.to_uppercase().chars() {
        let c = if c == ',' || c == ';' { ' ' } else { c };
        let joins = |a: char, b: char| {
            (a.is_alphabetic() && b.is_alphabetic()) || (!a.is_alphabetic() && !b.is_alphabetic())
        };
        if !c.is_whitespace() {
            match tokens.last_mut() {
                Some(token) if !last.is_whitespace() && joins(last, c) => token.push(c),
                _ => tokens.push(c.to_string()),
            }
        }
        last = c;
    }
    tokens
}

/// Reads UTM or UPS coordinates; nothing where the text has not their shape.
pub(crate) fn parse(text: &str) -> Result<Option<ParsedPosition>, CoordinateError> {
    let all = tokens(text);
    let mut words = all.iter().map(String::as_str).peekable();
    let named = words.next_if(|w| matches!(*w, "UTM" | "UPS")).is_some();
    let named = words.next_if(|w| *w == "ZONE").is_some() || named;
    let zone: Option<u8> = words
        .next_if(|w| w.parse::<u8>().is_ok())
        .and_then(|w| w.parse().ok());
    let half = words.next().and_then(half_of);
    let easting = words.next().and_then(plain_number);
    let _ = words.next_if(|w| matches!(*w, "M" | "ME" | "E"));
    let northing = words.next().and_then(plain_number);
    let _ = words.next_if(|w| matches!(*w, "M" | "MN" | "N"));
    let (Some(half), Some(easting), Some(northing)) = (half, easting, northing) else {
        return if named { Err(no_utm(text)) } else { Ok(None) };
    };
    // No degrees are so large: `41 S 174 06 E` is not meant for a zone.
    if !named && easting.value < 10_000.0 {
        return Ok(None);
    }
    if words.next().is_some() {
        return Err(no_utm(text));
    }
    let (zone, north) = zone_and_half(text, zone, half, northing.value)?;
    let grid = GridPosition {
        zone,
        north,
        easting_m: easting.value,
        northing_m: northing.value,
    };
    let position = grid.position()?;
    if let Half::Band(letter) = half {
        check_band(text, letter, position.lat_deg)?;
    }
    Ok(Some(ParsedPosition {
        position,
        half_east_m: easting.half_unit,
        half_north_m: northing.half_unit,
        form: CoordinateForm::Utm,
        zone: Some(zone),
    }))
}

fn no_utm(text: &str) -> CoordinateError {
    CoordinateError::Unknown {
        found: text.to_owned(),
        wrong: "UTM coordinates are zone, `north`, `south` or the band's letter, easting and northing in metres, such as `60 south 257201 5423882`",
    }
}

fn zone_and_half(
    text: &str,
    zone: Option<u8>,
    half: Half,
    northing_m: f64,
) -> Result<(GridZone, bool), CoordinateError> {
    let Some(number) = zone else {
        return match half {
            Half::North => Ok((GridZone::UpsNorth, true)),
            Half::South | Half::SouthOrBandS => Ok((GridZone::UpsSouth, false)),
            Half::Band(_) => Err(no_utm(text)),
        };
    };
    let north = match half {
        Half::North => true,
        Half::South => false,
        Half::Band(letter) => band_lats_deg(letter).is_some_and(|(south_deg, _)| south_deg >= 0.0),
        Half::SouthOrBandS => {
            // From 32 N on the meridian to 40 N at the edge of the zone.
            if (3_500_000.0..4_450_000.0).contains(&northing_m) {
                return Err(CoordinateError::Ambiguous {
                    found: text.to_owned(),
                    readings: format!(
                        "S is the southern hemisphere or the band from 32° to 40° north; write `{number} south` or `{number} north`"
                    ),
                });
            }
            false
        }
    };
    Ok((GridZone::Utm(number), north))
}

/// A band's letter must fit the latitude; half a degree is for zones carried on beyond their edge.
fn check_band(text: &str, band: char, lat_deg: f64) -> Result<(), CoordinateError> {
    const EDGE_DEG: f64 = 0.5;
    let Some((south_deg, north_deg)) = band_lats_deg(band) else {
        return Err(no_utm(text));
    };
    if (south_deg - EDGE_DEG..=north_deg + EDGE_DEG).contains(&lat_deg) {
        return Ok(());
    }
    Err(CoordinateError::Band {
        found: text.to_owned(),
        band,
        south_deg,
        north_deg,
        lat_deg,
    })
}

/// Zone, hemisphere, easting and northing of a place, with so many decimals of a metre.
pub(crate) fn format(position: Position, digits: usize) -> Result<String, GridError> {
    let place = GridPosition::of(position)?;
    let half = if place.north { "north" } else { "south" };
    let zone = match place.zone {
        GridZone::Utm(number) => number.to_string(),
        GridZone::UpsNorth | GridZone::UpsSouth => "UPS".to_owned(),
    };
    Ok(format!(
        "{zone} {half} {:.digits$} mE {:.digits$} mN",
        place.easting_m, place.northing_m
    ))
}
