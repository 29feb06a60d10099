//! What the burst detector reports.

use serde::{Deserialize, Serialize};

use crate::{Dbfs, SampleIndex, Timestamp};

/// Doubts about a burst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BurstFlag {
    /// On the air before the stretch of samples began: the start is not the transmitter's.
    BeganBefore,
    /// Still on the air when the stretch of samples ended: the stop is not the transmitter's.
    EndedAfter,
    /// Input samples at full scale during the burst: its level is a lower limit.
    Clipped,
    /// A carrier leak, image or neighbour stronger than the burst was on at the same time in the recording.
    Suspect,
    /// At the start or the stop the level hardly stood above the threshold, as in a null of a turning antenna: the
    /// transmitter may have been on for longer, by more than `edge_sigma_s` says.
    WeakEdge,
}

/// One transmission in one channel.
///
/// Times are those of the source's samples: the channel filter's delay is taken off. The interval is half open:
/// `start` is the first sample inside, `stop` the first behind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Burst {
    /// Which of the configured channels, from 0.
    pub channel: usize,
    /// First source sample of the burst.
    pub start: SampleIndex,
    /// First source sample behind the burst.
    pub stop: SampleIndex,
    /// `start` in seconds from the source's first sample.
    pub start_s: f64,
    /// `stop` in seconds from the source's first sample.
    pub stop_s: f64,
    /// UTC of `start`, where the recording says when it was made.
    pub start_utc: Option<Timestamp>,
    /// Standard deviation of `start_s` and of `stop_s`.
    pub edge_sigma_s: f64,
    /// Mean power of signal and noise in the channel over the burst.
    #[serde(rename = "level_dbfs")]
    pub level: Dbfs,
    /// Mean noise power in the channel at the time of the burst.
    #[serde(rename = "noise_dbfs")]
    pub noise: Dbfs,
    /// Signal power over noise power in the channel, in dB, the noise taken off the level first.
    pub snr_db: f64,
    /// Centre of the burst's power against the channel's centre: a mean over the burst in which strong moments count
    /// more, so that a drifting carrier under a turning antenna is not met at the middle of the burst.
    pub carrier_offset_hz: f64,
    /// Standard deviation of `carrier_offset_hz` from noise and modulation, drift not counted, where it can be told.
    pub carrier_offset_sigma_hz: Option<f64>,
    /// Width that holds 99 % of the burst's power (occupied bandwidth, ITU-R SM.328).
    pub bandwidth_hz: f64,
    /// Share of the input samples during the burst that stood at full scale.
    pub clip_fraction: f64,
    /// Doubts, in order, each once.
    pub flags: Vec<BurstFlag>,
}

impl Burst {
    /// Length in seconds.
    pub fn length_s(&self) -> f64 {
        self.stop_s - self.start_s
    }
}
