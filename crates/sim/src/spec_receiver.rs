//! What a scene file says about receivers.

use lobewright_types::SampleFormat;
use serde::Deserialize;

use crate::spec_antenna::GainErrorScene;

/// The table `[receiver]`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReceiverScene {
    /// Sample rate.
    pub rate_hz: f64,
    /// Tuned centre.
    pub center_hz: f64,
    /// How samples are stored.
    pub format: SampleFormat,
    /// Noise figure.
    #[serde(default = "default_noise_figure_db")]
    pub noise_figure_db: f64,
    /// Noise from outside over that of 290 K, as ITU-R P.372 gives it.
    pub external_noise_db: Option<f64>,
    /// Gain from the antenna terminals on.
    #[serde(default)]
    pub gain_db: f64,
    /// Power at the antenna terminals that fills the converter at a gain of 0 dB.
    #[serde(default)]
    pub full_scale_dbm: f64,
    /// Error of the tuned frequency at the first sample: positive, where the receiver is tuned too high.
    #[serde(default)]
    pub frequency_error_ppm: f64,
    /// Drift of that error.
    #[serde(default)]
    pub frequency_drift_ppm_per_s: f64,
    /// A constant in the samples.
    pub dc_dbfs: Option<f64>,
    /// Its phase.
    #[serde(default)]
    pub dc_phase_deg: f64,
    /// Gain of Q over that of I.
    #[serde(default)]
    pub iq_gain_db: f64,
    /// How far Q is from being at right angles to I.
    #[serde(default)]
    pub iq_phase_deg: f64,
    /// Steady carriers beside the signal, without a direction.
    #[serde(default)]
    pub interferer: Vec<InterfererScene>,
    /// Impulsive noise that comes at random and dies away.
    pub impulses: Option<ImpulseScene>,
    /// Impulsive noise of an engine: even, short bursts of noise.
    pub ignition: Option<IgnitionScene>,
    /// How the noise floor rises with time, in a straight line.
    #[serde(default)]
    pub noise_slope_db_per_s: f64,
    /// Steps of the noise floor.
    #[serde(default)]
    pub noise_step: Vec<NoiseStepScene>,
    /// What the channels of an array differ by, for signals and noise alike; no entries for no differences.
    #[serde(default)]
    pub channel_error: Vec<GainErrorScene>,
}

fn default_noise_figure_db() -> f64 {
    6.0
}

impl ReceiverScene {
    /// What is added to a power in dBm at the antenna terminals to get dBFS.
    pub fn dbm_to_dbfs_db(&self) -> f64 {
        self.gain_db - self.full_scale_dbm
    }
}

/// A table `[[receiver.interferer]]`.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InterfererScene {
    /// Its frequency.
    pub frequency_hz: f64,
    /// Its power at the antenna terminals.
    pub level_dbm: f64,
}

/// The table `[receiver.impulses]`.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ImpulseScene {
    /// Mean number in a second; they come at random.
    pub per_second: f64,
    /// Level at the peak.
    pub peak_dbfs: f64,
    /// Time in which the amplitude falls to 1/e.
    pub decay_s: f64,
}

/// The table `[receiver.ignition]`.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct IgnitionScene {
    /// Pulses in a second.
    pub per_second: f64,
    /// Mean power within a pulse.
    pub level_dbfs: f64,
    /// Length of each.
    pub length_s: f64,
    /// Standard deviation of each pulse's start from an even beat.
    #[serde(default)]
    pub jitter_s: f64,
}

/// An entry of `receiver.noise_step`.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoiseStepScene {
    /// When, from the first sample.
    pub at_s: f64,
    /// By how much the noise floor changes, for good.
    pub change_db: f64,
}
