//! A fix kept up to date against one computed anew.
#![allow(clippy::unwrap_used, reason = "a failed step fails its test")]

mod common;

use common::{ORIGIN, fix, no_fix};
use lobewright_fix::{FixConfig, RunningFix, from_normal, solve};
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{Bearing, Fix, FixOutcome, FixStatement};
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Bearings of 2 degrees from `places` places, one in ten wrong, by two stations in turn.
fn hunt(seed: u64, count: usize, places: usize, heading_deg: f64) -> Vec<Bearing> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let frame = LocalFrame::at(ORIGIN);
    let spots: Vec<_> = (0..places)
        .map(|_| frame.from_local(rng.random_range(-8e3..8e3), rng.random_range(-8e3..8e3)))
        .collect();
    (0..count)
        .map(|k| {
            let place = spots[k % places];
            let noise: f64 = StandardNormal.sample(&mut rng);
            let wrong = if rng.random_range(0.0..1.0) < 0.1 {
                rng.random_range(0.0..360.0)
            } else {
                0.0
            };
            let azimuth = inverse(place, ORIGIN).azimuth.turned(2.0 * noise + wrong);
            let station = format!("van {}", (k % places) % 2);
            let mut one = from_normal(&station, place, azimuth, 2.0, (5.0, heading_deg), None);
            one.id = format!("b{k}");
            one
        })
        .collect()
}

/// The grid's tolerance is 1 % of areas from one refinement to the next; two grids differ by up to three of these (as the properties test allows), and
/// the position by that share of the half region's size.
fn assert_same(running: &Fix, anew: &Fix, name: &str) {
    for (a, b) in [
        (&running.region50, &anew.region50),
        (&running.region95, &anew.region95),
    ] {
        let ratio = a.area_km2 / b.area_km2;
        assert!((ratio - 1.0).abs() < 0.04, "{name}: areas {ratio}");
    }
    let size_m = (anew.region50.area_km2 * 1e6).sqrt();
    let off_m = inverse(running.position, anew.position).distance_m;
    assert!(off_m < 0.1 * size_m, "{name}: {off_m} m of {size_m}");
    assert_eq!(running.verdicts.len(), anew.verdicts.len());
    for (a, b) in running.verdicts.iter().zip(&anew.verdicts) {
        assert_eq!(a.id, b.id);
        assert!(
            (a.reflected_probability - b.reflected_probability).abs() < 0.05,
            "{name}: {a:?} {b:?}"
        );
    }
    assert_eq!(running.station_offsets.len(), anew.station_offsets.len());
    for (a, b) in running.station_offsets.iter().zip(&anew.station_offsets) {
        assert!(
            (a.offset_deg - b.offset_deg).abs() < 0.15 * b.sigma_deg.max(0.05),
            "{name}: {a:?} {b:?}"
        );
    }
}

#[test]
fn bearings_that_come_one_by_one_give_the_same_fix_in_any_order() {
    let mut rng = ChaCha8Rng::seed_from_u64(41);
    for (places, heading_deg) in [(200, 0.0), (200, 1.0), (30, 0.0)] {
        let mut list = hunt(40, 200, places, heading_deg);
        list.shuffle(&mut rng);
        let mut running = RunningFix::new(FixConfig::default());
        for (k, one) in list.iter().enumerate() {
            running.add_bearing(one.clone());
            // Each outcome would take minutes; these meet both ways of the computation, and what is kept between is added to all the while.
            if [2, 4, 9, 25, 40, 60, 61, 62, 110, 180, 199].contains(&k) {
                let name = format!("{places} places, {heading_deg}, {} bearings", k + 1);
                match (running.outcome(), solve(&list[..=k], &FixConfig::default())) {
                    (FixOutcome::Fix(a), FixOutcome::Fix(b)) => assert_same(&a, &b, &name),
                    (a, b) => assert_eq!(a, b, "{name}"),
                }
            }
        }
        assert_eq!(running.bearings().len(), 200);
    }
}

#[test]
fn a_bearing_taken_back_is_gone() {
    let list = hunt(42, 60, 60, 0.0);
    let mut running = RunningFix::new(FixConfig::default());
    assert_eq!(no_fix(running.outcome()), vec![FixStatement::NoBearings]);
    for one in &list {
        running.add_bearing(one.clone());
    }
    let _ = running.outcome();
    assert!(running.remove("b59") && !running.remove("b59"));
    let found = fix(running.outcome());
    assert_same(&found, &fix(solve(&list[..59], &FixConfig::default())), "59");
}

// What is no number is named in the verdicts, as anew.
#[test]
fn a_bearing_that_is_no_number_is_left_out_while_running() {
    let mut list = hunt(43, 60, 60, 0.0);
    list[59].position.lat_deg = f64::NAN;
    let mut running = RunningFix::new(FixConfig::default());
    for one in &list[..59] {
        running.add_bearing(one.clone());
    }
    let _ = running.outcome();
    running.add_bearing(list[59].clone());
    let found = fix(running.outcome());
    assert!(found.verdicts[59].reflected_probability > 0.999);
    assert_same(&found, &fix(solve(&list, &FixConfig::default())), "60");
}
