//! Levels and silence in the posterior.

#[path = "../examples/levels_used/hunts.rs"]
mod hunts;

mod common;

use common::{ORIGIN, bearings, fix, no_fix, ring, stations};
use hunts::{Class, hunt};
use lobewright_fix::{ClueConfig, Evidence, FixConfig, PowerPrior, level_outlook, solve, solve_evidence};
use lobewright_geodesy::inverse;
use lobewright_testkit::coverage_limits;
use lobewright_types::{FixOutcome, FixStatement, LevelReport, Position, SilenceReport};

fn level(name: &str, position: Position, level_db: f64) -> LevelReport {
    LevelReport {
        id: name.to_owned(),
        station: name.to_owned(),
        time_utc: None,
        position,
        position_sigma_m: 0.0,
        transmitter: None,
        scale: "meter".to_owned(),
        level_db,
        sigma_db: 1.0,
    }
}

fn silence(position: Position, scale: &str, limit_db: f64) -> SilenceReport {
    SilenceReport {
        id: "quiet".to_owned(),
        station: "quiet".to_owned(),
        time_utc: None,
        position,
        transmitter: None,
        scale: scale.to_owned(),
        limit_db,
    }
}

/// Exact levels of a transmitter in the origin: -60 dB at 1 km, exponent 3.
fn exact(places: &[Position]) -> Vec<LevelReport> {
    places
        .iter()
        .enumerate()
        .map(|(k, &p)| {
            let range_km = inverse(p, ORIGIN).distance_m / 1000.0;
            level(&format!("l{k}"), p, -60.0 - 30.0 * range_km.log10())
        })
        .collect()
}

fn spread_places() -> Vec<Position> {
    let local: Vec<(f64, f64)> = (0..24)
        .map(|k| {
            let (sin, cos) = (2.4 * f64::from(k)).sin_cos();
            let range_m = 150.0 * f64::from(k) + 80.0;
            (range_m * sin, range_m * cos)
        })
        .collect();
    stations(ORIGIN, &local)
}

#[test]
fn levels_alone_find_a_transmitter_and_its_power() {
    let levels = exact(&spread_places());
    let evidence = Evidence {
        levels: &levels,
        ..Evidence::default()
    };
    let found = fix(solve_evidence(&evidence, &FixConfig::default()));
    let off_m = inverse(found.position, ORIGIN).distance_m;
    assert!(off_m < 60.0, "{off_m} m");
    assert!(found.region95.contains(ORIGIN));
    let law = &found.path_loss[0];
    assert_eq!((found.path_loss.len(), law.scale.as_str()), (1, "meter"));
    assert!((law.level_at_1km_db + 60.0).abs() < 3.0 * law.level_sigma_db);
    assert!((law.exponent - 3.0).abs() < 2.0 * law.exponent_sigma && law.exponent_sigma < 0.5);
    // Levels without any error say that the terrain is smoother than the usual 7 dB.
    assert!(law.shadowing_sigma_db < 6.0, "{}", law.shadowing_sigma_db);
}

#[test]
fn the_order_of_the_levels_changes_nothing() {
    let mut levels = exact(&spread_places());
    for (k, l) in levels.iter_mut().enumerate() {
        l.level_db += 5.0 * (1.7 * k as f64).sin();
    }
    let run = |levels: &[LevelReport]| {
        let evidence = Evidence {
            levels,
            ..Evidence::default()
        };
        fix(solve_evidence(&evidence, &FixConfig::default()))
    };
    let forward = run(&levels);
    levels.reverse();
    let backward = run(&levels);
    // The search's disc is laid around the mean of the places, whose last digit depends on the order.
    assert!(inverse(forward.position, backward.position).distance_m < 5.0);
    assert!((forward.region95.area_km2 / backward.region95.area_km2 - 1.0).abs() < 0.02);
}

#[test]
fn levels_close_the_range_that_one_place_leaves_open() {
    let place = stations(ORIGIN, &[(0.0, -1500.0)]);
    let list = bearings(&place, ORIGIN, 4.0, &[0.0]);
    let levels = exact(&spread_places()[..12]);
    let evidence = Evidence {
        bearings: &list,
        levels: &levels,
        ..Evidence::default()
    };
    let config = FixConfig::default();
    assert_eq!(no_fix(solve(&list, &config)), vec![FixStatement::OnePlace]);
    let found = fix(solve_evidence(&evidence, &config));
    assert!(found.region95.contains(ORIGIN));
    assert!(inverse(found.position, ORIGIN).distance_m < 300.0);
}

#[test]
fn two_levels_alone_are_no_position() {
    let levels = exact(&spread_places()[..2]);
    let evidence = Evidence {
        levels: &levels,
        ..Evidence::default()
    };
    let said = no_fix(solve_evidence(&evidence, &FixConfig::default()));
    assert!(said.contains(&FixStatement::NoBearings), "{said:?}");
    assert!(
        said.iter().any(|s| matches!(s, FixStatement::Open { .. })),
        "{said:?}"
    );
    // One level says nothing at all.
    let evidence = Evidence {
        levels: &levels[..1],
        ..Evidence::default()
    };
    assert_eq!(
        no_fix(solve_evidence(&evidence, &FixConfig::default())),
        vec![FixStatement::NoBearings]
    );
}

// -60 dB at 1 km and exponent 3.2 make -75 dB at 3 km: 25 dB over the limit of a receiver there, -100 dB, that heard nothing.
#[test]
fn silence_pushes_the_transmitter_away_only_where_its_level_is_known() {
    let list = bearings(
        &stations(ORIGIN, &[(-700.0, -6000.0), (700.0, -6000.0)]),
        ORIGIN,
        4.0,
        &[0.0, 0.0],
    );
    let config = FixConfig {
        reflection_prior: 0.0,
        ..FixConfig::default()
    };
    let silent = stations(ORIGIN, &[(0.0, -3000.0)])[0];
    let quiet = [silence(silent, "meter", -100.0)];
    let plain = fix(solve(&list, &config));
    let mut evidence = Evidence {
        bearings: &list,
        silences: &quiet,
        ..Evidence::default()
    };
    let unused = FixStatement::SilenceUnused {
        scale: "meter".to_owned(),
    };
    let without = fix(solve_evidence(&evidence, &config));
    assert!(without.statements.contains(&unused));
    assert!(inverse(without.position, plain.position).distance_m < 1.0);
    let powers = [PowerPrior {
        scale: "meter".to_owned(),
        level_at_1km_db: -60.0,
        sigma_db: 3.0,
    }];
    evidence.powers = &powers;
    let with = fix(solve_evidence(&evidence, &config));
    assert!(!with.statements.contains(&unused));
    let far_m = |f: &lobewright_types::Fix| inverse(silent, f.position).distance_m;
    assert!(
        far_m(&with) > 1.5 * far_m(&plain),
        "{} {}",
        far_m(&with),
        far_m(&plain)
    );
}

#[test]
fn silence_near_a_mode_takes_from_it() {
    // Two bearings that fit two places by a reflection: silence beside one of them decides.
    let list = bearings(&ring(ORIGIN, 3, 3000.0), ORIGIN, 2.0, &[35.0, 0.0, 0.0]);
    let plain = fix(solve(&list, &FixConfig::default()));
    assert!(plain.modes.len() > 1);
    let wrong = plain
        .modes
        .iter()
        .max_by(|a, b| {
            let off = |m: &lobewright_types::FixMode| inverse(m.position, ORIGIN).distance_m;
            off(a).total_cmp(&off(b))
        })
        .expect("modes");
    let levels = exact(&spread_places()[4..9]);
    let quiet = [silence(wrong.position, "meter", -75.0)];
    let evidence = Evidence {
        bearings: &list,
        levels: &levels,
        silences: &quiet,
        ..Evidence::default()
    };
    let near = |f: &lobewright_types::Fix| -> f64 {
        f.modes
            .iter()
            .filter(|m| inverse(m.position, wrong.position).distance_m < 200.0)
            .map(|m| m.probability)
            .sum()
    };
    let found = fix(solve_evidence(&evidence, &FixConfig::default()));
    assert!(
        near(&found) < 0.5 * near(&plain),
        "{} {}",
        near(&found),
        near(&plain)
    );
    assert!(found.region95.contains(ORIGIN));
}

#[test]
fn levels_that_are_no_numbers_are_left_out() {
    let mut levels = exact(&spread_places());
    let clean = levels.clone();
    let mut bad = level("bad", ORIGIN, f64::NAN);
    levels.push(bad.clone());
    bad.level_db = -50.0;
    bad.sigma_db = f64::INFINITY;
    levels.push(bad);
    let run = |levels: &[LevelReport]| {
        let evidence = Evidence {
            levels,
            ..Evidence::default()
        };
        fix(solve_evidence(&evidence, &FixConfig::default()))
    };
    let (with, without) = (run(&levels), run(&clean));
    assert!(inverse(with.position, without.position).distance_m < 5.0);
}

#[test]
fn the_level_elsewhere_is_foretold() {
    let levels = exact(&spread_places());
    let evidence = Evidence {
        levels: &levels,
        ..Evidence::default()
    };
    let outlook = level_outlook(&evidence, &FixConfig::default()).expect("levels");
    assert_eq!(outlook.scales(), ["meter"]);
    assert_eq!(outlook.expected_level(ORIGIN, "other"), None);
    let mut before = f64::INFINITY;
    for range_m in [200.0, 500.0, 1500.0, 6000.0] {
        let place = stations(ORIGIN, &[(-range_m, 0.0)])[0];
        let level = outlook.expected_level(place, "meter").expect("a known scale");
        let truth = -60.0 - 30.0 * (range_m / 1000.0_f64).log10();
        assert!(
            (level.level_db - truth).abs() < 1.5 * level.sigma_db,
            "{range_m}: {level:?} {truth}"
        );
        assert!(
            level.sigma_db > 3.0 && level.sigma_db < 12.0,
            "{range_m}: {level:?}"
        );
        assert!(level.level_db < before);
        before = level.level_db;
    }
}

// Free space with no terrain, known exponent: then levels are ranges, and every place sees its own.
#[test]
fn settings_are_taken() {
    let levels = exact(&spread_places());
    let area = |clues: ClueConfig| {
        let evidence = Evidence {
            levels: &levels,
            ..Evidence::default()
        };
        let config = FixConfig {
            clues,
            ..FixConfig::default()
        };
        let found = fix(solve_evidence(&evidence, &config));
        found.region95.area_km2
    };
    let usual = area(ClueConfig::default());
    let smooth = area(ClueConfig {
        shadowing_sigma_db: 2.0,
        ..ClueConfig::default()
    });
    assert!(smooth < 0.3 * usual, "{smooth} {usual}");
    let broken = area(ClueConfig {
        shadowing_sigma_db: f64::NAN,
        exponent_limits: (5.0, 1.0),
        ..ClueConfig::default()
    });
    assert!((broken / usual - 1.0).abs() < 1e-9);
}

/// How many of some hunts have the truth in the 95 % region, of how many with a position.
fn held(class: &Class, count: u64) -> (usize, usize) {
    let (mut held, mut found) = (0, 0);
    for seed in 0..count {
        let made = hunt(class, 500 + seed);
        let evidence = Evidence {
            bearings: &made.bearings,
            levels: &made.levels,
            silences: &made.silences,
            ..Evidence::default()
        };
        if let FixOutcome::Fix(fix) = solve_evidence(&evidence, &FixConfig::default()) {
            found += 1;
            held += usize::from(fix.region95.contains(made.truth));
        }
    }
    (held, found)
}

// A few of the hunts that the example `levels_used` counts by the thousand.
#[test]
fn regions_with_levels_hold_the_truth() {
    let class = Class {
        bearings: 4,
        bearing_sigma_deg: 5.0,
        levels: 12,
        shadowing_db: 7.0,
        wrong: 0,
        listened: 0,
    };
    let (held, found) = held(&class, 25);
    assert_eq!(found, 25);
    let limits = coverage_limits(0.95, found, 0.001);
    assert!(limits.contains(held), "{held} of {found}: {limits:?}");
}
