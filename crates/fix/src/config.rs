//! What a caller may set.

use serde::{Deserialize, Serialize};

use crate::clues::config::ClueConfig;

/// Settings of [`crate::solve`]; the defaults suit a hunt.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FixConfig {
    /// Chance, before anything is compared, that the bearings of a place are a reflection or a mistake and point anywhere; 0
    /// to 0.9, default 0.1.
    pub reflection_prior: f64,
    /// Chance, before anything is compared, that the compass or mounting of a station is off by more than its stated error, by the same
    /// angle in all of its bearings; 0 to 0.9, default 0.25. It is asked of stations with bearings from three or more places: with fewer a turn of
    /// all lines cannot be told from another position.
    pub compass_fault_prior: f64,
    /// Standard deviation of such a fault; 1 to 60 degrees, default 10: iron near the compass, a mounting that slipped, declination forgotten or
    /// taken the wrong way (common practice, no source).
    pub compass_fault_sigma_deg: f64,
    /// The farthest that a transmitter is looked for from the middle of the stations; default and most 300 km. Where
    /// the bearings cross nearer than that, the search ends at a few times the distance of the crossings.
    pub search_radius_km: f64,
    /// Ranges below this count as this where a station's position error is turned into an angle; default 1 m.
    pub min_range_m: f64,
    /// Change of areas and mean from one refinement to the next under which the grid is fine enough; default 0.01.
    pub grid_tolerance: f64,
    /// How levels, silence and areas are read.
    pub clues: ClueConfig,
}

impl Default for FixConfig {
    fn default() -> Self {
        Self {
            reflection_prior: 0.1,
            compass_fault_prior: 0.25,
            compass_fault_sigma_deg: 10.0,
            search_radius_km: 300.0,
            min_range_m: 1.0,
            grid_tolerance: 0.01,
            clues: ClueConfig::default(),
        }
    }
}

impl FixConfig {
    /// The settings with every number inside its range; one that is not a number becomes the default.
    pub(crate) fn clamped(self) -> Self {
        let default = Self::default();
        let pick = |value: f64, fallback: f64, low: f64, high: f64| {
            if value.is_finite() {
                value.clamp(low, high)
            } else {
                fallback
            }
        };
        Self {
            reflection_prior: pick(self.reflection_prior, default.reflection_prior, 0.0, 0.9),
            compass_fault_prior: pick(self.compass_fault_prior, default.compass_fault_prior, 0.0, 0.9),
            compass_fault_sigma_deg: pick(
                self.compass_fault_sigma_deg,
                default.compass_fault_sigma_deg,
                1.0,
                60.0,
            ),
            search_radius_km: pick(self.search_radius_km, default.search_radius_km, 0.01, 300.0),
            min_range_m: pick(self.min_range_m, default.min_range_m, 0.01, 1e5),
            grid_tolerance: pick(self.grid_tolerance, default.grid_tolerance, 0.001, 0.2),
            clues: self.clues.clamped(pick),
        }
    }
}
