//! Blocks of samples on their way through the stages, and the gaps between them.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::{Sample, SampleFormat, SampleIndex};

/// Samples as they came from the source: undecoded, so that the first filter stage can work on the bytes.
#[derive(Debug, Clone, PartialEq)]
pub struct RawBlock {
    /// Index of the first sample in the stream.
    pub start: SampleIndex,
    /// How each sample is stored.
    pub format: SampleFormat,
    /// Interleaved channels in a frame; at least 1.
    pub channels: usize,
    /// Whole frames: `[sample, channel, component]`, length a multiple of
    /// `channels * format.bytes_per_sample()`.
    pub bytes: Arc<Vec<u8>>,
}

impl RawBlock {
    /// Samples of each channel in the block.
    pub fn len(&self) -> usize {
        self.bytes.len() / (self.channels * self.format.bytes_per_sample())
    }

    /// Whether the block holds no sample.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// Why samples are missing or unusable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GapCause {
    /// The receiver or the recording says that samples were lost.
    Lost,
    /// A consumer was too slow for a live source.
    Overrun,
    /// Samples were not finite numbers.
    NotFinite,
    /// The recording starts a new capture at another frequency or rate.
    NewCapture,
}

/// A stretch of the stream without usable samples: filters restart behind it and no burst spans it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    /// First missing sample.
    pub start: SampleIndex,
    /// How many are missing; 0 where only the continuity is broken.
    pub samples: u64,
    /// Why.
    pub cause: GapCause,
}

/// One item of a stream of samples.
#[derive(Debug, Clone, PartialEq)]
pub enum StreamItem<B> {
    /// Samples that follow the item before without a break.
    Block(B),
    /// A break.
    Gap(Gap),
}

/// Ties a channel's samples to the stream they were filtered from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ChannelClock {
    /// Sample rate of the stream that the filter reads.
    pub input_rate_hz: f64,
    /// Input samples for each channel sample.
    pub decimation: u32,
    /// The input sample, counted in fractions, at the centre of the impulse response that gave channel sample 0:
    /// a channel sample has no delay against this clock.
    pub first_input_index: f64,
}

impl ChannelClock {
    /// Sample rate of the channel.
    pub fn rate_hz(&self) -> f64 {
        self.input_rate_hz / f64::from(self.decimation)
    }

    /// The input index, with its fraction, that channel sample `index` stands for.
    pub fn input_index(&self, index: f64) -> f64 {
        self.first_input_index + index * f64::from(self.decimation)
    }

    /// The time of channel sample `index` from the stream's first sample, in seconds.
    pub fn seconds(&self, index: f64) -> f64 {
        self.input_index(index) / self.input_rate_hz
    }

    /// The channel index, with its fraction, for an input index.
    pub fn channel_index(&self, input_index: f64) -> f64 {
        (input_index - self.first_input_index) / f64::from(self.decimation)
    }
}

/// Filtered and decimated samples of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelBlock {
    /// Which of the configured channels, from 0.
    pub channel: usize,
    /// Index of the first sample among the channel's samples, by `clock`.
    pub start: SampleIndex,
    /// Ties the samples to the source.
    pub clock: ChannelClock,
    /// Complex baseband of the channel: 0 Hz is the channel's centre, full scale 1.0 as at the input.
    pub samples: Arc<Vec<Sample>>,
    /// For each channel sample, how many of the `decimation` input samples around it had a component at full
    /// scale; as long as `samples`.
    pub clipped_inputs: Arc<Vec<u32>>,
}
