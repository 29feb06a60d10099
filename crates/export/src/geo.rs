//! Shapes for map files: bearing lines, error ellipses, rings cut at the 180th meridian.

mod cut;

use lobewright_geodesy::{CoordinateForm, direct};
use lobewright_types::{
    Azimuth, Bearing, BearingOutcome, BearingVerdict, ErrorEllipse, Fix, FixOutcome, Position, True,
};

pub(crate) use cut::{CutPolygon, cut_line, cut_polygons};

/// Length of a bearing line where neither the options nor a position say one.
const DEFAULT_LINE_M: f64 = 20_000.0;
/// How far a bearing line goes beyond the position.
const BEYOND: f64 = 1.25;
/// Points of a geodesic are at most this far apart: straight lines between them stay within a metre or so of it.
const STEP_M: f64 = 5_000.0;
const LONGEST_M: f64 = 19_000_000.0;

/// What goes into a map file beside the results.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct GeoOptions {
    /// A name for the file; left out where empty.
    pub title: String,
    /// Length of bearing lines in metres; where absent a quarter more than the distance to the position, or 20 km
    /// without a position.
    pub line_length_m: Option<f64>,
    /// Where the transmitter is, where that is known (trials).
    pub truth: Option<Position>,
    /// The form of coordinates in descriptions; degrees with decimals and hemisphere letters where absent.
    pub coordinates: Option<CoordinateForm>,
}

/// The fix behind an outcome.
pub(crate) fn fix_of(outcome: &FixOutcome) -> Option<&Fix> {
    match outcome {
        FixOutcome::Fix(fix) => Some(fix),
        FixOutcome::NoFix { .. } => None,
    }
}

/// The bearings that exist, in order.
pub(crate) fn found(bearings: &[BearingOutcome]) -> impl Iterator<Item = &Bearing> {
    bearings.iter().filter_map(|outcome| match outcome {
        BearingOutcome::Bearing(bearing) => Some(bearing.as_ref()),
        BearingOutcome::NoBearing(_) => None,
    })
}

/// The places of bearings, each name and place once, in order.
pub(crate) fn stations(bearings: &[BearingOutcome]) -> Vec<(&str, Position)> {
    let mut stations: Vec<(&str, Position)> = Vec::new();
    for bearing in found(bearings) {
        let station = (bearing.station.as_str(), bearing.position);
        if on_earth(bearing.position) && !stations.contains(&station) {
            stations.push(station);
        }
    }
    stations
}

/// What the fix says about a bearing.
pub(crate) fn verdict_of<'a>(fix: Option<&'a Fix>, id: &str) -> Option<&'a BearingVerdict> {
    fix?.verdicts.iter().find(|verdict| verdict.id == id)
}

/// Whether a place can stand in a map file.
pub(crate) fn on_earth(place: Position) -> bool {
    (-90.0..=90.0).contains(&place.lat_deg) && (-180.0..=180.0).contains(&place.lon_deg)
}

/// Length of a bearing's line in metres.
pub(crate) fn line_length_m(options: &GeoOptions, verdict: Option<&BearingVerdict>) -> f64 {
    let usable = |length: &f64| length.is_finite() && *length > 0.0;
    options
        .line_length_m
        .filter(usable)
        .or(verdict.map(|v| v.range_m * BEYOND).filter(usable))
        .unwrap_or(DEFAULT_LINE_M)
        .min(LONGEST_M)
}

/// A bearing's line as parts that do not cross the 180th meridian; empty where it cannot be drawn.
pub(crate) fn bearing_line(bearing: &Bearing, length_m: f64) -> Vec<Vec<Position>> {
    if !on_earth(bearing.position) {
        return Vec::new();
    }
    let steps = (length_m / STEP_M).ceil().clamp(1.0, 400.0);
    let mut points = vec![bearing.position];
    let mut step = 1.0;
    while step <= steps {
        points.push(direct(bearing.position, bearing.azimuth, length_m * step / steps));
        step += 1.0;
    }
    cut_line(&points)
}

/// The outline of an error ellipse, counter-clockwise; empty where it has no extent.
pub(crate) fn ellipse_ring(ellipse: &ErrorEllipse) -> Vec<Position> {
    let (major, minor) = (ellipse.semi_major_m, ellipse.semi_minor_m);
    let sound = major.is_finite() && minor.is_finite() && major > 0.0 && minor > 0.0;
    if !sound || !on_earth(ellipse.centre) {
        return Vec::new();
    }
    (0..72_u32)
        .map(|i| {
            // Counter-clockwise: the azimuth falls.
            let angle = f64::from(i) * -5.0_f64.to_radians();
            let (along, across) = (major * angle.cos(), minor * angle.sin());
            let azimuth: Azimuth<True> = ellipse.major_azimuth.turned(across.atan2(along).to_degrees());
            direct(ellipse.centre, azimuth, along.hypot(across))
        })
        .collect()
}
