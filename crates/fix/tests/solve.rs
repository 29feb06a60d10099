//! The estimator against bounds and in hopeless cases.
#![allow(clippy::unwrap_used, reason = "a failed step fails its test")]

mod common;

use common::{ORIGIN, bearings, fix, ring};
use lobewright_fix::{FixConfig, solve};
use lobewright_geodesy::inverse;

#[test]
fn smoke() {
    for (n, e) in [(6, 0.1), (6, 0.0), (3, 0.1), (2, 0.0)] {
        let s = ring(ORIGIN, n, 5000.0);
        let s = if n == 2 {
            common::stations(ORIGIN, &[(0.0, 5000.0), (5000.0, 0.0)])
        } else {
            s
        };
        let b = bearings(&s, ORIGIN, 2.0, &vec![0.0; n]);
        let f = fix(solve(
            &b,
            &FixConfig {
                reflection_prior: e,
                ..FixConfig::default()
            },
        ));
        println!(
            "{n} {e} off {} m, 50 {} 95 {} ellipse {:?} modes {:?} st {:?} v {:?} rings {:?}",
            inverse(f.position, ORIGIN).distance_m,
            f.region50.area_km2,
            f.region95.area_km2,
            f.ellipse95,
            f.modes,
            f.statements,
            f.verdicts
                .iter()
                .map(|v| v.reflected_probability)
                .collect::<Vec<_>>(),
            f.region95
                .polygons
                .iter()
                .map(|p| (p.outer.len(), p.holes.len()))
                .collect::<Vec<_>>()
        );
    }
}
