//! Classical estimators of the literature, written out in a plane, as outside checks of the posterior.
//!
//! Their papers are named at each; the formulas are the standard ones (from memory). The tables they are held against were computed with general-purpose
//! libraries; see `testdata/references/README.md`.
#![allow(clippy::unwrap_used, reason = "a table that cannot be read fails its test")]

mod common;

use std::path::Path;

use common::{bearing, fix, noise, stations};
use lobewright_fix::{FixConfig, solve};
use lobewright_geodesy::LocalFrame;
use lobewright_types::Position;
use nalgebra::{Matrix2, Matrix3, SymmetricEigen, Vector2, Vector3};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// On the equator a plane of 12 km is true to 0.1 m.
const ORIGIN: Position = Position {
    lat_deg: 0.0,
    lon_deg: 0.0,
};

/// A line of sight in the plane: place, bearing and its standard deviation in radians.
#[derive(Clone, Copy)]
struct Sight {
    at: Vector2<f64>,
    bearing: f64,
    sigma: f64,
}

impl Sight {
    /// Unit normal of the line.
    fn normal(&self) -> Vector2<f64> {
        Vector2::new(self.bearing.cos(), -self.bearing.sin())
    }
}

/// The point with the least weighted sum of squared distances from the lines.
fn nearest_to_lines(sights: &[Sight], weights: &[f64]) -> Vector2<f64> {
    let (mut left, mut right) = (Matrix2::zeros(), Vector2::zeros());
    for (s, w) in sights.iter().zip(weights) {
        let n = s.normal();
        left += *w * n * n.transpose();
        right += *w * n * n.dot(&s.at);
    }
    left.try_inverse().unwrap() * right
}

/// Stansfield, 'Statistical Theory of D.F. Fixing', *Journal of the IEE* 94 part IIIA (1947): lines weighted by `1 / (sigma r)^2`, the ranges
/// taken from the estimate before.
fn stansfield(sights: &[Sight]) -> Vector2<f64> {
    let mut at = nearest_to_lines(sights, &vec![1.0; sights.len()]);
    for _ in 0..50 {
        let weights: Vec<f64> = sights
            .iter()
            .map(|s| 1.0 / (s.sigma * (at - s.at).norm()).powi(2))
            .collect();
        at = nearest_to_lines(sights, &weights);
    }
    at
}

/// Torrieri, 'Statistical Theory of Passive Location Systems', *IEEE Trans. Aerospace and Electronic Systems* 20 (1984), section IV: Gauss-Newton on
/// the bearings' equations; the covariance is the inverse of the information.
fn torrieri(sights: &[Sight]) -> (Vector2<f64>, Matrix2<f64>) {
    let mut at = stansfield(sights);
    let mut information = Matrix2::zeros();
    for _ in 0..100 {
        information = Matrix2::zeros();
        let mut right = Vector2::zeros();
        for s in sights {
            let d = at - s.at;
            let gradient = Vector2::new(d.y, -d.x) / d.norm_squared();
            let off = s.bearing - d.x.atan2(d.y);
            let residual = off.sin().atan2(off.cos());
            information += gradient * gradient.transpose() / s.sigma.powi(2);
            right += gradient * residual / s.sigma.powi(2);
        }
        at += information.try_inverse().unwrap() * right;
    }
    (at, information.try_inverse().unwrap())
}

/// Gavish and Weiss, 'Performance Analysis of Bearing-Only Target Location Algorithms', *IEEE Trans. Aerospace and Electronic Systems* 28 (1992): total least
/// squares of the lines. With rows `(cos b, -sin b, -c)`, whose errors have the covariance that a small turn of the bearing gives them,
/// the solution is the generalised eigenvector of the least eigenvalue.
fn total_least_squares(sights: &[Sight]) -> Vector2<f64> {
    // In kilometres from the middle, so that the three columns are of one size.
    let middle = sights.iter().map(|s| s.at).sum::<Vector2<f64>>() / sights.len() as f64;
    let (mut data, mut error) = (Matrix3::zeros(), Matrix3::zeros());
    for s in sights {
        let at = (s.at - middle) / 1000.0;
        let (sin, cos) = s.bearing.sin_cos();
        let row = Vector3::new(cos, -sin, -(at.x * cos - at.y * sin));
        let turn = Vector3::new(-sin, -cos, at.x * sin + at.y * cos);
        data += row * row.transpose() / s.sigma.powi(2);
        error += turn * turn.transpose();
    }
    // data v = lambda error v, by way of error = L L'.
    let lower = error.cholesky().unwrap().l().try_inverse().unwrap();
    let eigen = SymmetricEigen::new(lower * data * lower.transpose());
    let least = eigen.eigenvalues.imin();
    let v = lower.transpose() * eigen.eigenvectors.column(least);
    middle + 1000.0 * Vector2::new(v.x / v.z, v.y / v.z)
}

fn posterior(sights: &[Sight]) -> (Vector2<f64>, f64) {
    let local: Vec<(f64, f64)> = sights.iter().map(|s| (s.at.x, s.at.y)).collect();
    let list: Vec<_> = stations(ORIGIN, &local)
        .into_iter()
        .zip(sights)
        .enumerate()
        .map(|(k, (place, s))| {
            bearing(
                &format!("s{k}"),
                place,
                s.bearing.to_degrees(),
                s.sigma.to_degrees(),
            )
        })
        .collect();
    let config = FixConfig {
        reflection_prior: 0.0,
        ..FixConfig::default()
    };
    let found = fix(solve(&list, &config));
    let (east, north) = LocalFrame::at(ORIGIN).to_local(found.position);
    (Vector2::new(east, north), found.region95.area_km2)
}

struct Case {
    name: String,
    sights: Vec<Sight>,
    row: csv::StringRecord,
    header: csv::StringRecord,
}

impl Case {
    fn number(&self, column: &str) -> f64 {
        let k = self.header.iter().position(|h| h == column).unwrap();
        self.row[k].parse().unwrap()
    }
}

fn noisy() -> Vec<Case> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../testdata/references/bearing_fix_noisy.csv");
    let mut reader = csv::Reader::from_path(path).unwrap();
    let header = reader.headers().unwrap().clone();
    reader
        .records()
        .map(|row| {
            let row = row.unwrap();
            let list = |k: usize| row[k].split(';').map(str::to_owned).collect::<Vec<_>>();
            let number = |t: &String| t.parse::<f64>().unwrap();
            let sights = list(1)
                .iter()
                .zip(list(2))
                .zip(list(3))
                .map(|((at, bearing), sigma)| {
                    let (east, north) = at.split_once(' ').unwrap();
                    Sight {
                        at: Vector2::new(east.parse().unwrap(), north.parse().unwrap()),
                        bearing: number(&bearing).to_radians(),
                        sigma: number(&sigma).to_radians(),
                    }
                })
                .collect();
            Case {
                name: row[0].to_owned(),
                sights,
                row,
                header: header.clone(),
            }
        })
        .collect()
}

#[test]
fn the_classical_estimators_give_the_tables_values() {
    for case in noisy() {
        let check = |found: Vector2<f64>, kind: &str| {
            let east = found.x - case.number(&format!("{kind}_east_m"));
            let north = found.y - case.number(&format!("{kind}_north_m"));
            // The table's digits.
            assert!(east.hypot(north) < 0.01, "{} {kind}: {found:?}", case.name);
        };
        check(stansfield(&case.sights), "stansfield_iterated");
        check(torrieri(&case.sights).0, "ml");
        check(
            nearest_to_lines(&case.sights, &vec![1.0; case.sights.len()]),
            "lines_unweighted",
        );
    }
}

// Where their assumptions hold (normal errors, small, no bearing wrong) the top of the posterior is Torrieri's position, and its region has his ellipse's area. The
// others are near, and are not it: unweighted lines and Stansfield's by up to 149 and 39 m (the table), total least squares as far as it weighs long
// ranges more.
#[test]
fn the_posterior_agrees_with_maximum_likelihood_where_its_assumptions_hold() {
    for case in noisy() {
        let (at, covariance) = torrieri(&case.sights);
        let (top, area_km2) = posterior(&case.sights);
        let sigmas = ((top - at).transpose() * covariance.try_inverse().unwrap() * (top - at))[0].sqrt();
        // The knots of the log densities move a flat top by up to 0.14 standard deviations.
        assert!(sigmas < 0.14, "{}: {sigmas}", case.name);
        let ellipse_km2 = std::f64::consts::PI * 5.991_464_5 * covariance.determinant().sqrt() / 1e6;
        // Angles of 2 to 4 degrees over thin crossings bend the region: Beale, J. Res. NBS 65D (1961), calls the linear region
        // justified up to a tenth.
        assert!(
            (area_km2 / ellipse_km2 - 1.0).abs() < 0.15,
            "{}: {area_km2} {ellipse_km2}",
            case.name
        );
    }
}

// Many small errors: all four estimators come to the truth, and to each other within the standard deviation; Stansfield's bias, which does not
// vanish with the number of bearings, is what keeps it from being the posterior's.
#[test]
fn all_estimators_agree_for_small_errors() {
    let mut rng = ChaCha8Rng::seed_from_u64(51);
    let count = 40;
    let errors = noise(&mut rng, 0.5, count);
    let sights: Vec<Sight> = (0..count)
        .map(|k| {
            let (sin, cos) = (2.4 * k as f64).sin_cos();
            let at = Vector2::new(4000.0 * sin, 4000.0 * cos) * (0.6 + 0.01 * k as f64);
            Sight {
                at,
                bearing: (-at.x).atan2(-at.y) + errors[k].to_radians(),
                sigma: 0.5_f64.to_radians(),
            }
        })
        .collect();
    let (at, covariance) = torrieri(&sights);
    let sigma_m = covariance.trace().sqrt();
    let (top, _) = posterior(&sights);
    for (name, other) in [
        ("posterior", top),
        ("Stansfield", stansfield(&sights)),
        ("total least squares", total_least_squares(&sights)),
        ("truth", Vector2::zeros()),
    ] {
        let off_m = (other - at).norm();
        let limit = if name == "truth" { 3.0 } else { 1.0 };
        assert!(off_m < limit * sigma_m, "{name}: {off_m} of {sigma_m}");
    }
}
