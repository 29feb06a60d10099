//! How likely one burst's covariance is, signal power and noise level integrated out.

use nalgebra::DMatrix;
use num_complex::Complex;

/// Signal over noise, all channels together, that is thought possible at most, and at least in units of the noise's own
/// fluctuation: a weaker burst is not detected. Its logarithm is taken as uniform between.
const LN_SNR_LARGEST: f64 = 25.0;
const LN_SNR_LEAST: f64 = -8.0;
/// Steps of the sum over it where the closed form does not hold.
const STEPS: usize = 64;
/// Standard deviations between the best signal-to-noise and the lower limit from which the closed form holds.
const CLEAR_SIGMAS: f64 = 6.0;
/// Nodes of the table of losses, and their spacing in nats of missed power.
const NODES: usize = 128;
const NODE_STEP_NATS: f64 = 0.22;

/// One burst, its channels whitened: noise of unit power in each, as far as it is known.
#[derive(Debug, Clone)]
pub(crate) struct Burst {
    pub(crate) covariance: DMatrix<Complex<f64>>,
    /// Largest eigenvalue.
    pub(crate) top: f64,
    /// Slope of the log likelihood over the power explained, at the largest eigenvalue.
    pub(crate) slope: f64,
    /// Signal over noise, all channels together.
    pub(crate) snr: f64,
    /// Logarithm of loss over missed power, at powers `top exp(-k step)`.
    ln_rate: Vec<f64>,
}

/// What the likelihood of a power needs beside it.
#[derive(Debug, Clone, Copy)]
struct Law {
    channels: f64,
    samples: f64,
    /// Samples that the knowledge of the noise level is worth.
    noise_samples: f64,
    trace: f64,
}

impl Burst {
    /// Takes a whitened covariance.
    ///
    /// `noise_samples`: how many independent samples the noise's level is known to, one over its relative variance; 0
    /// for not at all. `covariance_ratio`: samples of all bursts over those behind the noise covariance; an error of
    /// the whitening acts as that many fewer samples where the signal is weak.
    pub(crate) fn new(
        covariance: DMatrix<Complex<f64>>,
        samples: f64,
        noise_samples: f64,
        covariance_ratio: f64,
    ) -> Self {
        let top = covariance
            .clone()
            .symmetric_eigenvalues()
            .iter()
            .copied()
            .fold(f64::MIN_POSITIVE, f64::max);
        let mut law = Law {
            channels: covariance.nrows() as f64,
            samples,
            noise_samples,
            trace: covariance.trace().re,
        };
        let snr = law.best_snr(top).max(0.0);
        law.samples = samples * (1.0 + snr) / (1.0 + snr + covariance_ratio);
        let ln_top = law.ln_likelihood(top);
        let slope = law.slope(top, law.best_snr(top).max(1e-3)).max(f64::MIN_POSITIVE);
        // Rounding of the log likelihood hides losses below this; the law is straight there.
        let rounding = 1e-12 * (1.0 + ln_top.abs());
        let ln_rate = (0..NODES)
            .map(|k| {
                let missed = top * (-NODE_STEP_NATS * k as f64).exp();
                let loss = ln_top - law.ln_likelihood(top - missed);
                if loss > 1e4 * rounding && missed * slope > 1e-3 {
                    (loss / missed).ln()
                } else {
                    slope.ln()
                }
            })
            .collect();
        Self {
            covariance,
            top,
            slope,
            snr,
            ln_rate,
        }
    }

    /// Power in the direction of a whitened response of unit length.
    pub(crate) fn explained(&self, unit: &[Complex<f64>]) -> f64 {
        let n = unit.len();
        let matrix = self.covariance.as_slice();
        let mut sum = 0.0;
        for column in 0..n {
            let mut product = Complex::<f64>::default();
            let elements = &matrix[column * n..column * n + column];
            for (value, element) in unit.iter().zip(elements) {
                product += value.conj() * element;
            }
            sum += 2.0 * (product * unit[column]).re;
            sum += unit[column].norm_sqr() * matrix[column * n + column].re;
        }
        sum
    }

    /// Log likelihood lost where a direction misses a part of the largest eigenvalue, 0 or more.
    ///
    /// Samples `x = u s + n` with `s` Gaussian of power `rho` and `n` of unit power in each of K channels, both times
    /// an unknown level, have the density `(1 - z)^M (nu + M (tr R - z q))^-(M K + nu)` with `z = rho / (1 + rho)`, `q
    /// = u^H R u`, and the level integrated over its inverse Gamma prior of `nu` samples. That is integrated over `ln
    /// rho`, by Laplace's form where the best `rho` is clear of the lower limit, by a sum elsewhere.
    pub(crate) fn loss(&self, missed: f64) -> f64 {
        if missed <= 0.0 {
            return 0.0;
        }
        let at = ((self.top / missed).ln() / NODE_STEP_NATS).max(0.0);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "not negative, and saturating"
        )]
        let k = at as usize;
        let ln_rate = if k + 1 >= NODES {
            self.ln_rate[NODES - 1]
        } else {
            let node = |i: usize| self.ln_rate[i.min(NODES - 1)];
            let before = if k > 0 {
                node(k - 1)
            } else {
                2.0 * node(0) - node(1)
            };
            cubic([before, node(k), node(k + 1), node(k + 2)], at - k as f64)
        };
        missed * ln_rate.exp()
    }
}

/// Cubic with the slopes of the neighbours (Catmull & Rom, 1974), between the second value and the third.
fn cubic(v: [f64; 4], x: f64) -> f64 {
    let a = -0.5 * v[0] + 1.5 * v[1] - 1.5 * v[2] + 0.5 * v[3];
    let b = v[0] - 2.5 * v[1] + 2.0 * v[2] - 0.5 * v[3];
    let c = 0.5 * (v[2] - v[0]);
    ((a * x + b) * x + c) * x + v[1]
}

impl Law {
    /// Log likelihood of a power explained, up to a constant.
    fn ln_likelihood(&self, explained: f64) -> f64 {
        let least = (-0.5 * self.samples.ln()).clamp(LN_SNR_LEAST, 0.0);
        let best = self.best_snr(explained);
        if best > 0.0 {
            let at = best.ln();
            let sigma = self.ln_snr_sigma(explained, best);
            let clear = CLEAR_SIGMAS * sigma;
            if at - least > clear && LN_SNR_LARGEST - at > clear && clear < 3.0 {
                return self.ln_density(explained, best) + (sigma * std::f64::consts::TAU.sqrt()).ln();
            }
        }
        let step = (LN_SNR_LARGEST - least) / STEPS as f64;
        let mut values = [0.0; STEPS];
        for (k, value) in values.iter_mut().enumerate() {
            let ln_snr = least + (k as f64 + 0.5) * step;
            *value = self.ln_density(explained, ln_snr.exp());
        }
        let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        most + (values.iter().map(|v| (v - most).exp()).sum::<f64>() * step).ln()
    }

    fn ln_density(&self, explained: f64, snr: f64) -> f64 {
        let level = self.level(explained, snr) / (self.noise_samples + self.samples);
        -self.samples * snr.ln_1p() - self.power() * level.ln()
    }

    /// Sum of squares that the signal leaves, what is known of the noise added; never quite 0.
    fn level(&self, explained: f64, snr: f64) -> f64 {
        let left = self.trace - snr / (1.0 + snr) * explained;
        let all = self.noise_samples + self.samples * self.trace;
        (self.noise_samples + self.samples * left).max(1e-12 * all)
    }

    /// Exponent of the level.
    fn power(&self) -> f64 {
        self.samples * self.channels + self.noise_samples
    }

    /// Where the density is highest; 0 and below where it falls all the way.
    fn best_snr(&self, explained: f64) -> f64 {
        // The root of the derivative over z is one of a straight line.
        let level = self.noise_samples + self.samples * self.trace;
        let over = self.power() * explained - level;
        let under = level - self.samples * explained;
        if under > 0.0 {
            (over / under).min(1e10)
        } else {
            1e10
        }
    }

    /// Derivative of the log density over the power explained.
    fn slope(&self, explained: f64, snr: f64) -> f64 {
        let z = snr / (1.0 + snr);
        self.power() * self.samples * z / self.level(explained, snr)
    }

    /// Standard deviation of the logarithm of the signal-to-noise at its best.
    fn ln_snr_sigma(&self, explained: f64, snr: f64) -> f64 {
        // With y = ln rho: d2/dy2 of -M ln(1 + rho) is -M z (1 - z), z' = z (1 - z), z'' = z (1 - z) (1 - 2 z).
        let z = snr / (1.0 + snr);
        let pull = self.samples * explained / self.level(explained, snr);
        let spread = z * (1.0 - z);
        let bend = -self.samples * spread
            + self.power() * (pull * spread * (1.0 - 2.0 * z) + (pull * spread).powi(2));
        if bend < 0.0 {
            (-bend).sqrt().recip()
        } else {
            f64::INFINITY
        }
    }
}
