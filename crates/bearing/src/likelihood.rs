//! Probability of the readings for a supposed direction, level error, and correlation of that error.

use crate::filter::{Coloured, Filter, Seen, White};
use crate::levels::{Linear, Point};
use crate::prepare::Data;

/// Nats of a decibel of power.
pub(crate) const NATS_PER_DB: f64 = std::f64::consts::LN_10 / 10.0;
/// Squared misfit in standard deviations from which a normal density is nothing beside any background.
const VANISHES_FROM: f64 = 1000.0;

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
pub(crate) struct Transition {
    pub(crate) a: [f64; 4],
    pub(crate) q: [f64; 3],
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
    /// Density of a reading left unexplained, times its share.
    background: f64,
    /// Top of a normal density of unit variance, times the share that the model explains.
    peak_density: f64,
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
        let unexplained_share = unexplained_share.clamp(1e-6, 0.5);
        Self {
            unexplained_share,
            background: unexplained_share / data.spread_nats,
            peak_density: (1.0 - unexplained_share) / std::f64::consts::TAU.sqrt(),
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
        let noise_var = self.data.noise_rel_sigma * self.data.noise_rel_sigma;
        let error_var = node.sigma_nats * node.sigma_nats;
        if memory.kind == Kind::White {
            // Without memory the level error is part of the noise and no state.
            self.run(White::new(noise_var), error_var, error_var, point, node)
        } else {
            let nugget_var = memory.nugget * memory.nugget * error_var;
            let filter = Coloured::new(error_var, noise_var);
            self.run(filter, error_var, nugget_var, point, node)
        }
    }

    fn run<F: Filter>(
        &self,
        mut filter: F,
        error_var: f64,
        nugget_var: f64,
        point: &Point,
        node: &Node,
    ) -> f64 {
        let transitions = &self.transitions[node.memory];
        let tie_var = node.tie_nats * node.tie_nats;
        let mut burst = 0;
        let mut sum = LogProduct::default();
        for ((o, l), transition) in self.data.obs.iter().zip(&point.linear).zip(transitions) {
            if o.burst == burst {
                filter.advance(transition);
            } else {
                filter.next_burst(point.level[burst] - point.level[o.burst], tie_var);
                burst = o.burst;
            }
            // To second order in the level error: mean and variance of ln(1 + rho e^x).
            let bend = l.h * (1.0 - l.h) * error_var;
            let nu = l.nu - 0.5 * bend;
            let extra = l.v + nugget_var * l.h * l.h + 0.5 * bend * bend;
            sum.push(self.step(&mut filter, o.censored, l, nu, extra));
        }
        sum.ln()
    }

    #[inline]
    fn step<F: Filter>(&self, filter: &mut F, censored: bool, l: &Linear, nu: f64, extra: f64) -> f64 {
        let seen = filter.see(l, nu, extra);
        if censored {
            return self.step_censored(filter, &seen);
        }
        let inverse = 1.0 / seen.var;
        let x2 = seen.off * seen.off * inverse;
        // Far out the exponential would be worked out slowly only to vanish beside the background.
        let fits = if x2 < VANISHES_FROM {
            self.peak_density * (-0.5 * x2).exp() * inverse.sqrt()
        } else {
            0.0
        };
        let total = fits + self.background;
        let p = fits / total;
        filter.take(&seen, p * seen.off * inverse, (p - p * (1.0 - p) * x2) * inverse);
        total
    }

    /// A clipped reading says only that the true level is at least as high.
    fn step_censored<F: Filter>(&self, filter: &mut F, seen: &Seen<F::Gain>) -> f64 {
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
                Residual {
                    nats: nu,
                    sigma_nats: var.sqrt(),
                    explained: fits / (fits + self.background),
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
struct LogProduct {
    ln: f64,
    product: f64,
}

impl Default for LogProduct {
    fn default() -> Self {
        Self {
            ln: 0.0,
            product: 1.0,
        }
    }
}

impl LogProduct {
    fn push(&mut self, factor: f64) {
        self.product *= factor;
        if !(1e-200..1e200).contains(&self.product) {
            self.ln += self.product.max(1e-300).ln();
            self.product = 1.0;
        }
    }

    fn ln(&self) -> f64 {
        self.ln + self.product.ln()
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
