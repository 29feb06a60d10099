//! What a scene file says about antennas: one that turns, or an array with or without a switch.

use serde::{Deserialize, Serialize};

/// The table `[antenna]`.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AntennaScene {
    /// Name of the pattern of an antenna that is turned; empty where there is an array.
    #[serde(default)]
    pub pattern: String,
    /// Whether the pattern's phase acts on the signal as the antenna turns.
    #[serde(default)]
    pub use_phase: bool,
    /// Loss between antenna and receiver, for signals only: the noise is that of the receiver's input.
    #[serde(default)]
    pub cable_loss_db: f64,
    /// Several antennas instead of one.
    pub array: Option<ArrayScene>,
    /// What connects the array's ports to one receiver in turn; without it every port has a channel of its own.
    pub switch: Option<SwitchScene>,
    /// What the ports differ by from what the station is told, for signals only; no entries for no differences.
    #[serde(default)]
    pub port_error: Vec<GainErrorScene>,
    /// How the true pattern differs from the named one.
    pub pattern_error: Option<PatternErrorScene>,
}

/// The table `[antenna.array.KIND]`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum ArrayScene {
    /// Antennas that each look their own way.
    Sectors {
        /// One for each port.
        port: Vec<SectorScene>,
    },
    /// An ideal ring of isotropic elements without coupling.
    Ring {
        /// How many.
        elements: usize,
        /// From the centre to each element.
        radius_m: f64,
        /// Where the first element stands, seen from the centre.
        #[serde(default)]
        first_azimuth_mount_deg: f64,
    },
    /// Elements with patterns of their own, phases against one reference, azimuths from the mounting's zero mark.
    Elements {
        /// One for each port.
        pattern: Vec<String>,
    },
}

impl ArrayScene {
    /// Number of ports.
    pub fn ports(&self) -> usize {
        match self {
            Self::Sectors { port } => port.len(),
            Self::Ring { elements, .. } => *elements,
            Self::Elements { pattern } => pattern.len(),
        }
    }

    /// The word for it in a scene file.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Sectors { .. } => "sectors",
            Self::Ring { .. } => "ring",
            Self::Elements { .. } => "elements",
        }
    }
}

/// One port of `[antenna.array.sectors]`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SectorScene {
    /// Name of the pattern.
    pub pattern: String,
    /// Where it looks.
    pub boresight_mount_deg: f64,
}

/// The table `[antenna.switch]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SwitchScene {
    /// Ports in the order they are switched to, counted from 1; 0 connects none.
    pub order: Vec<u16>,
    /// Time on each, by the switch's own clock.
    pub dwell_s: f64,
    /// Time after each switching instant in which the port before still leaks through.
    #[serde(default)]
    pub settle_s: f64,
    /// When the first port of the order is switched to, from the first sample.
    #[serde(default)]
    pub start_s: f64,
    /// How much longer the switch's second is than the samples'.
    #[serde(default)]
    pub clock_error_ppm: f64,
    /// Standard deviation of each switching instant.
    #[serde(default)]
    pub jitter_s: f64,
}

/// A difference of gain and phase: an entry of `antenna.port_error` or `receiver.channel_error`.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GainErrorScene {
    /// Gain over the nominal.
    #[serde(default)]
    pub gain_db: f64,
    /// Phase over the nominal.
    #[serde(default)]
    pub phase_deg: f64,
}

/// The table `[antenna.pattern_error]`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PatternErrorScene {
    /// Root mean square over azimuth of the gain's error.
    pub rms_db: f64,
    /// The same of the phase's error, for arrays and where the pattern's phase is used.
    #[serde(default)]
    pub phase_rms_deg: f64,
    /// Highest number of waves around the circle: how rough the error is.
    #[serde(default = "default_orders")]
    pub orders: u32,
}

fn default_orders() -> u32 {
    6
}
