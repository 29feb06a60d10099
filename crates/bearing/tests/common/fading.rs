//! Fading with a memory, and errors of a pattern that are smooth over azimuth.

use std::f64::consts::TAU;

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::normal;

/// Rician fading: a steady part and a Gaussian one whose Doppler spectrum is that of many waves from all sides
/// (Clarke, *Bell System Technical Journal* 47, 1968). Each wave's amplitude is Gaussian, and so is their sum exactly.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Fading {
    /// Power of the steady part over that of the rest; minus infinity for Rayleigh fading.
    pub(crate) k_db: f64,
    /// Largest Doppler shift.
    pub(crate) doppler_hz: f64,
}

/// One course of the fading.
#[derive(Debug, Clone)]
pub(crate) struct Course {
    steady: f64,
    /// Angular shift in radians a second, real and imaginary amplitude of each wave.
    waves: Vec<(f64, f64, f64)>,
}

impl Fading {
    /// Waves of which the scattered part is made.
    const WAVES: usize = 32;

    pub(crate) fn course(self, rng: &mut ChaCha8Rng) -> Course {
        let k = 10_f64.powf(self.k_db / 10.0);
        let spread = (0.5 / ((k + 1.0) * Self::WAVES as f64)).sqrt();
        // One wave in each equal sector, at a random place within it: the spectrum of every course is near the right one.
        let waves = (0..Self::WAVES)
            .map(|i| {
                let angle = TAU * (i as f64 + rng.random::<f64>()) / Self::WAVES as f64;
                (
                    TAU * self.doppler_hz * angle.cos(),
                    spread * normal(rng),
                    spread * normal(rng),
                )
            })
            .collect();
        Course {
            steady: (k / (k + 1.0)).sqrt(),
            waves,
        }
    }
}

impl Course {
    /// Power against its mean at a time.
    pub(crate) fn power_lin(&self, at_s: f64) -> f64 {
        let (mut re, mut im) = (self.steady, 0.0);
        for (shift, a, b) in &self.waves {
            let (sin, cos) = (shift * at_s).sin_cos();
            re += a * cos - b * sin;
            im += a * sin + b * cos;
        }
        re * re + im * im
    }
}

/// Error of a pattern in dB: five Fourier terms with random phases and weights, root mean square over the circle as told.
#[derive(Debug, Clone)]
pub(crate) struct PatternError {
    /// Amplitude in dB and phase in radians of the terms 1, 2, ...
    terms: Vec<(f64, f64)>,
}

impl PatternError {
    pub(crate) fn draw(rms_db: f64, rng: &mut ChaCha8Rng) -> Self {
        let mut terms: Vec<(f64, f64)> = (0..5).map(|_| (normal(rng), TAU * rng.random::<f64>())).collect();
        let mean_square = terms.iter().map(|t| 0.5 * t.0 * t.0).sum::<f64>();
        for term in &mut terms {
            term.0 *= rms_db / mean_square.sqrt();
        }
        Self { terms }
    }

    pub(crate) fn factor_lin(&self, off_deg: f64) -> f64 {
        let db: f64 = self
            .terms
            .iter()
            .zip(1..)
            .map(|((amplitude, phase), n)| amplitude * (f64::from(n) * off_deg.to_radians() + phase).cos())
            .sum();
        10_f64.powf(db / 10.0)
    }
}
