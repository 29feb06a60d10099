//! The level of each burst for a supposed direction, and the model made linear around it.

use crate::gain::GainTable;
use crate::prepare::Data;

/// Level error supposed while the levels are fitted: only the point around which the model is made linear.
const FIT_LEVEL_ERROR_NATS: f64 = 0.15;
/// Standard deviation of the change of level between bursts during the fit.
const FIT_TIE_NATS: f64 = 1.0;
const ITERATIONS: usize = 6;
/// A step that moves the point around which the model is made linear by less than this is the last.
const SETTLED_NATS: f64 = 0.02;

/// A reading, linear in the small quantities: `nu = d c + h e + (1 - h) n + noise`, all in nats.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Linear {
    /// Logarithm of the measured over the expected power.
    pub(crate) nu: f64,
    /// Change with the burst's level parameter.
    pub(crate) d: f64,
    /// Share of the signal in the expected power: change with the signal's level.
    pub(crate) h: f64,
    /// Relative variance of the noise.
    pub(crate) v: f64,
}

/// Work space for one supposed direction, used again and again.
#[derive(Debug, Clone, Default)]
pub(crate) struct Point {
    pub(crate) gain: Vec<f64>,
    /// `ln(S + soft)` for each burst.
    pub(crate) level: Vec<f64>,
    pub(crate) linear: Vec<Linear>,
    information: Vec<f64>,
    step: Vec<f64>,
    raised: Vec<f64>,
}

impl Point {
    /// Fits the levels for a source at `azimuth_mount_deg`.
    pub(crate) fn aim(&mut self, data: &Data, table: &GainTable, azimuth_mount_deg: f64) {
        self.gain.clear();
        self.gain.extend(
            data.obs
                .iter()
                .map(|o| table.over_turn(azimuth_mount_deg, o.azimuth_mount_deg, o.turn_deg)),
        );
        self.fit(data);
    }

    /// Fits the levels for two arrivals, the second with `ratio` times the power of the first; `coherence` from -1
    /// to 1 is the cosine of the phase between them, 0 where their powers add.
    pub(crate) fn aim_two(
        &mut self,
        data: &Data,
        table: &GainTable,
        first_deg: f64,
        second_deg: f64,
        ratio: f64,
        coherence: f64,
    ) {
        self.gain.clear();
        self.gain.extend(data.obs.iter().map(|o| {
            let first = table.over_turn(first_deg, o.azimuth_mount_deg, o.turn_deg);
            let second = ratio * table.over_turn(second_deg, o.azimuth_mount_deg, o.turn_deg);
            (first + second + 2.0 * coherence * (first * second).sqrt()).max(1e-9)
        }));
        self.fit(data);
    }

    /// Signal power of a burst at the peak of the pattern.
    pub(crate) fn signal(&self, data: &Data, burst: usize) -> f64 {
        (self.level[burst].exp() - data.soft_power).max(0.0)
    }

    /// Gauss-Newton with weights that let a misfit lose its pull (Huber, *Robust Statistics*, 1981, chapter 7;
    /// Cauchy weights), the levels of neighbouring bursts tied by a random walk.
    fn fit(&mut self, data: &Data) {
        self.start(data);
        for _ in 0..ITERATIONS {
            self.linearise(data);
            let bursts = data.bursts();
            self.information.clear();
            self.information.resize(bursts, 1e-3);
            self.step.clear();
            self.step.resize(bursts, 0.0);
            for (o, l) in data.obs.iter().zip(&self.linear) {
                let total = l.v + (FIT_LEVEL_ERROR_NATS * l.h).powi(2);
                let nu = if o.censored { l.nu.max(0.0) } else { l.nu };
                let weight = 1.0 / (total + nu * nu / 9.0);
                self.information[o.burst] += weight * l.d * l.d;
                self.step[o.burst] += weight * l.d * nu;
            }
            self.solve_tied();
            let mut largest: f64 = 0.0;
            for (level, step) in self.level.iter_mut().zip(&self.step) {
                let step = step.clamp(-1.5, 1.5);
                *level += step;
                largest = largest.max(step.abs());
            }
            if largest < SETTLED_NATS {
                break;
            }
        }
        self.linearise(data);
    }

    fn start(&mut self, data: &Data) {
        let bursts = data.bursts();
        self.level.clear();
        self.level.resize(bursts, 0.0);
        self.information.clear();
        self.information.resize(bursts, 0.0);
        for (o, g) in data.obs.iter().zip(&self.gain) {
            self.level[o.burst] += (o.power - o.noise).max(0.0);
            self.information[o.burst] += g;
        }
        for (level, gain) in self.level.iter_mut().zip(&self.information) {
            *level = (*level / gain.max(1e-9) + data.soft_power).max(1e-300).ln();
        }
    }

    fn linearise(&mut self, data: &Data) {
        self.linear.clear();
        self.raised.clear();
        self.raised.extend(self.level.iter().map(|l| l.exp()));
        for (o, g) in data.obs.iter().zip(&self.gain) {
            let raised = self.raised[o.burst];
            let signal = (raised - data.soft_power).max(0.0) * g;
            let expected = signal + o.noise;
            let h = signal / expected;
            let v = data.noise_rel_var(o, h);
            self.linear.push(Linear {
                // The logarithm of a mean of fluctuating power lies half its relative variance low.
                nu: o.ln_power - expected.ln() + 0.5 * v,
                d: (raised * g / expected).min(1.0),
                h,
                v,
            });
        }
    }

    /// Solves `(information + random walk) step = right side`, tridiagonal; the right side holds the pull of the
    /// present differences between neighbours too.
    fn solve_tied(&mut self) {
        let n = self.level.len();
        let tie = 1.0 / (FIT_TIE_NATS * FIT_TIE_NATS);
        for b in 1..n {
            let pull = tie * (self.level[b] - self.level[b - 1]);
            self.step[b - 1] += pull;
            self.step[b] -= pull;
            self.information[b - 1] += tie;
            self.information[b] += tie;
        }
        for b in 1..n {
            let factor = tie / self.information[b - 1];
            self.information[b] -= factor * tie;
            self.step[b] += factor * self.step[b - 1];
        }
        self.step[n - 1] /= self.information[n - 1];
        for b in (0..n - 1).rev() {
            self.step[b] = (self.step[b] + tie * self.step[b + 1]) / self.information[b];
        }
    }
}
