//! Directions from coherent channels, held against closed forms and sums by brute force.

#[path = "common/coherent.rs"]
mod scenes;

use std::f64::consts::TAU;
use std::sync::Arc;

use lobewright_bearing::Taken;
use lobewright_bearing::coherent::{
    ChannelCovariance, ChannelNoise, CoherentConfig, Steering, beamformer, coherent_bearing,
    estimate_coherent, music,
};
use lobewright_types::{Azimuth, BearingFlag, NoBearingReason, Position, wrap_signed_degrees};
use nalgebra::DMatrix;
use num_complex::Complex;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use scenes::{C64, Ring, Scene, measured, ring};

fn config(array: &Arc<dyn Steering>) -> CoherentConfig {
    CoherentConfig::new(array.clone(), Azimuth::from_degrees(0.0), 0.0)
}

/// Channels without error, no second arrival.
fn plain(array: &Arc<dyn Steering>) -> CoherentConfig {
    CoherentConfig {
        exact_share: 1.0,
        reflection_prior: 0.0,
        ..config(array)
    }
}

fn apart(a: f64, b: f64) -> f64 {
    wrap_signed_degrees(a - b).abs()
}

/// Covariance without any chance: signal and noise as they are on average.
fn exact(array: &dyn Steering, azimuth_deg: f64, snr: f64, samples: f64) -> ChannelCovariance {
    let n = array.channels();
    let mut a = vec![C64::default(); n];
    array.response(azimuth_deg, &mut a);
    let matrix = DMatrix::from_fn(n, n, |i, j| {
        a[i] * a[j].conj() * snr
            + if i == j {
                C64::new(1.0, 0.0)
            } else {
                C64::default()
            }
    });
    ChannelCovariance::new(&matrix, samples, 0.0).expect("a covariance")
}

fn white(channels: usize) -> ChannelNoise {
    ChannelNoise {
        covariance: ChannelCovariance::new(&DMatrix::identity(channels, channels), 1e6, 0.0)
            .expect("a covariance"),
        level_rel_sigma: 0.001,
    }
}

#[test]
fn a_strong_signal_has_one_narrow_direction_from_true_north() {
    let array = ring(5, 0.4);
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let (bursts, noise) = Scene::new(array.clone(), 30.0, 500).draw(123.4, &mut rng);
    let config = CoherentConfig {
        heading: Azimuth::from_degrees(20.0),
        ..config(&array)
    };
    let estimate = estimate_coherent(&bursts, noise.as_ref(), &config).unwrap();
    assert!(apart(estimate.azimuth.degrees(), 143.4) < 4.0 * estimate.sigma_deg);
    assert!(estimate.sigma_deg < 0.1);
    assert_eq!(estimate.modes.len(), 1);
    assert!(estimate.flags.is_empty(), "{:?}", estimate.flags);
    // 30 dB in a channel of noise power 1: full scale is 1, so the level is 30 dBFS, to a chance of 1 / sqrt(500).
    let level = estimate.levels[0];
    assert!((level.level.unwrap().0 - 30.0).abs() < 0.8 && (level.snr_db.unwrap() - 30.0).abs() < 0.8);
    let bearing = coherent_bearing(
        &estimate,
        Taken {
            id: "a".into(),
            station: "b".into(),
            time_utc: None,
            position: Position::from_lat_lon(48.0, 11.0).expect("a place"),
            position_sigma_m: 5.0,
            frequency_hz: Some(145e6),
        },
    );
    assert_eq!(bearing.azimuth, estimate.azimuth);
    assert_eq!(bearing.readings, 5);
    assert_eq!(bearing.level, level.level);
}

/// Schmidt (1986) and Van Trees (2002), section 9.2: without chance both peak at the source.
#[test]
fn baselines_find_the_source_of_an_exact_covariance() {
    for array in [
        ring(3, 0.3),
        ring(4, 0.25),
        ring(8, 0.45),
        measured("square4_50ohm"),
    ] {
        for azimuth in [0.0, 77.7, 200.1, 359.9] {
            let covariance = exact(&*array, azimuth, 0.5, 100.0);
            for found in [beamformer(&covariance, &*array), music(&covariance, &*array, 1)] {
                assert!(apart(found.unwrap().degrees(), azimuth) < 1e-3);
            }
            let estimate = estimate_coherent(&[covariance], Some(&white(array.channels())), &plain(&array));
            assert!(apart(estimate.unwrap().azimuth.degrees(), azimuth) < 0.2);
        }
    }
    assert!(music(&exact(&*ring(3, 0.3), 1.0, 1.0, 1.0), &*ring(4, 0.3), 1).is_none());
    assert!(music(&exact(&*ring(3, 0.3), 1.0, 1.0, 1.0), &*ring(3, 0.3), 3).is_none());
}

/// With two elements of equal response every method reads the phase between the channels: `arg R_12 = 4 pi r cos(azimuth)`.
#[test]
fn two_elements_are_an_interferometer() {
    let array: Arc<dyn Steering> = Arc::new(Ring {
        elements: 2,
        radius_wavelengths: 0.2,
        first_deg: 0.0,
    });
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    for truth in [40.0, 100.0, 250.0] {
        let (bursts, noise) = Scene::new(array.clone(), 10.0, 300).draw(truth, &mut rng);
        let phase = bursts[0].matrix()[(0, 1)].arg();
        let side = (phase / (2.0 * TAU * 0.2)).acos().to_degrees();
        let either = |found: f64| apart(found, side).min(apart(found, -side));
        assert!(either(beamformer(&bursts[0], &*array).unwrap().degrees()) < 1e-3);
        let estimate = estimate_coherent(&bursts, noise.as_ref(), &plain(&array)).unwrap();
        // The two sides are two modes alike, each near the closed form (the noise covariance is not quite even).
        assert_eq!(estimate.modes.len(), 2);
        assert!(estimate.flags.contains(&BearingFlag::Ambiguous));
        for mode in &estimate.modes {
            assert!((mode.probability - 0.5).abs() < 0.02, "{}", mode.probability);
            assert!(either(mode.azimuth.degrees()) < 0.2 * mode.sigma_deg + 0.05);
        }
    }
}

/// The phase of a cross spectrum of coherence `c` from `M` samples has the variance `(1 - c^2) / (2 M c^2)` (Bendat & Piersol, *Random
/// Data*, 2010, section 9.1, from memory), `c = s / (1 + s)` here. The bound and the stated sigma agree with it.
#[test]
fn sigma_of_an_interferometer_has_its_closed_form() {
    let array: Arc<dyn Steering> = Arc::new(Ring {
        elements: 2,
        radius_wavelengths: 0.25,
        first_deg: 0.0,
    });
    for snr_db in [0.0, 10.0, 20.0] {
        let snr = 10_f64.powf(snr_db / 10.0);
        let coherence = snr / (1.0 + snr);
        let phase_sigma = ((1.0 - coherence * coherence) / (2.0 * 2000.0 * coherence * coherence)).sqrt();
        // At 90 degrees the phase changes by 4 pi r radians in a radian.
        let sigma = (phase_sigma / (2.0 * TAU * 0.25)).to_degrees();
        let bound = Scene::new(array.clone(), snr_db, 2000).bounds_deg(90.0);
        assert!((bound.unconditional_deg / sigma - 1.0).abs() < 1e-4);
        let covariance = exact(&*array, 90.0, snr, 2000.0);
        let estimate = estimate_coherent(&[covariance], Some(&white(2)), &plain(&array)).unwrap();
        // Knots of the density follow it within 0.06 nats: sigma within 3 %.
        assert!(
            (estimate.sigma_deg / sigma - 1.0).abs() < 0.04,
            "{} {sigma}",
            estimate.sigma_deg
        );
    }
}

/// For a uniform linear array, one source and phase `w` from element to element the bound is `var(w) = 6 (1 + 1 / (m s)) / (M s m (m^2 -
/// 1))` (Stoica & Nehorai, *MUSIC, maximum likelihood, and Cramer-Rao bound*, IEEE Trans. ASSP 37, 1989, section V, with their
/// large-sample factor for Gaussian signals of 1990; from memory).
#[test]
fn the_bound_has_its_closed_form_for_a_linear_array() {
    #[derive(Debug)]
    struct Line(usize);
    impl Steering for Line {
        fn channels(&self) -> usize {
            self.0
        }
        fn response(&self, azimuth_deg: f64, out: &mut [C64]) {
            for (k, v) in out.iter_mut().enumerate() {
                *v = Complex::cis(0.5 * TAU * k as f64 * azimuth_deg.to_radians().sin());
            }
        }
    }
    for m in [2_usize, 4, 7] {
        for (snr_db, azimuth) in [(-10.0, 0.0), (0.0, 30.0), (20.0, -50.0)] {
            let snr = 10_f64.powf(snr_db / 10.0);
            let n = m as f64;
            let var = 6.0 * (1.0 + 1.0 / (n * snr)) / (100.0 * snr * n * (n * n - 1.0));
            let slope = 0.5 * TAU * f64::to_radians(azimuth).cos();
            let want = (var.sqrt() / slope).to_degrees();
            let scene = Scene::new(Arc::new(Line(m)), snr_db, 100);
            let got = scene.bounds_deg(azimuth);
            assert!((got.unconditional_deg / want - 1.0).abs() < 1e-4);
            assert!((got.with_errors_deg / want - 1.0).abs() < 1e-4);
            let known = (1.0 + 1.0 / (n * snr)).sqrt();
            assert!((got.conditional_deg * known / want - 1.0).abs() < 1e-4);
        }
    }
}

/// The density against sums over signal-to-noise and noise level of the complex Wishart density itself, determinants and
/// inverses in full (Goodman, Ann. Math. Statist. 34, 1963).
#[test]
fn the_density_is_that_of_brute_force() {
    let array = ring(3, 0.35);
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    for snr_db in [-10.0, -3.0, 6.0] {
        let (bursts, _) = Scene::new(array.clone(), snr_db, 60).draw(100.0, &mut rng);
        let noise = ChannelNoise {
            level_rel_sigma: 0.1,
            ..white(3)
        };
        let estimate = estimate_coherent(&bursts, Some(&noise), &plain(&array)).unwrap();
        let ln: Vec<f64> = (0..120)
            .map(|k| brute_force(&*array, &bursts[0], 3.0 * f64::from(k)))
            .collect();
        let best = (0..120)
            .max_by(|&a, &b| ln[a].total_cmp(&ln[b]))
            .expect("not empty");
        let got = |k: usize| {
            let at = Azimuth::from_degrees(3.0 * k as f64);
            estimate.density.ln_density_per_deg(at)
        };
        for (k, value) in ln.iter().enumerate() {
            if *value > ln[best] - 8.0 {
                let off = (got(k) - got(best)) - (value - ln[best]);
                // Straight lines between the density's knots, steps of the sums, 60 samples over the noise's million.
                assert!(off.abs() < 0.12, "{snr_db} dB, {k}: {off}");
            }
        }
    }
}

fn brute_force(array: &dyn Steering, burst: &ChannelCovariance, azimuth_deg: f64) -> f64 {
    let (m, nu) = (burst.independent_samples(), 100.0_f64);
    let mut a = vec![C64::default(); 3];
    array.response(azimuth_deg, &mut a);
    let mut terms = Vec::new();
    let least = (1.0 / m.sqrt()).ln();
    for i in 0..120 {
        let snr = (least + (7.0 - least) * (f64::from(i) + 0.5) / 120.0).exp();
        for j in 0..80 {
            // Logarithm of the level; its inverse Gamma prior of nu samples around 1, in that variable.
            let ln_level = -0.5 + f64::from(j) / 80.0;
            let level = ln_level.exp();
            let model = DMatrix::from_fn(3, 3, |r, c| {
                let signal = a[r] * a[c].conj() * (snr / 3.0);
                (signal
                    + if r == c {
                        C64::new(1.0, 0.0)
                    } else {
                        C64::default()
                    })
                    * level
            });
            let det = model.determinant().re;
            let inverse = model.try_inverse().expect("positive definite");
            let trace = (inverse * burst.matrix()).trace().re;
            terms.push(-m * (det.ln() + trace) - nu * (ln_level + 1.0 / level));
        }
    }
    let most = terms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    most + terms.iter().map(|t| (t - most).exp()).sum::<f64>().ln()
}

/// Steady noise from one side, 20 dB over the receivers' own: the covariance outside the burst takes it away, a beamformer follows it.
#[test]
fn a_steady_transmitter_in_the_channel_is_taken_off() {
    let array = ring(5, 0.4);
    let jammer = exact(&*array, 200.0, 100.0, 1e5);
    let signal = exact(&*array, 60.0, 3.0, 400.0);
    let both = DMatrix::from_fn(5, 5, |i, j| {
        let own = if i == j {
            C64::new(1.0, 0.0)
        } else {
            C64::default()
        };
        jammer.matrix()[(i, j)] + signal.matrix()[(i, j)] - own
    });
    let burst = ChannelCovariance::new(&both, 400.0, 0.0).unwrap();
    assert!(apart(beamformer(&burst, &*array).unwrap().degrees(), 200.0) < 10.0);
    let noise = ChannelNoise {
        covariance: jammer,
        level_rel_sigma: 0.01,
    };
    let estimate = estimate_coherent(&[burst], Some(&noise), &config(&array)).unwrap();
    assert!(apart(estimate.azimuth.degrees(), 60.0) < 0.5);
}

#[test]
fn a_second_arrival_is_found_with_its_level() {
    let array = ring(8, 0.4);
    let (mut a, mut b) = (vec![C64::default(); 8], vec![C64::default(); 8]);
    array.response(70.0, &mut a);
    array.response(190.0, &mut b);
    let factor = Complex::from_polar(10_f64.powf(-6.0 / 20.0), 2.0);
    let sum: Vec<C64> = a.iter().zip(&b).map(|(a, b)| a + b * factor).collect();
    let matrix = DMatrix::from_fn(8, 8, |i, j| {
        sum[i] * sum[j].conj() * 100.0
            + if i == j {
                C64::new(1.0, 0.0)
            } else {
                C64::default()
            }
    });
    let burst = ChannelCovariance::new(&matrix, 300.0, 0.0).unwrap();
    let estimate = estimate_coherent(&[burst], Some(&white(8)), &config(&array)).unwrap();
    assert!(apart(estimate.azimuth.degrees(), 70.0) < 0.5);
    let second = estimate.reflection.expect("a second arrival");
    assert!(apart(second.azimuth.degrees(), 190.0) < 1.0);
    assert!((second.relative_level_db + 6.0).abs() < 0.3);
    assert!(second.probability > 0.95);
    assert!(estimate.flags.contains(&BearingFlag::Reflection));
}

#[test]
fn no_bearing_has_its_reason() {
    #[derive(Debug)]
    struct Flat;
    impl Steering for Flat {
        fn channels(&self) -> usize {
            2
        }
        fn response(&self, azimuth_deg: f64, out: &mut [C64]) {
            // A phase that both share is no direction.
            out.fill(Complex::cis(azimuth_deg));
        }
    }
    let array = ring(4, 0.3);
    let none = estimate_coherent(&[], None, &config(&array));
    assert_eq!(none.unwrap_err(), NoBearingReason::NoBurst);
    let three = exact(&*ring(3, 0.3), 0.0, 1.0, 10.0);
    let other = estimate_coherent(&[three], None, &config(&array));
    assert_eq!(other.unwrap_err(), NoBearingReason::NoBurst);
    let flat: Arc<dyn Steering> = Arc::new(Flat);
    let pair = exact(&Flat, 0.0, 1.0, 10.0);
    let found = estimate_coherent(&[pair], None, &config(&flat));
    assert_eq!(found.unwrap_err(), NoBearingReason::PatternHasNoDirection);
    let good = exact(&*array, 0.0, 1.0, 10.0);
    let clipped = ChannelCovariance::new(good.matrix(), 10.0, 0.9).unwrap();
    let found = estimate_coherent(&[clipped], None, &config(&array));
    assert_eq!(found.unwrap_err(), NoBearingReason::AllClipped);
}

/// A channel that hears nothing takes no part.
#[test]
fn a_dead_channel_is_left_out_of_the_answer() {
    let array = ring(5, 0.4);
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let truth = 360.0 * rng.random::<f64>();
    let (bursts, noise) = Scene::new(array.clone(), 20.0, 300).draw(truth, &mut rng);
    let mute = |c: &ChannelCovariance| {
        let mut m = c.matrix().clone();
        m.row_mut(2).fill(C64::default());
        m.column_mut(2).fill(C64::default());
        ChannelCovariance::new(&m, c.independent_samples(), 0.0).unwrap()
    };
    let dead = mute(&bursts[0]);
    let noise = noise.map(|n| ChannelNoise {
        covariance: mute(&n.covariance),
        ..n
    });
    let estimate = estimate_coherent(&[dead], noise.as_ref(), &config(&array)).unwrap();
    let p = estimate.density.density_per_deg(Azimuth::from_degrees(truth));
    assert!(p.is_finite());
    assert!(!estimate.flags.is_empty(), "a dead channel goes without a word");
}
