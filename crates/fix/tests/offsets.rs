//! Heading errors that all bearings of a station or compass share.
#![allow(clippy::unwrap_used, reason = "a failed step fails its test")]

mod common;

use std::fmt::Write;

use common::{ORIGIN, fix, holds, noise, ring, stations};
use lobewright_fix::{FixConfig, from_normal, read_hand_bearings, solve};
use lobewright_geodesy::inverse;
use lobewright_types::{Bearing, Fix, FixStatement, Position};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// Bearings of one station from several places, all turned by `offset_deg`.
fn taken(
    station: &str,
    places: &[Position],
    offset_deg: f64,
    sigma_deg: f64,
    errors_deg: &[f64],
) -> Vec<Bearing> {
    places
        .iter()
        .zip(errors_deg)
        .enumerate()
        .map(|(k, (&place, error))| {
            let azimuth = inverse(place, ORIGIN).azimuth.turned(offset_deg + error);
            let mut one = from_normal(station, place, azimuth, sigma_deg, (0.0, 0.0), None);
            one.id = format!("{station}-{k}");
            one
        })
        .collect()
}

fn said(found: &Fix) -> Vec<(&str, f64)> {
    found
        .statements
        .iter()
        .filter_map(|s| match s {
            FixStatement::HeadingFault {
                station, offset_deg, ..
            } => Some((station.as_str(), *offset_deg)),
            _ => None,
        })
        .collect()
}

#[test]
fn a_compass_seven_degrees_off_is_found_said_and_corrected() {
    let mut rng = ChaCha8Rng::seed_from_u64(31);
    let places = ring(ORIGIN, 8, 5000.0);
    for offset_deg in [7.0, -7.0, 25.0] {
        let list = taken("van", &places, offset_deg, 2.0, &noise(&mut rng, 2.0, 8));
        let found = fix(solve(&list, &FixConfig::default()));
        assert_eq!(found.station_offsets.len(), 1);
        let of = &found.station_offsets[0];
        assert_eq!(of.station, "van");
        assert!(of.fault_probability > 0.99, "{of:?}");
        // Eight bearings of 2 degrees: 0.71 degrees where the ring tells offset and position apart wholly.
        assert!((0.6..0.85).contains(&of.sigma_deg), "{of:?}");
        assert!((of.offset_deg - offset_deg).abs() < 3.0 * of.sigma_deg, "{of:?}");
        assert_eq!(said(&found).len(), 1, "{:?}", found.statements);
        assert!((said(&found)[0].1 - of.offset_deg).abs() < 1e-9);
        assert!(holds(&found.region95, ORIGIN));
        assert!(found.verdicts.iter().all(|v| v.reflected_probability < 0.5));
        let words: String = found.statements.iter().map(ToString::to_string).collect();
        let side = if offset_deg > 0.0 {
            " clockwise"
        } else {
            "anticlockwise"
        };
        assert!(words.contains("van") && words.contains(side), "{words}");
    }
}

#[test]
fn a_good_compass_is_left_alone() {
    let mut rng = ChaCha8Rng::seed_from_u64(32);
    let places = ring(ORIGIN, 8, 5000.0);
    let list = taken("van", &places, 0.0, 2.0, &noise(&mut rng, 2.0, 8));
    let found = fix(solve(&list, &FixConfig::default()));
    let of = &found.station_offsets[0];
    assert!(of.fault_probability < 0.1 && of.offset_deg.abs() < 0.5, "{of:?}");
    assert!(said(&found).is_empty(), "{:?}", found.statements);
    let without = FixConfig {
        compass_fault_prior: 0.0,
        ..FixConfig::default()
    };
    let plain = fix(solve(&list, &without));
    assert!(plain.station_offsets.is_empty());
    let ratio = found.region95.area_km2 / plain.region95.area_km2;
    assert!((0.97..1.1).contains(&ratio), "{ratio}");
}

#[test]
fn the_bad_one_of_two_stations_is_named() {
    let mut rng = ChaCha8Rng::seed_from_u64(33);
    let local: Vec<(f64, f64)> = (0..10)
        .map(|k| {
            (
                -4500.0 + 1000.0 * f64::from(k),
                -3000.0 - 400.0 * f64::from(k % 3),
            )
        })
        .collect();
    let places = stations(ORIGIN, &local);
    let mut list = taken("good", &places[..5], 0.0, 1.5, &noise(&mut rng, 1.5, 5));
    list.extend(taken("bad", &places[5..], 10.0, 1.5, &noise(&mut rng, 1.5, 5)));
    let found = fix(solve(&list, &FixConfig::default()));
    let names: Vec<&str> = found.station_offsets.iter().map(|o| o.station.as_str()).collect();
    assert_eq!(names, ["bad", "good"]);
    assert_eq!(said(&found).len(), 1, "{:?}", found.statements);
    assert_eq!(said(&found)[0].0, "bad");
    assert!(
        (said(&found)[0].1 - 10.0).abs() < 4.0,
        "{:?}",
        found.station_offsets
    );
    assert!(holds(&found.region95, ORIGIN));
}

#[test]
fn two_places_have_the_stated_error_only() {
    let places = stations(ORIGIN, &[(0.0, 5000.0), (5000.0, 0.0)]);
    let list = taken("van", &places, 7.0, 2.0, &[0.0, 0.0]);
    let found = fix(solve(&list, &FixConfig::default()));
    assert!(found.station_offsets.is_empty(), "{:?}", found.station_offsets);
}

#[test]
fn a_notebook_with_one_bad_compass_is_corrected() {
    let places = ring(ORIGIN, 6, 4000.0);
    let mut table = "place,lat_deg,lon_deg,bearing_deg,north,sigma_deg\n".to_owned();
    for (k, place) in places.iter().enumerate() {
        let read = inverse(*place, ORIGIN).azimuth.turned(9.0).degrees();
        writeln!(table, "p{k},{},{},{read:.1},true,3", place.lat_deg, place.lon_deg).unwrap();
    }
    let (list, _) = read_hand_bearings(table.as_bytes(), "notebook.csv").unwrap();
    let found = fix(solve(&list, &FixConfig::default()));
    assert_eq!(said(&found).len(), 1, "{:?}", found.statements);
    assert_eq!(said(&found)[0].0, "notebook.csv");
    assert!(inverse(found.position, ORIGIN).distance_m < 100.0);
}
