//! What a scene file says, key by key. The page `docs/scene.md` describes every key with unit, default and range.

use lobewright_types::{Azimuth, Position, Timestamp, True};
use serde::{Deserialize, Serialize};

use crate::spec_antenna::AntennaScene;
use crate::spec_receiver::ReceiverScene;
use crate::spec_rotator::RotatorScene;

/// The whole file.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SceneFile {
    pub(crate) scene: SceneHeader,
    #[serde(default)]
    pub(crate) path_loss: PathLoss,
    pub(crate) receiver: Option<ReceiverScene>,
    pub(crate) antenna: Option<AntennaScene>,
    pub(crate) rotator: Option<RotatorScene>,
    pub(crate) fading: Option<FadingScene>,
    pub(crate) transmitter: Vec<TransmitterScene>,
    pub(crate) station: Vec<StationFile>,
}

/// The table `[scene]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SceneHeader {
    /// A name for reports.
    pub name: String,
    /// Seed of every random draw.
    pub seed: u64,
    /// The instant of scene time 0.
    pub start_utc: Option<Timestamp>,
    /// The bandwidth that signal-to-noise ratios are stated in.
    #[serde(default = "default_snr_bandwidth_hz")]
    pub snr_bandwidth_hz: f64,
}

fn default_snr_bandwidth_hz() -> f64 {
    12_500.0
}

/// The table `[path_loss]`: free space up to the reference distance, a power law behind it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PathLoss {
    /// Power of the distance that the loss grows with behind the reference distance; 2 is free space.
    pub exponent: f64,
    /// Where the power law begins.
    pub reference_distance_m: f64,
    /// Loss on top, the same on every path.
    pub excess_loss_db: f64,
}

impl Default for PathLoss {
    fn default() -> Self {
        Self {
            exponent: 2.0,
            reference_distance_m: 1_000.0,
            excess_loss_db: 0.0,
        }
    }
}

/// A table `[[transmitter]]`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TransmitterScene {
    /// A name, unique among the transmitters.
    pub name: String,
    /// Latitude, north positive.
    pub lat_deg: f64,
    /// Longitude, east positive.
    pub lon_deg: f64,
    /// Carrier frequency at scene time 0.
    pub frequency_hz: f64,
    /// Drift of the carrier.
    #[serde(default)]
    pub drift_hz_per_s: f64,
    /// Equivalent isotropic radiated power towards every station.
    pub eirp_dbm: f64,
    /// Rise and fall of the carrier at the ends of a transmission, inside its on-time.
    #[serde(default = "default_ramp_s")]
    pub ramp_s: f64,
    /// What is sent.
    #[serde(default)]
    pub emission: EmissionScene,
    /// A Morse identification within each transmission.
    pub identification: Option<IdentificationScene>,
    /// When it is on the air; always, where there is none.
    #[serde(default)]
    pub cycle: Vec<CycleScene>,
}

fn default_ramp_s() -> f64 {
    0.001
}

impl TransmitterScene {
    /// Where it stands.
    pub fn position(&self) -> Position {
        // The scene's checks let nothing past that this would refuse.
        Position::from_lat_lon(self.lat_deg, self.lon_deg).unwrap_or(Position {
            lat_deg: self.lat_deg,
            lon_deg: self.lon_deg,
        })
    }
}

/// The table `[transmitter.emission.KIND]`.
#[derive(Debug, Clone, Copy, Default, PartialEq, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum EmissionScene {
    /// A steady carrier.
    #[default]
    Carrier,
    /// Nothing outside the identification.
    Silence,
    /// Frequency modulation by a voice-like sound of 300 to 3000 Hz.
    FmVoice {
        /// Largest deviation.
        deviation_hz: f64,
    },
    /// Frequency modulation by one tone.
    FmTone {
        /// Largest deviation.
        deviation_hz: f64,
        /// The tone.
        tone_hz: f64,
    },
    /// Band-limited Gaussian noise.
    Noise {
        /// Width between the points of half power.
        bandwidth_hz: f64,
    },
    /// A carrier keyed on and off by random bits.
    Ook {
        /// Bits in a second.
        bit_rate_hz: f64,
    },
}

/// The table `[transmitter.identification]`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct IdentificationScene {
    /// What is keyed.
    pub text: String,
    /// Speed in words a minute, PARIS being a word.
    #[serde(default = "default_wpm")]
    pub wpm: f64,
    /// How it is keyed.
    #[serde(default)]
    pub mode: MorseMode,
    /// Frequency of the keyed tone; of no meaning for `a1a`.
    #[serde(default = "default_tone_hz")]
    pub tone_hz: f64,
    /// Deviation by the keyed tone; for `f2a` only.
    #[serde(default = "default_ident_deviation_hz")]
    pub deviation_hz: f64,
    /// Depth of the amplitude modulation, 1 being full; for `a2a` only.
    #[serde(default = "default_depth")]
    pub depth: f64,
    /// Where in the transmission it stands.
    #[serde(default)]
    pub at: IdentificationPlace,
    /// Pause between it and what is sent besides, and before the end of the transmission.
    #[serde(default = "default_gap_s")]
    pub gap_s: f64,
    /// Rise and fall of each mark.
    #[serde(default = "default_edge_s")]
    pub edge_s: f64,
}

fn default_wpm() -> f64 {
    12.0
}
fn default_tone_hz() -> f64 {
    800.0
}
fn default_ident_deviation_hz() -> f64 {
    2_000.0
}
fn default_depth() -> f64 {
    1.0
}
fn default_gap_s() -> f64 {
    0.3
}
fn default_edge_s() -> f64 {
    0.005
}

/// How Morse is put on the carrier, by the emission classes of the ITU Radio Regulations, Appendix 1.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MorseMode {
    /// The carrier itself is keyed.
    A1a,
    /// A keyed tone modulates the amplitude.
    A2a,
    /// A keyed tone modulates the frequency.
    #[default]
    F2a,
}

/// Where the identification stands in a transmission.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum IdentificationPlace {
    /// At its beginning.
    Start,
    /// At its end.
    #[default]
    End,
    /// Again and again all through, with nothing else sent.
    Throughout,
}

/// A table `[[transmitter.cycle]]`.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CycleScene {
    /// From start to start.
    pub period_s: f64,
    /// Length of each transmission.
    pub on_s: f64,
    /// First start in scene time.
    #[serde(default)]
    pub first_start_s: f64,
    /// Standard deviation of each start.
    #[serde(default)]
    pub jitter_s: f64,
    /// Whether each start counts from the one before, so that the jitter adds up.
    #[serde(default)]
    pub jitter_adds_up: bool,
}

/// A table `[[station]]` as it is written, before it takes over what is common to all.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct StationFile {
    pub(crate) name: String,
    pub(crate) lat_deg: f64,
    pub(crate) lon_deg: f64,
    #[serde(default)]
    pub(crate) heading_true_deg: f64,
    #[serde(default)]
    pub(crate) heading_error_deg: f64,
    #[serde(default)]
    pub(crate) start_s: f64,
    pub(crate) duration_s: f64,
    #[serde(default)]
    pub(crate) excess_loss_db: f64,
    #[serde(default = "default_track_interval_s")]
    pub(crate) track_interval_s: f64,
    #[serde(default)]
    pub(crate) track_latency_s: f64,
    pub(crate) receiver: Option<ReceiverScene>,
    pub(crate) antenna: Option<AntennaScene>,
    pub(crate) rotator: Option<RotatorScene>,
    pub(crate) fading: Option<FadingScene>,
    #[serde(default)]
    pub(crate) reflection: Vec<ReflectionScene>,
}

fn default_track_interval_s() -> f64 {
    0.1
}

/// A place where samples are taken.
#[derive(Debug, Clone, PartialEq)]
pub struct StationScene {
    /// A name, unique among the stations.
    pub name: String,
    /// Where it is.
    pub position: Position,
    /// Where the mounting's zero mark points.
    pub heading: Azimuth<True>,
    /// How far the heading that the station states lies clockwise of the true one.
    pub heading_error_deg: f64,
    /// Scene time of the first sample.
    pub start_s: f64,
    /// Length of the recording.
    pub duration_s: f64,
    /// Loss of the direct path on top of the common path loss, such as a hill in the way.
    pub excess_loss_db: f64,
    /// Spacing of the reported azimuth track.
    pub track_interval_s: f64,
    /// How late the reported azimuths are.
    pub track_latency_s: f64,
    /// The receiver.
    pub receiver: ReceiverScene,
    /// The antenna.
    pub antenna: AntennaScene,
    /// What turns the antenna.
    pub rotator: RotatorScene,
    /// Fading of the direct path; steady, where there is none.
    pub fading: Option<FadingScene>,
    /// Further arrivals.
    pub reflection: Vec<ReflectionScene>,
}

/// The table `[fading]`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FadingScene {
    /// Power of the steady wave over that of the scattered ones.
    pub rician_k_db: f64,
    /// Largest Doppler shift of the scattered waves.
    pub doppler_hz: f64,
    /// Standard deviation of the log-normal shadowing.
    #[serde(default)]
    pub shadowing_sigma_db: f64,
    /// Highest rate of the shadowing.
    #[serde(default = "default_shadowing_rate_hz")]
    pub shadowing_rate_hz: f64,
}

fn default_shadowing_rate_hz() -> f64 {
    0.1
}

/// A table `[[station.reflection]]`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReflectionScene {
    /// Where it comes from.
    pub azimuth_true_deg: f64,
    /// Level against the direct path at equal antenna gain.
    pub relative_level_db: f64,
    /// How much later than the direct path it comes.
    pub delay_us: f64,
    /// Which transmitter's signal; every one's, where there is no name.
    pub transmitter: Option<String>,
    /// Its own fading.
    pub fading: Option<FadingScene>,
}
