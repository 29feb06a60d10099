//! Impulsive noise.

use std::f64::consts::TAU;

use num_complex::Complex;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Exp1, StandardNormal};

use crate::spec_receiver::{IgnitionScene, ImpulseScene};

/// Random impulses: Poisson arrivals that die away exponentially, each with its own phase.
pub(crate) struct Impulses {
    rng: ChaCha8Rng,
    mean_gap: f64,
    peak: f64,
    decay: Complex<f32>,
    until_next: f64,
    now: Complex<f32>,
}

impl Impulses {
    pub(crate) fn new(scene: ImpulseScene, rate_hz: f64, rng: ChaCha8Rng) -> Self {
        #[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
        let decay = (-1.0 / (scene.decay_s * rate_hz)).exp() as f32;
        let mut impulses = Self {
            rng,
            mean_gap: rate_hz / scene.per_second,
            peak: 10_f64.powf(scene.peak_dbfs / 20.0),
            decay: Complex::new(decay, 0.0),
            until_next: 0.0,
            now: Complex::new(0.0, 0.0),
        };
        impulses.until_next = impulses.gap();
        impulses
    }

    fn gap(&mut self) -> f64 {
        self.mean_gap * self.rng.sample::<f64, _>(Exp1)
    }

    pub(crate) fn next(&mut self) -> Complex<f32> {
        self.now *= self.decay;
        self.until_next -= 1.0;
        while self.until_next <= 0.0 {
            let phase = TAU * self.rng.random::<f64>();
            #[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
            let kick = Complex::new((self.peak * phase.cos()) as f32, (self.peak * phase.sin()) as f32);
            self.now += kick;
            self.until_next += self.gap();
        }
        self.now
    }
}

/// Noise of an engine: pulses on an even beat, each a short burst of Gaussian noise over the whole band.
pub(crate) struct Ignition {
    rng: ChaCha8Rng,
    /// From beat to beat, and the length of a pulse, in samples.
    beat: f64,
    length: f64,
    jitter: f64,
    /// Standard deviation of each component.
    sigma: f32,
    /// Beat of the pulse that comes or is on, without and with its jitter.
    even: f64,
    start: f64,
}

impl Ignition {
    pub(crate) fn new(scene: IgnitionScene, rate_hz: f64, mut rng: ChaCha8Rng) -> Self {
        let beat = rate_hz / scene.per_second;
        let even = beat * rng.random::<f64>();
        #[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
        let sigma = (10_f64.powf(scene.level_dbfs / 10.0) / 2.0).sqrt() as f32;
        Self {
            rng,
            beat,
            length: scene.length_s * rate_hz,
            jitter: scene.jitter_s * rate_hz,
            sigma,
            even,
            start: even,
        }
    }

    /// The amplitude at a sample; samples come in order.
    pub(crate) fn at(&mut self, sample: u64) -> Complex<f32> {
        let now = sample as f64;
        while now >= self.start + self.length {
            self.even += self.beat;
            let strayed: f64 = self.rng.sample(StandardNormal);
            // Four sigma at most, so that pulses stay in their order.
            self.start = self.even + self.jitter * strayed.clamp(-4.0, 4.0);
        }
        if now < self.start {
            return Complex::new(0.0, 0.0);
        }
        let (re, im): (f32, f32) = (self.rng.sample(StandardNormal), self.rng.sample(StandardNormal));
        Complex::new(self.sigma * re, self.sigma * im)
    }
}

#[cfg(test)]
#[path = "impulses_tests.rs"]
mod tests;
