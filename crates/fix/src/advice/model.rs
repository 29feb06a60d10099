//! How good the next bearing will be: its error and whether the transmitter is heard, by distance.

use lobewright_types::PathLossFit;
use statrs::function::erf::erfc;

use super::config::{AdviceConfig, NoiseReference};

/// Distances per octave that the tables hold.
const PER_OCTAVE_BITS: u32 = 6;
/// From 1 m to over 16 000 km.
const OCTAVES: u32 = 24;
/// Ratio of one standard deviation to the next of those that predictions are computed for.
const CLASS_RATIO: f64 = 1.1;
/// Wider than this a bearing is a guess over the whole circle.
const WIDEST_DEG: f64 = 100.0;
/// Steps over the circle in the integral of an entropy.
const ENTROPY_STEPS: u32 = 7200;

/// What the next bearing is worth at one distance from the transmitter.
#[derive(Debug, Clone, Copy)]
pub(super) struct AtRange {
    /// Standard deviation of the bearing.
    pub(super) sigma_deg: f64,
    /// Probability that the transmitter is heard.
    pub(super) heard: f64,
    /// Class of standard deviation below, and the share of the next one.
    pub(super) class: usize,
    pub(super) share: f64,
    /// Entropy of what comes back (a direction in degrees, or nothing) were the distance known.
    pub(super) entropy_nats: f64,
}

/// The model of the next bearing.
#[derive(Debug)]
pub(super) struct Model {
    pub(super) reflection: f64,
    /// Standard deviations of the classes, ascending.
    pub(super) class_sigma_deg: Vec<f64>,
    by_range: Vec<AtRange>,
}

impl Model {
    pub(super) fn new(config: &AdviceConfig) -> Self {
        let ranges: Vec<f64> = (0..OCTAVES << PER_OCTAVE_BITS).map(middle_m).collect();
        let sigmas: Vec<f64> = ranges.iter().map(|&r| sigma_deg(config, r)).collect();
        let least = sigmas.iter().copied().fold(WIDEST_DEG, f64::min);
        let mut class_sigma_deg = vec![least];
        while class_sigma_deg[class_sigma_deg.len() - 1] < WIDEST_DEG {
            class_sigma_deg
                .push(least * CLASS_RATIO.powi(i32::try_from(class_sigma_deg.len()).unwrap_or(i32::MAX)));
        }
        let entropies: Vec<f64> = class_sigma_deg
            .iter()
            .map(|&s| bearing_entropy_nats(s, config.reflection_prior))
            .collect();
        let by_range = ranges
            .iter()
            .zip(sigmas)
            .map(|(&range_m, sigma_deg)| {
                let place = ((sigma_deg / least).ln() / CLASS_RATIO.ln()).max(0.0);
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "between 0 and the number of classes"
                )]
                let class = (place.floor() as usize).min(class_sigma_deg.len() - 2);
                let share = (place - class as f64).clamp(0.0, 1.0);
                let heard = heard_at(config, range_m);
                let bearing = (1.0 - share) * entropies[class] + share * entropies[class + 1];
                AtRange {
                    sigma_deg,
                    heard,
                    class,
                    share,
                    entropy_nats: heard * bearing + plogp(heard) + plogp(1.0 - heard),
                }
            })
            .collect();
        Self {
            reflection: config.reflection_prior,
            class_sigma_deg,
            by_range,
        }
    }

    /// The entry for a distance.
    pub(super) fn index(range_m: f64) -> usize {
        // The leading bits of a float are a logarithm in steps: no call of one for each point and place.
        let bits = range_m.max(1.0).to_bits() >> (52 - PER_OCTAVE_BITS);
        let index = bits.saturating_sub(1023 << PER_OCTAVE_BITS);
        usize::try_from(index)
            .unwrap_or(usize::MAX)
            .min((OCTAVES << PER_OCTAVE_BITS) as usize - 1)
    }

    pub(super) fn entry(&self, index: usize) -> &AtRange {
        &self.by_range[index]
    }
}

/// The middle of the distances of an entry.
fn middle_m(index: u32) -> f64 {
    let per_octave = 1_u32 << PER_OCTAVE_BITS;
    let octave = 2_f64.powi(i32::try_from(index / per_octave).unwrap_or(i32::MAX));
    octave * (1.0 + (f64::from(index % per_octave) + 0.5) / f64::from(per_octave))
}

/// Standard deviation of a bearing at a distance from the transmitter.
fn sigma_deg(config: &AdviceConfig, range_m: f64) -> f64 {
    let noise_over_reference_db = match (config.noise_reference, &config.levels) {
        (NoiseReference::Level { level_db }, Some(levels)) => level_db - level_at_db(levels, range_m),
        (
            NoiseReference::Range {
                range_m: at,
                exponent,
            },
            _,
        ) => 10.0 * exponent * (range_m / at).log10(),
        (NoiseReference::Level { .. }, None) => 0.0,
    };
    let noise_deg = config.noise_sigma_deg * 10_f64.powf(noise_over_reference_db / 20.0);
    let place_deg = config.position_sigma_m.atan2(range_m).to_degrees();
    let sum = config.floor_sigma_deg.powi(2)
        + config.heading_sigma_deg.powi(2)
        + noise_deg.min(1e3).powi(2)
        + place_deg.powi(2);
    sum.sqrt().min(WIDEST_DEG)
}

/// Level at a distance, without the terrain's share.
pub(super) fn level_at_db(levels: &PathLossFit, range_m: f64) -> f64 {
    levels.level_at_1km_db - 10.0 * levels.exponent * (range_m.max(1.0) / 1000.0).log10()
}

/// Probability that the level at a distance is above the limit, the level and the terrain's share of it being normal.
fn heard_at(config: &AdviceConfig, range_m: f64) -> f64 {
    let (Some(hearing), Some(levels)) = (config.hearing, &config.levels) else {
        return 1.0;
    };
    let over_db = level_at_db(levels, range_m) - hearing.limit_db;
    let sigma_db = levels.shadowing_sigma_db.hypot(levels.level_sigma_db).max(0.1);
    0.5 * erfc(-over_db / sigma_db * std::f64::consts::FRAC_1_SQRT_2)
}

/// `-p ln p`, 0 at 0.
pub(super) fn plogp(p: f64) -> f64 {
    if p > 0.0 { -p * p.ln() } else { 0.0 }
}

/// Density per degree of an error, wrapped round the circle.
pub(super) fn wrapped_normal_per_deg(off_deg: f64, sigma_deg: f64) -> f64 {
    let one = |turn: f64| (-0.5 * ((off_deg + turn) / sigma_deg).powi(2)).exp();
    let around = if sigma_deg > 30.0 {
        one(360.0) + one(-360.0)
    } else {
        0.0
    };
    (one(0.0) + around) / (sigma_deg * std::f64::consts::TAU.sqrt())
}

/// Entropy of a bearing's direction in degrees, its truth known: normal, or anywhere with the chance of a reflection.
fn bearing_entropy_nats(sigma_deg: f64, reflection: f64) -> f64 {
    let step_deg = 360.0 / f64::from(ENTROPY_STEPS);
    (0..ENTROPY_STEPS)
        .map(|k| {
            let off = step_deg * f64::from(k) - 180.0;
            plogp((1.0 - reflection) * wrapped_normal_per_deg(off, sigma_deg) + reflection / 360.0)
        })
        .sum::<f64>()
        * step_deg
}

#[cfg(test)]
mod tests {
    use super::*;

    // Entropy of a normal density: ln(sigma sqrt(2 pi e)) (Cover & Thomas, Elements of Information Theory, 2nd edition 2006,
    // theorem 8.4.1 for one dimension; from memory). Of an even one over the circle: ln 360.
    #[test]
    fn entropies_are_those_of_the_textbook() {
        for sigma in [0.2, 1.0, 4.0, 20.0] {
            let exact = (sigma * (std::f64::consts::TAU * std::f64::consts::E).sqrt()).ln();
            assert!((bearing_entropy_nats(sigma, 0.0) - exact).abs() < 1e-6, "{sigma}");
        }
        assert!((bearing_entropy_nats(3.0, 1.0) - 360_f64.ln()).abs() < 1e-9);
    }

    #[test]
    fn the_table_of_distances_is_within_a_hundredth() {
        for range_m in [1.0, 1.7, 99.0, 1000.0, 5432.1, 2.9e5] {
            let middle = middle_m(u32::try_from(Model::index(range_m)).unwrap());
            assert!((middle / range_m - 1.0).abs() < 0.01, "{range_m} {middle}");
        }
        assert_eq!(Model::index(f64::NAN), 0);
    }

    // At the reference the variances add; at twice the distance noise has grown by 2^(3 / 2).
    #[test]
    fn noise_grows_with_distance_and_the_floor_stays() {
        let config = AdviceConfig {
            floor_sigma_deg: 3.0,
            noise_sigma_deg: 4.0,
            position_sigma_m: 0.0,
            ..AdviceConfig::default()
        };
        assert!((sigma_deg(&config, 5000.0) - 5.0).abs() < 1e-12);
        assert!((sigma_deg(&config, 10_000.0) - (9.0 + 16.0 * 8.0_f64).sqrt()).abs() < 1e-9);
        assert!(sigma_deg(&config, 10.0) < 3.001);
    }

    #[test]
    fn a_level_at_the_limit_is_heard_every_other_time() {
        let levels = PathLossFit {
            scale: "dBm".to_owned(),
            level_at_1km_db: -60.0,
            level_sigma_db: 3.0,
            exponent: 4.0,
            exponent_sigma: 0.5,
            shadowing_sigma_db: 4.0,
        };
        let config = AdviceConfig {
            levels: Some(levels),
            hearing: Some(super::super::config::Hearing { limit_db: -100.0 }),
            noise_reference: NoiseReference::Level { level_db: -90.0 },
            ..AdviceConfig::default()
        };
        // -60 - 40 log10(10) = -100.
        assert!((heard_at(&config, 10_000.0) - 0.5).abs() < 1e-9);
        // 5 dB over the limit with 5 dB of doubt: 84.13 % (any table of the normal distribution).
        assert!((heard_at(&config, 10_000.0 * 10_f64.powf(-5.0 / 40.0)) - 0.8413).abs() < 1e-4);
        // 10 dB under its reference noise has grown by sqrt(10).
        let noise = (sigma_deg(&config, 10_000.0).powi(2) - 16.0).sqrt();
        assert!((noise - 10_f64.sqrt()).abs() < 1e-3, "{noise}");
    }
}
