//! Separate peaks of a density on the circle.

use serde::{Deserialize, Serialize};

use crate::{Azimuth, True};

/// One peak of a density on the circle.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Mode {
    /// Where the density is highest within the peak.
    #[serde(rename = "azimuth_true_deg")]
    pub azimuth: Azimuth<True>,
    /// Standard deviation of the density within the peak.
    pub sigma_deg: f64,
    /// Share of the whole density that lies in the peak, valley to valley.
    pub probability: f64,
}
