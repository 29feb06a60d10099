//! The delay between track and samples: found where the antenna is swung, inside the error where it is not.

mod common;

use common::{Scene, config, holds, normal, pattern};
use lobewright_bearing::{EstimatorConfig, estimate};
use lobewright_types::{Azimuth, LevelReading, Pointing, wrap_signed_degrees};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const STEP_S: f64 = 0.05;

/// Boresight and rate of an antenna swung to and fro over a third of the circle on each side, 120 degrees a second at
/// most.
fn swung(time_s: f64, middle_deg: f64) -> (f64, f64) {
    let phase = time_s * 1.2;
    (middle_deg + 100.0 * phase.sin(), 120.0 * phase.cos())
}

/// Readings of what the antenna saw where it really was, with boresights as the late track gives them.
fn readings(delay_s: f64, truth_deg: f64, rng: &mut ChaCha8Rng) -> Vec<LevelReading> {
    let middle_deg = 360.0 * rng.random::<f64>();
    let mut scene = Scene::full_turn(100, 300.0, 20.0, 0.5);
    scene.step_s = STEP_S;
    let at = |k: usize| STEP_S * k as f64;
    scene.boresights_deg = (0..100).map(|k| swung(at(k) + delay_s, middle_deg).0).collect();
    let mut readings = scene.draw(&pattern("yagi3"), truth_deg, rng);
    for (k, r) in readings.iter_mut().enumerate() {
        let (boresight_deg, rate) = swung(at(k), middle_deg);
        r.pointing = Pointing::Boresight {
            azimuth: Azimuth::from_degrees(boresight_deg),
            turn_deg: rate * r.length_s,
        };
    }
    readings
}

/// 30 trials with delays of 0.15 s (1 sigma): the delay is found to a small part of that, the bearing is far better than
/// the 9 degrees that it would be off on a mean, and both hold the truth by their own errors. Limits: binomial, 95 % of
/// 30, less than 24 with a chance below 1e-3; 3 sigma of a normal error are passed in 0.08 of 30.
#[test]
fn a_swung_antenna_tells_its_delay() {
    let mut rng = ChaCha8Rng::seed_from_u64(31);
    let config = EstimatorConfig {
        latency_sigma_s: 0.15,
        ..config(&pattern("yagi3"))
    };
    let (mut held, mut within, mut squares, mut delays) = (0, 0, 0.0, 0.0);
    for _ in 0..30 {
        let truth = 360.0 * rng.random::<f64>();
        let delay_s = 0.15 * normal(&mut rng);
        let readings = readings(delay_s, truth, &mut rng);
        let e = estimate(&readings, &config).unwrap();
        let latency = e.latency.expect("an antenna at changing rates");
        within += usize::from((latency.delay_s - delay_s).abs() < 3.0 * latency.sigma_s);
        delays += (latency.delay_s - delay_s).powi(2) / 30.0;
        held += usize::from(holds(&e.arcs95, truth));
        squares += wrap_signed_degrees(e.azimuth.degrees() - truth).powi(2) / 30.0;
    }
    assert!(held >= 24, "{held} of 30");
    assert!(within >= 27, "{within} of 30");
    assert!(delays.sqrt() < 0.03, "{}", delays.sqrt());
    assert!(squares.sqrt() < 2.0, "{}", squares.sqrt());
}

/// An antenna at one rate: nothing tells the delay, and its error is added to the bearing's.
#[test]
fn one_rate_leaves_the_delay_in_the_error() {
    let mut rng = ChaCha8Rng::seed_from_u64(32);
    let mut readings = Scene::full_turn(72, 300.0, 20.0, 0.0).draw(&pattern("yagi3"), 200.0, &mut rng);
    for r in &mut readings {
        if let Pointing::Boresight { turn_deg, .. } = &mut r.pointing {
            *turn_deg = 5.0;
        }
    }
    let sure = estimate(&readings, &config(&pattern("yagi3"))).unwrap();
    let config = EstimatorConfig {
        latency_sigma_s: 0.03,
        ..config(&pattern("yagi3"))
    };
    let unsure = estimate(&readings, &config).unwrap();
    assert!(unsure.latency.is_none());
    // 100 degrees a second times 0.03 s.
    assert!(
        (unsure.sigma_deg.hypot(-sure.sigma_deg) - 3.0).abs() < 0.3,
        "{}",
        unsure.sigma_deg
    );
}
