//! `linearized` against computed reference values; sources stand in `testdata/references/README.md`.
#![allow(clippy::unwrap_used, reason = "a table that cannot be read fails its test")]

mod common;

use std::path::Path;

use common::{at, stations};
use lobewright_fix::{LinearFix, linearized};
use lobewright_geodesy::LocalFrame;
use lobewright_types::{Bearing, Position};

/// The tables are in a plane. On the equator the meridians of 12 km converge by 0.0002 degrees and the plane is true to 2
/// parts in a million: 0.1 m at 12 km.
const ORIGIN: Position = Position {
    lat_deg: 0.0,
    lon_deg: 0.0,
};
const PLANE_M: f64 = 0.15;

struct Case {
    name: String,
    fields: csv::StringRecord,
    header: csv::StringRecord,
}

impl Case {
    fn all(file: &str) -> Vec<Self> {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("../../testdata/references")
            .join(file);
        let mut reader = csv::Reader::from_path(path).unwrap();
        let header = reader.headers().unwrap().clone();
        reader
            .records()
            .map(|r| {
                let fields = r.unwrap();
                Self {
                    name: fields[0].to_owned(),
                    fields,
                    header: header.clone(),
                }
            })
            .collect()
    }

    fn text(&self, column: &str) -> &str {
        &self.fields[self.header.iter().position(|h| h == column).unwrap()]
    }

    fn number(&self, column: &str) -> f64 {
        self.text(column).parse().unwrap()
    }

    fn list(&self, column: &str) -> Vec<f64> {
        self.text(column).split(';').map(|v| v.parse().unwrap()).collect()
    }

    fn bearings(&self, azimuths: &str) -> Vec<Bearing> {
        let local: Vec<(f64, f64)> = self
            .text("stations_east_north_m")
            .split(';')
            .map(|p| p.split_once(' ').unwrap())
            .map(|(e, n)| (e.parse().unwrap(), n.parse().unwrap()))
            .collect();
        stations(ORIGIN, &local)
            .into_iter()
            .zip(self.list(azimuths))
            .zip(self.list("sigma_deg"))
            .enumerate()
            .map(|(k, ((place, azimuth), sigma))| common::bearing(&format!("s{k}"), place, azimuth, sigma))
            .collect()
    }

    fn check_ellipse(&self, fix: &LinearFix) {
        let (major, minor, azimuth) = fix.covariance.axes();
        let close = |found: f64, column: &str| {
            let off = found / self.number(column) - 1.0;
            assert!(off.abs() < 1e-4, "{}: {column} {found}", self.name);
        };
        close(major, "semi_major_1sigma_m");
        close(minor, "semi_minor_1sigma_m");
        // A circle has no direction.
        if major / minor > 1.01 {
            let off = (azimuth - self.number("major_axis_azimuth_deg") + 90.0).rem_euclid(180.0) - 90.0;
            assert!(off.abs() < 0.02, "{}: {azimuth}", self.name);
        }
    }
}

// Estimator: maximum likelihood. Exact bearings: the solution is the target and the covariance the Cramer-Rao bound.
#[test]
fn exact_bearings_give_the_target_and_the_bound() {
    let cases = Case::all("bearing_fix_crlb.csv");
    assert_eq!(cases.len(), 5);
    for case in cases {
        let fix = linearized(&case.bearings("true_bearings_deg")).unwrap();
        let (east, north) = LocalFrame::at(ORIGIN).to_local(fix.position);
        assert!(
            (east - case.number("target_east_m")).abs() < PLANE_M,
            "{}: {east}",
            case.name
        );
        assert!(
            (north - case.number("target_north_m")).abs() < PLANE_M,
            "{}: {north}",
            case.name
        );
        for (found, column) in [
            (fix.covariance.ee_m2, "cov_ee_m2"),
            (fix.covariance.en_m2, "cov_en_m2"),
            (fix.covariance.nn_m2, "cov_nn_m2"),
        ] {
            let scale = case.number("cov_ee_m2") + case.number("cov_nn_m2");
            assert!(
                (found - case.number(column)).abs() < 1e-4 * scale,
                "{} {column} {found}",
                case.name
            );
        }
        case.check_ellipse(&fix);
        assert!(fix.chi_square < 1e-6);
        let area_km2 =
            std::f64::consts::PI * 5.991_464_5 * fix.covariance.axes().0 * fix.covariance.axes().1 / 1e6;
        assert!(
            (area_km2 / case.number("area95_km2") - 1.0).abs() < 2e-4,
            "{}: {area_km2}",
            case.name
        );
    }
}

// Estimator: the columns `ml_*`. Least squares of lines and Stansfield's estimate, in the same rows, differ by up to 149 m and must
// not be met by accident.
#[test]
fn noisy_bearings_give_the_maximum_likelihood_solution() {
    let cases = Case::all("bearing_fix_noisy.csv");
    assert_eq!(cases.len(), 4);
    for case in cases {
        let fix = linearized(&case.bearings("bearings_deg")).unwrap();
        let (east, north) = LocalFrame::at(ORIGIN).to_local(fix.position);
        assert!(
            (east - case.number("ml_east_m")).abs() < PLANE_M,
            "{}: {east}",
            case.name
        );
        assert!(
            (north - case.number("ml_north_m")).abs() < PLANE_M,
            "{}: {north}",
            case.name
        );
        let chi2 = case.number("ml_chi2");
        // Azimuths are those of the plane to 0.0002 degrees, against sigma of 1 degree and more.
        assert!(
            (fix.chi_square - chi2).abs() < 1e-3 * chi2.sqrt().max(0.02),
            "{}: {}",
            case.name,
            fix.chi_square
        );
        assert_eq!(fix.dof, case.list("sigma_deg").len() - 2);
        case.check_ellipse(&fix);
    }
}

// Published sets: every station's azimuth is exact, so the lines must meet in the target. 1e-9 degrees at 20 km are a micrometre; the long set has
// ranges of 3500 km.
#[test]
fn exact_geodesic_bearings_meet_in_the_target_at_any_place_and_range() {
    let rows = Case::all("geodesic_bearing_sets.csv");
    for set in rows.chunks(3) {
        let bearings: Vec<Bearing> = set
            .iter()
            .enumerate()
            .map(|(k, r)| {
                let place = at(r.number("station_lat_deg"), r.number("station_lon_deg"));
                common::bearing(&format!("s{k}"), place, r.number("azimuth_deg"), 0.5)
            })
            .collect();
        let target = at(set[0].number("target_lat_deg"), set[0].number("target_lon_deg"));
        let fix = linearized(&bearings).unwrap();
        let off_m = lobewright_geodesy::inverse(fix.position, target).distance_m;
        assert!(off_m < 0.01, "{}: {off_m} m", set[0].name);
    }
}

// A crossing behind a station, stations and target on one line, parallel lines: no least-squares position.
#[test]
fn hopeless_lines_have_no_least_squares_position() {
    let places = stations(ORIGIN, &[(0.0, 0.0), (1000.0, 0.0), (2000.0, 0.0)]);
    let lines = |azimuths: [f64; 3]| -> Vec<Bearing> {
        (0..3)
            .map(|k| common::bearing(&format!("s{k}"), places[k], azimuths[k], 2.0))
            .collect()
    };
    assert_eq!(linearized(&lines([90.0, 90.0, 90.0])), None);
    assert_eq!(linearized(&lines([0.0, 0.0, 0.0])), None);
    assert_eq!(linearized(&lines([340.0, 0.0, 20.0])), None);
    assert_eq!(linearized(&lines([45.0, 0.0, 0.0])[..1]), None);
}
