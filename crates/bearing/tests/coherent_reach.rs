//! Errors of directions from coherent channels against their bounds, and how often the intervals hold the truth.
//!
//! More rows and trials: `docs/accuracy.md`.

#[path = "common/coherent.rs"]
mod scenes;

use lobewright_bearing::coherent::{ChannelCovariance, ChannelNoise, CoherentConfig, estimate_coherent};
use lobewright_types::{Azimuth, wrap_signed_degrees};
use nalgebra::DMatrix;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use scenes::{C64, Scene, complex_normal, measured, ring};

#[derive(Default)]
struct Tally {
    trials: usize,
    squares: f64,
    scaled: f64,
    held: usize,
    gross_unshown: usize,
}

impl Tally {
    fn run(&mut self, scene: &Scene, trials: usize, seed: u64) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let config = CoherentConfig::new(scene.manifold.clone(), Azimuth::from_degrees(0.0), 0.0);
        for _ in 0..trials {
            let truth = 360.0 * rng.random::<f64>();
            let (bursts, noise) = scene.draw(truth, &mut rng);
            let estimate = estimate_coherent(&bursts, noise.as_ref(), &config).expect("a burst");
            let error = wrap_signed_degrees(estimate.azimuth.degrees() - truth);
            let bound = scene.bounds_deg(truth).with_errors_deg;
            self.trials += 1;
            self.squares += (error / bound).powi(2);
            self.scaled += error / estimate.sigma_deg;
            let held = estimate
                .arcs95
                .iter()
                .any(|a| a.contains(Azimuth::from_degrees(truth)));
            self.held += usize::from(held);
            let shown = estimate.modes.iter().any(|m| {
                let apart = wrap_signed_degrees(m.azimuth.degrees() - truth).abs();
                apart <= (2.0 * m.sigma_deg).max(30.0)
            });
            self.gross_unshown += usize::from(error.abs() > 30.0 && !shown);
        }
    }

    fn ratio(&self) -> f64 {
        (self.squares / self.trials as f64).sqrt()
    }

    /// Aims: 93 to 97 % held; RMS within 10 % of the bound; bias within 0.1 sigma; each with 2.6 standard errors (1 % of chance).
    fn check(&self, most: f64) {
        let n = self.trials as f64;
        let held = self.held as f64 / n;
        assert!(held > 0.93 - 2.6 * (0.93 * 0.07 / n).sqrt(), "held {held}");
        assert!(
            held < most + 2.6 * (most * (1.0 - most) / n).sqrt(),
            "held {held}"
        );
        assert!(
            self.ratio() < 1.1 * (1.0 + 2.6 / (2.0 * n).sqrt()),
            "{}",
            self.ratio()
        );
        assert!(
            (self.scaled / n).abs() < 0.1 + 2.6 / n.sqrt(),
            "{}",
            self.scaled / n
        );
        assert_eq!(self.gross_unshown, 0);
    }
}

#[test]
fn reaches_the_bound_with_known_channels() {
    let mut tally = Tally::default();
    for (array, seed) in [(ring(4, 0.25), 11), (ring(5, 0.4), 12), (ring(8, 0.4), 13)] {
        for snr_db in [20.0, 40.0] {
            tally.run(&Scene::new(array.clone(), snr_db, 250), 70, seed);
        }
    }
    tally.check(0.97);
}

/// Near 0 dB the noise hides channel errors of the expected size; they are allowed for and are not there. Over 300 trials the
/// intervals held the truth in 97 to 99 %, more than the 97 % aimed at.
#[test]
fn reaches_the_bound_with_weak_signals() {
    let mut tally = Tally::default();
    for (name, seed) in [("square4_open", 21), ("square4_50ohm", 22)] {
        tally.run(&Scene::new(measured(name), 0.0, 250), 120, seed);
    }
    tally.check(0.985);
}

#[test]
fn allows_for_channel_errors_of_unknown_size() {
    let mut tally = Tally::default();
    for (array, seed) in [
        (ring(4, 0.25), 31),
        (measured("square4_50ohm"), 32),
        (ring(8, 0.4), 33),
    ] {
        for snr_db in [0.0, 20.0, 40.0] {
            let scene = Scene {
                phase_error_deg: 3.0,
                gain_error_db: 0.3,
                ..Scene::new(array.clone(), snr_db, 250)
            };
            tally.run(&scene, 50, seed);
        }
    }
    tally.check(0.97);
}

#[test]
fn joins_bursts_of_different_power_and_unequal_noise() {
    let square = measured("square4_50ohm");
    let mut tally = Tally::default();
    let bursts = Scene {
        bursts: vec![(-5.0, 100), (5.0, 50), (15.0, 200)],
        gaussian: false,
        ..Scene::new(square.clone(), 0.0, 1)
    };
    tally.run(&bursts, 100, 41);
    let unequal = Scene {
        noise_db: vec![0.0, 6.0, -3.0, 3.0],
        ..Scene::new(square.clone(), 3.0, 250)
    };
    tally.run(&unequal, 100, 42);
    let short = Scene {
        noise_samples: 0,
        ..Scene::new(square, 15.0, 12)
    };
    tally.run(&short, 100, 43);
    tally.check(0.985);
}

/// No bound here: intervals only. The direct wave is the stronger one by little or not at all.
#[test]
fn holds_the_direct_wave_beside_a_second_arrival() {
    for (array, seed) in [
        (ring(3, 0.4), 51),
        (measured("square4_50ohm"), 52),
        (ring(5, 0.4), 53),
    ] {
        let mut tally = Tally::default();
        for level_db in [-10.0, -6.0, -3.0, 0.0] {
            let scene = Scene {
                reflection_db: Some(level_db),
                phase_error_deg: 1.0,
                gain_error_db: 0.1,
                ..Scene::new(array.clone(), 20.0, 250)
            };
            tally.run(&scene, 60, seed);
        }
        let held = tally.held as f64 / tally.trials as f64;
        // 240 trials: a standard error of 1.6 % at 93 %.
        assert!(held > 0.93 - 2.6 * 0.016, "{seed}: {held}");
        // Three channels show no mode in some 0.5 % of the trials (1600 trials), others in none of 4800.
        assert!(tally.gross_unshown <= 4 * usize::from(seed == 51), "{seed}");
    }
}

/// A carrier in a channel sampled at four times its noise bandwidth: the sum over four neighbours has the noise bandwidth of a
/// quarter of the rate at 0 Hz and everywhere else, so a quarter of the samples are independent. The stated sigma is the true
/// one, to the chance of 300 trials (4 %), and not half of it.
#[test]
fn noise_bandwidth_decides_for_a_carrier() {
    let array = ring(4, 0.3);
    let (length, over) = (1200_usize, 4_usize);
    let config = CoherentConfig {
        exact_share: 1.0,
        ..CoherentConfig::new(array.clone(), Azimuth::from_degrees(0.0), 0.0)
    };
    let mut rng = ChaCha8Rng::seed_from_u64(61);
    let scene = Scene::new(array, 0.0, 1);
    let noise = ChannelNoise {
        covariance: ChannelCovariance::new(&DMatrix::identity(4, 4), 1e6, 0.0).unwrap(),
        level_rel_sigma: 0.01,
    };
    let (mut squares, mut trials) = (0.0, 0.0);
    for _ in 0..300 {
        let truth = 360.0 * rng.random::<f64>();
        let a = scene.response(truth);
        let raw: Vec<Vec<C64>> = (0..4)
            .map(|_| (0..length + over).map(|_| complex_normal(&mut rng)).collect())
            .collect();
        let mut sum = DMatrix::<C64>::zeros(4, 4);
        for t in 0..length {
            let x: Vec<C64> = (0..4)
                .map(|k| a[k] + raw[k][t..t + over].iter().sum::<C64>() / (over as f64).sqrt())
                .collect();
            for i in 0..4 {
                for j in 0..4 {
                    sum[(i, j)] += x[i] * x[j].conj() / length as f64;
                }
            }
        }
        let burst = ChannelCovariance::new(&sum, (length / over) as f64, 0.0).unwrap();
        let estimate = estimate_coherent(&[burst], Some(&noise), &config).unwrap();
        let error = wrap_signed_degrees(estimate.azimuth.degrees() - truth);
        squares += (error / estimate.sigma_deg).powi(2);
        trials += 1.0;
    }
    let ratio = (squares / trials).sqrt();
    assert!((ratio - 1.0).abs() < 0.12, "{ratio}");
}
