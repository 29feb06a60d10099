//! Gain and phase of the channels from signals of known direction.

#[path = "common/coherent.rs"]
mod scenes;

use lobewright_bearing::coherent::{
    CalibrationError, ChannelCalibration, ChannelCovariance, CoherentConfig, KnownDirection,
    estimate_coherent,
};
use lobewright_types::{Azimuth, wrap_signed_degrees};
use nalgebra::DMatrix;
use num_complex::Complex;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use scenes::{C64, Scene, measured, normal, ring};

/// Gains and phases of a receiver's channels.
fn channels(n: usize, rng: &mut ChaCha8Rng) -> Vec<C64> {
    (0..n)
        .map(|_| Complex::from_polar((0.3 * normal(rng)).exp(), 2.0 * normal(rng)))
        .collect()
}

fn through(c: &ChannelCovariance, factors: &[C64]) -> ChannelCovariance {
    let n = factors.len();
    let m = DMatrix::from_fn(n, n, |i, j| factors[i] * c.matrix()[(i, j)] * factors[j].conj());
    ChannelCovariance::new(&m, c.independent_samples(), 0.0).expect("a covariance")
}

/// Error of the factors in stated sigmas and their number, what all have in common taken off by the stated convention.
fn squares(calibration: &ChannelCalibration, truth: &[C64]) -> (f64, f64) {
    let n = truth.len() as f64;
    let found = calibration.factors();
    let ratio: Vec<C64> = found.iter().zip(truth).map(|(f, t)| f / t).collect();
    let turn = ratio.iter().map(|r| r / r.norm()).sum::<C64>().arg();
    let level = ratio.iter().map(|r| r.norm().ln()).sum::<f64>() / n;
    let (mut sum, mut count) = (0.0, 0.0);
    for (r, c) in ratio.iter().zip(calibration.channels()) {
        let gain_db = 20.0 * (r.norm().ln() - level) / std::f64::consts::LN_10;
        let phase_deg = wrap_signed_degrees((r.arg() - turn).to_degrees());
        sum += (gain_db / c.gain_sigma_db).powi(2) + (phase_deg / c.phase_sigma_deg).powi(2);
        count += 2.0;
    }
    // The mean level and the common phase are taken from the same numbers.
    (sum, count - 2.0)
}

#[test]
fn factors_are_found_within_their_stated_errors() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let (mut sum, mut count) = (0.0, 0.0);
    for trial in 0..60 {
        let array = if trial % 2 == 0 {
            ring(5, 0.4)
        } else {
            measured("square4_50ohm")
        };
        let factors = channels(array.channels(), &mut rng);
        let azimuth = 6.0 * f64::from(trial);
        let (bursts, _) = Scene::new(array.clone(), 15.0, 300).draw(azimuth, &mut rng);
        let seen = through(&bursts[0], &factors);
        // Noise before the channels' gains: unequal behind them.
        let noise = scenes_noise(&factors);
        let found = ChannelCalibration::from_known_direction(&seen, azimuth, &*array, Some(&noise)).unwrap();
        let (s, c) = squares(&found, &factors);
        sum += s;
        count += c;
    }
    // Mean square of 420 numbers: standard error 7 %, somewhat more as they hang together.
    let ratio = sum / count;
    assert!((0.8..1.25).contains(&ratio), "{ratio}");
}

fn scenes_noise(factors: &[C64]) -> lobewright_bearing::coherent::ChannelNoise {
    let n = factors.len();
    let unit = ChannelCovariance::new(&DMatrix::identity(n, n), 1e6, 0.0).expect("a covariance");
    lobewright_bearing::coherent::ChannelNoise {
        covariance: through(&unit, factors),
        level_rel_sigma: 0.01,
    }
}

/// An error of the manifold, new in each direction, shows in the scatter of the directions and in the stated errors.
#[test]
fn several_directions_show_an_error_of_the_manifold() {
    let array = ring(5, 0.4);
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let (mut sum, mut count, mut sigma) = (0.0, 0.0, 0.0);
    for _ in 0..40 {
        let factors = channels(5, &mut rng);
        let scene = Scene {
            phase_error_deg: 4.0,
            gain_error_db: 0.6,
            ..Scene::new(array.clone(), 30.0, 500)
        };
        let azimuths = [10.0, 55.0, 140.0, 200.0, 290.0, 330.0];
        let seen: Vec<ChannelCovariance> = azimuths
            .iter()
            .map(|&a| through(&scene.draw(a, &mut rng).0[0], &factors))
            .collect();
        let known: Vec<KnownDirection> = azimuths
            .iter()
            .zip(&seen)
            .map(|(&azimuth_mount_deg, covariance)| KnownDirection {
                covariance,
                azimuth_mount_deg,
            })
            .collect();
        let noise = scenes_noise(&factors);
        let found = ChannelCalibration::from_known_directions(&known, &*array, Some(&noise)).unwrap();
        let (s, c) = squares(&found, &factors);
        sum += s;
        count += c;
        sigma += found.channels().iter().map(|c| c.phase_sigma_deg).sum::<f64>() / 5.0 / 40.0;
    }
    // The scatter of six directions has five free components: squares over it are of Fisher's F with (1, 5), mean 5 / 3.
    let ratio = sum / count;
    assert!((1.2..2.2).contains(&ratio), "{ratio}");
    // 4 degrees less the share that the common phase takes (4 / 5), in six directions.
    assert!(
        (sigma / (4.0 * 0.8_f64.sqrt() / 6.0_f64.sqrt()) - 1.0).abs() < 0.2,
        "{sigma}"
    );
}

#[test]
fn a_calibration_makes_bearings_right_and_stays_honest() {
    let array = ring(5, 0.4);
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    let (mut squares, mut held) = (0.0, 0);
    for trial in 0..150 {
        let factors = channels(5, &mut rng);
        let noise = scenes_noise(&factors);
        let (known, _) = Scene::new(array.clone(), 0.0, 400).draw(30.0, &mut rng);
        let seen = through(&known[0], &factors);
        let calibration =
            ChannelCalibration::from_known_direction(&seen, 30.0, &*array, Some(&noise)).unwrap();
        let truth = wrap_signed_degrees(100.0 + 2.4 * f64::from(trial));
        let (bursts, _) = Scene::new(array.clone(), 25.0, 400).draw(truth, &mut rng);
        let config = CoherentConfig {
            calibration: Some(calibration),
            exact_share: 1.0,
            ..CoherentConfig::new(array.clone(), Azimuth::from_degrees(0.0), 0.0)
        };
        let estimate = estimate_coherent(&[through(&bursts[0], &factors)], Some(&noise), &config).unwrap();
        let error = wrap_signed_degrees(estimate.azimuth.degrees() - truth);
        squares += (error / estimate.sigma_deg).powi(2) / 150.0;
        let at = Azimuth::from_degrees(truth);
        held += usize::from(estimate.arcs95.iter().any(|a| a.contains(at)));
    }
    // The calibration's error is five times the burst's own: without it in the density this would be 25.
    assert!((0.65..1.45).contains(&squares), "{squares}");
    // 95 % of 150 with a standard error of 1.8 %.
    assert!((135..=150).contains(&held), "{held}");
}

#[test]
fn a_calibration_goes_into_a_file_and_back() {
    let array = ring(3, 0.3);
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let (bursts, noise) = Scene::new(array.clone(), 20.0, 300).draw(50.0, &mut rng);
    let made = ChannelCalibration::from_known_direction(&bursts[0], 50.0, &*array, noise.as_ref()).unwrap();
    let json = serde_json::to_string(&made).unwrap();
    let back: ChannelCalibration = serde_json::from_str(&json).unwrap();
    for (a, b) in made.channels().iter().zip(back.channels()) {
        // A reader of decimal text may miss the last bit.
        assert!(
            (a.phase_deg - b.phase_deg).abs() < 1e-12 && (a.gain_sigma_db - b.gain_sigma_db).abs() < 1e-12
        );
    }
    let toml = toml::to_string(&made).unwrap();
    let back: ChannelCalibration = toml::from_str(&toml).unwrap();
    assert_eq!(back.channels().len(), 3);
    let wrong = toml.replacen("gain_sigma_db = ", "gain_sigma_db = -", 1);
    let error = toml::from_str::<ChannelCalibration>(&wrong)
        .unwrap_err()
        .to_string();
    assert!(error.contains("`gain_sigma_db` of channel 0"), "{error}");
    let short = r#"{"channels": []}"#;
    let error = serde_json::from_str::<ChannelCalibration>(short)
        .unwrap_err()
        .to_string();
    assert!(error.starts_with("0 channels: there must be 2 to 64"), "{error}");
}

#[test]
fn what_cannot_be_calibrated_is_said() {
    let array = ring(3, 0.3);
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let (bursts, noise) = Scene::new(array.clone(), 20.0, 300).draw(50.0, &mut rng);
    let from = |known: &[KnownDirection], n: usize| {
        ChannelCalibration::from_known_directions(known, &*ring(n, 0.3), noise.as_ref()).unwrap_err()
    };
    let at = |azimuth_mount_deg| KnownDirection {
        covariance: &bursts[0],
        azimuth_mount_deg,
    };
    let check = |e: CalibrationError, text: &str| assert_eq!(e.to_string(), text);
    check(from(&[], 3), "no signal of known direction was given");
    check(
        from(&[at(50.0)], 4),
        "direction 0 (from 0) has 3 channels but the manifold has 4",
    );
    check(
        from(&[at(50.0), at(f64::NAN)], 3),
        "direction 1 (from 0) is not a finite number of degrees",
    );
    let silent = noise.as_ref().unwrap().covariance.clone();
    let flat = ChannelCovariance::new(&DMatrix::identity(3, 3), silent.independent_samples(), 0.0).unwrap();
    let known = KnownDirection {
        covariance: &flat,
        azimuth_mount_deg: 0.0,
    };
    let error = ChannelCalibration::from_known_directions(&[known], &*array, None).unwrap_err();
    check(error, "direction 0 (from 0) holds no signal above the noise");
}
