//! Fading: the complex gain of a path over time.

use std::f64::consts::{LN_10, TAU};

use num_complex::Complex;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use crate::spec::FadingScene;

/// Waves that make up the scattered part.
const WAVES: usize = 32;
/// Waves that make up the shadowing.
const SHADOW_WAVES: usize = 16;

/// A path's fading as a function of time, with a mean power of 1.
///
/// The scattered part is Clarke's ring of waves (R. H. Clarke, *A statistical theory of mobile-radio reception*, Bell
/// System Technical Journal 47, 1968): equal waves from evenly spaced directions with random phases, the ring turned by a random angle.
/// Beside it stands a steady wave, which makes the amplitude Rician. Shadowing is log-normal, its decibels a sum of
/// sinusoids. Being a function of time, the gain needs no history: any stretch can be computed alone.
#[derive(Debug, Clone)]
pub struct FadingProcess {
    steady: Complex<f64>,
    scattered: f64,
    /// Angular frequency in radians a second and phase in radians.
    waves: Vec<(f64, f64)>,
    shadow_sigma_db: f64,
    shadow_waves: Vec<(f64, f64)>,
}

impl FadingProcess {
    /// Draws one fading process.
    ///
    /// # Inputs
    /// `fading`: K factor, Doppler rate and shadowing. `rng`: the stream of this path alone.
    pub fn new(fading: &FadingScene, rng: &mut ChaCha8Rng) -> Self {
        let k = 10_f64.powf(fading.rician_k_db / 10.0);
        let steady_phase = rng.random::<f64>() * TAU;
        let turn = rng.random::<f64>();
        let waves = (0..WAVES)
            .map(|n| {
                let arrival = TAU * (n as f64 + turn) / WAVES as f64;
                (TAU * fading.doppler_hz * arrival.cos(), rng.random::<f64>() * TAU)
            })
            .collect();
        let shadow_waves = (0..SHADOW_WAVES)
            .map(|n| {
                let share = (n as f64 + rng.random::<f64>()) / SHADOW_WAVES as f64;
                (TAU * fading.shadowing_rate_hz * share, rng.random::<f64>() * TAU)
            })
            .collect();
        Self {
            steady: Complex::from_polar((k / (k + 1.0)).sqrt(), steady_phase),
            scattered: (1.0 / ((k + 1.0) * WAVES as f64)).sqrt(),
            waves,
            shadow_sigma_db: fading.shadowing_sigma_db,
            shadow_waves,
        }
    }

    /// The complex gain of the amplitude at a time in seconds.
    pub fn gain(&self, time_s: f64) -> Complex<f64> {
        let scattered: Complex<f64> = self
            .waves
            .iter()
            .map(|&(omega, phase)| Complex::cis(omega * time_s + phase))
            .sum();
        let small_scale = self.steady + scattered * self.scattered;
        if self.shadow_sigma_db > 0.0 {
            small_scale * self.shadow_amplitude(time_s)
        } else {
            small_scale
        }
    }

    fn shadow_amplitude(&self, time_s: f64) -> f64 {
        let unit: f64 = self
            .shadow_waves
            .iter()
            .map(|&(omega, phase)| (omega * time_s + phase).cos())
            .sum::<f64>()
            * (2.0 / SHADOW_WAVES as f64).sqrt();
        // The mean power of a log-normal level lies sigma^2 ln(10) / 20 dB above its median: taken off, so that the
        // mean power stays 1.
        let sigma = self.shadow_sigma_db;
        10_f64.powf((sigma * unit - sigma * sigma * LN_10 / 20.0) / 20.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::streams::stream;

    fn fading(rician_k_db: f64, shadowing_sigma_db: f64) -> FadingScene {
        FadingScene {
            rician_k_db,
            doppler_hz: 1.0,
            shadowing_sigma_db,
            shadowing_rate_hz: 1.0,
        }
    }

    /// Mean power and standard deviation of the level in dB over many seeds, far apart in time.
    fn statistics(spec: &FadingScene) -> (f64, f64) {
        let powers: Vec<f64> = (0..400)
            .flat_map(|seed| {
                let process = FadingProcess::new(spec, &mut stream(seed, &["test"]));
                (0..100).map(move |n| process.gain(f64::from(n) * 7.31).norm_sqr())
            })
            .collect();
        let count = powers.len() as f64;
        let mean = powers.iter().sum::<f64>() / count;
        let levels: Vec<f64> = powers.iter().map(|p| 10.0 * p.log10()).collect();
        let mean_db = levels.iter().sum::<f64>() / count;
        let var = levels.iter().map(|l| (l - mean_db).powi(2)).sum::<f64>() / count;
        (mean, var.sqrt())
    }

    // A Rayleigh level in dB has the standard deviation (10 / ln 10) pi / sqrt(6) = 5.570 dB: the log of an exponential
    // variable has the variance pi^2 / 6 (Johnson, Kotz and Balakrishnan, *Continuous Univariate Distributions* 1,
    // chapter 22: Gumbel). 40000 draws of low correlation: 1 % tolerance.
    #[test]
    fn rayleigh_level_spreads_by_5_6_db() {
        let (mean, sigma_db) = statistics(&fading(-60.0, 0.0));
        assert!((mean - 1.0).abs() < 0.03, "{mean}");
        assert!((sigma_db - 5.570).abs() < 0.1, "{sigma_db}");
    }

    // First order: a steady wave with a small scattered one has a level of 8.686 / sqrt(2 K) dB rms, at K = 10 dB 1.94 dB;
    // exact integration of the Rician density gives 1.95 dB (K = 10 dB) and 1.52 dB (K = 12 dB).
    #[test]
    fn rician_level_spreads_as_its_k_factor_says() {
        let (mean, sigma_db) = statistics(&fading(10.0, 0.0));
        assert!((mean - 1.0).abs() < 0.01, "{mean}");
        assert!((sigma_db - rician_sigma_db(10.0)).abs() < 0.03, "{sigma_db}");
        let (_, sigma_db) = statistics(&fading(12.0, 0.0));
        assert!((sigma_db - rician_sigma_db(12.0)).abs() < 0.03, "{sigma_db}");
        assert!((rician_sigma_db(10.0) - 1.9).abs() < 0.1);
    }

    /// Standard deviation in dB of a Rician level by numerical integration over the scattered wave's plane.
    fn rician_sigma_db(k_db: f64) -> f64 {
        let k = 10_f64.powf(k_db / 10.0);
        let steady = (k / (k + 1.0)).sqrt();
        let sigma = (0.5 / (k + 1.0)).sqrt();
        let (mut weight, mut first, mut second) = (0.0, 0.0, 0.0);
        for i in -300..=300 {
            for q in -300..=300 {
                let (x, y) = (f64::from(i) * 0.02, f64::from(q) * 0.02);
                let w = (-0.5 * (x * x + y * y)).exp();
                let level = 10.0
                    * ((steady + sigma * x).powi(2) + (sigma * y).powi(2))
                        .max(1e-12)
                        .log10();
                weight += w;
                first += w * level;
                second += w * level * level;
            }
        }
        (second / weight - (first / weight).powi(2)).sqrt()
    }

    // Clarke 1968: the correlation over a time tau is J0(2 pi fd tau); J0(2 pi 0.2) = 0.6425, J0(2 pi 0.3827) = 0
    // (Abramowitz and Stegun, table 9.1, first zero 2.4048).
    #[test]
    fn scattered_waves_decorrelate_as_clarke_says() {
        for (tau, expected) in [(0.2, 0.6425), (2.404_826 / TAU, 0.0)] {
            let mut sum = Complex::new(0.0, 0.0);
            for seed in 0..2000 {
                let process = FadingProcess::new(&fading(-60.0, 0.0), &mut stream(seed, &["clarke"]));
                sum += process.gain(3.0 + tau) * process.gain(3.0).conj();
            }
            let correlation = sum / 2000.0;
            // Standard error of 2000 independent pairs: 0.022.
            assert!((correlation.re - expected).abs() < 0.07, "{correlation}");
        }
    }

    #[test]
    fn shadowing_keeps_the_mean_power_and_has_its_own_spread() {
        let (mean, sigma_db) = statistics(&fading(60.0, 4.0));
        assert!((mean - 1.0).abs() < 0.04, "{mean}");
        assert!((sigma_db - 4.0).abs() < 0.1, "{sigma_db}");
    }
}
