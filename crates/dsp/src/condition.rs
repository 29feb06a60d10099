//! Takes off the receiver's constant part and undoes its I/Q imbalance.
//!
//! Both work on chunks counted from the start of a segment, so that the result does not depend on how the stream was
//! cut.

use lobewright_types::Sample;

use crate::config::{DcRemoval, IqCorrection};

/// Samples that share one estimate.
const CHUNK: usize = 1024;
/// Samples over which the imbalance is averaged.
const IQ_MEMORY: f64 = 4_194_304.0;

/// Measures I/Q imbalance on the assumption that I and Q are equally strong and uncorrelated.
///
/// # Result
/// Amplitude of Q over that of I (no unit), and the departure from a right angle in radians, as [`IqCorrection`]
/// defines them. `None` where I or Q is constant.
///
/// # Method
/// The ratio of standard deviations and the correlation; the mean is taken off first.
pub fn iq_imbalance(samples: &[Sample]) -> Option<(f64, f64)> {
    Moments::of(samples.iter().map(|s| [s.re, s.im])).imbalance()
}

/// Second moments about the mean.
#[derive(Debug, Clone, Copy, Default)]
struct Moments {
    mean: [f64; 2],
    ii: f64,
    qq: f64,
    iq: f64,
}

impl Moments {
    fn of(samples: impl Iterator<Item = [f32; 2]>) -> Self {
        let (mut n, mut i, mut q, mut ii, mut qq, mut iq) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for [re, im] in samples {
            let (re, im) = (f64::from(re), f64::from(im));
            n += 1.0;
            i += re;
            q += im;
            ii += re * re;
            qq += im * im;
            iq += re * im;
        }
        if n == 0.0 {
            return Self::default();
        }
        let mean = [i / n, q / n];
        Self {
            mean,
            ii: (ii / n - mean[0] * mean[0]).max(0.0),
            qq: (qq / n - mean[1] * mean[1]).max(0.0),
            iq: iq / n - mean[0] * mean[1],
        }
    }

    fn imbalance(&self) -> Option<(f64, f64)> {
        let product = (self.ii * self.qq).sqrt();
        if !(self.ii > 0.0 && self.qq > 0.0 && product > 0.0) {
            return None;
        }
        // Beyond this I and Q are one signal, and there is nothing left to tell them apart by.
        let sine = self.iq / product;
        (sine.abs() < 0.99).then(|| ((self.qq / self.ii).sqrt(), sine.asin()))
    }

    /// Moves the second moments towards those of a chunk.
    fn blend(&mut self, chunk: &Self, weight: f64) {
        self.ii += weight * (chunk.ii - self.ii);
        self.qq += weight * (chunk.qq - self.qq);
        self.iq += weight * (chunk.iq - self.iq);
    }
}

/// Both corrections of one stream.
#[derive(Debug, Clone)]
pub(crate) struct Conditioner {
    dc: DcRemoval,
    iq: IqCorrection,
    rate_hz: f64,
    pending: Vec<f32>,
    chunks: f64,
    mean: [f64; 2],
    moments: Moments,
}

impl Conditioner {
    /// `None` where there is nothing to do.
    pub(crate) fn new(dc: DcRemoval, iq: IqCorrection, rate_hz: f64) -> Option<Self> {
        (dc != DcRemoval::Off || iq != IqCorrection::Off).then_some(Self {
            dc,
            iq,
            rate_hz,
            pending: Vec::with_capacity(4 * CHUNK),
            chunks: 0.0,
            mean: [0.0; 2],
            moments: Moments::default(),
        })
    }

    pub(crate) fn restart(&mut self) {
        self.pending.clear();
        self.chunks = 0.0;
        self.mean = [0.0; 2];
        self.moments = Moments::default();
    }

    /// Where the next interleaved samples are to be appended.
    pub(crate) fn input(&mut self) -> &mut Vec<f32> {
        &mut self.pending
    }

    /// Appends what is ready to `out`; `all` also hands on a last chunk that is not full.
    pub(crate) fn take(&mut self, all: bool, out: &mut Vec<f32>) {
        let mut pending = std::mem::take(&mut self.pending);
        let mut done = 0;
        while pending.len() - done >= 2 * CHUNK || (all && done < pending.len()) {
            let end = (done + 2 * CHUNK).min(pending.len());
            self.correct(&mut pending[done..end]);
            out.extend_from_slice(&pending[done..end]);
            done = end;
        }
        pending.drain(..done);
        self.pending = pending;
    }

    fn correct(&mut self, chunk: &mut [f32]) {
        let pairs = chunk.as_chunks_mut::<2>().0;
        let here = Moments::of(pairs.iter().copied());
        let plain_mean = 1.0 / (self.chunks + 1.0);
        self.chunks += 1.0;
        let share = pairs.len() as f64 / CHUNK as f64;
        if let DcRemoval::On { time_constant_s } = self.dc {
            let steady = -(-(CHUNK as f64) / (time_constant_s * self.rate_hz)).exp_m1();
            let weight = plain_mean.max(steady) * share.max(plain_mean);
            for (mean, now) in self.mean.iter_mut().zip(here.mean) {
                *mean += weight.min(1.0) * (now - *mean);
            }
        }
        let (gain, phase_rad) = match self.iq {
            IqCorrection::Off => (1.0, 0.0),
            IqCorrection::Fixed { gain, phase_rad } => (gain, phase_rad),
            IqCorrection::Estimate => {
                let weight = plain_mean.max(CHUNK as f64 / IQ_MEMORY) * share.max(plain_mean);
                self.moments.blend(&here, weight.min(1.0));
                self.moments.imbalance().unwrap_or((1.0, 0.0))
            }
        };
        let from_i = -phase_rad.tan();
        let from_q = 1.0 / (gain * phase_rad.cos());
        #[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
        let [mean_i, mean_q, from_i, from_q] = [self.mean[0], self.mean[1], from_i, from_q].map(|x| x as f32);
        let keep_q = self.iq == IqCorrection::Off;
        for [i, q] in pairs {
            *i -= mean_i;
            *q -= mean_q;
            if !keep_q {
                *q = *q * from_q + *i * from_i;
            }
        }
    }
}
