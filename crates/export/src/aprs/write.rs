//! Bearings as APRS reports.

use std::fmt::Write;

use lobewright_types::{ArcDeg, Azimuth, Bearing, BearingKind, BearingOutcome, FixOutcome, Position};

use super::{COMMENT_CHARS, DF_SYMBOL, QUALITY_DEG};
use crate::geo::{GeoOptions, fix_of, found, line_length_m, on_earth, verdict_of};

/// Metres of a statute mile, exact (Federal Register, 1959).
const MILE_M: f64 = 1_609.344;
/// Share of the density that the quality's degrees hold.
const QUALITY_SHARE: f64 = 0.95;

/// Writes each bearing as the information field of an APRS direction-finding report, one a line.
///
/// A line has no callsign and no path: whatever sends it puts those before it. With a time it begins with `/` and day, hour and minute of UTC, else
/// with `!` (no messaging). Course and speed are `000/000`, a station that stands. Range is the distance to the position, where there is
/// one, as the nearest power of two of miles from 1 to 512; else the length of the bearing's line in map files. The name of the station stands in the
/// comment, in 28 characters of ASCII.
///
/// # Method
/// APRS Protocol Reference 1.0.1 (2000), chapters 6 to 8. What it leaves open: see the module's head.
pub fn bearings_aprs(fix: &FixOutcome, bearings: &[BearingOutcome], options: &GeoOptions) -> String {
    let mut out = String::new();
    for bearing in found(bearings).filter(|b| on_earth(b.position)) {
        let range_m = verdict_of(fix_of(fix), &bearing.id)
            .map(|v| v.range_m)
            .filter(|m| m.is_finite() && *m > 0.0)
            .unwrap_or_else(|| line_length_m(options, None));
        let _ = writeln!(out, "{}", report(bearing, range_m));
    }
    out
}

fn report(bearing: &Bearing, range_m: f64) -> String {
    let head = bearing.time_utc.map_or_else(
        || "!".to_owned(),
        |time| {
            // RFC 3339: 2026-02-14T03:25:00Z.
            let text = time.to_string();
            let part = |range| text.get(range).unwrap_or("00").to_owned();
            format!("/{}{}{}z", part(8..10), part(11..13), part(14..16))
        },
    );
    let azimuth_deg = bearing.azimuth.degrees().round() % 360.0;
    let (table, code) = DF_SYMBOL;
    format!(
        "{head}{}{}{}{}000/000/{azimuth_deg:03.0}/{}{}{}{}",
        latitude(bearing.position),
        char::from(table),
        longitude(bearing.position),
        char::from(code),
        number(bearing.kind),
        range_digit(range_m),
        quality(bearing, azimuth_deg),
        comment(&bearing.station)
    )
}

fn number(kind: BearingKind) -> u8 {
    match kind {
        BearingKind::Hand => 9,
        BearingKind::Automatic | BearingKind::Remote => 8,
    }
}

/// The exponent of the nearest power of two of miles.
fn range_digit(range_m: f64) -> u8 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to one digit first"
    )]
    let digit = (range_m / MILE_M).log2().round().clamp(0.0, 9.0) as u8;
    digit
}

/// The best quality whose degrees, around the bearing as it is written, hold 95 % of the density; 0 where none does.
fn quality(bearing: &Bearing, azimuth_deg: f64) -> usize {
    let holds = |width_deg: f64| {
        let arc = ArcDeg {
            from: Azimuth::from_degrees(azimuth_deg - width_deg / 2.0),
            width_deg,
        };
        bearing.density.probability(arc) >= QUALITY_SHARE
    };
    QUALITY_DEG
        .iter()
        .rposition(|&width_deg| holds(width_deg))
        .map_or(0, |index| index + 1)
}

fn latitude(place: Position) -> String {
    let side = if place.lat_deg < 0.0 { 'S' } else { 'N' };
    let (degrees, minutes) = minutes(place.lat_deg);
    format!("{degrees:02.0}{minutes:05.2}{side}")
}

fn longitude(place: Position) -> String {
    let side = if place.lon_deg < 0.0 { 'W' } else { 'E' };
    let (degrees, minutes) = minutes(place.lon_deg);
    format!("{degrees:03.0}{minutes:05.2}{side}")
}

/// Degrees and minutes, rounded to hundredths before they are taken apart: 59.999 minutes are a degree.
fn minutes(deg: f64) -> (f64, f64) {
    let hundredths = (deg.abs() * 6000.0).round();
    let degrees = (hundredths / 6000.0).floor();
    (degrees, (hundredths - 6000.0 * degrees) / 100.0)
}

/// The station's name in characters that every receiver can show: printable ASCII but `|` and `~`.
fn comment(station: &str) -> String {
    let text: String = station
        .chars()
        .map(|c| match c {
            '|' | '~' => '-',
            ' '..='}' => c,
            _ => '?',
        })
        .take(COMMENT_CHARS)
        .collect();
    text.trim_end().to_owned()
}
