//! The level of each burst for a supposed direction, and the model made linear around it.

#![expect(
    clippy::inline_always,
    reason = "what is not inlined is not compiled for the instruction set chosen at run time"
)]

use pulp::{Arch, Simd, WithSimd};

use crate::gain::Gains;
use crate::lanes::{LANES, Lanes, fma, ln};
use crate::prepare::{Column, Data};

/// Level error supposed while the levels are fitted: only the point around which the model is made linear.
const FIT_LEVEL_ERROR_NATS: f64 = 0.15;
/// Standard deviation of the change of level between bursts during the fit.
const FIT_TIE_NATS: f64 = 1.0;
const ITERATIONS: usize = 12;
/// A step that moves the point around which the model is made linear by less than this is the last.
const SETTLED_NATS: f64 = 0.003;

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
    /// `nu`, a lower limit that is met counting as no misfit.
    seen: f64,
    /// Weight in the fit of the levels times `d`.
    pull: f64,
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

/// Gains and voltages towards one azimuth.
#[derive(Debug, Clone, Default)]
struct Look {
    azimuth_deg: Option<f64>,
    gain: Vec<f64>,
    voltage: Vec<[f64; 2]>,
}

impl Look {
    fn look(&mut self, data: &Data, table: &Gains, azimuth_deg: f64) {
        if self.azimuth_deg == Some(azimuth_deg) {
            return;
        }
        self.azimuth_deg = Some(azimuth_deg);
        self.gain.clear();
        self.gain
            .extend(data.obs.iter().map(|o| table.of(o, azimuth_deg)));
        self.voltage.clear();
        self.voltage
            .extend(data.obs.iter().map(|o| table.voltage_of(o, azimuth_deg)));
    }
}

impl Point {
    /// Fits the levels for a source at `azimuth_mount_deg`.
    ///
    /// `near`: levels fitted for a direction nearby, to start from.
    pub(crate) fn aim(
        &mut self,
        data: &Data,
        table: &Gains,
        azimuth_mount_deg: f64,
        near: Option<&[f64]>,
        arch: Arch,
    ) {
        self.azimuth_deg = Some(azimuth_mount_deg);
        self.gain.clear();
        self.gain
            .extend(data.obs.iter().map(|o| table.of(o, azimuth_mount_deg)));
        match near {
            Some(level) if level.len() == data.bursts() => {
                self.level.clear();
                self.level.extend_from_slice(level);
            }
            _ => self.start(data),
        }
        self.fit(data, arch);
    }

    /// Fits the levels for two arrivals, the second with `ratio` times the power of the first; `coherence` holds the
    /// cosine and the sine of the phase between them, both 0 where their powers add.
    pub(crate) fn aim_two(
        &mut self,
        data: &Data,
        table: &Gains,
        azimuths_deg: [f64; 2],
        ratio: f64,
        coherence: [f64; 2],
        arch: Arch,
    ) {
        self.azimuth_deg = None;
        // A search moves one of them at a time.
        self.first.look(data, table, azimuths_deg[0]);
        self.second.look(data, table, azimuths_deg[1]);
        let swing = 2.0 * ratio.sqrt();
        self.gain.clear();
        let gains = self.first.gain.iter().zip(&self.second.gain);
        let voltages = self.first.voltage.iter().zip(&self.second.voltage);
        self.gain.extend(gains.zip(voltages).map(|((g0, g1), (v0, v1))| {
            let [even, odd] = product(*v0, *v1);
            let cross = coherence[0] * even + coherence[1] * odd;
            (g0 + ratio * g1 + swing * cross).max(1e-9)
        }));
        self.start(data);
        self.fit(data, arch);
    }

    /// Signal power of a burst at the peak of the pattern.
    pub(crate) fn signal(&self, data: &Data, burst: usize) -> f64 {
        (self.level[burst].exp() - data.soft_power).max(0.0)
    }

    /// Gauss-Newton with weights that let a misfit lose its pull (Huber, *Robust Statistics*, 1981, chapter 7;
    /// Cauchy weights), the levels of neighbouring bursts tied by a random walk.
    fn fit(&mut self, data: &Data, arch: Arch) {
        for _ in 0..ITERATIONS {
            let bursts = data.bursts();
            self.linearise(data, arch);
            self.information.clear();
            self.information.resize(bursts, 1e-3);
            self.step.clear();
            self.step.resize(bursts, 0.0);
            for (o, l) in data.obs.iter().zip(&self.linear) {
                self.information[o.burst] += l.pull * l.d;
                self.step[o.burst] += l.pull * l.seen;
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
        self.linearise(data, arch);
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

    /// Makes the model linear around the present levels.
    fn linearise(&mut self, data: &Data, arch: Arch) {
        let level = &self.level;
        let mut before = (usize::MAX, 0.0);
        self.raised.clear();
        self.raised.extend(data.obs.iter().map(|o| {
            if before.0 != o.burst {
                before = (o.burst, level[o.burst].exp());
            }
            before.1
        }));
        self.linear.resize(data.obs.len(), Linear::default());
        arch.dispatch(Linearise {
            data,
            gain: &self.gain,
            raised: &self.raised,
            out: &mut self.linear,
        });
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

/// One voltage times the other's conjugate.
pub(crate) fn product(first: [f64; 2], second: [f64; 2]) -> [f64; 2] {
    [
        first[0] * second[0] + first[1] * second[1],
        first[1] * second[0] - first[0] * second[1],
    ]
}

/// Compiled once more for the vector instructions that the processor turns out to have.
struct Linearise<'a> {
    data: &'a Data,
    gain: &'a [f64],
    raised: &'a [f64],
    out: &'a mut [Linear],
}

impl WithSimd for Linearise<'_> {
    type Output = ();
    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        if S::F64_LANES >= 4 {
            self.run::<true>();
        } else {
            self.run::<false>();
        }
    }
}

impl Linearise<'_> {
    #[inline(always)]
    fn run<const FMA: bool>(self) {
        let columns = &self.data.columns;
        let chunks = columns
            .iter()
            .zip(self.gain.chunks(LANES))
            .zip(self.raised.chunks(LANES));
        for ((column, out), (gains, levels)) in chunks
            .map(|((c, g), r)| (c, (g, r)))
            .zip(self.out.chunks_mut(LANES))
            .map(|((c, gr), o)| ((c, o), gr))
        {
            let (mut gain, mut raised) = ([1.0; LANES], [1.0; LANES]);
            gain[..gains.len()].copy_from_slice(gains);
            raised[..levels.len()].copy_from_slice(levels);
            let lines = linear::<FMA>(self.data, column, &gain, &raised);
            for (k, o) in out.iter_mut().enumerate() {
                *o = Linear {
                    nu: lines[0][k],
                    d: lines[1][k],
                    h: lines[2][k],
                    v: lines[3][k],
                    seen: lines[4][k],
                    pull: lines[5][k],
                };
            }
        }
    }
}

/// The model of a few readings made linear at their gains and at their bursts' raised levels, `S + soft`.
#[inline(always)]
fn linear<const FMA: bool>(data: &Data, column: &Column, gain: &Lanes, raised: &Lanes) -> [Lanes; 6] {
    let mut out = [[0.0; LANES]; 6];
    for k in 0..LANES {
        let signal = (raised[k] - data.soft_power).max(0.0) * gain[k];
        let expected = signal + column.noise[k];
        let inverse = 1.0 / expected;
        let h = signal * inverse;
        let v = data.rel_var(column.inv_samples[k], h);
        // The logarithm of a mean of fluctuating power lies half its relative variance low.
        let nu = column.ln_power[k] - ln::<FMA>(expected) + 0.5 * v;
        let d = (raised[k] * gain[k] * inverse).min(1.0);
        let seen = nu.max(column.floor[k]);
        let error = FIT_LEVEL_ERROR_NATS * h;
        out[0][k] = nu;
        out[1][k] = d;
        out[2][k] = h;
        out[3][k] = v;
        out[4][k] = seen;
        out[5][k] = d / fma::<FMA>(seen * seen, 1.0 / 9.0, fma::<FMA>(error, error, v));
    }
    out
}
