//! Mean powers of a signal in noise, drawn from their exact distributions, with the spread that is measured beside them.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Gamma};

use super::normal;

/// What the transmitter sends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Signal {
    /// Frequency modulation, or a carrier.
    ConstantEnvelope,
    /// Its own power fluctuates as that of noise does.
    Gaussian,
    /// On or off by chance for each of so many symbols of a reading; the S/N counts both.
    Keyed { symbols: u32 },
}

impl Signal {
    /// Relative variance of a mean of `samples` powers, signal over noise `rho`: noncentral chi-square, Gamma
    /// (Johnson, Kotz & Balakrishnan, *Continuous Univariate Distributions*, 1994 and 1995, chapters 29 and 17), and
    /// for keying the binomial number of symbols sent on top of the former.
    pub(crate) fn rel_var(self, rho: f64, samples: f64) -> f64 {
        let share = rho / (1.0 + rho);
        let own = match self {
            Self::ConstantEnvelope => 0.0,
            Self::Gaussian => 1.0,
            Self::Keyed { symbols } => samples / f64::from(symbols),
        };
        (1.0 - share * share * (1.0 - own)) / samples
    }

    /// Mean power of `samples` complex samples of noise of power 1 and of a signal whose power over noise takes the values
    /// `rhos` one after another, for equal times; beside it the relative variance of the mean as the short-time powers show it.
    pub(crate) fn draw(self, rhos: &[f64], samples: f64, rng: &mut ChaCha8Rng) -> (f64, f64) {
        let parts = rhos.len() as f64;
        let mean = rhos.iter().sum::<f64>() / parts;
        match self {
            Self::ConstantEnvelope => {
                let raw = mean_of(rhos.iter().map(|&r| constant_moments(r)));
                (noncentral(mean, samples, rng), measured(raw, samples, rng))
            }
            Self::Gaussian => {
                let power = rhos
                    .iter()
                    .map(|r| gamma(1.0 + r, samples / parts, rng))
                    .sum::<f64>()
                    / parts;
                let raw = mean_of(rhos.iter().map(|r| scaled_moments(1.0 + r)));
                (power, measured(raw, samples, rng))
            }
            Self::Keyed { symbols } => {
                let sent = (0..symbols).filter(|_| rng.random::<bool>()).count() as f64 / f64::from(symbols);
                let on = mean_of(rhos.iter().map(|r| constant_moments(2.0 * r)));
                let off = scaled_moments(1.0);
                let raw = std::array::from_fn(|j| sent * on[j] + (1.0 - sent) * off[j]);
                (
                    noncentral(2.0 * sent * mean, samples, rng),
                    measured(raw, samples, rng),
                )
            }
        }
    }
}

fn noncentral(rho: f64, samples: f64, rng: &mut ChaCha8Rng) -> f64 {
    super::mean_power(rho, samples, false, rng)
}

fn gamma(mean: f64, samples: f64, rng: &mut ChaCha8Rng) -> f64 {
    Gamma::new(samples, mean / samples).expect("positive").sample(rng)
}

/// First four raw moments of the power of one sample: noise of power 1 and a constant envelope of power `rho`
/// (noncentral chi-square with two degrees of freedom, halved).
fn constant_moments(rho: f64) -> [f64; 4] {
    let (k1, k2) = (1.0 + rho, 1.0 + 2.0 * rho);
    let (k3, k4) = (2.0 + 6.0 * rho, 6.0 + 24.0 * rho);
    [
        k1,
        k2 + k1 * k1,
        k3 + 3.0 * k2 * k1 + k1.powi(3),
        k4 + 4.0 * k3 * k1 + 3.0 * k2 * k2 + 6.0 * k2 * k1 * k1 + k1.powi(4),
    ]
}

/// The same of Gaussian noise of a power.
fn scaled_moments(power: f64) -> [f64; 4] {
    [
        power,
        2.0 * power.powi(2),
        6.0 * power.powi(3),
        24.0 * power.powi(4),
    ]
}

fn mean_of(moments: impl ExactSizeIterator<Item = [f64; 4]>) -> [f64; 4] {
    let n = moments.len() as f64;
    moments.fold([0.0; 4], |sum, m| std::array::from_fn(|j| sum[j] + m[j] / n))
}

/// Relative variance of the mean as measured from the samples' own powers: `m2 / m1^2 - 1` with the error of the moments
/// `m1` and `m2` carried through (delta method), divided by the number of samples.
fn measured(raw: [f64; 4], samples: f64, rng: &mut ChaCha8Rng) -> f64 {
    let [m1, m2, m3, m4] = raw;
    let (by_m1, by_m2) = (-2.0 * m2 / m1.powi(3), m1.powi(-2));
    let variance = by_m1 * by_m1 * (m2 - m1 * m1)
        + by_m2 * by_m2 * (m4 - m2 * m2)
        + 2.0 * by_m1 * by_m2 * (m3 - m1 * m2);
    let spread = m2 / (m1 * m1) - 1.0 + (variance.max(0.0) / samples).sqrt() * normal(rng);
    spread.max(0.0) / samples
}
