//! What to switch in before going closer.

use std::fmt;

use lobewright_geodesy::FastAzimuth;
use lobewright_types::{PathLossFit, Position};
use serde::{Deserialize, Serialize};

use super::model::level_at_db;
use super::samples::PosteriorSamples;

/// Points that the expected level is averaged over.
const POINTS: usize = 300;
/// Attenuation is counted in tenths of a decibel.
const PER_DB: f64 = 10.0;
/// No line of attenuators is longer than this.
const MOST_DB: f64 = 300.0;
/// The default: six steps of 10 dB.
const DEFAULT_STEPS: [f64; 6] = [10.0; 6];

/// What a meter shows and what can be switched in before it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Meter {
    /// Lowest useful level without attenuation, on the scale of the levels.
    pub low_db: f64,
    /// Highest useful level without attenuation, on that scale.
    pub high_db: f64,
    /// Attenuators that can be switched in, each once, in any combination, in dB.
    pub steps_db: Vec<f64>,
}

impl Meter {
    /// A meter with six attenuators of 10 dB before it.
    pub fn with_span(low_db: f64, high_db: f64) -> Self {
        Self {
            low_db,
            high_db,
            steps_db: DEFAULT_STEPS.to_vec(),
        }
    }
}

/// A level and its doubt.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ExpectedLevel {
    /// Mean, in dB on the scale of the levels.
    pub level_db: f64,
    /// Standard deviation: the place of the transmitter, the fall with distance and the terrain together.
    pub sigma_db: f64,
}

/// What to switch in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AttenuationAdvice {
    /// Attenuation to switch in.
    pub switch_in_db: f64,
    /// Where the reading should then lie in the meter's span: 0 at its low end, 1 at its high end.
    pub place_in_span: f64,
    /// What the level stays above the middle of the span by, with all attenuation switched in and the reading off the top; 0 where it suffices.
    pub beyond_db: f64,
    /// Whether the level is expected under the low end with no attenuation at all.
    pub too_weak: bool,
}

impl fmt::Display for AttenuationAdvice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.too_weak {
            return f.write_str(
                "expected under the meter's span: no attenuation, and the antenna with the most gain",
            );
        }
        write!(f, "switch in {:.0} dB", self.switch_in_db)?;
        if self.beyond_db > 0.0 {
            // Common practice, no source.
            return write!(
                f,
                " and {:.0} dB more by other means: tune off the carrier, hold the receiver against the body as a shield, take the antenna off or shorten it",
                self.beyond_db
            );
        }
        write!(
            f,
            " for a reading at {:.0} % of the span",
            100.0 * self.place_in_span
        )
    }
}

/// The level to be expected at a place, over where the transmitter may be.
///
/// # Inputs
/// `levels`: how the level falls with distance, as [`lobewright_types::Fix::path_loss`] has it.
///
/// # Result
/// Mean and standard deviation in dB. Distances under 1 m count as 1 m.
pub fn level_at(samples: &PosteriorSamples, levels: &PathLossFit, place: Position) -> ExpectedLevel {
    let fast = FastAzimuth::at(place);
    let (mut mean, mut square, mut decades_square) = (0.0, 0.0, 0.0);
    let mut total = 0.0;
    for point in samples.reduced(POINTS) {
        let range_m = fast.azimuth_and_range(&point.earth).1.max(1.0);
        let level_db = level_at_db(levels, range_m);
        let decades = (range_m / 1000.0).log10();
        total += point.mass;
        mean += point.mass * level_db;
        square += point.mass * level_db * level_db;
        decades_square += point.mass * decades * decades;
    }
    let level_db = mean / total;
    let of_place = (square / total - level_db * level_db).max(0.0);
    let of_fall =
        levels.level_sigma_db.powi(2) + (10.0 * levels.exponent_sigma).powi(2) * decades_square / total;
    ExpectedLevel {
        level_db,
        sigma_db: (of_place + of_fall + levels.shadowing_sigma_db.powi(2)).sqrt(),
    }
}

/// Chooses the attenuation that brings an expected level nearest to the middle of a meter's span.
///
/// # Inputs
/// `level_db` on the meter's scale, attenuation not counted.
///
/// # Result
/// Out of all combinations of the attenuators; of two equally near the larger one, since a meter off its top says nothing.
/// Attenuators that are not between 0.1 and 300 dB are not used.
///
/// # Example
/// ```
/// use lobewright_fix::advice::{Meter, attenuation};
/// let meter = Meter { low_db: -110.0, high_db: -70.0, steps_db: vec![10.0, 20.0] };
/// assert!((attenuation(-73.0, &meter).switch_in_db - 20.0).abs() < 1e-9);
/// ```
pub fn attenuation(level_db: f64, meter: &Meter) -> AttenuationAdvice {
    let middle_db = f64::midpoint(meter.low_db, meter.high_db);
    let wanted_db = if (level_db - middle_db).is_finite() {
        level_db - middle_db
    } else {
        0.0
    };
    let sums = sums_db(&meter.steps_db);
    let switch_in_db = sums
        .iter()
        .copied()
        .min_by(|a, b| {
            let off = |v: f64| ((v - wanted_db).abs() * PER_DB).round();
            off(*a).total_cmp(&off(*b)).then(b.total_cmp(a))
        })
        .unwrap_or(0.0);
    let reading_db = middle_db + wanted_db - switch_in_db;
    let span_db = (meter.high_db - meter.low_db).abs().max(0.1);
    AttenuationAdvice {
        switch_in_db,
        place_in_span: (0.5 + (reading_db - middle_db) / span_db).clamp(-9.0, 9.0),
        beyond_db: if reading_db > meter.high_db {
            reading_db - middle_db
        } else {
            0.0
        },
        too_weak: reading_db < meter.low_db && switch_in_db <= 0.0,
    }
}

/// All sums of some of the steps, ascending.
fn sums_db(steps_db: &[f64]) -> Vec<f64> {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0 to 3000"
    )]
    let units = |db: f64| (db * PER_DB).round() as usize;
    let most = units(MOST_DB);
    let mut reached = vec![false; most + 1];
    reached[0] = true;
    for step in steps_db
        .iter()
        .filter(|s| (0.1..=MOST_DB).contains(*s))
        .map(|s| units(*s))
    {
        for sum in (step..=most).rev() {
            reached[sum] |= reached[sum - step];
        }
    }
    (0..=most)
        .filter(|&sum| reached[sum])
        .map(|sum| sum as f64 / PER_DB)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn meter(steps_db: &[f64]) -> Meter {
        Meter {
            low_db: -110.0,
            high_db: -70.0,
            steps_db: steps_db.to_vec(),
        }
    }

    #[test]
    fn the_reading_comes_to_the_middle_of_the_span() {
        for (level_db, steps, wanted_db) in [
            (-90.0, &[10.0, 10.0][..], 0.0),
            (-81.0, &[10.0, 10.0], 10.0),
            // Half way between two: the larger.
            (-85.0, &[10.0, 10.0], 10.0),
            (-52.0, &[3.0, 6.0, 12.0, 20.0], 38.0),
            (-130.0, &[10.0], 0.0),
        ] {
            let advice = attenuation(level_db, &meter(steps));
            assert!(
                (advice.switch_in_db - wanted_db).abs() < 1e-9,
                "{level_db}: {advice:?}"
            );
        }
        assert!((attenuation(-81.0, &meter(&[10.0])).place_in_span - 0.475).abs() < 1e-9);
        assert!(attenuation(-130.0, &meter(&[10.0])).too_weak);
    }

    #[test]
    fn beyond_all_attenuation_other_means_are_named() {
        let advice = attenuation(0.0, &meter(&[10.0, 20.0]));
        assert!((advice.switch_in_db - 30.0).abs() < 1e-9);
        assert!((advice.beyond_db - 60.0).abs() < 1e-9);
        let words = advice.to_string();
        assert!(
            words.contains("60 dB more") && words.contains("shield"),
            "{words}"
        );
    }

    #[test]
    fn numbers_that_are_none_do_no_harm() {
        let broken = meter(&[f64::NAN, -10.0, 1e9]);
        assert!(attenuation(f64::NAN, &broken).switch_in_db.abs() < 1e-9);
        assert!(attenuation(f64::INFINITY, &broken).place_in_span.is_finite());
    }
}
