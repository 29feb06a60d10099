//! Probability of the readings for a supposed direction, level error, and correlation of that error.

use crate::levels::{Linear, Point};
use crate::prepare::{Data, Obs};

/// Nats of a decibel of power.
pub(crate) const NATS_PER_DB: f64 = std::f64::consts::LN_10 / 10.0;
/// Standard deviation of a burst's level around its fit before the readings are weighed: wide.
const LEVEL_PRIOR_NATS: f64 = 1.5;
/// Correlations of the level error between neighbouring readings that are tried, with their prior shares.
pub(crate) const CORRELATIONS: [(f64, f64); 5] = [
    (0.0, 0.5),
    (0.5, 0.125),
    (0.8, 0.125),
    (0.94, 0.125),
    (0.985, 0.125),
];

/// One supposed behaviour of the level error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Node {
    /// Standard deviation of the level error.
    pub(crate) sigma_nats: f64,
    /// Index into [`CORRELATIONS`].
    pub(crate) correlation: usize,
    /// Standard deviation of the change of level from burst to burst.
    pub(crate) tie_nats: f64,
    /// Logarithm of its prior share.
    pub(crate) ln_weight: f64,
}

/// Readings with what does not depend on the direction worked out.
#[derive(Debug, Clone)]
pub(crate) struct Likelihood {
    pub(crate) data: Data,
    /// `[correlation][reading]`: what is left of the level error since the reading before.
    decay: Vec<Vec<f64>>,
    unexplained_share: f64,
    unexplained_density: f64,
}

impl Likelihood {
    pub(crate) fn new(data: Data, unexplained_share: f64) -> Self {
        let decay = CORRELATIONS
            .iter()
            .map(|(r, _)| {
                data.obs
                    .iter()
                    .map(|o| {
                        if o.gap_s.is_finite() && *r > 0.0 {
                            r.powf(o.gap_s / data.step_s)
                        } else {
                            0.0
                        }
                    })
                    .collect()
            })
            .collect();
        Self {
            unexplained_share: unexplained_share.clamp(1e-6, 0.5),
            unexplained_density: 1.0 / data.spread_nats,
            decay,
            data,
        }
    }

    /// Natural logarithm of the density of all readings, levels of bursts, level errors and the noise power's
    /// error integrated out.
    ///
    /// A Kalman filter with the three states level, level error (an Ornstein-Uhlenbeck process within a burst)
    /// and noise error; a reading that the model may not explain moves it by its probability of being explained
    /// (probabilistic data association: Bar-Shalom & Tse, *Automatica* 11, 1975, 451-460).
    pub(crate) fn ln_evidence(&self, point: &Point, node: &Node) -> f64 {
        let mut filter = Filter::new(node.sigma_nats, self.data.noise_rel_sigma);
        let decay = &self.decay[node.correlation];
        let mut burst = 0;
        let mut sum = LogProduct::default();
        for ((o, l), &keep) in self.data.obs.iter().zip(&point.linear).zip(decay) {
            if o.burst == burst {
                filter.forget(keep);
            } else {
                filter.next_burst(
                    point.level[burst] - point.level[o.burst],
                    node.tie_nats * node.tie_nats,
                );
                burst = o.burst;
            }
            sum.push(self.step(&mut filter, o, l));
        }
        sum.ln()
    }

    fn step(&self, filter: &mut Filter, o: &Obs, l: &Linear) -> f64 {
        let s2 = filter.error_var;
        let cross = l.h * (1.0 - l.h);
        // To second order in the level error: mean and variance of ln(1 + rho e^x).
        let nu = l.nu - 0.5 * cross * s2;
        let extra = l.v + 0.5 * (cross * s2).powi(2);
        let seen = filter.see([l.d, l.h, 1.0 - l.h], nu, extra);
        let background = self.unexplained_share * self.unexplained_density;
        if o.censored {
            return self.step_censored(filter, &seen);
        }
        let x2 = seen.off * seen.off / seen.var;
        let fits =
            (1.0 - self.unexplained_share) * (-0.5 * x2).exp() / (std::f64::consts::TAU * seen.var).sqrt();
        let total = fits + background;
        let p = fits / total;
        filter.take(
            &seen,
            p * seen.off / seen.var,
            (p - p * (1.0 - p) * x2) / seen.var,
        );
        total
    }

    /// A clipped reading says only that the true level is at least as high.
    fn step_censored(&self, filter: &mut Filter, seen: &Seen) -> f64 {
        let sigma = seen.var.sqrt();
        let t = seen.off / sigma;
        let above = upper_tail(t);
        let ratio = (-0.5 * t * t).exp() / std::f64::consts::TAU.sqrt() / above.max(1e-300);
        let ratio = if t > 30.0 { t } else { ratio };
        let total = (1.0 - self.unexplained_share) * above + self.unexplained_share * 0.5;
        let p = (1.0 - self.unexplained_share) * above / total;
        filter.take(
            seen,
            p * ratio / sigma,
            p * (ratio * (ratio - t)).clamp(0.0, 1.0) / seen.var,
        );
        total
    }

    /// Probability that the model explains each reading, and the standardised residuals, at a fitted point.
    pub(crate) fn residuals(&self, point: &Point, sigma_nats: f64) -> Vec<Residual> {
        self.data
            .obs
            .iter()
            .zip(&point.linear)
            .map(|(o, l)| {
                let var = l.v + (sigma_nats * l.h).powi(2);
                let nu = if o.censored { l.nu.max(0.0) } else { l.nu };
                let fits = (1.0 - self.unexplained_share) * (-0.5 * nu * nu / var).exp()
                    / (std::f64::consts::TAU * var).sqrt();
                let background = self.unexplained_share * self.unexplained_density;
                Residual {
                    nats: nu,
                    sigma_nats: var.sqrt(),
                    explained: fits / (fits + background),
                }
            })
            .collect()
    }
}

/// A reading against the fitted pattern.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Residual {
    pub(crate) nats: f64,
    pub(crate) sigma_nats: f64,
    pub(crate) explained: f64,
}

/// Probability that a standard normal number lies above `t`.
fn upper_tail(t: f64) -> f64 {
    0.5 * statrs::function::erf::erfc(t / std::f64::consts::SQRT_2)
}

/// Product of many factors, kept in range.
#[derive(Default)]
struct LogProduct {
    ln: f64,
    product: Option<f64>,
}

impl LogProduct {
    fn push(&mut self, factor: f64) {
        let product = self.product.unwrap_or(1.0) * factor;
        if (1e-200..1e200).contains(&product) {
            self.product = Some(product);
        } else {
            self.ln += product.max(1e-300).ln();
            self.product = None;
        }
    }

    fn ln(&self) -> f64 {
        self.ln + self.product.map_or(0.0, f64::ln)
    }
}

struct Filter {
    mean: [f64; 3],
    /// Upper triangle: level-level, level-error, level-noise, error-error, error-noise, noise-noise.
    cov: [f64; 6],
    error_var: f64,
}

struct Seen {
    gain: [f64; 3],
    off: f64,
    var: f64,
}

impl Filter {
    fn new(sigma_nats: f64, noise_sigma: f64) -> Self {
        let error_var = sigma_nats * sigma_nats;
        Self {
            mean: [0.0; 3],
            cov: [
                LEVEL_PRIOR_NATS * LEVEL_PRIOR_NATS,
                0.0,
                0.0,
                error_var,
                0.0,
                noise_sigma * noise_sigma,
            ],
            error_var,
        }
    }

    fn forget(&mut self, keep: f64) {
        self.mean[1] *= keep;
        self.cov[1] *= keep;
        self.cov[4] *= keep;
        self.cov[3] = keep * keep * self.cov[3] + (1.0 - keep * keep) * self.error_var;
    }

    fn next_burst(&mut self, shift: f64, tie_var: f64) {
        self.mean[0] += shift;
        self.cov[0] += tie_var;
        self.mean[1] = 0.0;
        self.cov[1] = 0.0;
        self.cov[4] = 0.0;
        self.cov[3] = self.error_var;
    }

    fn see(&self, h: [f64; 3], nu: f64, noise_var: f64) -> Seen {
        let c = &self.cov;
        let gain = [
            c[0] * h[0] + c[1] * h[1] + c[2] * h[2],
            c[1] * h[0] + c[3] * h[1] + c[4] * h[2],
            c[2] * h[0] + c[4] * h[1] + c[5] * h[2],
        ];
        Seen {
            gain,
            off: nu - (h[0] * self.mean[0] + h[1] * self.mean[1] + h[2] * self.mean[2]),
            var: h[0] * gain[0] + h[1] * gain[1] + h[2] * gain[2] + noise_var,
        }
    }

    fn take(&mut self, seen: &Seen, pull: f64, shrink: f64) {
        let k = &seen.gain;
        for (mean, k) in self.mean.iter_mut().zip(k) {
            *mean += k * pull;
        }
        let pairs = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)];
        for (cov, (i, j)) in self.cov.iter_mut().zip(pairs) {
            *cov -= shrink * k[i] * k[j];
        }
    }
}
