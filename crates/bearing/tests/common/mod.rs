//! Readings drawn from the exact statistics of a mean power, and the bound for them.

#![allow(dead_code, reason = "each test file uses a part")]

pub(crate) mod fading;
pub(crate) mod ports;
pub(crate) mod statistics;
pub(crate) mod turn;

use std::fs::File;
use std::path::Path;
use std::sync::Arc;

use lobewright_antenna::Pattern;
use lobewright_bearing::EstimatorConfig;
use lobewright_types::{ArcDeg, Azimuth, LevelReading, Pointing, SampleIndex, wrap_signed_degrees};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{ChiSquared, Distribution, Gamma, StandardNormal};

/// Nats of a decibel of power.
pub(crate) const C: f64 = std::f64::consts::LN_10 / 10.0;

pub(crate) fn pattern(name: &str) -> Arc<Pattern> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("../../testdata/antennas/{name}.csv"));
    let file = File::open(path).expect("a file of the test data");
    Arc::new(Pattern::from_csv(file, name).expect("a valid pattern"))
}

/// The four sector antennas of the test data, in the mast's frame.
pub(crate) fn sectors() -> Vec<Arc<Pattern>> {
    (1..=4).map(|i| pattern(&format!("sector4_s{i}"))).collect()
}

pub(crate) fn config(pattern: &Arc<Pattern>) -> EstimatorConfig {
    EstimatorConfig::new(pattern.clone(), Azimuth::from_degrees(0.0), 0.0)
}

/// A turn of readings: noise power 1.
#[derive(Debug, Clone)]
pub(crate) struct Scene {
    pub(crate) boresights_deg: Vec<f64>,
    pub(crate) samples: f64,
    pub(crate) snr_db: f64,
    pub(crate) level_error_db: f64,
    pub(crate) gaussian: bool,
    /// Seconds between readings.
    pub(crate) step_s: f64,
}

impl Scene {
    pub(crate) fn full_turn(readings: usize, samples: f64, snr_db: f64, level_error_db: f64) -> Self {
        Self {
            boresights_deg: (0..readings)
                .map(|k| 360.0 * k as f64 / readings as f64)
                .collect(),
            samples,
            snr_db,
            level_error_db,
            gaussian: false,
            step_s: 0.05,
        }
    }

    /// Level errors independent from reading to reading.
    pub(crate) fn draw(
        &self,
        pattern: &Pattern,
        azimuth_deg: f64,
        rng: &mut ChaCha8Rng,
    ) -> Vec<LevelReading> {
        let errors: Vec<f64> = (0..self.boresights_deg.len())
            .map(|_| self.level_error_db * normal(rng))
            .collect();
        self.draw_with(pattern, azimuth_deg, &errors, rng)
    }

    /// Level errors given, in dB.
    pub(crate) fn draw_with(
        &self,
        pattern: &Pattern,
        azimuth_deg: f64,
        errors_db: &[f64],
        rng: &mut ChaCha8Rng,
    ) -> Vec<LevelReading> {
        self.boresights_deg
            .iter()
            .zip(errors_db)
            .enumerate()
            .map(|(k, (&boresight, error))| {
                let rho =
                    10_f64.powf((self.snr_db + error) / 10.0) * pattern.gain_rel_lin(azimuth_deg - boresight);
                let power = mean_power(rho, self.samples, self.gaussian, rng);
                reading(k, boresight, power, self, rho)
            })
            .collect()
    }
}

pub(crate) fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Mean power of `samples` complex samples of noise of power 1 and a signal of power `rho`: Gamma for a Gaussian
/// signal, noncentral chi-square (by its normal and central parts) for a constant envelope.
pub(crate) fn mean_power(rho: f64, samples: f64, gaussian: bool, rng: &mut ChaCha8Rng) -> f64 {
    if gaussian {
        let gamma = Gamma::new(samples, (1.0 + rho) / samples).expect("positive");
        return gamma.sample(rng);
    }
    let offset = (2.0 * samples * rho).sqrt();
    let rest = ChiSquared::new(2.0 * samples - 1.0).expect("positive");
    ((normal(rng) + offset).powi(2) + rest.sample(rng)) / (2.0 * samples)
}

fn reading(k: usize, boresight_deg: f64, power_lin: f64, scene: &Scene, rho: f64) -> LevelReading {
    let share = rho / (1.0 + rho);
    let spread = if scene.gaussian { 1.0 } else { 1.0 - share * share };
    LevelReading {
        burst: 0,
        start: SampleIndex(1000 * k as u64),
        middle_s: scene.step_s * k as f64,
        length_s: scene.step_s,
        pointing: Pointing::Boresight {
            azimuth: Azimuth::from_degrees(boresight_deg),
            turn_deg: 0.0,
        },
        power_lin,
        independent_samples: scene.samples,
        noise_power_lin: 1.0,
        noise_rel_sigma: 0.01,
        power_rel_var: Some(spread / scene.samples),
        gain_db: None,
        attenuation_db: 0.0,
        clip_fraction: 0.0,
    }
}

/// Slow Rician fading: a steady part and a Gaussian one whose Doppler spectrum ends at `doppler_hz` (Clarke, *Bell
/// System Technical Journal* 47, 1968: sum of many waves from all sides). Level in dB against its mean.
pub(crate) fn fading_db(k_db: f64, doppler_hz: f64, step_s: f64, n: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    const WAVES: usize = 24;
    let waves: Vec<(f64, f64)> = (0..WAVES)
        .map(|_| {
            let angle = std::f64::consts::TAU * rng.random::<f64>();
            let shift = std::f64::consts::TAU * doppler_hz * angle.cos();
            (shift, std::f64::consts::TAU * rng.random::<f64>())
        })
        .collect();
    let k = 10_f64.powf(k_db / 10.0);
    let (steady, spread) = ((k / (k + 1.0)).sqrt(), (1.0 / (k + 1.0) / WAVES as f64).sqrt());
    (0..n)
        .map(|i| {
            let t = step_s * i as f64;
            let (mut re, mut im) = (steady, 0.0);
            for (shift, phase) in &waves {
                re += spread * (shift * t + phase).cos();
                im += spread * (shift * t + phase).sin();
            }
            10.0 * (re * re + im * im).log10()
        })
        .collect()
}

/// Smallest standard deviation of an unbiased bearing, the level being unknown, in degrees (Kay, *Fundamentals of
/// Statistical Signal Processing: Estimation Theory*, 1993, chapter 3: the Fisher information of a vector of
/// parameters, the level eliminated): `1 / (sum w d^2 - (sum w d)^2 / sum w)`.
pub(crate) fn bound_deg(scene: &Scene, pattern: &Pattern, azimuth_deg: f64) -> f64 {
    let (mut w_sum, mut wd, mut wdd) = (0.0, 0.0, 0.0);
    for b in &scene.boresights_deg {
        let off = azimuth_deg - b;
        let rho = 10_f64.powf(scene.snr_db / 10.0) * pattern.gain_rel_lin(off);
        let h = rho / (1.0 + rho);
        let v = if scene.gaussian {
            1.0 / scene.samples
        } else {
            (2.0 * rho + 1.0) / (scene.samples * (1.0 + rho).powi(2))
        };
        let w = h * h / (v + (C * scene.level_error_db * h).powi(2));
        let d = C * (pattern.gain_dbi(off + 0.05) - pattern.gain_dbi(off - 0.05)) / 0.1;
        w_sum += w;
        wd += w * d;
        wdd += w * d * d;
    }
    (wdd - wd * wd / w_sum).powf(-0.5)
}

pub(crate) fn holds(arcs: &[ArcDeg], azimuth_deg: f64) -> bool {
    arcs.iter()
        .any(|a| a.contains(Azimuth::from_degrees(azimuth_deg)))
}

/// What a series of trials gave.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tally {
    pub(crate) errors_deg: Vec<f64>,
    pub(crate) held: usize,
    pub(crate) sigmas_deg: Vec<f64>,
    /// Errors over 30 degrees where the density leaves less than 1 % beyond 30 degrees.
    pub(crate) gross_unshown: usize,
}

impl Tally {
    pub(crate) fn add(&mut self, estimate: &lobewright_bearing::Estimate, truth_deg: f64) {
        let error = wrap_signed_degrees(estimate.azimuth.degrees() - truth_deg);
        self.errors_deg.push(error);
        self.sigmas_deg.push(estimate.sigma_deg);
        self.held += usize::from(holds(&estimate.arcs95, truth_deg));
        let sure = estimate.density.probability(ArcDeg {
            from: estimate.azimuth.turned(-30.0),
            width_deg: 60.0,
        }) > 0.99;
        self.gross_unshown += usize::from(error.abs() > 30.0 && sure);
    }

    pub(crate) fn rms_deg(&self) -> f64 {
        (self.errors_deg.iter().map(|e| e * e).sum::<f64>() / self.errors_deg.len() as f64).sqrt()
    }

    pub(crate) fn bias_deg(&self) -> f64 {
        self.errors_deg.iter().sum::<f64>() / self.errors_deg.len() as f64
    }

    pub(crate) fn coverage(&self) -> f64 {
        self.held as f64 / self.errors_deg.len() as f64
    }

    pub(crate) fn mean_sigma_deg(&self) -> f64 {
        self.sigmas_deg.iter().sum::<f64>() / self.sigmas_deg.len() as f64
    }
}

/// A turn with two arrivals whose powers add, the second `apart_deg` clockwise of the first; `truth` is the first's direction and
/// the S/N its own.
pub(crate) fn two_arrivals(
    apart_deg: f64,
    ratio_db: f64,
    truth: f64,
    rng: &mut ChaCha8Rng,
) -> Vec<LevelReading> {
    let yagi = pattern("yagi3");
    let scene = Scene::full_turn(36, 400.0, 25.0, 0.3);
    let mut readings = scene.draw(&yagi, truth, rng);
    for (r, b) in readings.iter_mut().zip(&scene.boresights_deg) {
        let gain = yagi.gain_rel_lin(truth - b)
            + 10_f64.powf(ratio_db / 10.0) * yagi.gain_rel_lin(truth + apart_deg - b);
        let rho = 10_f64.powf((scene.snr_db + scene.level_error_db * normal(rng)) / 10.0) * gain;
        r.power_lin = mean_power(rho, scene.samples, false, rng);
    }
    readings
}
