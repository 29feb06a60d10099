//! What holds for any covariance of coherent channels.

#[path = "common/coherent.rs"]
mod scenes;

use std::sync::Arc;

use lobewright_bearing::coherent::{
    ChannelCalibration, ChannelCovariance, ChannelFactor, ChannelNoise, CoherentConfig, CovarianceError,
    Steering, beamformer, estimate_coherent, music,
};
use lobewright_types::{Azimuth, CircleDensity, wrap_signed_degrees};
use nalgebra::DMatrix;
use num_complex::Complex;
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use scenes::{C64, Ring, Scene};

fn array(elements: usize, first_deg: f64) -> Arc<dyn Steering> {
    Arc::new(Ring {
        elements,
        radius_wavelengths: 0.3,
        first_deg,
    })
}

fn config(array: &Arc<dyn Steering>) -> CoherentConfig {
    CoherentConfig::new(array.clone(), Azimuth::from_degrees(0.0), 0.0)
}

fn drawn(
    elements: usize,
    truth_deg: f64,
    snr_db: f64,
    seed: u64,
) -> (Vec<ChannelCovariance>, Option<ChannelNoise>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let scene = Scene {
        bursts: vec![(snr_db, 80), (snr_db + 3.0, 40)],
        noise_samples: 500,
        phase_error_deg: 2.0,
        ..Scene::new(array(elements, 0.0), 0.0, 1)
    };
    scene.draw(truth_deg, &mut rng)
}

/// Largest difference of the probabilities of twelve sectors.
fn difference(a: &CircleDensity, b: &CircleDensity) -> f64 {
    (0..12)
        .map(|k| {
            let arc = lobewright_types::ArcDeg {
                from: Azimuth::from_degrees(30.0 * f64::from(k) + 7.0),
                width_deg: 30.0,
            };
            (a.probability(arc) - b.probability(arc)).abs()
        })
        .fold(0.0, f64::max)
}

fn map(c: &ChannelCovariance, f: impl Fn(usize, usize, C64) -> C64) -> ChannelCovariance {
    let n = c.channels();
    let m = DMatrix::from_fn(n, n, |i, j| f(i, j, c.matrix()[(i, j)]));
    ChannelCovariance::new(&m, c.independent_samples(), c.clip_fraction()).expect("a covariance")
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_turned_array_turns_the_density(
        elements in 3_usize..7, truth in 0.0..360.0, turn in -200.0..200.0, snr in -12.0..25.0, seed in 0_u64..1000,
    ) {
        let (bursts, noise) = drawn(elements, truth, snr, seed);
        let one = estimate_coherent(&bursts, noise.as_ref(), &config(&array(elements, 0.0))).unwrap();
        let other = estimate_coherent(&bursts, noise.as_ref(), &config(&array(elements, turn))).unwrap();
        // Knots lie elsewhere on the turned density: each follows it within 0.06 nats.
        prop_assert!(difference(&one.density.turned(turn), &other.density) < 0.03);
        let heading = CoherentConfig { heading: Azimuth::from_degrees(turn), ..config(&array(elements, 0.0)) };
        let headed = estimate_coherent(&bursts, noise.as_ref(), &heading).unwrap();
        prop_assert!(difference(&one.density.turned(turn), &headed.density) < 0.03);
    }

    #[test]
    fn neither_order_nor_scale_matters(
        truth in 0.0..360.0, snr in -12.0..25.0, seed in 0_u64..1000, scale_db in -150.0_f64..150.0,
    ) {
        let (bursts, noise) = drawn(4, truth, snr, seed);
        let noise = noise.unwrap();
        let one = estimate_coherent(&bursts, Some(&noise), &config(&array(4, 0.0))).unwrap();
        let factor = 10_f64.powf(scale_db / 10.0);
        let scaled: Vec<ChannelCovariance> = bursts.iter().rev().map(|b| map(b, |_, _, v| v * factor)).collect();
        let noise = ChannelNoise { covariance: map(&noise.covariance, |_, _, v| v * factor), ..noise };
        let other = estimate_coherent(&scaled, Some(&noise), &config(&array(4, 0.0))).unwrap();
        prop_assert!(difference(&one.density, &other.density) < 1e-3);
        let shift_db: f64 = other.levels[1].level.unwrap().0 - one.levels[0].level.unwrap().0;
        prop_assert!((shift_db - scale_db).abs() < 1e-6);
    }

    /// Factors on the channels and a calibration that states them exactly leave the answer as it was.
    #[test]
    fn an_exact_calibration_undoes_gain_and_phase(
        truth in 0.0..360.0, snr in -5.0..25.0, seed in 0_u64..1000,
        gains in proptest::collection::vec(-10.0..10.0, 4), phases in proptest::collection::vec(-180.0..180.0, 4),
    ) {
        let (bursts, noise) = drawn(4, truth, snr, seed);
        let noise = noise.unwrap();
        let one = estimate_coherent(&bursts, Some(&noise), &config(&array(4, 0.0))).unwrap();
        let channels: Vec<ChannelFactor> = gains.iter().zip(&phases)
            .map(|(&gain_db, &phase_deg)| ChannelFactor { gain_db, phase_deg, gain_sigma_db: 0.0, phase_sigma_deg: 0.0 })
            .collect();
        let calibration = ChannelCalibration::new(channels).unwrap();
        let f = calibration.factors();
        let turn = |c: &ChannelCovariance| map(c, |i, j, v| f[i] * v * f[j].conj());
        let bursts: Vec<ChannelCovariance> = bursts.iter().map(turn).collect();
        let noise = ChannelNoise { covariance: turn(&noise.covariance), ..noise };
        let config = CoherentConfig { calibration: Some(calibration), ..config(&array(4, 0.0)) };
        let other = estimate_coherent(&bursts, Some(&noise), &config).unwrap();
        prop_assert!(difference(&one.density, &other.density) < 0.01);
    }

    /// Whatever is a covariance gives a density that holds one, and no number that is none.
    #[test]
    fn wild_covariances_do_no_harm(
        elements in 2_usize..6,
        vectors in proptest::collection::vec(proptest::collection::vec((-1.0_f64..1.0, -1.0_f64..1.0), 6), 1..8),
        sizes in proptest::collection::vec(-12.0_f64..12.0, 8),
        samples in prop_oneof![Just(1e-3), Just(1.0), Just(7.5), Just(1e4), Just(1e12)],
        known in any::<bool>(),
        noise_samples in prop_oneof![Just(0.5), Just(20.0), Just(1e9)],
        settings in (0.0_f64..40.0, 0.0_f64..3.0, 0.0_f64..4.0, 0.0_f64..1.0, 0.0_f64..1.0, 0.0_f64..400.0),
    ) {
        let array = array(elements, 10.0);
        let mut sum = DMatrix::<C64>::zeros(elements, elements);
        for (v, size) in vectors.iter().zip(&sizes) {
            for i in 0..elements {
                for j in 0..elements {
                    let (a, b) = (Complex::new(v[i].0, v[i].1), Complex::new(v[j].0, v[j].1));
                    sum[(i, j)] += a * b.conj() * 10_f64.powf(*size);
                }
            }
        }
        let Ok(burst) = ChannelCovariance::new(&sum, samples, 0.1) else { return Ok(()) };
        let noise = known.then(|| ChannelNoise {
            covariance: ChannelCovariance::new(burst.matrix(), noise_samples, 0.0).unwrap(),
            level_rel_sigma: 0.05,
        });
        let config = CoherentConfig {
            phase_error_deg: settings.0, gain_error_db: settings.1, channel_error_ln_sigma: settings.2,
            exact_share: settings.3, reflection_prior: settings.4, heading_sigma_deg: settings.5,
            ..config(&array)
        };
        let estimate = estimate_coherent(&[burst.clone(), burst.clone()], noise.as_ref(), &config).unwrap();
        prop_assert!(estimate.density.ln_per_deg().iter().all(|v| v.is_finite()));
        prop_assert!(estimate.sigma_deg.is_finite() && estimate.reduced_chi_square.is_finite());
        prop_assert!(estimate.phase_error_deg.is_finite() && estimate.gain_error_db.is_finite());
        prop_assert!(!estimate.arcs95.is_empty() && !estimate.modes.is_empty());
        if let Some(second) = estimate.reflection {
            prop_assert!(second.relative_level_db.is_finite() && second.probability.is_finite());
        }
        for level in &estimate.levels {
            prop_assert!(level.level.is_none_or(|l| l.0.is_finite()) && level.snr_db.is_none_or(f64::is_finite));
        }
        let _ = (beamformer(&burst, &*array), music(&burst, &*array, 1));
    }

    /// Any numbers at all: a covariance or a reason.
    #[test]
    fn wild_numbers_are_no_covariance(numbers in proptest::collection::vec((any::<f64>(), any::<f64>()), 9), samples in any::<f64>()) {
        let m = DMatrix::from_fn(3, 3, |i, j| Complex::new(numbers[3 * i + j].0, numbers[3 * i + j].1));
        if let Ok(c) = ChannelCovariance::new(&m, samples, samples) {
            let _ = estimate_coherent(&[c], None, &config(&array(3, 0.0))).unwrap();
        }
    }
}

#[test]
fn no_covariance_has_its_reason() {
    let unit = DMatrix::<C64>::identity(3, 3);
    let error = |m: &DMatrix<C64>, samples: f64| ChannelCovariance::new(m, samples, 0.0).unwrap_err();
    let check = |e: CovarianceError, text: &str| assert_eq!(e.to_string(), text);
    check(
        error(&DMatrix::zeros(2, 3), 1.0),
        "a covariance of 2 x 3 elements: it must be square, of 2 to 64 channels",
    );
    check(
        error(&unit, 0.0),
        "0 independent samples: it must be a finite number above 0",
    );
    check(error(&DMatrix::zeros(3, 3), 1.0), "the channels hold no power");
    let mut bad = unit.clone();
    bad[(0, 1)] = Complex::new(f64::NAN, 0.0);
    check(
        error(&bad, 1.0),
        "covariance of channels 0 and 1 (from 0) is not a finite number",
    );
    bad[(0, 1)] = Complex::new(0.0, 0.5);
    check(
        error(&bad, 1.0),
        "covariance of channels 0 and 1 (from 0) is not the conjugate of its mirror, or a power below 0",
    );
}

/// Settings that are no numbers are taken as none.
#[test]
fn settings_that_are_no_numbers_do_no_harm() {
    let (bursts, noise) = drawn(4, 200.0, 10.0, 7);
    for wrong in [f64::NAN, f64::INFINITY, -1.0] {
        let config = CoherentConfig {
            heading_sigma_deg: wrong,
            phase_error_deg: wrong,
            gain_error_db: wrong,
            channel_error_ln_sigma: wrong,
            exact_share: wrong,
            reflection_prior: wrong,
            ..config(&array(4, 0.0))
        };
        let noise = noise.clone().map(|n| ChannelNoise {
            level_rel_sigma: wrong,
            ..n
        });
        let estimate = estimate_coherent(&bursts, noise.as_ref(), &config).unwrap();
        assert!(estimate.density.ln_per_deg().iter().all(|v| v.is_finite()));
        assert!(estimate.phase_error_deg.is_finite() && estimate.heading_sigma_deg.is_finite());
    }
}

#[test]
fn the_same_samples_give_the_same_bytes() {
    let (bursts, noise) = drawn(5, 77.0, 3.0, 5);
    let once = || estimate_coherent(&bursts, noise.as_ref(), &config(&array(5, 0.0))).unwrap();
    assert_eq!(once(), once());
    assert!(wrap_signed_degrees(once().azimuth.degrees() - 77.0).abs() < 20.0);
}
