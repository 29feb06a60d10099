//! What a scene file says about what turns an antenna.

use lobewright_types::{Azimuth, Mount};
use serde::Deserialize;

/// The table `[rotator.KIND]`.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum RotatorScene {
    /// Does not turn.
    Fixed {
        /// Where it points.
        azimuth_mount_deg: f64,
    },
    /// Turns evenly.
    Continuous {
        /// Where it points at the first sample.
        #[serde(default)]
        start_azimuth_mount_deg: f64,
        /// How fast, clockwise positive.
        rate_deg_per_s: f64,
    },
    /// Stops and looks, then goes on.
    Steps {
        /// Where it points at the first sample.
        #[serde(default)]
        start_azimuth_mount_deg: f64,
        /// From stop to stop, clockwise positive.
        step_deg: f64,
        /// Time at each stop.
        dwell_s: f64,
        /// Speed between stops, without sign.
        rate_deg_per_s: f64,
    },
    /// Turns back and forth at an even speed.
    Swing {
        /// Middle of the swing, where it begins, clockwise first.
        center_azimuth_mount_deg: f64,
        /// To each side.
        half_width_deg: f64,
        /// Speed, without sign.
        rate_deg_per_s: f64,
    },
    /// Swung by hand, unevenly: legs of random ends, lengths and speeds, with pauses.
    HandSwung {
        /// Middle of the sector that is searched.
        center_azimuth_mount_deg: f64,
        /// To each side.
        half_width_deg: f64,
        /// Mean time from one turning point to the next.
        leg_s: f64,
        /// Mean part of that time in which the hand rests.
        #[serde(default = "default_pause_share")]
        pause_share: f64,
    },
    /// Turned by hand: evenly in the mean, with irregularities.
    Hand {
        /// Where it points at the first sample.
        #[serde(default)]
        start_azimuth_mount_deg: f64,
        /// How fast in the mean, clockwise positive.
        rate_deg_per_s: f64,
        /// Standard deviation from the even turn.
        wander_deg: f64,
        /// Highest rate of the irregularities.
        wander_rate_hz: f64,
    },
}

impl RotatorScene {
    /// Where it points at the first sample; for one swung by hand, the middle of its sector.
    pub fn start(&self) -> Azimuth<Mount> {
        Azimuth::from_degrees(self.raw_start_deg())
    }

    pub(crate) fn raw_start_deg(&self) -> f64 {
        match *self {
            Self::Fixed { azimuth_mount_deg } => azimuth_mount_deg,
            Self::Continuous {
                start_azimuth_mount_deg,
                ..
            }
            | Self::Steps {
                start_azimuth_mount_deg,
                ..
            }
            | Self::Hand {
                start_azimuth_mount_deg,
                ..
            } => start_azimuth_mount_deg,
            Self::Swing {
                center_azimuth_mount_deg,
                ..
            }
            | Self::HandSwung {
                center_azimuth_mount_deg,
                ..
            } => center_azimuth_mount_deg,
        }
    }
}

fn default_pause_share() -> f64 {
    0.2
}
