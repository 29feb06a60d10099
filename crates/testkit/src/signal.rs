//! Seeded signals at full scale 1.0, and the powers in them.

use std::f64::consts::TAU;
use std::ops::Range;

use lobewright_types::Sample;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Makes white circular complex Gaussian noise.
///
/// # Inputs
/// `seed`: the same seed gives the same samples on every machine. `power`: mean of |x|², 1.0 = full scale, not
/// negative.
///
/// # Result
/// `n` samples, `[sample]`, each component normal with variance `power / 2`.
///
/// # Panics
/// Where `power` is negative or not finite.
pub fn noise(seed: u64, n: usize, power: f64) -> Vec<Sample> {
    assert!(
        power >= 0.0 && power.is_finite(),
        "noise power {power} must be finite and not negative"
    );
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let scale = (power / 2.0).sqrt();
    let mut component = || {
        let z: f64 = StandardNormal.sample(&mut rng);
        to_f32(scale * z)
    };
    (0..n)
        .map(|_| {
            let re = component();
            Sample::new(re, component())
        })
        .collect()
}

/// Makes a complex tone that starts at phase 0.
///
/// # Inputs
/// `freq_rel`: cycles a sample, -0.5 to 0.5, positive above the centre. `amplitude`: 1.0 = full scale.
///
/// # Result
/// `n` samples, `[sample]`. The phase is counted in whole cycles in `f64`, so it does not drift over long runs.
pub fn tone(freq_rel: f64, n: usize, amplitude: f64) -> Vec<Sample> {
    (0..n)
        .map(|i| {
            let (sin, cos) = phase_rad(freq_rel, i).sin_cos();
            Sample::new(to_f32(amplitude * cos), to_f32(amplitude * sin))
        })
        .collect()
}

/// The mean of |x|² over the samples; 0 for none.
pub fn mean_power(samples: &[Sample]) -> f64 {
    if samples.is_empty() {
        return 0.0;
    }
    let sum: f64 = samples.iter().map(|x| f64::from(x.norm_sqr())).sum();
    sum / samples.len() as f64
}

/// The power of the part of the samples that turns at `freq_rel` cycles a sample.
///
/// # Method
/// Correlation with the tone under a Hann window: what lies more than a few bins (`4 / n` cycles a sample) away
/// is rejected, so a tone is measured far below the noise or quantisation steps around it. Exact for a pure tone.
///
/// # Result
/// Squared amplitude of the tone; 0 for no samples.
pub fn tone_power(samples: &[Sample], freq_rel: f64) -> f64 {
    let n = samples.len();
    let (mut re, mut im, mut weight) = (0.0, 0.0, 0.0);
    for (i, x) in samples.iter().enumerate() {
        let w = (TAU / 2.0 * (i as f64 + 0.5) / n as f64).sin().powi(2);
        let (sin, cos) = phase_rad(freq_rel, i).sin_cos();
        let (a, b) = (f64::from(x.re), f64::from(x.im));
        re += w * (a * cos + b * sin);
        im += w * (b * cos - a * sin);
        weight += w;
    }
    if weight > 0.0 {
        (re * re + im * im) / (weight * weight)
    } else {
        0.0
    }
}

/// Cuts `0..len` into seeded pieces of 0 to `max_len` items, in order and without a hole.
///
/// For tests that results do not depend on how a stream was cut into blocks. Empty pieces occur on purpose.
///
/// # Panics
/// Where `max_len` is 0.
pub fn random_cuts(seed: u64, len: usize, max_len: usize) -> Vec<Range<usize>> {
    assert!(max_len > 0, "pieces of at most 0 items never reach the end");
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut cuts = Vec::new();
    let mut at = 0;
    while at < len {
        let end = len.min(at + rng.random_range(0..=max_len));
        cuts.push(at..end);
        at = end;
    }
    cuts
}

/// Phase of sample `i` of a tone, reduced to one cycle before it is turned into radians.
fn phase_rad(freq_rel: f64, i: usize) -> f64 {
    TAU * (freq_rel * i as f64).rem_euclid(1.0)
}

#[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
fn to_f32(value: f64) -> f32 {
    value as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    // The mean of n exponential powers has a relative standard deviation of 1/sqrt(n): five of them allowed.
    #[test]
    fn noise_has_the_power_that_was_asked_for_and_no_mean() {
        let n = 100_000;
        let x = noise(7, n, 0.25);
        let allowed = 5.0 / (n as f64).sqrt();
        assert!((mean_power(&x) / 0.25 - 1.0).abs() < allowed);
        let mean: Sample = x.iter().sum::<Sample>() / 100_000.0;
        assert!(f64::from(mean.norm()) < 0.5 * allowed);
        let pseudo: Sample = x.iter().map(|v| v * v).sum::<Sample>() / 100_000.0;
        assert!(
            f64::from(pseudo.norm()) < 0.25 * 1.5 * allowed,
            "components must be alike and independent"
        );
    }

    #[test]
    fn the_same_seed_gives_the_same_noise_and_another_seed_other_noise() {
        assert_eq!(noise(1, 100, 1.0), noise(1, 100, 1.0));
        assert_ne!(noise(1, 100, 1.0), noise(2, 100, 1.0));
        assert_eq!(noise(1, 100, 1.0)[..40], noise(1, 40, 1.0)[..]);
    }

    #[test]
    fn a_tone_turns_the_right_way_and_does_not_drift() {
        let x = tone(0.25, 5, 0.5);
        assert!((x[1] - Sample::new(0.0, 0.5)).norm() < 1e-6);
        let long = tone(0.1, 10_000_001, 1.0);
        assert!((long[10_000_000] - Sample::new(1.0, 0.0)).norm() < 1e-5);
    }

    #[test]
    fn a_tone_is_measured_beside_a_stronger_one() {
        let n = 4096;
        let strong = tone(0.2, n, 1.0);
        let weak = tone(-0.11, n, 1e-3);
        let both: Vec<Sample> = strong.iter().zip(&weak).map(|(a, b)| a + b).collect();
        assert!((tone_power(&both, 0.2) - 1.0).abs() < 1e-5);
        assert!((tone_power(&both, -0.11) / 1e-6 - 1.0).abs() < 1e-3);
        assert!(tone_power(&[], 0.1).abs() < 1e-30);
    }

    #[test]
    fn cuts_cover_the_range_once() {
        for seed in 0..20 {
            let cuts = random_cuts(seed, 1000, 37);
            let joined: Vec<usize> = cuts.into_iter().flatten().collect();
            assert_eq!(joined, (0..1000).collect::<Vec<_>>());
        }
    }
}
