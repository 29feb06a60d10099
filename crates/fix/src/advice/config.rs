//! What a caller may set about the next bearing.

use lobewright_types::{Bearing, FixOutcome, PathLossFit, PolygonDeg};
use serde::{Deserialize, Serialize};

/// What the error of the next bearing that comes from noise is known at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum NoiseReference {
    /// At a distance from the transmitter. The level falls by `10 exponent` dB for each factor of ten in distance.
    Range {
        /// The distance.
        range_m: f64,
        /// Exponent of the fall of the power, 2 in free space.
        exponent: f64,
    },
    /// At a level of the scale of [`AdviceConfig::levels`], or, where those are not known, as [`Self::Range`] at 5 km.
    Level {
        /// The level.
        level_db: f64,
    },
}

/// From which level on the transmitter is heard at all.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hearing {
    /// The weakest level that gives a bearing, on the scale of [`AdviceConfig::levels`].
    pub limit_db: f64,
}

/// What the places are ordered by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RankBy {
    /// The expected drop of the entropy.
    Information,
    /// The expected 95 % area afterwards, smallest first.
    Area,
    /// The drop of the entropy for an hour of travelling and bearing taking; needs a place to start from.
    PerHour,
}

/// Settings of [`super::advise`]; the defaults suit hand-held antennas and a car.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AdviceConfig {
    /// Standard deviation of a bearing of a strong signal, 0.2 to 60 degrees; default 4 (common practice, no source).
    pub floor_sigma_deg: f64,
    /// Standard deviation of the heading at the next place, added in squares; default 0. Errors that it has in common with the
    /// bearings so far are counted as new ones.
    pub heading_sigma_deg: f64,
    /// Standard deviation that noise alone gives at `noise_reference`, added in squares; grows with the square root of the noise-to-signal
    /// ratio. Default 1 degree at 5 km and exponent 3 (common practice, no source).
    pub noise_sigma_deg: f64,
    /// Where `noise_sigma_deg` holds.
    pub noise_reference: NoiseReference,
    /// Standard deviation of the next place on each axis, in metres; default 10.
    pub position_sigma_m: f64,
    /// Chance that the next bearing is a reflection, 0 to 0.9; default 0.1.
    pub reflection_prior: f64,
    /// How the level falls with distance, where that is known: [`lobewright_types::Fix::path_loss`] has it.
    pub levels: Option<PathLossFit>,
    /// From which level on the transmitter is heard; with `levels` only.
    pub hearing: Option<Hearing>,
    /// No place nearer than this to the most probable position is advised; default 300 m. A bearing from nearer says little of the position,
    /// and whoever is so near looks for the transmitter by other means.
    pub min_range_m: f64,
    /// No place nearer than this to one where a bearing was taken: what reflects there reflects again. Default 100 m.
    pub apart_m: f64,
    /// No place farther than this from where one is; default none.
    pub max_way_m: Option<f64>,
    /// Areas that cannot be reached.
    pub unreachable: Vec<PolygonDeg>,
    /// Length of the way against the straight line; default 1.3 (common practice, no source).
    pub detour: f64,
    /// Speed on the way, default 40 km/h.
    pub speed_km_h: f64,
    /// Time to take a bearing, default 300 s.
    pub stop_s: f64,
    /// What the places are ordered by.
    pub rank_by: RankBy,
    /// About how many points stand for the posterior, 100 to 20000; default 1000.
    pub points: usize,
}

impl Default for AdviceConfig {
    fn default() -> Self {
        Self {
            floor_sigma_deg: 4.0,
            heading_sigma_deg: 0.0,
            noise_sigma_deg: 1.0,
            noise_reference: DEFAULT_REFERENCE,
            position_sigma_m: 10.0,
            reflection_prior: 0.1,
            levels: None,
            hearing: None,
            min_range_m: 300.0,
            apart_m: 100.0,
            max_way_m: None,
            unreachable: Vec::new(),
            detour: 1.3,
            speed_km_h: 40.0,
            stop_s: 300.0,
            rank_by: RankBy::Information,
            points: 1000,
        }
    }
}

/// Where noise is known at when nothing else is.
pub(super) const DEFAULT_REFERENCE: NoiseReference = NoiseReference::Range {
    range_m: 5000.0,
    exponent: 3.0,
};

/// Share of a bearing's variance that is taken for noise where only the whole is known (common practice, no source).
const NOISE_SHARE: f64 = 0.2;

impl AdviceConfig {
    /// The default settings, with errors as the bearings so far have them.
    ///
    /// # Result
    /// The median standard deviation of `bearings` holds at the median distance to the position: a fifth of its variance is taken for noise, which
    /// grows with distance, the rest for the floor. Without a position all of it is the floor. `levels` is the position's first
    /// fall of the level.
    pub fn after(bearings: &[Bearing], outcome: &FixOutcome) -> Self {
        let mut config = Self::default();
        let fix = match outcome {
            FixOutcome::Fix(fix) => Some(fix),
            FixOutcome::NoFix { .. } => None,
        };
        let Some(sigma_deg) = median(bearings.iter().map(|b| b.sigma_deg)) else {
            return config;
        };
        let range_m = fix.and_then(|f| median(f.verdicts.iter().map(|v| v.range_m)));
        let noise = if range_m.is_some() { NOISE_SHARE } else { 0.0 };
        config.floor_sigma_deg = sigma_deg * (1.0 - noise).sqrt();
        config.noise_sigma_deg = sigma_deg * noise.sqrt();
        if let Some(range_m) = range_m {
            config.noise_reference = NoiseReference::Range {
                range_m,
                exponent: 3.0,
            };
        }
        config.levels = fix.and_then(|f| f.path_loss.first().cloned());
        config
    }

    /// The settings with every number inside its range; one that is not a number becomes the default.
    pub(super) fn clamped(&self) -> Self {
        let default = Self::default();
        let pick = |value: f64, fallback: f64, low: f64, high: f64| {
            if value.is_finite() {
                value.clamp(low, high)
            } else {
                fallback
            }
        };
        let levels = self.levels.clone().filter(|l| {
            [
                l.level_at_1km_db,
                l.level_sigma_db,
                l.exponent,
                l.shadowing_sigma_db,
            ]
            .iter()
            .all(|v| v.is_finite())
        });
        let noise_reference = match self.noise_reference {
            NoiseReference::Range { range_m, exponent } => NoiseReference::Range {
                range_m: pick(range_m, 5000.0, 1.0, 1e7),
                exponent: pick(exponent, 3.0, 0.0, 8.0),
            },
            NoiseReference::Level { level_db } if level_db.is_finite() && levels.is_some() => {
                self.noise_reference
            }
            NoiseReference::Level { .. } => DEFAULT_REFERENCE,
        };
        Self {
            floor_sigma_deg: pick(self.floor_sigma_deg, default.floor_sigma_deg, 0.2, 60.0),
            heading_sigma_deg: pick(self.heading_sigma_deg, 0.0, 0.0, 60.0),
            noise_sigma_deg: pick(self.noise_sigma_deg, default.noise_sigma_deg, 0.0, 60.0),
            noise_reference,
            position_sigma_m: pick(self.position_sigma_m, default.position_sigma_m, 0.0, 1e5),
            reflection_prior: pick(self.reflection_prior, default.reflection_prior, 0.0, 0.9),
            hearing: self
                .hearing
                .filter(|h| h.limit_db.is_finite() && levels.is_some()),
            levels,
            min_range_m: pick(self.min_range_m, default.min_range_m, 1.0, 1e5),
            apart_m: pick(self.apart_m, default.apart_m, 0.0, 1e5),
            max_way_m: self.max_way_m.filter(|m| m.is_finite()),
            unreachable: self.unreachable.clone(),
            detour: pick(self.detour, default.detour, 1.0, 5.0),
            speed_km_h: pick(self.speed_km_h, default.speed_km_h, 0.5, 1000.0),
            stop_s: pick(self.stop_s, default.stop_s, 1.0, 1e5),
            rank_by: self.rank_by,
            points: self.points.clamp(100, 20_000),
        }
    }
}

/// The middle one of some positive numbers.
fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut sorted: Vec<f64> = values.filter(|v| v.is_finite() && *v > 0.0).collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied()
}
