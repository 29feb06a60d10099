//! The samples of a burst, cut where the switch changes the port.

use std::ops::Range;

use lobewright_antenna::SwitchSchedule;
use lobewright_types::Sample;

use super::RingBurst;

/// Samples of one dwell, settled.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Segment {
    /// What is to be found out about: a port, or a step of the cycle where the ports are not known yet.
    pub(super) slot: usize,
    pub(super) samples: Range<usize>,
}

/// A part of a segment that is summed to one complex value.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Block {
    pub(super) segment: usize,
    pub(super) slot: usize,
    pub(super) samples: Range<usize>,
    /// Its middle, in samples from the start of the burst.
    pub(super) middle: f64,
}

impl Block {
    pub(super) fn len(&self) -> f64 {
        (self.samples.end - self.samples.start) as f64
    }
}

/// One burst with its segments.
pub(super) struct Cut<'a> {
    pub(super) samples: &'a [Sample],
    pub(super) segments: Vec<Segment>,
    /// Noise power in the channel.
    pub(super) noise: f64,
    /// Independent complex samples for each sample, at most 1.
    pub(super) independent: f64,
    /// Middle distance of neighbouring dwells, in samples: the unit of time.
    pub(super) unit: f64,
    pub(super) clipped: usize,
    pub(super) rate_hz: f64,
}

impl<'a> Cut<'a> {
    /// Cuts a burst; `None` where fewer than four dwells are usable.
    ///
    /// `guard_s` is dropped before each switching instant, which may come a little early; `slot_of` says which slot a dwell of a port with its middle at a time belongs to.
    pub(super) fn new(
        burst: &RingBurst<'a>,
        schedule: &SwitchSchedule,
        guard_s: f64,
        slot_of: impl Fn(u16, f64) -> usize,
    ) -> Option<Self> {
        let usable = burst.rate_hz > 0.0
            && burst.rate_hz.is_finite()
            && burst.start_s.is_finite()
            && burst.noise_power_lin.is_finite()
            && burst.noise_power_lin >= 0.0
            && burst.independent_hz > 0.0;
        if !usable {
            return None;
        }
        let samples = burst.samples;
        let stop_s = burst.start_s + samples.len() as f64 / burst.rate_hz;
        let index = |time_s: f64| {
            let at = ((time_s - burst.start_s) * burst.rate_hz - 1e-6).ceil();
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "limited to the samples there are"
            )]
            let at = at.clamp(0.0, samples.len() as f64) as usize;
            at
        };
        let (mut segments, mut clipped) = (Vec::new(), 0);
        for dwell in schedule.dwells(burst.start_s, stop_s).take(samples.len()) {
            let range = index(dwell.start_s)..index(dwell.stop_s - guard_s);
            if range.start + 2 > range.end || samples[range.clone()].iter().any(|s| !s.is_finite()) {
                continue;
            }
            if burst
                .clipped
                .iter()
                .any(|c| c.start < range.end && range.start < c.end)
            {
                clipped += 1;
                continue;
            }
            segments.push(Segment {
                slot: slot_of(dwell.port, f64::midpoint(dwell.start_s, dwell.stop_s)),
                samples: range,
            });
        }
        let mut steps: Vec<f64> = segments
            .windows(2)
            .map(|w| middle(&w[1].samples) - middle(&w[0].samples))
            .collect();
        if steps.len() < 3 {
            return None;
        }
        steps.sort_by(f64::total_cmp);
        let power = mean_power(samples, &segments);
        if !(power > 0.0 && power.is_finite()) {
            return None;
        }
        Some(Self {
            samples,
            noise: burst.noise_power_lin.max(power * 1e-9),
            independent: (burst.independent_hz / burst.rate_hz).min(1.0),
            unit: steps[steps.len() / 2].max(1.0),
            segments,
            clipped,
            rate_hz: burst.rate_hz,
        })
    }

    /// Splits every segment into blocks of about `length` samples, all of a segment alike.
    pub(super) fn blocks(&self, length: f64) -> Vec<Block> {
        let mut blocks = Vec::new();
        for (i, segment) in self.segments.iter().enumerate() {
            let n = segment.samples.len();
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "1 to the length of the segment"
            )]
            let parts = (n as f64 / length).round().clamp(1.0, n as f64) as usize;
            for part in 0..parts {
                let start = segment.samples.start + n * part / parts;
                let samples = start..segment.samples.start + n * (part + 1) / parts;
                blocks.push(Block {
                    segment: i,
                    slot: segment.slot,
                    middle: middle(&samples),
                    samples,
                });
            }
        }
        blocks
    }

    /// Splits every segment where cells of `length` samples, counted from the start of the burst, end.
    pub(super) fn cells(&self, length: usize) -> Vec<Block> {
        let mut blocks = Vec::new();
        for (i, segment) in self.segments.iter().enumerate() {
            let mut start = segment.samples.start;
            while start < segment.samples.end {
                let samples = start..((start / length + 1) * length).min(segment.samples.end);
                start = samples.end;
                blocks.push(Block {
                    segment: i,
                    slot: segment.slot,
                    middle: middle(&samples),
                    samples,
                });
            }
        }
        blocks
    }

    /// Independent samples in all.
    pub(super) fn count(&self) -> f64 {
        self.segments.iter().map(|s| s.samples.len() as f64).sum::<f64>() * self.independent
    }

    /// Variance of each component of the mean of a block of `length` samples, as its part in the mean of a longer time:
    /// more than the block's own where it is shorter than one independent sample.
    pub(super) fn component_variance(&self, length: f64) -> f64 {
        self.noise / 2.0 / (length * self.independent)
    }

    /// Mean power of each segment.
    pub(super) fn powers(&self) -> Vec<f64> {
        self.segments
            .iter()
            .map(|s| power_of(&self.samples[s.samples.clone()]))
            .collect()
    }
}

fn middle(range: &Range<usize>) -> f64 {
    f64::midpoint(range.start as f64, range.end as f64) - 0.5
}

fn power_of(samples: &[Sample]) -> f64 {
    samples.iter().map(|s| f64::from(s.norm_sqr())).sum::<f64>() / samples.len().max(1) as f64
}

fn mean_power(samples: &[Sample], segments: &[Segment]) -> f64 {
    segments
        .iter()
        .map(|s| power_of(&samples[s.samples.clone()]))
        .sum::<f64>()
        / segments.len().max(1) as f64
}
