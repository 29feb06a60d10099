//! Samples of coherent channels, their covariances, and the bounds for them.

#![allow(dead_code, reason = "each user needs a part")]

use std::f64::consts::{LN_10, TAU};
use std::fs::File;
use std::path::Path;
use std::sync::Arc;

use lobewright_antenna::{Manifold, Pattern};
use lobewright_bearing::coherent::{ChannelCovariance, ChannelNoise, Steering};
use nalgebra::{DMatrix, DVector};
use num_complex::Complex;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

pub(crate) type C64 = Complex<f64>;

/// Isotropic elements on a circle, element 0 at `first_deg`, going clockwise.
#[derive(Debug, Clone)]
pub(crate) struct Ring {
    pub(crate) elements: usize,
    pub(crate) radius_wavelengths: f64,
    pub(crate) first_deg: f64,
}

impl Steering for Ring {
    fn channels(&self) -> usize {
        self.elements
    }

    fn response(&self, azimuth_deg: f64, out: &mut [C64]) {
        for (k, value) in out.iter_mut().enumerate() {
            let own = self.first_deg + 360.0 * k as f64 / self.elements as f64;
            let phase = TAU * self.radius_wavelengths * (azimuth_deg - own).to_radians().cos();
            *value = Complex::cis(phase);
        }
    }
}

/// A ring whose neighbours stand `spacing` wavelengths apart.
pub(crate) fn ring(elements: usize, spacing_wavelengths: f64) -> Arc<dyn Steering> {
    let half = std::f64::consts::PI / elements as f64;
    Arc::new(Ring {
        elements,
        radius_wavelengths: spacing_wavelengths / (2.0 * half.sin()),
        first_deg: 0.0,
    })
}

/// The four elements of an array of the test data, each with its complex response.
pub(crate) fn measured(name: &str) -> Arc<dyn Steering> {
    let elements: Vec<Pattern> = (1..=4)
        .map(|k| {
            let file = format!("../../testdata/antennas/{name}_el{k}.csv");
            let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(file);
            let file = File::open(path).expect("a file of the test data");
            Pattern::from_csv(file, name).expect("a valid pattern")
        })
        .collect();
    Arc::new(Manifold::from_patterns(&elements).expect("patterns with phases"))
}

#[derive(Debug, Clone)]
pub(crate) struct Scene {
    pub(crate) manifold: Arc<dyn Steering>,
    /// Signal-to-noise in a channel, mean over the channels, and samples of each burst.
    pub(crate) bursts: Vec<(f64, usize)>,
    /// Gaussian-like signal, or one of constant envelope.
    pub(crate) gaussian: bool,
    /// Errors of the channels, drawn anew in each trial.
    pub(crate) phase_error_deg: f64,
    pub(crate) gain_error_db: f64,
    /// Noise of each channel, in dB.
    pub(crate) noise_db: Vec<f64>,
    /// Samples behind the noise covariance that the estimator gets; 0 for none.
    pub(crate) noise_samples: usize,
    /// Level of a second arrival of the same signal, anywhere 30 degrees and more away.
    pub(crate) reflection_db: Option<f64>,
    /// Whether its delay is short against the inverse bandwidth; otherwise it is a signal of its own.
    pub(crate) reflection_coherent: bool,
}

impl Scene {
    pub(crate) fn new(manifold: Arc<dyn Steering>, snr_db: f64, samples: usize) -> Self {
        let channels = manifold.channels();
        Self {
            manifold,
            bursts: vec![(snr_db, samples)],
            gaussian: true,
            phase_error_deg: 0.0,
            gain_error_db: 0.0,
            noise_db: vec![0.0; channels],
            noise_samples: 5000,
            reflection_db: None,
            reflection_coherent: true,
        }
    }

    fn channels(&self) -> usize {
        self.manifold.channels()
    }

    fn noise_power(&self) -> Vec<f64> {
        self.noise_db.iter().map(|d| 10_f64.powf(d / 10.0)).collect()
    }

    /// Response scaled to a mean power of 1.
    pub(crate) fn response(&self, azimuth_deg: f64) -> Vec<C64> {
        let mut a = vec![C64::default(); self.channels()];
        self.manifold.response(azimuth_deg, &mut a);
        let power = a.iter().map(Complex::norm_sqr).sum::<f64>() / a.len() as f64;
        a.iter().map(|v| v / power.sqrt()).collect()
    }

    /// Covariances of the bursts and of the noise.
    pub(crate) fn draw(
        &self,
        azimuth_deg: f64,
        rng: &mut ChaCha8Rng,
    ) -> (Vec<ChannelCovariance>, Option<ChannelNoise>) {
        let mut a = self.response(azimuth_deg);
        let mut second = vec![C64::default(); self.channels()];
        if let Some(level_db) = self.reflection_db {
            let other = azimuth_deg + 30.0 + 300.0 * rng.random::<f64>();
            let factor = Complex::from_polar(10_f64.powf(level_db / 20.0), TAU * rng.random::<f64>());
            let into = if self.reflection_coherent {
                &mut a
            } else {
                &mut second
            };
            for (x, y) in into.iter_mut().zip(self.response(other)) {
                *x += factor * y;
            }
        }
        for (value, other) in a.iter_mut().zip(&mut second) {
            let gain = self.gain_error_db * LN_10 / 20.0 * normal(rng);
            let phase = self.phase_error_deg.to_radians() * normal(rng);
            *value *= Complex::from_polar(gain.exp(), phase);
            *other *= Complex::from_polar(gain.exp(), phase);
        }
        let noise = self.noise_power();
        let bursts = self
            .bursts
            .iter()
            .map(|&(snr_db, samples)| {
                let amplitude = 10_f64.powf(snr_db / 20.0);
                let sum = self.sum([&a, &second], amplitude, &noise, samples, rng);
                ChannelCovariance::new(&sum, samples as f64, 0.0).expect("a covariance")
            })
            .collect();
        let noise = (self.noise_samples > 0).then(|| {
            let sum = self.sum([&a, &second], 0.0, &noise, self.noise_samples, rng);
            ChannelNoise {
                covariance: ChannelCovariance::new(&sum, self.noise_samples as f64, 0.0)
                    .expect("a covariance"),
                level_rel_sigma: 0.03,
            }
        });
        (bursts, noise)
    }

    fn sum(
        &self,
        arrivals: [&[C64]; 2],
        amplitude: f64,
        noise: &[f64],
        samples: usize,
        rng: &mut ChaCha8Rng,
    ) -> DMatrix<C64> {
        let n = noise.len();
        let mut sum = DMatrix::<C64>::zeros(n, n);
        let mut x = vec![C64::default(); n];
        for _ in 0..samples {
            let s = if self.gaussian {
                complex_normal(rng)
            } else {
                Complex::cis(TAU * rng.random::<f64>())
            };
            // A second signal of its own has another value at each instant.
            let own = if self.reflection_coherent {
                C64::default()
            } else {
                complex_normal(rng)
            };
            for k in 0..n {
                let signal = arrivals[0][k] * s + arrivals[1][k] * own;
                x[k] = signal * amplitude + complex_normal(rng) * noise[k].sqrt();
            }
            for i in 0..n {
                for j in 0..=i {
                    sum[(i, j)] += x[i] * x[j].conj();
                }
            }
        }
        for i in 0..n {
            for j in i + 1..n {
                sum[(i, j)] = sum[(j, i)].conj();
            }
        }
        sum.map(|v: C64| v / samples as f64)
    }

    /// Whitened response of unit length times root of its signal-to-noise, and its derivative over radians.
    fn whitened(&self, azimuth_deg: f64) -> (DVector<C64>, DVector<C64>) {
        let noise = self.noise_power();
        let at = |azimuth: f64| {
            let mut a = vec![C64::default(); self.channels()];
            self.manifold.response(azimuth, &mut a);
            DVector::from_iterator(a.len(), a.iter().zip(&noise).map(|(v, n)| v / n.sqrt()))
        };
        let mut raw = vec![C64::default(); self.channels()];
        self.manifold.response(azimuth_deg, &mut raw);
        let power = raw.iter().map(Complex::norm_sqr).sum::<f64>() / raw.len() as f64;
        let h = 0.01_f64;
        let scale = C64::new(power.sqrt().recip(), 0.0);
        let slope = (at(azimuth_deg + h) - at(azimuth_deg - h)) * (scale / (2.0 * h.to_radians()));
        (at(azimuth_deg) * scale, slope)
    }

    /// Cramer-Rao bound in degrees for Gaussian signals and known channels, where the envelope is unknown.
    ///
    /// Stoica & Nehorai, *Performance study of conditional and unconditional direction-of-arrival estimation*, IEEE
    /// Trans. ASSP 38 (1990), equation 2.11 for one source: `var = (1 + 1 / rho) / (2 M P d^H Q d)`, `rho` the
    /// signal-to-noise of all channels, `Q` the projector beside the response, noise whitened to power 1. For a known
    /// envelope (their conditional model; *MUSIC, maximum likelihood, and Cramer-Rao bound*, 1989, equation 4.1) the
    /// factor `1 + 1 / rho` is left out.
    pub(crate) fn bounds_deg(&self, azimuth_deg: f64) -> Bounds {
        let (a, d) = self.whitened(azimuth_deg);
        let length = a.norm_squared();
        let along = a.dotc(&d);
        let beside = d.norm_squared() - along.norm_sqr() / length;
        let (mut unconditional, mut conditional) = (0.0, 0.0);
        for &(snr_db, samples) in &self.bursts {
            let power = 10_f64.powf(snr_db / 10.0);
            let whole = power * length;
            let information = 2.0 * samples as f64 * power * beside;
            conditional += information;
            unconditional += information * whole / (1.0 + whole);
        }
        Bounds {
            conditional_deg: conditional.sqrt().recip().to_degrees(),
            unconditional_deg: unconditional.sqrt().recip().to_degrees(),
            with_errors_deg: self.with_errors_deg(&a, &d, unconditional / beside),
        }
    }

    /// The unconditional bound with independent normal gain and phase errors of the channels of known size: deviations
    /// of the response beside its own direction have the covariance of noise and errors together.
    fn with_errors_deg(&self, a: &DVector<C64>, d: &DVector<C64>, information: f64) -> f64 {
        let n = a.len();
        let length = a.norm_squared();
        let project = |v: &DVector<C64>| v - a * (a.dotc(v) / length);
        let real =
            |v: &DVector<C64>| DVector::from_fn(2 * n, |i, _| if i < n { v[i].re } else { v[i - n].im });
        let mut spread = DMatrix::<f64>::zeros(2 * n, 2 * n);
        let gain = self.gain_error_db * LN_10 / 20.0;
        let phase = self.phase_error_deg.to_radians();
        for k in 0..n {
            for (unit, sigma) in [(C64::new(1.0, 0.0), gain), (C64::new(0.0, 1.0), phase)] {
                let mut e = DVector::zeros(n);
                e[k] = a[k] * unit * sigma;
                let moved = real(&project(&e));
                spread += &moved * moved.transpose();
            }
        }
        // Noise is even in all directions beside the response; along it nothing is known or needed.
        let all = spread + DMatrix::identity(2 * n, 2 * n) / information;
        let slope = real(&project(d));
        let solved = all.lu().solve(&slope).expect("noise in every direction");
        slope.dot(&solved).sqrt().recip().to_degrees()
    }
}

/// Cramer-Rao bounds, 1 sigma in degrees.
#[allow(clippy::struct_field_names, reason = "a number carries its unit in its name")]
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bounds {
    /// Envelope of the signal known.
    pub(crate) conditional_deg: f64,
    /// Gaussian signal.
    pub(crate) unconditional_deg: f64,
    /// Gaussian signal, errors of the channels of known size.
    pub(crate) with_errors_deg: f64,
}

pub(crate) fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

pub(crate) fn complex_normal(rng: &mut ChaCha8Rng) -> C64 {
    Complex::new(normal(rng), normal(rng)) * std::f64::consts::FRAC_1_SQRT_2
}
