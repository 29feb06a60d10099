//! Splits a channel's decimation into stages and designs each stage's low-pass.
//!
//! Every stage but the last only has to clear the bands that would fold onto the channel, `stop` either side of each
//! multiple of its output rate; the last one cuts everything from `stop` on. A frequency outside the channel thus
//! meets the full attenuation once: in the stage that would fold it into the channel, or in the last one.

use crate::config::{BankError, ChannelSpec};
use crate::equiripple::{Band, equiripple};
use crate::response::symmetric_amplitude;

/// One stage: a low-pass at its input rate, then keep one sample in `decimation`.
#[derive(Debug, Clone, PartialEq)]
pub struct StagePlan {
    /// Input samples for each output sample.
    pub decimation: usize,
    /// Odd number of symmetric taps, gain 1 at 0 Hz within the ripple.
    pub taps: Vec<f64>,
}

/// The stages of a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelPlan {
    /// Input samples for each channel sample.
    pub decimation: usize,
    /// In order of flow.
    pub stages: Vec<StagePlan>,
}

impl ChannelPlan {
    /// The gain of the whole cascade, delay taken off, at `frequency` cycles per input sample from the centre.
    pub fn amplitude(&self, frequency: f64) -> f64 {
        let mut spacing = 1.0;
        let mut gain = 1.0;
        for stage in &self.stages {
            gain *= symmetric_amplitude(&stage.taps, frequency * spacing);
            spacing *= stage.decimation as f64;
        }
        gain
    }

    /// The whole cascade as one FIR at the input rate, odd length, symmetric.
    pub fn composite(&self) -> Vec<f64> {
        let mut whole = vec![1.0];
        let mut spacing = 1;
        for stage in &self.stages {
            let mut next = vec![0.0; whole.len() + (stage.taps.len() - 1) * spacing];
            for (k, t) in stage.taps.iter().enumerate() {
                for (n, w) in whole.iter().enumerate() {
                    next[k * spacing + n] += t * w;
                }
            }
            whole = next;
            spacing *= stage.decimation;
        }
        whole
    }
}

/// Taps that one stage may have.
pub(crate) const MAX_TAPS: usize = 1201;
/// Decimations tried below the largest: among a dozen neighbours one has small factors.
const NEIGHBOURS: usize = 12;
/// Share of the rate that may be given away for cheaper stages.
const RATE_SLACK: f64 = 0.2;
/// A lower decimation must be cheaper by this factor to be taken.
const CHEAPER: f64 = 0.7;
/// Share of the pass-band ripple that the last stage may use; the others split the rest.
const LAST_SHARE: f64 = 0.6;
/// Kept back from every pass-band limit for single precision.
const MARGIN: f64 = 0.97;
/// Share of the stop band's amplitude that a design may use.
const STOP_MARGIN: f64 = 0.8;
/// The same for a first stage of several, where it costs little; the rest is for 16-bit taps.
const FIRST_STOP_MARGIN: f64 = 0.6;

/// Share of the stop band's amplitude that rounding the first stage's taps may use.
pub(crate) fn rounding_share(stages: usize) -> f64 {
    0.95 - if stages > 1 {
        FIRST_STOP_MARGIN
    } else {
        STOP_MARGIN
    }
}

/// Chooses the decimation and designs the stages for a channel.
///
/// # Errors
/// [`BankError::TooSteep`] where a stage would need more taps than allowed. `channel` names it in the error.
pub fn plan_channel(
    spec: &ChannelSpec,
    input_rate_hz: f64,
    channel: usize,
) -> Result<ChannelPlan, BankError> {
    spec.check(channel, input_rate_hz)?;
    let split = choose(spec, input_rate_hz);
    let mut stages = Vec::with_capacity(split.len());
    let mut rate = input_rate_hz;
    for (i, &decimation) in split.iter().enumerate() {
        let goal = Goal::new(spec, rate, decimation, i, split.len());
        let taps = goal.design().ok_or(BankError::TooSteep {
            channel,
            limit: MAX_TAPS,
            pass_hz: spec.pass_half_width_hz,
            stop_hz: spec.stop_half_width_hz,
        })?;
        stages.push(StagePlan { decimation, taps });
        rate /= decimation as f64;
    }
    Ok(ChannelPlan {
        decimation: split.iter().product(),
        stages,
    })
}

/// The ordered factors of the decimation.
fn choose(spec: &ChannelSpec, input_rate_hz: f64) -> Vec<usize> {
    let lowest_rate = spec
        .min_rate_hz
        .max(spec.pass_half_width_hz + spec.stop_half_width_hz);
    let most = floor(input_rate_hz / lowest_rate * (1.0 + 1e-12)).max(1);
    let least = floor(most as f64 * (1.0 - RATE_SLACK)).max(1);
    let mut best: Option<(f64, Vec<usize>)> = None;
    for decimation in (least..=most).rev().take(NEIGHBOURS) {
        let mut here: Option<(f64, Vec<usize>)> = None;
        split(decimation, &mut Vec::new(), &mut |factors| {
            let cost = cost(spec, input_rate_hz, factors);
            if here.as_ref().is_none_or(|h| cost < h.0) {
                here = Some((cost, factors.to_vec()));
            }
        });
        if let Some((cost, factors)) = here
            && best.as_ref().is_none_or(|b| cost < b.0 * CHEAPER)
        {
            best = Some((cost, factors));
        }
    }
    best.map_or_else(|| vec![1], |b| b.1)
}

/// Calls `each` with every ordered factorisation into at most six factors from two up.
fn split(rest: usize, factors: &mut Vec<usize>, each: &mut dyn FnMut(&[usize])) {
    if rest == 1 {
        if factors.is_empty() {
            each(&[1]);
        } else {
            each(factors);
        }
        return;
    }
    if factors.len() == 6 {
        return;
    }
    for factor in 2..=rest.min(64).max(if factors.len() < 2 { rest } else { 0 }) {
        if rest.is_multiple_of(factor) {
            factors.push(factor);
            split(rest / factor, factors, each);
            factors.pop();
        }
    }
}

/// Estimated vector operations for each input sample.
fn cost(spec: &ChannelSpec, input_rate_hz: f64, factors: &[usize]) -> f64 {
    /// Work of an output sample beside its taps.
    const PER_OUTPUT: f64 = 6.0;
    let mut rate = input_rate_hz;
    let mut total = 0.0;
    for (i, &factor) in factors.iter().enumerate() {
        let goal = Goal::new(spec, rate, factor, i, factors.len());
        let per_tap = if i < 2 { 0.5 } else { 0.25 };
        rate /= factor as f64;
        total += (goal.estimate() * per_tap + PER_OUTPUT) * rate / input_rate_hz;
    }
    total
}

/// What one stage has to do, in cycles per sample of its input.
struct Goal {
    pass: f64,
    stop: f64,
    decimation: usize,
    last: bool,
    pass_deviation: f64,
    stop_deviation: f64,
}

impl Goal {
    fn new(spec: &ChannelSpec, rate_hz: f64, decimation: usize, stage: usize, stages: usize) -> Self {
        let last = stage + 1 == stages;
        let stop_margin = if stage == 0 && !last {
            FIRST_STOP_MARGIN
        } else {
            STOP_MARGIN
        };
        let total = 10_f64.powf(spec.ripple_db / 40.0) - 1.0;
        let share = match (stages, last) {
            (1, _) => 1.0,
            (_, true) => LAST_SHARE,
            (_, false) => (1.0 - LAST_SHARE) / (stages - 1) as f64,
        };
        Self {
            pass: spec.pass_half_width_hz / rate_hz,
            stop: spec.stop_half_width_hz / rate_hz,
            decimation,
            last,
            pass_deviation: total * share * MARGIN,
            stop_deviation: 10_f64.powf(-spec.stopband_db / 20.0) * stop_margin,
        }
    }

    fn bands(&self, whole_stop_band: bool) -> Vec<Band> {
        let mut bands = vec![Band {
            from: 0.0,
            to: self.pass.min(0.5),
            gain: 1.0,
            deviation: self.pass_deviation,
        }];
        let mut stop = |from: f64, to: f64| {
            if from < 0.5 {
                bands.push(Band {
                    from,
                    to: to.min(0.5),
                    gain: 0.0,
                    deviation: self.stop_deviation,
                });
            }
        };
        let out_rate = 1.0 / self.decimation as f64;
        if self.last {
            stop(self.stop, 0.5);
        } else if whole_stop_band || self.stop >= 0.45 * out_rate {
            stop(out_rate - self.stop, 0.5);
        } else {
            for k in 1..=self.decimation / 2 {
                let centre = k as f64 * out_rate;
                stop(centre - self.stop, centre + self.stop);
            }
        }
        bands
    }

    /// Estimated taps: Kaiser's formula for equiripple low-passes (1974), or where the stop bands are narrow the
    /// number of Chebyshev zeros that each of them needs.
    fn estimate(&self) -> f64 {
        let attenuation_db = -20.0 * (self.pass_deviation * self.stop_deviation).sqrt().log10();
        let out_rate = 1.0 / self.decimation as f64;
        let width = if self.last {
            self.stop.min(0.5) - self.pass
        } else {
            out_rate - self.stop - self.pass
        };
        if self.last && self.stop >= 0.5 {
            return 1.0;
        }
        if width <= 0.0 {
            return f64::INFINITY;
        }
        let low_pass = (attenuation_db - 13.0).max(3.0) / (14.6 * width) + 1.0;
        if self.last {
            return low_pass;
        }
        let per_zero_db = 20.0 * (2.0 * out_rate / self.stop).log10();
        let zeros = ((-20.0 * self.stop_deviation.log10() + 6.0) / per_zero_db).max(1.0);
        low_pass.min(zeros * self.decimation as f64 + 1.0)
    }

    /// The shortest filter found that keeps to the bands, and nowhere amplifies by more than the pass band does.
    fn design(&self) -> Option<Vec<f64>> {
        if self.bands(false).len() == 1 {
            return Some(vec![1.0]);
        }
        self.shortest(&self.bands(false))
            .filter(|taps| self.stays_below_one(taps))
            .or_else(|| self.shortest(&self.bands(true)))
    }

    fn shortest(&self, bands: &[Band]) -> Option<Vec<f64>> {
        // A length far beyond the limit needs no search.
        if self.estimate() > 1.3 * MAX_TAPS as f64 {
            return None;
        }
        let mut len = floor(0.6 * self.estimate().min(MAX_TAPS as f64)) | 1;
        while len <= MAX_TAPS {
            if let Some(design) = equiripple(len, bands)
                && design.worst <= 1.0
            {
                return Some(design.taps);
            }
            len += 2 * (len / 80).max(1);
        }
        None
    }

    fn stays_below_one(&self, taps: &[f64]) -> bool {
        let points = 16 * taps.len();
        (0..=points).all(|i| {
            let f = 0.5 * i as f64 / points as f64;
            symmetric_amplitude(taps, f).abs() <= 1.0 + 2.0 * self.pass_deviation
        })
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "small positive numbers; a cast from float saturates"
)]
fn floor(x: f64) -> usize {
    x.floor() as usize
}
