//! The newest samples and hop powers of an unbroken stretch of channel samples.

use std::collections::VecDeque;

use lobewright_types::{ChannelBlock, ChannelClock, Sample, SampleIndex};

/// Power and clipped inputs of one hop, or of several.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct HopSum {
    pub power: f64,
    pub clipped: u64,
    pub hops: u64,
}

impl HopSum {
    pub(crate) fn add(&mut self, other: Self) {
        self.power += other.power;
        self.clipped += other.clipped;
        self.hops += other.hops;
    }
}

/// Counts hops and samples from the start of the stretch; holds a bounded number of both.
#[derive(Debug)]
pub(crate) struct Stretch {
    pub clock: ChannelClock,
    /// Channel index of the stretch's first sample.
    first: u64,
    hop: usize,
    hops: VecDeque<HopSum>,
    hops_dropped: u64,
    filling: HopSum,
    filled: usize,
    samples: Vec<Sample>,
    samples_dropped: u64,
}

impl Stretch {
    pub(crate) fn new(block: &ChannelBlock, hop: usize) -> Self {
        Self {
            clock: block.clock,
            first: block.start.0,
            hop,
            hops: VecDeque::new(),
            hops_dropped: 0,
            filling: HopSum::default(),
            filled: 0,
            samples: Vec::new(),
            samples_dropped: 0,
        }
    }

    /// Channel index that the next sample must have.
    pub(crate) fn next_index(&self) -> SampleIndex {
        SampleIndex(self.first + self.samples_dropped + self.samples.len() as u64)
    }

    /// Takes samples up to the end of the hop being filled: how many, and whether that completed it.
    pub(crate) fn fill(&mut self, samples: &[Sample], clipped: &[u32]) -> (usize, bool) {
        let count = samples.len().min(self.hop - self.filled);
        for sample in &samples[..count] {
            let (re, im) = (f64::from(sample.re), f64::from(sample.im));
            self.filling.power += re * re + im * im;
        }
        self.filling.clipped += clipped[..count].iter().map(|&c| u64::from(c)).sum::<u64>();
        self.samples.extend_from_slice(&samples[..count]);
        self.filled += count;
        if self.filled < self.hop {
            return (count, false);
        }
        self.filling.hops = 1;
        self.hops.push_back(std::mem::take(&mut self.filling));
        self.filled = 0;
        (count, true)
    }

    /// Whole hops since the start.
    pub(crate) fn hop_count(&self) -> u64 {
        self.hops_dropped + self.hops.len() as u64
    }

    /// Samples in whole hops since the start.
    pub(crate) fn sample_count(&self) -> u64 {
        self.hop_count() * self.hop as u64
    }

    /// Mean power over the newest `hops` hops.
    pub(crate) fn newest_mean(&self, hops: usize) -> f64 {
        let from = self.hops.len().saturating_sub(hops);
        let sum: f64 = self.hops.range(from..).map(|h| h.power).sum();
        sum / (hops * self.hop) as f64
    }

    /// Mean power of each hop from `from` to before `to`, as far as they are still held.
    pub(crate) fn profile(&self, from: u64, to: u64) -> Vec<f64> {
        self.range(from, to).map(|h| h.power / self.hop as f64).collect()
    }

    /// Sum over the hops from `from` to before `to`, as far as they are still held.
    pub(crate) fn sum(&self, from: u64, to: u64) -> HopSum {
        let mut total = HopSum::default();
        self.range(from, to).for_each(|&h| total.add(h));
        total
    }

    fn range(&self, from: u64, to: u64) -> impl Iterator<Item = &HopSum> {
        let index = |hop: u64| {
            let held = hop.clamp(self.hops_dropped, self.hop_count()) - self.hops_dropped;
            usize::try_from(held).unwrap_or(self.hops.len())
        };
        let from = index(from);
        self.hops.range(from..index(to).max(from))
    }

    /// Forgets the oldest hop while more than `keep` are held: its number and sum.
    pub(crate) fn drop_oldest(&mut self, keep: usize) -> Option<(u64, HopSum)> {
        if self.hops.len() <= keep {
            return None;
        }
        let number = self.hops_dropped;
        self.hops_dropped += 1;
        self.hops.pop_front().map(|hop| (number, hop))
    }

    /// The samples from `from` to before `to`; `None` where they are not all held.
    pub(crate) fn samples(&self, from: u64, to: u64) -> Option<&[Sample]> {
        let from = usize::try_from(from.checked_sub(self.samples_dropped)?).ok()?;
        let to = usize::try_from(to.checked_sub(self.samples_dropped)?).ok()?;
        self.samples.get(from..to)
    }

    /// Forgets the samples before `until` once there are more than `keep` of them.
    pub(crate) fn drop_samples(&mut self, until: u64, keep: usize) {
        let Some(count) = until.checked_sub(self.samples_dropped) else {
            return;
        };
        let count = usize::try_from(count).map_or(self.samples.len(), |c| c.min(self.samples.len()));
        if count >= keep {
            self.samples.drain(..count);
            self.samples_dropped += count as u64;
        }
    }

    /// The first source sample behind the boundary `position`, counted in samples from the stretch's start with
    /// sample `i` between `i` and `i + 1`.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the cast saturates at 0: samples before the source's first do not exist"
    )]
    pub(crate) fn source_index(&self, position: f64) -> SampleIndex {
        let center = self.clock.input_index(self.first as f64 + position - 0.5);
        SampleIndex(center.ceil() as u64)
    }
}
