//! Settings of the evidence that is no bearing.

use serde::{Deserialize, Serialize};

/// How levels, silence and areas are read.
///
/// # Method
/// A level is `P - 10 n log10(r / 1 km) + shadowing`, in dB of its scale. `P`, the level at 1 km, is unknown for each scale (or
/// has a [`crate::PowerPrior`]); the exponent `n` is common to all.
///
/// - *Shadowing* is exponentially correlated over distance (Gudmundson, 'Correlation model for shadow fading in mobile radio systems',
///   Electronics Letters 27, 1991; from memory): readings of one place share it. Each reading is judged by what it adds to the
///   up to six nearest ones before it (Vecchia, 'Estimation and model identification for continuous spatial processes', JRSS B 50, 1988).
/// - *A few wrong levels* do little harm: what a reading adds has a Student t density with 5 degrees of freedom, and the standard
///   deviation of the shadowing itself has a spread (`shadowing_spread`), summed out over three nodes.
/// - `P` and `n` are integrated out around their most likely values (Laplace's method with the expected information: exact, were
///   the density normal), `n` cut off at `exponent_limits`.
/// - *Silence* is the chance of a level under the limit (a censored reading: Tobin, Econometrica 26, 1958), over the normal density of
///   `P` and `n` that the levels left, one report after the other (assumed density filtering).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ClueConfig {
    /// Mean of the exponent beforehand; 2 to 6, default 3.2: between free space's 2 (ITU-R P.525-5, `20 log d`) and the 3.5 that
    /// Okumura and Hata have for an aerial of 30 m (Hata, IEEE Trans. VT-29, 1980: `(44.9 - 6.55 log10 h) / 10`; from memory), since
    /// hunts have both.
    pub exponent_mean: f64,
    /// Its standard deviation beforehand; 0.01 to 3, default 0.5 (a choice: two of them reach 2.2 and 4.2).
    pub exponent_sigma: f64,
    /// Smallest and largest exponent; default 2 and 6.
    pub exponent_limits: (f64, f64),
    /// Standard deviation of levels around the fall with distance, from terrain and buildings; 1 to 20 dB, default 7 (location
    /// variability of ITU-R P.1546 and P.1812 is 5.5 dB for wideband signals and more for narrow ones; from memory).
    pub shadowing_sigma_db: f64,
    /// Standard deviation of the natural logarithm of `shadowing_sigma_db`, for terrain unlike the usual; 0 to 1, default 0.25 (a choice).
    pub shadowing_spread: f64,
    /// Distance over which the shadowing's correlation falls to 1/e; 1 to 10000 m, default 70 m (50 to 100 m are usual in built-up areas; from
    /// memory).
    pub decorrelation_m: f64,
    /// Ranges are not counted as shorter than about this, in metres: nearer by, the law does not hold; 0.1 to 1000, default 10 (a choice).
    pub near_range_m: f64,
    /// Chance that a silence is none (squelch shut, listened at the wrong moment); 0 to 0.5, default 0.02 (a choice).
    pub silence_doubt: f64,
    /// Chance that the areas of a rule are wrong (hand-drawn a street too small, or the hunt's rules broken); 0.0001 to 0.5,
    /// default 0.01 (a choice, no source). Never zero: with zero, bearings that all point elsewhere could not be seen to
    /// contradict an area. The mass outside the allowed part is never more than this before anything is compared.
    pub area_doubt: f64,
}

impl Default for ClueConfig {
    fn default() -> Self {
        Self {
            exponent_mean: 3.2,
            exponent_sigma: 0.5,
            exponent_limits: (2.0, 6.0),
            shadowing_sigma_db: 7.0,
            shadowing_spread: 0.25,
            decorrelation_m: 70.0,
            near_range_m: 10.0,
            silence_doubt: 0.02,
            area_doubt: 0.01,
        }
    }
}

impl ClueConfig {
    /// The settings with every number inside its range, by the caller's rule.
    pub(crate) fn clamped(self, pick: impl Fn(f64, f64, f64, f64) -> f64) -> Self {
        let default = Self::default();
        let (low, high) = (
            pick(self.exponent_limits.0, default.exponent_limits.0, 1.0, 6.0),
            pick(self.exponent_limits.1, default.exponent_limits.1, 1.0, 8.0),
        );
        let exponent_limits = if low + 0.1 <= high {
            (low, high)
        } else {
            default.exponent_limits
        };
        let of = |get: fn(&Self) -> f64, low: f64, high: f64| pick(get(&self), get(&default), low, high);
        Self {
            exponent_mean: of(|c| c.exponent_mean, exponent_limits.0, exponent_limits.1),
            exponent_sigma: of(|c| c.exponent_sigma, 0.01, 3.0),
            exponent_limits,
            shadowing_sigma_db: of(|c| c.shadowing_sigma_db, 1.0, 20.0),
            shadowing_spread: of(|c| c.shadowing_spread, 0.0, 1.0),
            decorrelation_m: of(|c| c.decorrelation_m, 1.0, 1e4),
            near_range_m: of(|c| c.near_range_m, 0.1, 1000.0),
            silence_doubt: of(|c| c.silence_doubt, 0.0, 0.5),
            area_doubt: of(|c| c.area_doubt, 1e-4, 0.5),
        }
    }
}
