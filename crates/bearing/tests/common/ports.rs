//! Cycles of a switch through fixed antennas, and the bound for them.

use std::sync::Arc;

use lobewright_antenna::Pattern;
use lobewright_types::{LevelReading, Pointing, SampleIndex};
use nalgebra::DMatrix;
use rand_chacha::ChaCha8Rng;

use super::fading::Fading;
use super::statistics::Signal;
use super::turn::NOISE_REL_SIGMA;
use super::{C, normal};

/// A reading of each port in turn, `cycles` times; the noise power is 1.
#[derive(Debug, Clone)]
pub(crate) struct Switched {
    /// Pattern of each port, all counted from the same direction.
    pub(crate) ports: Vec<Arc<Pattern>>,
    pub(crate) cycles: usize,
    pub(crate) samples: f64,
    pub(crate) signal: Signal,
    /// S/N of the strongest port with its peak towards the source.
    pub(crate) snr_db: f64,
    /// Error of each reading, independent, 1 sigma.
    pub(crate) level_error_db: f64,
    /// Error of each cycle, common to its readings, 1 sigma.
    pub(crate) cycle_error_db: f64,
    /// Fixed error of each port, 1 sigma.
    pub(crate) port_error_db: f64,
    /// Time on a port.
    pub(crate) dwell_s: f64,
    pub(crate) fading: Option<Fading>,
}

impl Switched {
    /// Readings of 20 ms without errors but that of the reading.
    pub(crate) fn new(
        ports: &[Arc<Pattern>],
        cycles: usize,
        samples: f64,
        snr_db: f64,
        level_error_db: f64,
    ) -> Self {
        Self {
            ports: ports.to_vec(),
            cycles,
            samples,
            signal: Signal::ConstantEnvelope,
            snr_db,
            level_error_db,
            cycle_error_db: 0.0,
            port_error_db: 0.0,
            dwell_s: 0.02,
            fading: None,
        }
    }

    /// Gain of a port against the peak of the strongest.
    fn gain(&self, port: usize, azimuth_deg: f64) -> f64 {
        let strongest = self
            .ports
            .iter()
            .map(|p| p.peak_gain_dbi())
            .fold(f64::NEG_INFINITY, f64::max);
        10_f64.powf((self.ports[port].gain_dbi(azimuth_deg) - strongest) / 10.0)
    }

    /// Readings for a source at `azimuth_deg`.
    pub(crate) fn draw(&self, azimuth_deg: f64, rng: &mut ChaCha8Rng) -> Vec<LevelReading> {
        let course = self.fading.map(|f| f.course(rng));
        let of_ports: Vec<f64> = self
            .ports
            .iter()
            .map(|_| self.port_error_db * normal(rng))
            .collect();
        let noise_power_lin = 1.0 + NOISE_REL_SIGMA * normal(rng);
        let mut readings = Vec::with_capacity(self.cycles * self.ports.len());
        for _ in 0..self.cycles {
            let of_cycle = self.cycle_error_db * normal(rng);
            for (port, of_port) in of_ports.iter().enumerate() {
                let k = readings.len();
                let middle_s = self.dwell_s * (k as f64 + 0.5);
                let error_db = of_cycle + of_port + self.level_error_db * normal(rng);
                let signal = 10_f64.powf((self.snr_db + error_db) / 10.0) * self.gain(port, azimuth_deg);
                let rhos = [-0.4, -0.2, 0.0, 0.2, 0.4].map(|part| {
                    let at_s = middle_s + self.dwell_s * part;
                    signal * course.as_ref().map_or(1.0, |c| c.power_lin(at_s))
                });
                let rhos = if course.is_some() { &rhos[..] } else { &rhos[..1] };
                let (power_lin, rel_var) = self.signal.draw(rhos, self.samples, rng);
                readings.push(LevelReading {
                    burst: 0,
                    start: SampleIndex(1000 * k as u64),
                    middle_s,
                    length_s: self.dwell_s,
                    pointing: Pointing::Port(u16::try_from(port).expect("a few ports")),
                    power_lin,
                    independent_samples: self.samples,
                    noise_power_lin,
                    noise_rel_sigma: NOISE_REL_SIGMA,
                    power_rel_var: Some(rel_var),
                    gain_db: None,
                    attenuation_db: 0.0,
                    clip_fraction: 0.0,
                });
            }
        }
        readings
    }

    /// Smallest standard deviation of an unbiased bearing (Kay, *Fundamentals of Statistical Signal Processing: Estimation
    /// Theory*, 1993, chapter 3): level unknown; noise power, cycles and ports known to their standard deviations. Absent under
    /// fading.
    pub(crate) fn bound_deg(&self, azimuth_deg: f64) -> Option<f64> {
        if self.fading.is_some() {
            return None;
        }
        // Bearing, level, noise, then one for each port and one for each cycle.
        let (ports, first) = (self.ports.len(), 3);
        let mut information = DMatrix::<f64>::zeros(first + ports + self.cycles, first + ports + self.cycles);
        information[(2, 2)] = NOISE_REL_SIGMA.powi(-2);
        for i in first..information.nrows() {
            let sigma_db = if i < first + ports {
                self.port_error_db
            } else {
                self.cycle_error_db
            };
            information[(i, i)] = (C * sigma_db.max(1e-6)).powi(-2);
        }
        for port in 0..ports {
            let rho = 10_f64.powf(self.snr_db / 10.0) * self.gain(port, azimuth_deg);
            let slope =
                (self.gain(port, azimuth_deg + 0.05) / self.gain(port, azimuth_deg - 0.05)).ln() / 0.1;
            let h = rho / (1.0 + rho);
            let variance = self.signal.rel_var(rho, self.samples) + (C * self.level_error_db * h).powi(2);
            for cycle in 0..self.cycles {
                let part = [
                    (0, h * slope),
                    (1, h),
                    (2, 1.0 - h),
                    (first + port, h),
                    (first + ports + cycle, h),
                ];
                for (i, a) in part {
                    for (j, b) in part {
                        information[(i, j)] += a * b / variance;
                    }
                }
            }
        }
        let solved = information.cholesky()?.inverse();
        Some(solved[(0, 0)].sqrt())
    }
}
