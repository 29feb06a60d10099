//! Areas in the posterior.

mod common;

use common::{ORIGIN, at, bearings, fix, holds, no_fix, noise, ring, stations};
use lobewright_fix::{Evidence, FixConfig, solve, solve_evidence};
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{AreaClue, AreaRule, FixStatement, PolygonDeg, Position};
use proptest::prelude::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

/// A square around a local point, corners counter-clockwise.
fn square(origin: Position, middle_m: (f64, f64), half_m: f64) -> Vec<Position> {
    let frame = LocalFrame::at(origin);
    [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
        .map(|d| frame.from_local(middle_m.0 + half_m * d.0, middle_m.1 + half_m * d.1))
        .to_vec()
}

fn area(name: &str, rule: AreaRule, rings: Vec<Vec<Position>>) -> AreaClue {
    let mut rings = rings.into_iter();
    AreaClue {
        name: name.to_owned(),
        rule,
        polygons: vec![PolygonDeg {
            outer: rings.next().expect("an outer ring"),
            holes: rings.collect(),
        }],
    }
}

#[test]
fn an_area_that_is_cut_out_leaves_a_hole() {
    for origin in [ORIGIN, at(51.0, 180.0), at(-78.2, -179.99)] {
        let list = bearings(&ring(origin, 6, 5000.0), origin, 3.0, &[0.0; 6]);
        let lake = [area(
            "lake",
            AreaRule::Outside,
            vec![square(origin, (0.0, 0.0), 60.0)],
        )];
        let evidence = Evidence {
            bearings: &list,
            areas: &lake,
            ..Evidence::default()
        };
        let plain = fix(solve(&list, &FixConfig::default()));
        let cut = fix(solve_evidence(&evidence, &FixConfig::default()));
        assert!(holds(&plain.region95, origin));
        assert!(!cut.region95.contains(origin) && !holds(&cut.region95, origin));
        let holes: usize = cut.region95.polygons.iter().map(|p| p.holes.len()).sum();
        assert_eq!(holes, 1, "{origin:?}");
        assert!(!lake[0].contains(cut.position), "{:?}", cut.position);
        // What is cut out is made good around it: the area grows by no less than nothing and by less than the lake's 0.0144 km2.
        assert!(cut.region95.area_km2 < plain.region95.area_km2 + 0.0144);
    }
}

#[test]
fn an_area_to_be_in_closes_what_one_place_leaves_open() {
    let place = stations(ORIGIN, &[(0.0, -8000.0)]);
    let list = bearings(&place, ORIGIN, 3.0, &[0.0]);
    assert_eq!(
        no_fix(solve(&list, &FixConfig::default())),
        vec![FixStatement::OnePlace]
    );
    // A park with a lake in the middle of it.
    let park = [area(
        "park",
        AreaRule::Inside,
        vec![
            square(ORIGIN, (300.0, 100.0), 900.0),
            square(ORIGIN, (0.0, 500.0), 100.0),
        ],
    )];
    let evidence = Evidence {
        bearings: &list,
        areas: &park,
        ..Evidence::default()
    };
    let found = fix(solve_evidence(&evidence, &FixConfig::default()));
    assert!(park[0].contains(found.position));
    assert!(found.region95.contains(ORIGIN) && found.region95.area_km2 < 1.8 * 1.8);
    let lake = LocalFrame::at(ORIGIN).from_local(0.0, 500.0);
    assert!(!found.region95.contains(lake));
    // An area alone is a position too, if a poor one; one that cannot be is none.
    let alone = Evidence {
        bearings: &[],
        ..evidence
    };
    let found = fix(solve_evidence(&alone, &FixConfig::default()));
    // The posterior is even: no part of the park is before another, so the region is all of it.
    let ratio = found.region95.area_km2 / (1.8 * 1.8 - 0.2 * 0.2);
    assert!((ratio - 1.0).abs() < 0.03, "{ratio}");
    let outside = [area(
        "sea",
        AreaRule::Outside,
        vec![square(ORIGIN, (0.0, 0.0), 900.0)],
    )];
    let nothing = Evidence {
        areas: &outside,
        ..Evidence::default()
    };
    assert_eq!(
        no_fix(solve_evidence(&nothing, &FixConfig::default())),
        vec![FixStatement::NoBearings]
    );
}

#[test]
fn an_area_against_all_bearings_is_said_to_be_wrong() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let list = bearings(&ring(ORIGIN, 8, 5000.0), ORIGIN, 2.0, &noise(&mut rng, 2.0, 8));
    let wrong = [
        area(
            "old field",
            AreaRule::Inside,
            vec![square(ORIGIN, (6000.0, 0.0), 500.0)],
        ),
        area(
            "lake",
            AreaRule::Outside,
            vec![square(ORIGIN, (0.0, 0.0), 1500.0)],
        ),
    ];
    for (k, clue) in wrong.iter().enumerate() {
        let evidence = Evidence {
            bearings: &list,
            areas: std::slice::from_ref(clue),
            ..Evidence::default()
        };
        let found = fix(solve_evidence(&evidence, &FixConfig::default()));
        assert!(inverse(found.position, ORIGIN).distance_m < 200.0);
        let said = found.statements.iter().find_map(|s| match s {
            FixStatement::AgainstAreas {
                rule,
                names,
                probability,
            } => Some((*rule, names.clone(), *probability)),
            _ => None,
        });
        let (rule, names, probability) = said.expect("the contradiction is said");
        assert_eq!(rule, clue.rule, "{k}");
        assert_eq!(names, vec![clue.name.clone()]);
        assert!(probability > 0.9, "{probability}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    // The posterior with an area is the one without, times two levels: where both are positions, the better of the two rules' places
    // is never in the forbidden part unless that is said.
    #[test]
    fn the_position_obeys_the_areas_or_says_so(
        east_m in -3000.0..3000.0_f64,
        north_m in -3000.0..3000.0_f64,
        half_m in 50.0..2500.0_f64,
        inside in any::<bool>(),
        seed in 0..1000_u64,
    ) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let list = bearings(&ring(ORIGIN, 5, 5000.0), ORIGIN, 4.0, &noise(&mut rng, 4.0, 5));
        let rule = if inside { AreaRule::Inside } else { AreaRule::Outside };
        let clue = [area("a", rule, vec![square(ORIGIN, (east_m, north_m), half_m)])];
        let evidence = Evidence { bearings: &list, areas: &clue, ..Evidence::default() };
        let found = fix(solve_evidence(&evidence, &FixConfig::default()));
        let broken = clue[0].contains(found.position) != inside;
        let said = found.statements.iter().any(|s| matches!(s, FixStatement::AgainstAreas { .. }));
        prop_assert!(!broken || said, "{:?}", found.statements);
        // The regions hold what they say by their own even-odd rule.
        prop_assert!(found.region95.contains(found.position) || found.modes.len() > 1);
    }
}
