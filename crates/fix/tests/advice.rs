//! Advice on the next place, held against textbook formulas and a plain slow form.

mod common;

use common::{ORIGIN, bearings, fix, ring, stations};
use lobewright_fix::advice::{
    Advice, AdviceConfig, AdviceReason, Candidate, Hearing, NoiseReference, PosteriorSample,
    PosteriorSamples, RankBy, advise, along_roads, level_at, rings, solve_with_samples, well_apart,
};
use lobewright_fix::{Evidence, FixConfig, solve};
use lobewright_geodesy::{LocalFrame, direct, inverse};
use lobewright_types::{Azimuth, Bearing, FixOutcome, PathLossFit, PolygonDeg, Position};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// No floor but the one given, no noise, no reflections: what the formulas below are for.
fn plain(sigma_deg: f64) -> AdviceConfig {
    AdviceConfig {
        floor_sigma_deg: sigma_deg,
        noise_sigma_deg: 0.0,
        position_sigma_m: 0.0,
        reflection_prior: 0.0,
        apart_m: 0.0,
        points: 4000,
        ..AdviceConfig::default()
    }
}

fn with_samples(bearings: &[Bearing]) -> (FixOutcome, Option<PosteriorSamples>) {
    let evidence = Evidence {
        bearings,
        ..Evidence::default()
    };
    solve_with_samples(&evidence, &FixConfig::default())
}

fn none() -> FixOutcome {
    FixOutcome::NoFix {
        statements: Vec::new(),
    }
}

fn at(position: Position) -> Candidate {
    Candidate {
        name: String::new(),
        position,
    }
}

fn north_of_origin(distance_m: f64) -> Candidate {
    at(direct(ORIGIN, Azimuth::from_degrees(0.0), distance_m))
}

fn one(samples: &PosteriorSamples, place: Candidate, config: &AdviceConfig) -> Advice {
    let list = advise(samples, &none(), None, &[place], config);
    assert_eq!(list.len(), 1);
    list[0].clone()
}

/// A normal density with standard deviations east and north, laid on a grid of steps of an eighth.
fn normal(east_sigma_m: f64, north_sigma_m: f64) -> PosteriorSamples {
    let steps = -40..=40_i32;
    let points = steps.clone().flat_map(|i| {
        steps.clone().map(move |k| {
            let (x, y) = (f64::from(i) / 8.0, f64::from(k) / 8.0);
            PosteriorSample {
                east_m: x * east_sigma_m,
                north_m: y * north_sigma_m,
                mass: (-0.5 * (x * x + y * y)).exp(),
                area_m2: east_sigma_m * north_sigma_m / 64.0,
            }
        })
    });
    PosteriorSamples::from_points(ORIGIN, points, Vec::new()).expect("points")
}

// A normal position of standard deviation s across the line of sight at distance R, seen with a normal error sigma, is a Gaussian
// channel: I = 1/2 ln(1 + s^2 / (sigma R)^2) (Cover & Thomas, Elements of Information Theory, 2nd edition 2006, section 9.1; from memory).
// Afterwards the area is pi chi2_95 s_along s' with 1 / s'^2 = 1 / s^2 + 1 / (sigma R)^2. At R = 50 s the line of sight turns by a fiftieth over the
// position's depth: 0.1 % on the result; 1 % is for the points that stand for the density (measured: 0.4 %), 3 % for areas (1.3 %).
#[test]
fn a_normal_position_is_a_gaussian_channel() {
    let (along_m, across_m, range_m) = (300.0, 200.0, 10_000.0);
    let samples = normal(across_m, along_m);
    for sigma_deg in [0.5, 1.0, 3.0] {
        let advice = one(&samples, north_of_origin(range_m), &plain(sigma_deg));
        let noise_m = sigma_deg.to_radians() * range_m;
        let bits = 0.5 * (1.0 + (across_m / noise_m).powi(2)).log2();
        println!(
            "sigma {sigma_deg}: {} bits, exact {bits}",
            advice.information_bits
        );
        assert!((advice.information_bits - bits).abs() < 0.01 * bits + 0.003);
        let after_m = across_m * noise_m / across_m.hypot(noise_m);
        let area_km2 = std::f64::consts::PI * 5.991_464_547 * along_m * after_m / 1e6;
        println!("   area {} km2, exact {area_km2}", advice.expected_area95_km2);
        assert!((advice.expected_area95_km2 / area_km2 - 1.0).abs() < 0.03);
        assert!((advice.expected_sigma_deg - sigma_deg).abs() < 1e-6);
    }
}

// Two equally probable positions far apart in direction: one bit, by the definition of the bit. With the chance e of a bearing from anywhere it is
// the erasure channel's 1 - e (Cover & Thomas, section 7.1.5; from memory), but for the little that a stray bearing pretends to tell. Sharing a
// point out over two bins of a third of sigma changes its variance by up to (1/3)^2 / 12, its entropy by half of that: 0.0067 bits.
#[test]
fn two_positions_are_one_bit() {
    let point = |east_m: f64| PosteriorSample {
        east_m,
        north_m: 0.0,
        mass: 0.5,
        area_m2: 1.0,
    };
    let samples = PosteriorSamples::from_points(ORIGIN, [point(-3000.0), point(3000.0)], Vec::new()).unwrap();
    let advice = one(&samples, north_of_origin(3000.0), &plain(2.0));
    assert!(
        (advice.information_bits - 1.0).abs() < 0.007,
        "{}",
        advice.information_bits
    );
    let erased = AdviceConfig {
        reflection_prior: 0.3,
        ..plain(0.2)
    };
    let bits = one(&samples, north_of_origin(3000.0), &erased).information_bits;
    // 0.6913 by the integral of the two densities at steps of a twentieth of sigma; 0.0067 times 0.7 and more for each of two entropies.
    assert!((bits - 0.6913).abs() < 0.01, "{bits}");
    // From a place in line with both they look the same.
    let in_line = at(direct(ORIGIN, Azimuth::from_degrees(90.0), 30_000.0));
    assert!(one(&samples, in_line, &plain(2.0)).information_bits < 0.007);
}

// One position is heard for certain, the other never: silence tells which, one bit, though both lie in the same direction.
#[test]
fn silence_is_an_answer_where_levels_are_known() {
    let point = |north_m: f64| PosteriorSample {
        east_m: 0.0,
        north_m,
        mass: 0.5,
        area_m2: 1.0,
    };
    let samples =
        PosteriorSamples::from_points(ORIGIN, [point(1000.0), point(40_000.0)], Vec::new()).unwrap();
    let levels = PathLossFit {
        scale: "dBm".to_owned(),
        level_at_1km_db: -60.0,
        level_sigma_db: 1.0,
        exponent: 4.0,
        exponent_sigma: 0.1,
        shadowing_sigma_db: 2.0,
    };
    let config = AdviceConfig {
        levels: Some(levels.clone()),
        hearing: Some(Hearing { limit_db: -90.0 }),
        noise_reference: NoiseReference::Level { level_db: -60.0 },
        ..plain(2.0)
    };
    let advice = one(&samples, at(ORIGIN), &config);
    assert!(
        (advice.information_bits - 1.0).abs() < 0.007,
        "{}",
        advice.information_bits
    );
    assert!((advice.heard_probability - 0.5).abs() < 1e-6);
    assert!(
        advice
            .reasons
            .iter()
            .any(|r| matches!(r, AdviceReason::MayBeSilent { .. }))
    );
    // -60 dB at 1 km and -60 - 40 log10(40) = -124.1 dB at 40 km: the middle, and half the difference as a standard deviation.
    let level = level_at(&samples, &levels, ORIGIN);
    assert!((level.level_db + 92.04).abs() < 0.1, "{level:?}");
    assert!((level.sigma_db - 32.0).abs() < 0.4, "{level:?}");
}

/// The mutual information by a double sum over all samples and quarters of a degree.
fn plain_slow_bits(
    samples: &PosteriorSamples,
    place: Position,
    sigma_deg: impl Fn(f64) -> f64,
    reflection: f64,
) -> f64 {
    let seen: Vec<(f64, f64, f64)> = samples
        .points()
        .iter()
        .filter(|s| s.mass > 1e-7)
        .map(|s| {
            let line = inverse(place, samples.frame().from_local(s.east_m, s.north_m));
            (line.azimuth.degrees(), sigma_deg(line.distance_m), s.mass)
        })
        .collect();
    let total: f64 = seen.iter().map(|s| s.2).sum();
    let of = |off: f64, sigma: f64| {
        let off = off.abs().min(360.0 - off.abs());
        (1.0 - reflection) * (-0.5 * (off / sigma).powi(2)).exp() / (sigma * std::f64::consts::TAU.sqrt())
            + reflection / 360.0
    };
    let plogp = |p: f64| if p > 0.0 { -p * p.ln() } else { 0.0 };
    let step = 0.25;
    let steps = || (0..1440_u32).map(|k| f64::from(k) * step);
    let unknown: f64 = steps()
        .map(|y| plogp(seen.iter().map(|s| s.2 / total * of(y - s.0, s.1)).sum()))
        .sum::<f64>()
        * step;
    let mut classes: Vec<(f64, f64)> = seen.iter().map(|s| (s.1, s.2 / total)).collect();
    classes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let known: f64 = classes
        .chunks(50)
        .map(|c| {
            let mass: f64 = c.iter().map(|v| v.1).sum();
            let sigma = c[c.len() / 2].0;
            mass * steps().map(|y| plogp(of(y - 180.0, sigma))).sum::<f64>() * step
        })
        .sum();
    (unknown - known) / std::f64::consts::LN_2
}

// Binning, classes and merged points against the double sum: 0.02 bits.
#[test]
fn the_fast_form_is_the_plain_slow_one() {
    let places = stations(ORIGIN, &[(-5000.0, -1000.0), (-4000.0, 2500.0)]);
    let list = bearings(&places, ORIGIN, 4.0, &[2.0, -3.0]);
    let (outcome, samples) = with_samples(&list);
    let samples = samples.unwrap();
    let config = AdviceConfig {
        floor_sigma_deg: 3.0,
        noise_sigma_deg: 2.0,
        position_sigma_m: 0.0,
        apart_m: 0.0,
        ..AdviceConfig::default()
    };
    let sigma = |range_m: f64| (9.0 + 4.0 * (range_m / 5000.0).powi(3)).sqrt().min(100.0);
    for local in [
        (500.0, -5000.0),
        (4000.0, 3000.0),
        (-4000.0, 6000.0),
        (-6000.0, -3000.0),
    ] {
        let place = stations(ORIGIN, &[local])[0];
        let fast = advise(&samples, &outcome, None, &[at(place)], &config)[0].information_bits;
        let slow = plain_slow_bits(&samples, place, sigma, 0.1);
        println!("{local:?}: fast {fast:.4}, slow {slow:.4} bits");
        assert!((fast - slow).abs() < 0.02, "{fast} {slow}");
    }
}

#[test]
fn samples_hold_what_the_fix_says() {
    let places = ring(ORIGIN, 3, 5000.0);
    let list = bearings(&places, ORIGIN, 2.0, &[35.0, 0.0, 0.0]);
    let (outcome, samples) = with_samples(&list);
    assert_eq!(outcome, solve(&list, &FixConfig::default()));
    let (found, samples) = (fix(outcome), samples.unwrap());
    for region in [&found.region50, &found.region95] {
        let ratio = samples.area_km2(region.probability) / region.area_km2;
        assert!((ratio - 1.0).abs() < 0.03, "{}: {ratio}", region.probability);
    }
    assert!((samples.points().iter().map(|s| s.mass).sum::<f64>() - 1.0).abs() < 1e-9);
    assert_eq!(samples.taken().len(), 3);
    // A normal density of 100 m on both axes: 95 % within sqrt(5.9915) sigma.
    let radius_m = normal(100.0, 100.0).radius_m(ORIGIN, 0.95);
    assert!((radius_m / 244.77 - 1.0).abs() < 0.02, "{radius_m}");
}

fn two_lines() -> (FixOutcome, PosteriorSamples) {
    let places = stations(ORIGIN, &[(-1000.0, -6000.0), (1000.0, -6000.0)]);
    let (outcome, samples) = with_samples(&bearings(&places, ORIGIN, 4.0, &[1.0, -1.0]));
    (outcome, samples.expect("a posterior"))
}

#[test]
fn the_order_of_the_candidates_does_not_matter() {
    let (outcome, samples) = two_lines();
    let config = AdviceConfig::default();
    let mut places = rings(&samples, &outcome, None, &config);
    assert_eq!(places.len(), 300);
    let list = advise(&samples, &outcome, None, &places, &config);
    places.reverse();
    places.swap(3, 170);
    assert_eq!(list, advise(&samples, &outcome, None, &places, &config));
    assert!(
        list.windows(2)
            .all(|w| w[0].information_bits >= w[1].information_bits)
    );
}

#[test]
fn nothing_silly_is_advised() {
    let (outcome, samples) = two_lines();
    let found = fix(outcome.clone());
    let here = stations(ORIGIN, &[(1000.0, -6000.0)])[0];
    // A square that cannot be entered, where the best place would be.
    let config = AdviceConfig::default();
    let free = advise(
        &samples,
        &outcome,
        Some(here),
        &rings(&samples, &outcome, Some(here), &config),
        &config,
    );
    let best = free[0].place.position;
    let square = stations(
        best,
        &[(-900.0, -900.0), (900.0, -900.0), (900.0, 900.0), (-900.0, 900.0)],
    );
    let area = PolygonDeg {
        outer: square,
        holes: Vec::new(),
    };
    let config = AdviceConfig {
        unreachable: vec![area.clone()],
        max_way_m: Some(7000.0),
        ..config
    };
    let list = advise(
        &samples,
        &outcome,
        Some(here),
        &rings(&samples, &outcome, Some(here), &config),
        &config,
    );
    assert!(list.len() > 50, "{}", list.len());
    for advice in &list {
        let place = advice.place.position;
        assert!(!found.region95.contains(place) && !area.contains(place));
        assert!(advice.range_m >= config.min_range_m);
        assert!(
            samples
                .taken()
                .iter()
                .all(|&p| inverse(p, place).distance_m >= config.apart_m)
        );
        assert!(inverse(here, place).distance_m <= 7000.0);
        assert!(advice.information_bits.is_finite() && advice.information_bits >= 0.0);
        assert!(advice.expected_area95_km2 > 0.0 && advice.expected_area95_km2.is_finite());
    }
}

// Two stations side by side leave a region along their lines: the best place crosses it, and that is said.
#[test]
fn the_best_place_lies_across_the_long_axis() {
    let (outcome, samples) = two_lines();
    let config = AdviceConfig::default();
    let list = advise(
        &samples,
        &outcome,
        None,
        &rings(&samples, &outcome, None, &config),
        &config,
    );
    assert!(
        list[0]
            .reasons
            .iter()
            .any(|r| matches!(r, AdviceReason::CrossesLongAxis { angle_deg } if *angle_deg > 45.0)),
        "{:?}",
        list[0].reasons
    );
    let three = well_apart(&list, 3);
    assert_eq!(three.len(), 3);
    assert!(inverse(three[0].place.position, three[1].place.position).distance_m > 100.0);
}

// What is expected is what happens: transmitters drawn from the posterior, bearings from the advised place, solved. The standard error of the mean of
// 60 areas is printed; the limit is three of them and a tenth for the points that stand for the posterior.
#[test]
fn the_expected_area_is_what_bearings_leave_on_average() {
    let places = stations(ORIGIN, &[(-1000.0, -6000.0), (1000.0, -6000.0)]);
    let mut list = bearings(&places, ORIGIN, 4.0, &[1.0, -1.0]);
    let (outcome, samples) = with_samples(&list);
    let samples = samples.unwrap();
    let config = AdviceConfig {
        noise_sigma_deg: 0.0,
        ..AdviceConfig::default()
    };
    let place = stations(ORIGIN, &[(4000.0, 2000.0)])[0];
    let expected_km2 = advise(&samples, &outcome, None, &[at(place)], &config)[0].expected_area95_km2;
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let mut areas = Vec::new();
    for _ in 0..60 {
        let mut left: f64 = rng.random_range(0.0..1.0);
        let target = samples
            .points()
            .iter()
            .find(|s| {
                left -= s.mass;
                left <= 0.0
            })
            .map_or(ORIGIN, |s| samples.frame().from_local(s.east_m, s.north_m));
        let error = common::noise(&mut rng, 4.0, 1)[0];
        let reflected = rng.random_range(0.0..1.0) < 0.1;
        let anywhere = rng.random_range(0.0..360.0);
        let azimuth_deg = if reflected {
            anywhere
        } else {
            inverse(place, target).azimuth.degrees() + error
        };
        list.push(common::bearing("next", place, azimuth_deg, 4.0));
        areas.push(with_samples(&list).1.unwrap().area_km2(0.95));
        list.pop();
    }
    let mean = areas.iter().sum::<f64>() / 60.0;
    let error = (areas.iter().map(|a| (a - mean).powi(2)).sum::<f64>() / 60.0 / 59.0).sqrt();
    let now = samples.area_km2(0.95);
    println!("now {now:.1} km2; expected {expected_km2:.2}, found {mean:.2} +- {error:.2} km2");
    assert!((expected_km2 - mean).abs() < 3.0 * error + 0.1 * mean);
}

#[test]
fn from_one_place_the_advice_is_to_go_sideways() {
    let place = stations(ORIGIN, &[(0.0, -5000.0)])[0];
    let (outcome, samples) = with_samples(&bearings(&[place], ORIGIN, 4.0, &[0.0]));
    assert!(matches!(outcome, FixOutcome::NoFix { .. }));
    let samples = samples.unwrap();
    let config = AdviceConfig::default();
    let list = advise(
        &samples,
        &outcome,
        Some(place),
        &rings(&samples, &outcome, Some(place), &config),
        &config,
    );
    let best = &list[0];
    assert!(
        matches!(best.reasons[0], AdviceReason::SidewaysOfLines { .. }),
        "{best:?}"
    );
    // No bearings, no posterior; all behind, neither.
    assert!(with_samples(&[]).1.is_none());
}

#[test]
fn two_crossings_are_decided_between() {
    let (outcome, samples) = {
        let places = ring(ORIGIN, 3, 5000.0);
        let list = bearings(&places, ORIGIN, 2.0, &[35.0, 0.0, 0.0]);
        with_samples(&list)
    };
    let samples = samples.unwrap();
    let config = AdviceConfig::default();
    let list = advise(
        &samples,
        &outcome,
        None,
        &rings(&samples, &outcome, None, &config),
        &config,
    );
    assert!(
        list[0]
            .reasons
            .iter()
            .any(|r| matches!(r, AdviceReason::DecidesBetween { .. })),
        "{:?}",
        list[0]
    );
}

#[test]
fn the_way_counts_where_it_is_asked_for() {
    let (outcome, samples) = two_lines();
    let here = stations(ORIGIN, &[(1000.0, -6000.0)])[0];
    let config = AdviceConfig {
        rank_by: RankBy::PerHour,
        speed_km_h: 4.0,
        ..AdviceConfig::default()
    };
    let places = rings(&samples, &outcome, Some(here), &config);
    let on_foot = advise(&samples, &outcome, Some(here), &places, &config);
    let by_worth = advise(&samples, &outcome, Some(here), &places, &AdviceConfig::default());
    assert!(on_foot[0].way_m.unwrap() < by_worth[0].way_m.unwrap());
    let a = &on_foot[0];
    let km = a.way_m.unwrap() / 1000.0;
    assert!((a.bits_per_km.unwrap() - a.information_bits / km).abs() < 1e-9);
    assert!((a.bits_per_hour.unwrap() - a.information_bits / (km / 4.0 + 300.0 / 3600.0)).abs() < 1e-9);
    let straight = inverse(here, a.place.position).distance_m / 1000.0;
    assert!((km / straight - 1.3).abs() < 1e-9);
}

#[test]
fn roads_become_places_along_them() {
    let frame = LocalFrame::at(ORIGIN);
    let road: Vec<Position> = [(0.0, 0.0), (0.0, 1000.0), (700.0, 1000.0)]
        .map(|p| frame.from_local(p.0, p.1))
        .to_vec();
    let places = along_roads(&[road, Vec::new(), vec![ORIGIN]], 400.0);
    // At 0, 400, 800, 1200 and 1600 m, the end at 1700 m, and the single place.
    assert_eq!(places.len(), 7);
    assert_eq!(places[3].name, "road 1, 1.2 km");
    let (east, north) = frame.to_local(places[3].position);
    assert!((east - 200.0).abs() < 0.5 && (north - 1000.0).abs() < 0.5);
    assert_eq!(places[6].name, "road 3, 0.0 km");
}

#[test]
fn settings_that_are_no_numbers_do_no_harm() {
    let (outcome, samples) = two_lines();
    let config = AdviceConfig {
        floor_sigma_deg: f64::NAN,
        noise_sigma_deg: f64::INFINITY,
        noise_reference: NoiseReference::Level { level_db: f64::NAN },
        hearing: Some(Hearing { limit_db: -90.0 }),
        min_range_m: -4.0,
        detour: f64::NAN,
        speed_km_h: 0.0,
        ..AdviceConfig::default()
    };
    let mut places = rings(&samples, &outcome, None, &config);
    places.push(at(Position {
        lat_deg: f64::NAN,
        lon_deg: 0.0,
    }));
    let list = advise(&samples, &outcome, Some(ORIGIN), &places, &config);
    assert!(list.len() > 100);
    assert!(
        list.iter()
            .all(|a| a.information_bits.is_finite() && a.bits_per_hour.unwrap().is_finite())
    );
    let bad = PosteriorSample {
        east_m: f64::NAN,
        north_m: 0.0,
        mass: 1.0,
        area_m2: 1.0,
    };
    assert!(PosteriorSamples::from_points(ORIGIN, [bad], Vec::new()).is_none());
}
