//! Settings of the evidence that is no bearing.

use serde::{Deserialize, Serialize};

/// How levels, silence and areas are read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ClueConfig {
    /// Chance that the areas of a rule are wrong (hand-drawn a street too small, or the hunt's rules broken); 0.0001 to 0.5,
    /// default 0.01 (a choice, no source). Never zero: with zero, bearings that all point elsewhere could not be seen to
    /// contradict an area.
    pub area_doubt: f64,
}

impl Default for ClueConfig {
    fn default() -> Self {
        Self { area_doubt: 0.01 }
    }
}

impl ClueConfig {
    /// The settings with every number inside its range, by the caller's rule.
    pub(crate) fn clamped(self, pick: impl Fn(f64, f64, f64, f64) -> f64) -> Self {
        let default = Self::default();
        Self {
            area_doubt: pick(self.area_doubt, default.area_doubt, 1e-4, 0.5),
        }
    }
}
