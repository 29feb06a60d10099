//! Signals that do not behave: ambiguous antennas, fading, interference, clipping, reflections, part of a turn.

mod common;

use std::sync::Arc;

use common::{Scene, Tally, config, fading_db, holds, pattern, two_arrivals};
use lobewright_antenna::Pattern;
use lobewright_bearing::estimate;
use lobewright_types::{BearingFlag, wrap_signed_degrees};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

#[test]
fn figure_eight_gives_front_and_back() {
    let eight = Arc::new(Pattern::builtin("figure-eight").unwrap());
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let readings = Scene::full_turn(36, 200.0, 20.0, 0.5).draw(&eight, 40.0, &mut rng);
    let e = estimate(&readings, &config(&eight)).unwrap();
    assert_eq!(e.modes.len(), 2);
    assert!(e.modes.iter().all(|m| (m.probability - 0.5).abs() < 0.02));
    assert!(holds(&e.arcs95, 40.0) && holds(&e.arcs95, 220.0));
    assert!(e.flags.contains(&BearingFlag::Ambiguous) && !e.flags.contains(&BearingFlag::Weak));
}

/// 100 trials: standard error of the coverage 2.2 %; aim 93 to 97 %, two standard errors below are 89 %.
#[test]
fn slow_fading_does_not_make_it_too_sure() {
    let yagi = pattern("yagi3");
    let config = config(&yagi);
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let scene = Scene::full_turn(72, 625.0, 20.0, 0.0);
    let mut tally = Tally::default();
    for _ in 0..100 {
        let truth = 360.0 * rng.random::<f64>();
        let fading = fading_db(12.0, 0.5, 0.05, 72, &mut rng);
        let readings = scene.draw_with(&yagi, truth, &fading, &mut rng);
        tally.add(&estimate(&readings, &config).unwrap(), truth);
    }
    assert!(tally.coverage() > 0.89, "{}", tally.coverage());
    assert!(tally.rms_deg() < 4.0, "{}", tally.rms_deg());
    assert_eq!(tally.gross_unshown, 0);
}

#[test]
fn a_few_foreign_readings_do_not_turn_it() {
    let yagi = pattern("yagi3");
    let config = config(&yagi);
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    for _ in 0..20 {
        let truth = 360.0 * rng.random::<f64>();
        let mut readings = Scene::full_turn(36, 200.0, 20.0, 0.5).draw(&yagi, truth, &mut rng);
        for k in [4, 17, 29] {
            readings[k].power_lin *= 10_f64.powf(1.5 + 0.5 * rng.random::<f64>());
        }
        let e = estimate(&readings, &config).unwrap();
        let error = wrap_signed_degrees(e.azimuth.degrees() - truth);
        assert!(error.abs() < 6.0, "{error}");
    }
}

/// Readings held at a rail 6 dB under the peak carry a limit only: no bias, and the flag.
#[test]
fn clipped_readings_are_lower_limits() {
    let yagi = pattern("yagi3");
    let config = config(&yagi);
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let scene = Scene::full_turn(36, 200.0, 30.0, 0.5);
    let rail = 10_f64.powf(2.4);
    let mut tally = Tally::default();
    for _ in 0..60 {
        let truth = 360.0 * rng.random::<f64>();
        let mut readings = scene.draw(&yagi, truth, &mut rng);
        for r in &mut readings {
            if r.power_lin > rail {
                r.power_lin = rail;
                r.clip_fraction = 0.3;
            }
        }
        let e = estimate(&readings, &config).unwrap();
        assert!(e.flags.contains(&BearingFlag::Clipped));
        tally.add(&e, truth);
    }
    // 60 trials: three standard errors of 2.8 % under the aim.
    assert!(tally.coverage() > 0.86, "{}", tally.coverage());
    assert!(tally.rms_deg() < 1.0, "{}", tally.rms_deg());
}

#[test]
fn a_second_arrival_is_found_and_both_directions_shown() {
    let config = config(&pattern("yagi3"));
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let (mut found, mut held) = (0, 0);
    for _ in 0..20 {
        let truth = 360.0 * rng.random::<f64>();
        let e = estimate(&two_arrivals(110.0, -3.0, truth, &mut rng), &config).unwrap();
        held += usize::from(holds(&e.arcs95, truth));
        if let Some(second) = e.reflection {
            found += 1;
            assert!(e.flags.contains(&BearingFlag::Reflection));
            assert!(e.modes.len() > 1);
            let off = wrap_signed_degrees(second.azimuth.degrees() - truth - 110.0);
            assert!(off.abs() < 25.0, "{off}");
            assert!((second.relative_level_db + 3.0).abs() < 3.0);
        }
    }
    assert!(found >= 18, "{found} of 20");
    // Binomial(20, 0.95): fewer than 16 come up once in 400 runs.
    assert!(held >= 16, "{held} of 20 hold the direct path");
}

#[test]
fn one_arrival_is_seldom_taken_for_two() {
    let yagi = pattern("yagi3");
    let config = config(&yagi);
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    let wrong = (0..60)
        .filter(|_| {
            let truth = 360.0 * rng.random::<f64>();
            let readings = Scene::full_turn(36, 200.0, 20.0, 1.5).draw(&yagi, truth, &mut rng);
            estimate(&readings, &config).unwrap().reflection.is_some()
        })
        .count();
    assert!(wrong <= 3, "{wrong} of 60");
}

/// A sweep of 120 degrees that looks away from the source at an S/N of 10 dB comes out reciprocal now and then: the
/// interval must hold the truth all the same. 120 trials, standard error 2 %.
#[test]
fn a_part_of_the_turn_keeps_the_other_side_in_view() {
    let yagi = pattern("yagi3");
    let config = config(&yagi);
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let mut tally = Tally::default();
    for _ in 0..120 {
        let truth = 360.0 * rng.random::<f64>();
        let scene = Scene {
            boresights_deg: (0..13).map(|k| truth + 120.0 + 10.0 * f64::from(k)).collect(),
            ..Scene::full_turn(13, 200.0, 10.0, 1.0)
        };
        let e = estimate(&scene.draw(&yagi, truth, &mut rng), &config).unwrap();
        assert!(e.flags.contains(&BearingFlag::PartialCircle));
        tally.add(&e, truth);
    }
    assert!(tally.coverage() > 0.90, "{}", tally.coverage());
}

#[test]
fn bursts_that_see_the_same_sector_are_named() {
    let yagi = pattern("yagi3");
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let scene = Scene {
        boresights_deg: (0..12).map(|k| 5.0 * f64::from(k)).collect(),
        ..Scene::full_turn(12, 200.0, 20.0, 0.5)
    };
    let mut same = Vec::new();
    let mut spread = Vec::new();
    for burst in 0..4 {
        for mut r in scene.draw(&yagi, 100.0, &mut rng) {
            r.burst = burst;
            r.middle_s += 60.0 * burst as f64;
            same.push(r.clone());
            if let lobewright_types::Pointing::Boresight { azimuth, .. } = &mut r.pointing {
                *azimuth = azimuth.turned(90.0 * burst as f64);
            }
            spread.push(r);
        }
    }
    let config = config(&yagi);
    let flag = BearingFlag::SameSectorEachBurst;
    assert!(estimate(&same, &config).unwrap().flags.contains(&flag));
    assert!(!estimate(&spread, &config).unwrap().flags.contains(&flag));
}

/// The same antenna 2 MHz off the frequency of its pattern: nulls 16 degrees from where they should be. That is no
/// reflection, and the interval must hold the truth. 40 trials, standard error 3.4 %.
#[test]
fn a_pattern_slightly_wrong_is_not_a_reflection() {
    let used = pattern("yagi3_144");
    let config = config(&pattern("yagi3"));
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let mut tally = Tally::default();
    let mut wrong = 0;
    for _ in 0..40 {
        let truth = 360.0 * rng.random::<f64>();
        let readings = Scene::full_turn(36, 200.0, 20.0, 0.5).draw(&used, truth, &mut rng);
        let e = estimate(&readings, &config).unwrap();
        wrong += usize::from(e.reflection.is_some());
        tally.add(&e, truth);
    }
    assert!(wrong <= 4, "{wrong} of 40");
    assert!(tally.coverage() > 0.86, "{}", tally.coverage());
    assert_eq!(tally.gross_unshown, 0);
}
