//! Scenes for the tests.
#![allow(dead_code, reason = "each test file uses a part")]

use lobewright_fix::from_normal;
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{Azimuth, Bearing, Fix, FixOutcome, FixStatement, Position, Region};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

pub(crate) const ORIGIN: Position = Position {
    lat_deg: -41.3,
    lon_deg: 174.1,
};

pub(crate) fn at(lat_deg: f64, lon_deg: f64) -> Position {
    Position { lat_deg, lon_deg }
}

/// Stations at local places around `origin`.
pub(crate) fn stations(origin: Position, local_m: &[(f64, f64)]) -> Vec<Position> {
    let frame = LocalFrame::at(origin);
    local_m.iter().map(|p| frame.from_local(p.0, p.1)).collect()
}

/// `count` stations on a ring around the origin, the first one north.
pub(crate) fn ring(origin: Position, count: usize, radius_m: f64) -> Vec<Position> {
    let places: Vec<(f64, f64)> = (0..count)
        .map(|k| {
            let (sin, cos) = (std::f64::consts::TAU * k as f64 / count as f64).sin_cos();
            (radius_m * sin, radius_m * cos)
        })
        .collect();
    stations(origin, &places)
}

/// Exact bearings from stations to a target with errors added.
pub(crate) fn bearings(
    stations: &[Position],
    target: Position,
    sigma_deg: f64,
    errors_deg: &[f64],
) -> Vec<Bearing> {
    stations
        .iter()
        .zip(errors_deg)
        .enumerate()
        .map(|(k, (&station, error))| {
            let azimuth = inverse(station, target).azimuth.turned(*error);
            from_normal(&format!("p{k}"), station, azimuth, sigma_deg, (0.0, 0.0), None)
        })
        .collect()
}

pub(crate) fn noise(rng: &mut ChaCha8Rng, sigma_deg: f64, count: usize) -> Vec<f64> {
    (0..count)
        .map(|_| {
            let unit: f64 = StandardNormal.sample(rng);
            sigma_deg * unit
        })
        .collect()
}

pub(crate) fn bearing(name: &str, position: Position, azimuth_deg: f64, sigma_deg: f64) -> Bearing {
    from_normal(
        name,
        position,
        Azimuth::from_degrees(azimuth_deg),
        sigma_deg,
        (0.0, 0.0),
        None,
    )
}

pub(crate) fn fix(outcome: FixOutcome) -> Fix {
    match outcome {
        FixOutcome::Fix(fix) => *fix,
        FixOutcome::NoFix { statements } => panic!("no fix: {statements:?}"),
    }
}

pub(crate) fn no_fix(outcome: FixOutcome) -> Vec<FixStatement> {
    match outcome {
        FixOutcome::Fix(fix) => panic!("a fix at {:?}, {} km2", fix.position, fix.region95.area_km2),
        FixOutcome::NoFix { statements } => statements,
    }
}

/// Whether a region holds a place, by the even-odd rule over all its rings in a plane around the place.
pub(crate) fn holds(region: &Region, place: Position) -> bool {
    let frame = LocalFrame::at(place);
    let mut inside = false;
    for ring in region
        .polygons
        .iter()
        .flat_map(|p| std::iter::once(&p.outer).chain(&p.holes))
    {
        let corners: Vec<(f64, f64)> = ring.iter().map(|&c| frame.to_local(c)).collect();
        for i in 0..corners.len() {
            let (a, b) = (corners[i], corners[(i + 1) % corners.len()]);
            if (a.1 > 0.0) != (b.1 > 0.0) && 0.0 < a.0 - (b.0 - a.0) * a.1 / (b.1 - a.1) {
                inside = !inside;
            }
        }
    }
    inside
}
