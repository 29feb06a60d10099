//! The Maidenhead locator.

use lobewright_types::Position;

use crate::CoordinateError;

/// Most pairs of characters: field, square, subsquare, and two more.
pub(crate) const MAX_PAIRS: usize = 5;
/// Fewest: field and square.
pub(crate) const MIN_PAIRS: usize = 2;

/// How many parts each pair divides the cell before it into, 18 by 18 fields first.
///
/// IARU Region 1 VHF Managers Handbook, section on the locator system (agreed at Maidenhead, 1980): letters A to R, figures,
/// letters A to X; the fourth and fifth pair go on in the same way.
const PARTS: [u32; MAX_PAIRS] = [18, 10, 24, 10, 24];

/// Height in degrees of the cell of a locator with so many pairs; it is twice as wide.
pub(crate) fn height_deg(pairs: usize) -> f64 {
    let parts: f64 = PARTS.iter().take(pairs).map(|&n| f64::from(n)).product();
    180.0 / parts
}

/// The middle of a locator's cell, half its height and half its width in degrees.
///
/// # Errors
/// [`CoordinateError::Locator`] where a character is out of place.
pub(crate) fn parse(text: &str) -> Result<(Position, f64, f64), CoordinateError> {
    let refused = |wrong: &'static str| CoordinateError::Locator {
        found: text.to_owned(),
        wrong,
    };
    let bytes = text.as_bytes();
    if bytes.len() < 2 * MIN_PAIRS || bytes.len() > 2 * MAX_PAIRS || bytes.len() % 2 == 1 {
        return Err(refused("it must have 4, 6, 8 or 10 characters"));
    }
    let (mut lon_deg, mut lat_deg) = (-180.0, -90.0);
    for (i, pair) in bytes.chunks_exact(2).enumerate() {
        let parts = PARTS[i];
        let height = height_deg(i + 1);
        let value = |byte: u8| -> Option<f64> {
            let digit = if parts == 10 {
                char::from(byte).to_digit(10)?
            } else {
                u32::from(byte.to_ascii_uppercase().checked_sub(b'A')?)
            };
            (digit < parts).then_some(f64::from(digit))
        };
        let (Some(east), Some(north)) = (value(pair[0]), value(pair[1])) else {
            return Err(refused(match i {
                0 => "its first pair must be letters from A to R",
                1 => "its second pair must be figures",
                2 => "its third pair must be letters from A to X",
                3 => "its fourth pair must be figures",
                _ => "its fifth pair must be letters from A to X",
            }));
        };
        lon_deg += east * 2.0 * height;
        lat_deg += north * height;
    }
    let height = height_deg(bytes.len() / 2);
    let middle = Position {
        lat_deg: lat_deg + height / 2.0,
        lon_deg: lon_deg + height,
    };
    Ok((middle, height / 2.0, height))
}

/// The locator with so many pairs (2 to 5) of a place; the north pole and 180 degrees east belong to the last cell.
pub(crate) fn format(position: Position, pairs: usize) -> String {
    let pairs = pairs.clamp(MIN_PAIRS, MAX_PAIRS);
    let height = height_deg(pairs);
    let cells = 180.0 / height;
    // What lies within a billionth of an edge was meant to be on it.
    let index = |deg: f64, size: f64| -> u64 {
        let cell = (deg / size + 1e-9).floor().clamp(0.0, cells - 1.0);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "from 0 to a million"
        )]
        let cell = cell as u64;
        cell
    };
    let (mut east, mut north) = (
        index(position.lon_deg + 180.0, 2.0 * height),
        index(position.lat_deg + 90.0, height),
    );
    let mut text = Vec::new();
    for i in (0..pairs).rev() {
        let parts = u64::from(PARTS[i]);
        // Subsquares are small letters by custom, the last pair too.
        let first = match i {
            0 => b'A',
            1 | 3 => b'0',
            _ => b'a',
        };
        for value in [north, east] {
            let digit = u8::try_from(value % parts).unwrap_or(0);
            text.push(char::from(first + digit));
        }
        (east, north) = (east / parts, north / parts);
    }
    text.iter().rev().collect()
}
