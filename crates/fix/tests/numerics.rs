//! The answer must not depend on the grid or on where on the earth it is.

mod common;

use common::{at, bearings, fix, holds};
use lobewright_fix::{FixConfig, solve};
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{Bearing, Position};

const REFLECTION: f64 = 0.1;

/// The log posterior in plain form: exact geodesics (Karney, *Journal of Geodesy* 87, 2013, through `lobewright_geodesy::inverse`), the density's
/// own reader, the mixture as it is written in the documentation of `solve`.
fn plain_ln(list: &[Bearing], at: Position) -> f64 {
    list.iter()
        .map(|b| {
            let density = b.density.density_per_deg(inverse(b.position, at).azimuth);
            ((1.0 - REFLECTION) * density + REFLECTION / 360.0).ln()
        })
        .sum()
}

/// Areas that hold 50 and 95 %, the mean, and whether the truth is held, from an even grid of `side` by `side` points over a square of half
/// width `half_m`.
fn brute(list: &[Bearing], centre: Position, half_m: f64, side: usize) -> (f64, f64, (f64, f64)) {
    let frame = LocalFrame::at(centre);
    let step_m = 2.0 * half_m / side as f64;
    let at = |k: usize| -half_m + step_m * (k as f64 + 0.5);
    let mut cells: Vec<(f64, f64, f64)> = (0..side * side)
        .map(|k| {
            let (east, north) = (at(k % side), at(k / side));
            (plain_ln(list, frame.from_local(east, north)), east, north)
        })
        .collect();
    cells.sort_by(|a, b| b.0.total_cmp(&a.0));
    let top = cells[0].0;
    let total: f64 = cells.iter().map(|c| (c.0 - top).exp()).sum();
    let (mut mass, mut mean) = (0.0, (0.0, 0.0));
    let mut areas = [0.0; 2];
    for (number, c) in cells.iter().enumerate() {
        let share = (c.0 - top).exp() / total;
        mean = (mean.0 + share * c.1, mean.1 + share * c.2);
        for (area, level) in areas.iter_mut().zip([0.5, 0.95]) {
            if mass < level && mass + share >= level {
                *area = (number + 1) as f64 * step_m * step_m / 1e6;
            }
        }
        mass += share;
    }
    (areas[0], areas[1], mean)
}

#[test]
fn an_even_grid_of_exact_geodesics_gives_the_same_regions_from_ten_metres_to_three_hundred_kilometres() {
    let errors = [2.0, -3.0, 1.0, 0.5, -1.5, 2.5];
    for origin in [
        at(-41.3, 174.1),
        at(12.0, 179.999),
        at(89.9, 20.0),
        at(-89.995, 0.0),
    ] {
        for radius_m in [10.0, 3_000.0, 200_000.0] {
            let places = common::ring(origin, 6, radius_m);
            let list = bearings(&places, origin, 3.0, &errors);
            let config = FixConfig {
                reflection_prior: REFLECTION,
                compass_fault_prior: 0.0,
                ..FixConfig::default()
            };
            let found = fix(solve(&list, &config));
            let (area50, area95, _) = brute(&list, origin, 0.25 * radius_m, 160);
            // Grid tolerance 1 %, the even grid's own step another.
            for (found, brute) in [
                (found.region50.area_km2, area50),
                (found.region95.area_km2, area95),
            ] {
                let ratio = found / brute;
                assert!((ratio - 1.0).abs() < 0.04, "{origin:?} {radius_m}: {ratio}");
            }
            assert!(holds(&found.region95, origin), "{origin:?} {radius_m}");
            // Nothing near is more probable, by exact geodesics: the top is flat within the knots' 0.15 nats.
            let frame = LocalFrame::at(found.position);
            let top = plain_ln(&list, found.position);
            let size_m = (found.region50.area_km2 * 1e6).sqrt();
            for k in 0..16 {
                let (sin, cos) = (std::f64::consts::TAU * f64::from(k) / 16.0).sin_cos();
                let beside = frame.from_local(0.5 * size_m * sin, 0.5 * size_m * cos);
                assert!(plain_ln(&list, beside) < top + 0.15, "{origin:?} {radius_m} {k}");
            }
        }
    }
}

// Three times as fine a tolerance must not change what is said.
#[test]
fn a_finer_grid_says_the_same() {
    let places = common::ring(at(-41.3, 174.1), 5, 5_000.0);
    let list = bearings(&places, at(-41.3, 174.1), 3.0, &[4.0, -3.0, 40.0, 2.0, -1.0]);
    let area = |grid_tolerance: f64| {
        let config = FixConfig {
            grid_tolerance,
            ..FixConfig::default()
        };
        let found = fix(solve(&list, &config));
        (found.region50.area_km2, found.region95.area_km2)
    };
    let (coarse, fine) = (area(0.01), area(0.002));
    assert!((coarse.0 / fine.0 - 1.0).abs() < 0.02, "{coarse:?} {fine:?}");
    assert!((coarse.1 / fine.1 - 1.0).abs() < 0.02, "{coarse:?} {fine:?}");
}
