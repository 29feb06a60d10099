//! What must not change the answer: order, place on the earth, direction.

mod common;

use common::{at, bearings, fix};
use lobewright_fix::{FixConfig, solve};
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{Bearing, Position};
use proptest::prelude::*;

fn scene(origin: Position, turn_deg: f64, errors_deg: &[f64]) -> (Vec<Bearing>, Position) {
    let frame = LocalFrame::at(origin);
    let local = [
        (0.0, 0.0),
        (6000.0, 500.0),
        (2500.0, 7000.0),
        (-3000.0, 4500.0),
        (1500.0, -3000.0),
    ];
    let (sin, cos) = turn_deg.to_radians().sin_cos();
    let turned = |p: (f64, f64)| (p.0 * cos + p.1 * sin, p.1 * cos - p.0 * sin);
    let place = |p: (f64, f64)| {
        let (east, north) = turned(p);
        frame.from_local(east, north)
    };
    let places: Vec<Position> = local.iter().map(|&p| place(p)).collect();
    let target = place((2000.0, 2500.0));
    (bearings(&places, target, 3.0, errors_deg), target)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn order_of_bearings_changes_nothing(
        errors in prop::collection::vec(-6.0..6.0_f64, 5), turns in 1_usize..5
    ) {
        let (mut list, _) = scene(at(52.0, 4.0), 0.0, &errors);
        let before = fix(solve(&list, &FixConfig::default()));
        list.rotate_left(turns);
        list.swap(0, 2);
        let after = fix(solve(&list, &FixConfig::default()));
        prop_assert_eq!(before.position, after.position);
        prop_assert_eq!(before.region95, after.region95);
        for v in &before.verdicts {
            prop_assert!(after.verdicts.contains(v));
        }
    }

    // The grid lies otherwise after a turn: its tolerance is 1 % of areas.
    #[test]
    fn place_and_direction_on_the_earth_change_nothing(
        errors in prop::collection::vec(-4.0..4.0_f64, 5),
        lat in -89.0..89.0_f64, lon in -180.0..180.0_f64, turn in 0.0..360.0_f64
    ) {
        let (list, target) = scene(at(0.0, 0.0), 0.0, &errors);
        let (moved, moved_target) = scene(at(lat, lon), turn, &errors);
        let a = fix(solve(&list, &FixConfig::default()));
        let b = fix(solve(&moved, &FixConfig::default()));
        let ratio = a.region95.area_km2 / b.region95.area_km2;
        prop_assert!((ratio - 1.0).abs() < 0.03, "{}", ratio);
        let off_a = inverse(a.position, target).distance_m;
        let off_b = inverse(b.position, moved_target).distance_m;
        let size_m = (a.region95.area_km2 * 1e6).sqrt();
        prop_assert!((off_a - off_b).abs() < 0.02 * size_m, "{} {}", off_a, off_b);
    }
}
