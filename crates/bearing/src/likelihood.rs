//! Probability of the readings for a supposed direction, level error, and correlation of that error.

use crate::levels::{Linear, Point};
use crate::prepare::{Data, Obs};

/// Nats of a decibel of power.
pub(crate) const NATS_PER_DB: f64 = std::f64::consts::LN_10 / 10.0;
/// Standard deviation of a burst's level around its fit before the readings are weighed: wide.
const LEVEL_PRIOR_NATS: f64 = 1.5;
/// How the level error of one reading depends on that of the one before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Memory {
    /// Its shape.
    kind: Kind,
    /// Independent part of the level error against the part with memory.
    nugget: f64,
    /// Prior share.
    pub(crate) share: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Kind {
    /// None: independent readings.
    White,
    /// Ornstein-Uhlenbeck: rough, with this correlation between neighbours.
    Rough(f64),
    /// Matern 3/2: smooth, over this many readings. Fading with a band-limited Doppler spectrum and pattern errors
    /// are smooth; a rough process with the same small steps would claim to know too much.
    Smooth(f64),
}

/// Memories that are tried.
pub(crate) const MEMORIES: [Memory; 9] = [
    memory(Kind::White, 0.0, 0.5),
    memory(Kind::Rough(0.6), 0.0, 0.08),
    memory(Kind::Smooth(2.0), 0.0, 0.06),
    memory(Kind::Smooth(4.0), 0.1, 0.06),
    memory(Kind::Smooth(8.0), 0.0, 0.06),
    memory(Kind::Smooth(8.0), 0.3, 0.06),
    memory(Kind::Smooth(20.0), 0.0, 0.06),
    memory(Kind::Smooth(20.0), 0.3, 0.06),
    memory(Kind::Smooth(50.0), 0.15, 0.06),
];

const fn memory(kind: Kind, nugget: f64, share: f64) -> Memory {
    Memory { kind, nugget, share }
}

/// Transition of the level error and its rate over the time between two readings, both scaled to unit variance:
/// `[xx, xy, yx, yy]` and the variances `[xx, xy, yy]` that are added.
#[derive(Debug, Clone, Copy)]
struct Transition {
    a: [f64; 4],
    q: [f64; 3],
}

impl Transition {
    /// Sarkka & Solin, *Applied Stochastic Differential Equations* (2019), section 12.3: Matern 3/2 in state-space
    /// form.
    fn new(kind: Kind, steps: f64) -> Self {
        let a = match kind {
            Kind::White => [0.0; 4],
            Kind::Rough(r) => [r.powf(steps), 0.0, 0.0, 0.0],
            Kind::Smooth(length) => {
                let u = 3.0_f64.sqrt() * steps / length;
                let e = (-u).exp();
                [e * (1.0 + u), e * u, -e * u, e * (1.0 - u)]
            }
        };
        let q = [
            1.0 - a[0] * a[0] - a[1] * a[1],
            -a[0] * a[2] - a[1] * a[3],
            1.0 - a[2] * a[2] - a[3] * a[3],
        ];
        Self { a, q }
    }
}

/// One supposed behaviour of the level error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Node {
    /// Standard deviation of the level error.
    pub(crate) sigma_nats: f64,
    /// Index into [`MEMORIES`].
    pub(crate) memory: usize,
    /// Standard deviation of the change of level from burst to burst.
    pub(crate) tie_nats: f64,
    /// Logarithm of its prior share.
    pub(crate) ln_weight: f64,
}

/// Readings with what does not depend on the direction worked out.
#[derive(Debug, Clone)]
pub(crate) struct Likelihood {
    pub(crate) data: Data,
    /// `[memory][reading]`: from the reading before.
    transitions: Vec<Vec<Transition>>,
    unexplained_share: f64,
    unexplained_density: f64,
}

impl Likelihood {
    pub(crate) fn new(data: Data, unexplained_share: f64) -> Self {
        let transitions = MEMORIES
            .iter()
            .map(|m| {
                data.obs
                    .iter()
                    .map(|o| {
                        let steps = o.gap_s / data.step_s;
                        Transition::new(m.kind, if steps.is_finite() { steps.min(1e4) } else { 1e4 })
                    })
                    .collect()
            })
            .collect();
        Self {
            unexplained_share: unexplained_share.clamp(1e-6, 0.5),
            unexplained_density: 1.0 / data.spread_nats,
            transitions,
            data,
        }
    }

    /// Natural logarithm of the density of all readings, levels of bursts, level errors and the noise power's
    /// error integrated out.
    ///
    /// A Kalman filter with the states level, level error, its rate of change, and noise error; the level error
    /// starts anew with each burst; a reading that the model may not explain moves it by its probability of being explained
    /// (probabilistic data association: Bar-Shalom & Tse, *Automatica* 11, 1975, 451-460).
    pub(crate) fn ln_evidence(&self, point: &Point, node: &Node) -> f64 {
        let memory = &MEMORIES[node.memory];
        let mut filter = Filter::new(node.sigma_nats, memory, self.data.noise_rel_sigma);
        let transitions = &self.transitions[node.memory];
        let mut burst = 0;
        let mut sum = LogProduct::default();
        for ((o, l), transition) in self.data.obs.iter().zip(&point.linear).zip(transitions) {
            if o.burst == burst {
                // Without memory the level error is part of the noise and no state.
                if filter.has_memory {
                    filter.advance(transition);
                }
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
        let extra = l.v + filter.nugget_var * l.h * l.h + 0.5 * (cross * s2).powi(2);
        let seen = filter.see(l, nu, extra);
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

/// States: level, level error, its rate, noise error.
struct Filter {
    mean: [f64; 4],
    cov: [[f64; 4]; 4],
    error_var: f64,
    nugget_var: f64,
    has_memory: bool,
}

struct Seen {
    gain: [f64; 4],
    off: f64,
    var: f64,
}

impl Filter {
    fn new(sigma_nats: f64, memory: &Memory, noise_sigma: f64) -> Self {
        let error_var = sigma_nats * sigma_nats;
        let mut cov = [[0.0; 4]; 4];
        cov[0][0] = LEVEL_PRIOR_NATS * LEVEL_PRIOR_NATS;
        let has_memory = memory.kind != Kind::White;
        let nugget_var = if has_memory {
            cov[1][1] = error_var;
            cov[2][2] = error_var;
            memory.nugget * memory.nugget * error_var
        } else {
            error_var
        };
        cov[3][3] = noise_sigma * noise_sigma;
        Self {
            mean: [0.0; 4],
            cov,
            error_var,
            nugget_var,
            has_memory,
        }
    }

    fn advance(&mut self, t: &Transition) {
        let [a, b, c, d] = t.a;
        let s2 = self.error_var;
        let p = &mut self.cov;
        let (x, y) = (self.mean[1], self.mean[2]);
        (self.mean[1], self.mean[2]) = (a * x + b * y, c * x + d * y);
        for other in [0, 3] {
            let (x, y) = (p[other][1], p[other][2]);
            (p[other][1], p[other][2]) = (a * x + b * y, c * x + d * y);
            (p[1][other], p[2][other]) = (p[other][1], p[other][2]);
        }
        let (xx, xy, yy) = (p[1][1], p[1][2], p[2][2]);
        p[1][1] = a * a * xx + 2.0 * a * b * xy + b * b * yy + s2 * t.q[0];
        p[1][2] = a * c * xx + (a * d + b * c) * xy + b * d * yy + s2 * t.q[1];
        p[2][2] = c * c * xx + 2.0 * c * d * xy + d * d * yy + s2 * t.q[2];
        p[2][1] = p[1][2];
    }

    fn next_burst(&mut self, shift: f64, tie_var: f64) {
        self.mean[0] += shift;
        self.cov[0][0] += tie_var;
        if !self.has_memory {
            return;
        }
        let anew = Transition {
            a: [0.0; 4],
            q: [1.0, 0.0, 1.0],
        };
        self.advance(&anew);
    }

    fn see(&self, l: &Linear, nu: f64, noise_var: f64) -> Seen {
        let n = 1.0 - l.h;
        let mut gain = [0.0; 4];
        for (g, row) in gain.iter_mut().zip(&self.cov) {
            *g = row[0] * l.d + row[1] * l.h + row[3] * n;
        }
        Seen {
            off: nu - (l.d * self.mean[0] + l.h * self.mean[1] + n * self.mean[3]),
            var: l.d * gain[0] + l.h * gain[1] + n * gain[3] + noise_var,
            gain,
        }
    }

    fn take(&mut self, seen: &Seen, pull: f64, shrink: f64) {
        let k = &seen.gain;
        for i in 0..4 {
            self.mean[i] += k[i] * pull;
            let scaled = shrink * k[i];
            for (cov, other) in self.cov[i].iter_mut().zip(k) {
                *cov -= scaled * other;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The stationary variance is kept, and a long time forgets everything.
    #[test]
    fn memories_keep_their_variance() {
        for m in &MEMORIES {
            for steps in [0.1, 1.0, 7.0, 1e4] {
                let t = Transition::new(m.kind, steps);
                let xx = t.a[0] * t.a[0] + t.a[1] * t.a[1] + t.q[0];
                let xy = t.a[0] * t.a[2] + t.a[1] * t.a[3] + t.q[1];
                assert!((xx - 1.0).abs() < 1e-12 && xy.abs() < 1e-12);
                assert!(t.q[0] >= 0.0 && t.q[0] * t.q[2] - t.q[1] * t.q[1] > -1e-12);
            }
            assert!(Transition::new(m.kind, 1e4).a[0].abs() < 1e-9);
        }
        let total: f64 = MEMORIES.iter().map(|m| m.share).sum();
        assert!((total - 1.0).abs() < 1e-12);
    }
}
