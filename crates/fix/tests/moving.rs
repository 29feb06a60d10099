//! The filter for a transmitter that moves, against drawn walks and against a Kalman filter.

mod common;

use common::ORIGIN;
use lobewright_fix::{FixConfig, MovingConfig, MovingError, from_normal, track};
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{Azimuth, Bearing, Position, Timestamp};
use nalgebra::{Matrix2, Vector2};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// How the transmitter moves, in metres a minute.
const SPEED: f64 = 80.0;

struct Walk {
    bearings: Vec<Bearing>,
    /// Where the transmitter was at each bearing, in the frame of the origin.
    truth_m: Vec<(f64, f64)>,
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn minute(k: usize, step_s: f64) -> Timestamp {
    Timestamp::from_unix_ns(1_771_039_500_000_000_000).plus_seconds(step_s * k as f64)
}

/// Stations on a ring take turns; the transmitter walks at random from near its middle.
fn walk(seed: u64, count: usize, sigma_deg: f64, step_s: f64) -> Walk {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let frame = LocalFrame::at(ORIGIN);
    let stations = common::ring(ORIGIN, 5, 3500.0);
    let axis_m = SPEED * (step_s / 120.0).sqrt();
    let mut place = (600.0 * normal(&mut rng), 600.0 * normal(&mut rng));
    let (mut bearings, mut truth_m) = (Vec::new(), Vec::new());
    for k in 0..count {
        if k > 0 {
            place.0 += axis_m * normal(&mut rng);
            place.1 += axis_m * normal(&mut rng);
        }
        let station = stations[(2 * k) % stations.len()];
        let exact = inverse(station, frame.from_local(place.0, place.1)).azimuth;
        let read = exact.turned(sigma_deg * normal(&mut rng));
        let mut bearing = from_normal(
            &format!("s{}", (2 * k) % stations.len()),
            station,
            read,
            sigma_deg,
            (0.0, 0.0),
            Some(minute(k, step_s)),
        );
        bearing.id = format!("b{k}");
        bearings.push(bearing);
        truth_m.push(place);
    }
    Walk { bearings, truth_m }
}

/// Without reflections, as the walks are drawn.
fn clean(cells_across: usize) -> MovingConfig {
    MovingConfig {
        cells_across,
        fix: FixConfig {
            reflection_prior: 0.0,
            ..FixConfig::default()
        },
        ..MovingConfig::new(SPEED)
    }
}

fn place(m: (f64, f64)) -> Position {
    LocalFrame::at(ORIGIN).from_local(m.0, m.1)
}

#[test]
fn regions_of_drawn_walks_hold_the_truth_as_often_as_they_say() {
    const WALKS: usize = 80;
    const STEPS: usize = 10;
    let (mut held95, mut held50, mut smoothed95) = (0, 0, 0);
    for seed in 0..WALKS {
        let walk = walk(seed as u64, STEPS, 3.0, 60.0);
        let found = track(&walk.bearings, &clean(56)).unwrap();
        assert_eq!(found.steps.len(), STEPS);
        let last = found.steps[STEPS - 1].filtered.as_ref().expect("bearings cross");
        let truth = place(walk.truth_m[STEPS - 1]);
        held95 += usize::from(last.region95.contains(truth));
        held50 += usize::from(last.region50.contains(truth));
        let middle = found.steps[STEPS / 2].smoothed.as_ref().expect("bearings cross");
        smoothed95 += usize::from(middle.region95.contains(place(walk.truth_m[STEPS / 2])));
    }
    // Binomial(80, 0.95) and (80, 0.5), exact tails of 0.0005 on each side.
    assert!((68..=80).contains(&held95), "{held95} of {WALKS} regions of 95 %");
    assert!((25..=55).contains(&held50), "{held50} of {WALKS} regions of 50 %");
    assert!(
        (68..=80).contains(&smoothed95),
        "{smoothed95} of {WALKS} smoothed regions of 95 %"
    );
}

/// Kalman filter and smoother with bearings as straight lines: each is a measurement of the distance across its line.
/// Textbook forms: Särkkä, Bayesian Filtering and Smoothing (2013), theorems 4.2 and 8.2, with a unit transition.
struct Kalman {
    filtered: Vec<(Vector2<f64>, Matrix2<f64>)>,
    smoothed: Vec<(Vector2<f64>, Matrix2<f64>)>,
}

fn kalman(walk: &Walk, sigma_deg: f64, step_s: f64) -> Kalman {
    let frame = LocalFrame::at(ORIGIN);
    let step = Matrix2::identity() * (SPEED * SPEED * step_s / 120.0);
    let mut mean = Vector2::zeros();
    // Wide against the walk; the grid's even prior is wider still.
    let mut cov = Matrix2::identity() * 1e4_f64.powi(2);
    let mut filtered = Vec::new();
    for (k, b) in walk.bearings.iter().enumerate() {
        if k > 0 {
            cov += step;
        }
        let truth = walk.truth_m[k];
        let line = inverse(b.position, frame.from_local(truth.0, truth.1));
        // Across the line of sight, to the right; the local frame is true to a thousandth here.
        let (sin, cos) = line.azimuth.radians().sin_cos();
        let h = Vector2::new(cos, -sin);
        let off_m = line.azimuth.turn_to(b.azimuth).to_radians() * line.distance_m;
        let z = h.dot(&Vector2::new(truth.0, truth.1)) + off_m;
        let r = (sigma_deg.to_radians() * line.distance_m).powi(2);
        let gain = cov * h / ((h.transpose() * cov * h)[0] + r);
        mean += gain * (z - h.dot(&mean));
        cov -= gain * h.transpose() * cov;
        filtered.push((mean, cov));
    }
    let mut smoothed = filtered.clone();
    for k in (0..filtered.len() - 1).rev() {
        let (m, p) = filtered[k];
        let predicted = p + step;
        let gain = p * predicted.try_inverse().expect("a covariance");
        let (next_m, next_p) = smoothed[k + 1];
        smoothed[k] = (
            m + gain * (next_m - m),
            p + gain * (next_p - predicted) * gain.transpose(),
        );
    }
    Kalman { filtered, smoothed }
}

#[test]
fn with_narrow_bearings_it_is_the_kalman_filter() {
    const SIGMA_DEG: f64 = 0.5;
    const STEP_S: f64 = 30.0;
    let frame = LocalFrame::at(ORIGIN);
    for seed in [3, 4, 5] {
        let walk = walk(seed, 16, SIGMA_DEG, STEP_S);
        let found = track(&walk.bearings, &clean(160)).unwrap();
        let expected = kalman(&walk, SIGMA_DEG, STEP_S);
        for k in 4..16 {
            for (name, ours, (mean, cov)) in [
                ("filtered", &found.steps[k].filtered, expected.filtered[k]),
                ("smoothed", &found.steps[k].smoothed, expected.smoothed[k]),
            ] {
                let ours = ours.as_ref().expect("bearings cross");
                let m = frame.to_local(ours.position);
                let off = Vector2::new(m.0, m.1) - mean;
                let off_sigmas = (off.transpose() * cov.try_inverse().unwrap() * off)[0].sqrt();
                // Straight lines against true bearings: the distance to the station is 3 % off at one sigma across 100 m.
                assert!(off_sigmas < 0.2, "{name} {seed} {k}: {off_sigmas:.2} sigma apart");
                let ellipse = ours.ellipse95.expect("narrow bearings make a normal density");
                let area = ellipse.semi_major_m * ellipse.semi_minor_m;
                let theirs = -2.0 * 0.05_f64.ln() * cov.determinant().sqrt();
                assert!(
                    (area / theirs - 1.0).abs() < 0.1,
                    "{name} {seed} {k}: area {:.3} of the Kalman filter's",
                    area / theirs
                );
            }
        }
    }
}

#[test]
fn the_result_does_not_depend_on_the_order_of_the_bearings() {
    let walk = walk(9, 8, 3.0, 60.0);
    let mut turned = walk.bearings.clone();
    turned.reverse();
    assert_eq!(track(&walk.bearings, &clean(64)), track(&turned, &clean(64)));
}

#[test]
fn a_reflection_is_outvoted_and_a_jump_is_followed() {
    let mut walk = walk(21, 16, 3.0, 60.0);
    // One bearing points elsewhere.
    let wrong = &mut walk.bearings[9];
    let mut bent = from_normal(
        &wrong.station,
        wrong.position,
        wrong.azimuth.turned(95.0),
        3.0,
        (0.0, 0.0),
        wrong.time_utc,
    );
    bent.id.clone_from(&wrong.id);
    *wrong = bent;
    let config = MovingConfig {
        cells_across: 96,
        ..MovingConfig::new(SPEED)
    };
    let found = track(&walk.bearings, &config).unwrap();
    let last = found.steps[15].filtered.as_ref().expect("bearings cross");
    let off_m = inverse(last.position, place(walk.truth_m[15])).distance_m;
    // Five bearings after it, 3 degrees at 3.5 km and a walk of 80 m a minute: some 150 m.
    assert!(off_m < 450.0, "{off_m:.0} m off");
}

#[test]
fn what_cannot_be_followed_is_said() {
    let walk = walk(1, 4, 3.0, 60.0);
    for speed in [0.0, -1.0, f64::NAN, 1e9] {
        let error = track(&walk.bearings, &MovingConfig::new(speed)).unwrap_err();
        assert!(matches!(error, MovingError::Speed(_)), "{error}");
    }
    let mut undated = walk.bearings.clone();
    for b in &mut undated {
        b.time_utc = None;
    }
    assert_eq!(track(&undated, &clean(64)), Err(MovingError::NoTimes));
    undated[0].time_utc = Some(minute(0, 60.0));
    undated[1].time_utc = Some(minute(1, 60.0));
    assert_eq!(track(&undated, &clean(64)).unwrap().without_time, ["b2", "b3"]);
    let alone = vec![walk.bearings[0].clone()];
    assert!(matches!(track(&alone, &clean(64)), Err(MovingError::Hopeless(_))));
    let far = from_normal(
        "x",
        common::at(95.0, 0.0),
        Azimuth::from_degrees(0.0),
        1.0,
        (0.0, 0.0),
        Some(minute(0, 1.0)),
    );
    assert_eq!(track(&[far], &clean(64)), Err(MovingError::NoTimes));
}
