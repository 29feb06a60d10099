//! What is true of a scene: written beside the samples, for tests and reports, never for an estimator.

use lobewright_types::{Azimuth, Db, Dbfs, Dbm, Position, SampleFormat, Timestamp, True};
use serde::Serialize;

use crate::spec_antenna::{GainErrorScene, SwitchScene};

/// The whole scene.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SceneTruth {
    /// Name of the scene.
    pub scene: String,
    /// Seed of every random draw.
    pub seed: u64,
    /// The instant of scene time 0.
    pub start_utc: Option<Timestamp>,
    /// The transmitters.
    pub transmitters: Vec<TransmitterTruth>,
    /// The stations, in the scene's order.
    pub stations: Vec<StationTruth>,
}

/// A transmitter.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TransmitterTruth {
    /// Its name.
    pub name: String,
    /// Where it stands.
    pub position: Position,
    /// Carrier frequency at scene time 0.
    pub frequency_hz: f64,
    /// Equivalent isotropic radiated power.
    pub eirp_dbm: Dbm,
}

/// What one station receives.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StationTruth {
    /// Its name.
    pub station: String,
    /// Where it is.
    pub position: Position,
    /// Where the mounting's zero mark points.
    #[serde(rename = "heading_true_deg")]
    pub heading: Azimuth<True>,
    /// How far the heading that the station states lies clockwise of the true one.
    pub heading_error_deg: f64,
    /// The instant of the first sample.
    pub start_utc: Option<Timestamp>,
    /// Sample rate.
    pub rate_hz: f64,
    /// Tuned centre.
    pub center_hz: f64,
    /// How samples are stored.
    pub format: SampleFormat,
    /// Samples of each channel in the recording.
    pub length_samples: u64,
    /// Interleaved channels.
    pub channels: usize,
    /// Name of the antenna pattern, or the kind of array and its number of ports.
    pub pattern: String,
    /// What an array's ports, channels and switch truly do; absent for an antenna that is turned.
    pub array: Option<ArrayTruth>,
    /// Noise over the whole sample rate at the recording's start, that of rounding included, impulses and interferers
    /// not.
    pub noise_dbfs: Dbfs,
    /// The bandwidth of the signal-to-noise ratios.
    pub snr_bandwidth_hz: f64,
    /// Noise in that bandwidth.
    pub noise_in_bandwidth_dbfs: Dbfs,
    /// What comes from each transmitter.
    pub transmitters: Vec<ReceivedTruth>,
}

/// What an array truly does.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ArrayTruth {
    /// `sectors`, `ring` or `elements`.
    pub kind: String,
    /// What each port differs by, for signals alone.
    pub port_errors: Vec<GainErrorScene>,
    /// What each channel differs by, for signals and noise.
    pub channel_errors: Vec<GainErrorScene>,
    /// The switch; absent where every port has its channel.
    pub switch: Option<SwitchScene>,
}

/// What comes from one transmitter.
///
/// Levels are mean powers over the fading with the antenna's peak pointed at the arrival, the key down and the carrier at
/// its full rise; signal-to-noise ratios likewise.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReceivedTruth {
    /// Name of the transmitter.
    pub transmitter: String,
    /// Direction of the geodesic to it, at the station.
    #[serde(rename = "bearing_true_deg")]
    pub bearing: Azimuth<True>,
    /// Length of the geodesic.
    pub distance_m: f64,
    /// Loss of the direct path between isotropic antennas.
    pub path_loss_db: Db,
    /// Power at the antenna terminals.
    pub level_dbm: Dbm,
    /// Level in the samples.
    pub level_dbfs: Dbfs,
    /// Signal over noise in the stated bandwidth.
    pub snr_db: Db,
    /// Frequency of the carrier in the samples at the first one.
    pub carrier_offset_hz: f64,
    /// Drift of that frequency.
    pub carrier_drift_hz_per_s: f64,
    /// Time that the direct path takes.
    pub delay_s: f64,
    /// The transmissions as the direct path brings them.
    pub bursts: Vec<BurstTruth>,
    /// Further arrivals.
    pub reflections: Vec<ReflectionTruth>,
}

/// One transmission in the time of the recording.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BurstTruth {
    /// Where its first rise begins, from the first sample; before it where that is negative.
    pub start_s: f64,
    /// Where its last fall ends; behind the recording where it lasts longer.
    pub stop_s: f64,
    /// First sample of the recording at or after the start.
    pub start_sample: u64,
    /// First sample at or after the stop: the burst's samples end before it.
    pub stop_sample: u64,
}

/// A reflection.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ReflectionTruth {
    /// Where it comes from.
    #[serde(rename = "azimuth_true_deg")]
    pub azimuth: Azimuth<True>,
    /// Level against the direct path at equal antenna gain.
    pub relative_level_db: Db,
    /// How much later than the direct path it comes.
    pub delay_s: f64,
    /// Level in the samples.
    pub level_dbfs: Dbfs,
    /// Signal over noise in the stated bandwidth.
    pub snr_db: Db,
}
