//! What was read from a recording, and what was wrong with it.

use lobewright_types::{SampleFormat, Timestamp};
use serde::Serialize;

/// What a run says of each recording.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RecordingSummary {
    /// Sample format.
    pub format: SampleFormat,
    /// Sample rate.
    pub rate_hz: f64,
    /// UTC of the first sample, where known.
    pub start_utc: Option<Timestamp>,
    /// Centre frequency of the recording, where known.
    pub recording_center_hz: Option<f64>,
    /// Centre frequency of the channel, where known.
    pub channel_center_hz: Option<f64>,
    /// Distance of the channel from the recording's centre.
    pub channel_offset_hz: f64,
    /// Sample rate of the channel.
    pub channel_rate_hz: f64,
    /// Equivalent noise bandwidth of the channel.
    pub noise_bandwidth_hz: f64,
    /// Samples read.
    pub samples: u64,
    /// Time they span, gaps not counted.
    pub seconds: f64,
    /// Breaks in the stream.
    pub gaps: u64,
    /// Samples missing in them.
    pub missing_samples: u64,
    /// Noise floor at the end of the recording, mean power in the channel.
    pub noise_dbfs: Option<f64>,
    /// Doubts, in words.
    pub warnings: Vec<String>,
}
