//! The level of each burst for a supposed direction, and the model made linear around it.

use crate::gain::GainTable;
use crate::prepare::{Data, Obs};

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
    /// Where it is aimed, when at one arrival.
    pub(crate) azimuth_deg: Option<f64>,
    information: Vec<f64>,
    step: Vec<f64>,
    raised: Vec<f64>,
    first: Look,
    second: Look,
}

/// Gains towards one azimuth.
#[derive(Debug, Clone, Default)]
struct Look {
    azimuth_deg: Option<f64>,
    gain: Vec<f64>,
}

impl Look {
    fn look(&mut self, data: &Data, table: &GainTable, azimuth_deg: f64) {
        if self.azimuth_deg == Some(azimuth_deg) {
            return;
        }
        self.azimuth_deg = Some(azimuth_deg);
        self.gain.clear();
        self.gain.extend(
            data.obs
                .iter()
                .map(|o| table.over_turn(azimuth_deg, o.azimuth_mount_deg, o.turn_deg)),
        );
    }
}

impl Point {
    /// Fits the levels for a source at `azimuth_mount_deg`.
    pub(crate) fn aim(&mut self, data: &Data, table: &GainTable, azimuth_mount_deg: f64) {
        self.azimuth_deg = Some(azimuth_mount_deg);
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
        self.azimuth_deg = None;
        // A search moves one of them at a time.
        self.first.look(data, table, first_deg);
        self.second.look(data, table, second_deg);
        self.gain.clear();
        let both = self.first.gain.iter().zip(&self.second.gain);
        self.gain.extend(both.map(|(first, second)| {
            let second = ratio * second;
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
            let bursts = data.bursts();
            self.information.clear();
            self.information.resize(bursts, 1e-3);
            self.step.clear();
            self.step.resize(bursts, 0.0);
            self.raise();
            for (o, &g) in data.obs.iter().zip(&self.gain) {
                let l = linear_at(data, o, g, self.raised[o.burst]);
                let error = FIT_LEVEL_ERROR_NATS * l.h;
                let nu = if o.censored { l.nu.max(0.0) } else { l.nu };
                let pull = l.d / (l.v + error * error + nu * nu * (1.0 / 9.0));
                self.information[o.burst] += pull * l.d;
                self.step[o.burst] += pull * nu;
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

    fn raise(&mut self) {
        self.raised.clear();
        self.raised.extend(self.level.iter().map(|l| l.exp()));
    }

    fn linearise(&mut self, data: &Data) {
        self.raise();
        self.linear.clear();
        let raised = &self.raised;
        self.linear.extend(
            data.obs
                .iter()
                .zip(&self.gain)
                .map(|(o, &g)| linear_at(data, o, g, raised[o.burst])),
        );
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

/// The model of one reading made linear at a gain and at its burst's raised level, `S + soft`.
#[inline]
fn linear_at(data: &Data, o: &Obs, gain: f64, raised: f64) -> Linear {
    let signal = (raised - data.soft_power).max(0.0) * gain;
    let expected = signal + o.noise;
    let inverse = 1.0 / expected;
    let h = signal * inverse;
    let v = data.noise_rel_var(o, h);
    Linear {
        // The logarithm of a mean of fluctuating power lies half its relative variance low.
        nu: o.ln_power - expected.ln() + 0.5 * v,
        d: (raised * gain * inverse).min(1.0),
        h,
        v,
    }
}
