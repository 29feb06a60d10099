//! Spectral masks: a filter is held to bands with limits in decibels, as a specification says it.

use std::fmt;

use lobewright_types::Sample;

use crate::signal::{mean_power, tone, tone_power};

/// What a band allows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limit {
    /// The gain stays between two values in dB, ends included.
    Within {
        /// Lower end.
        min_db: f64,
        /// Upper end.
        max_db: f64,
    },
    /// The gain stays at or below a value in dB.
    AtMost {
        /// The value.
        max_db: f64,
    },
}

/// A stretch of frequencies with its limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Lower edge, in the unit of the mask's user (Hz, or cycles a sample), included.
    pub low: f64,
    /// Upper edge, included.
    pub high: f64,
    /// What it allows.
    pub limit: Limit,
}

/// A set of bands. Frequencies in no band are free.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Mask {
    bands: Vec<Band>,
}

/// The measured point of a band that comes nearest to its limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WorstPoint {
    /// The band.
    pub band: Band,
    /// Where in it.
    pub frequency: f64,
    /// Gain there.
    pub gain_db: f64,
    /// What is left to the limit; negative where it is exceeded.
    pub margin_db: f64,
}

/// A mask that was not met.
#[derive(Debug, Clone, PartialEq)]
pub struct MaskMiss {
    /// The worst point of every band that was not met, in the order of the bands.
    pub missed: Vec<WorstPoint>,
}

impl fmt::Display for MaskMiss {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, worst) in self.missed.iter().enumerate() {
            let comma = if i > 0 { "; " } else { "" };
            write!(
                f,
                "{comma}gain {:.3} dB at {} is {:.3} dB outside of {:?} for {} to {}",
                worst.gain_db,
                worst.frequency,
                -worst.margin_db,
                worst.band.limit,
                worst.band.low,
                worst.band.high
            )?;
        }
        Ok(())
    }
}

impl std::error::Error for MaskMiss {}

impl Limit {
    /// What is left to the limit at a gain; negative where it is exceeded, minus infinity for NaN.
    fn margin_db(self, gain_db: f64) -> f64 {
        if gain_db.is_nan() {
            return f64::NEG_INFINITY;
        }
        match self {
            Self::Within { min_db, max_db } => (gain_db - min_db).min(max_db - gain_db),
            Self::AtMost { max_db } => max_db - gain_db,
        }
    }
}

impl Mask {
    /// A mask without bands.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a band.
    ///
    /// # Panics
    /// Where the edges are not finite or out of order.
    #[must_use]
    pub fn band(mut self, low: f64, high: f64, limit: Limit) -> Self {
        assert!(
            low.is_finite() && high.is_finite() && low <= high,
            "band edges {low} to {high} are out of order"
        );
        self.bands.push(Band { low, high, limit });
        self
    }

    /// Adds a pass-band whose gain stays within `ripple_db` of 0 dB, up and down.
    #[must_use]
    pub fn pass(self, low: f64, high: f64, ripple_db: f64) -> Self {
        let limit = Limit::Within {
            min_db: -ripple_db,
            max_db: ripple_db,
        };
        self.band(low, high, limit)
    }

    /// Adds a stop-band whose gain stays at or below `-attenuation_db`.
    #[must_use]
    pub fn stop(self, low: f64, high: f64, attenuation_db: f64) -> Self {
        self.band(
            low,
            high,
            Limit::AtMost {
                max_db: -attenuation_db,
            },
        )
    }

    /// Measures every band at `points` evenly spaced frequencies, both edges among them.
    ///
    /// # Inputs
    /// `gain_db`: power gain in dB at a frequency in the unit of the bands; minus infinity is a gain, NaN is a
    /// miss.
    ///
    /// # Result
    /// The worst point of each band, in the order of the bands.
    ///
    /// # Errors
    /// [`MaskMiss`] with the worst points of the bands that were not met.
    ///
    /// # Panics
    /// Where the mask has no band or `points` is below 2: such a check could not fail.
    pub fn check(
        &self,
        points: usize,
        mut gain_db: impl FnMut(f64) -> f64,
    ) -> Result<Vec<WorstPoint>, MaskMiss> {
        assert!(
            !self.bands.is_empty() && points >= 2,
            "a mask needs a band and two points in it"
        );
        let worst: Vec<WorstPoint> = self
            .bands
            .iter()
            .map(|&band| worst_of(band, points, &mut gain_db))
            .collect();
        let missed: Vec<WorstPoint> = worst.iter().copied().filter(|w| w.margin_db < 0.0).collect();
        if missed.is_empty() {
            Ok(worst)
        } else {
            Err(MaskMiss { missed })
        }
    }
}

fn worst_of(band: Band, points: usize, gain_db: &mut impl FnMut(f64) -> f64) -> WorstPoint {
    let point = |i: usize, gain_db: &mut dyn FnMut(f64) -> f64| {
        let part = i as f64 / (points - 1) as f64;
        let frequency = band.low + part * (band.high - band.low);
        let gain_db = gain_db(frequency);
        WorstPoint {
            band,
            frequency,
            gain_db,
            margin_db: band.limit.margin_db(gain_db),
        }
    };
    (1..points).fold(point(0, gain_db), |worst, i| {
        let next = point(i, gain_db);
        if next.margin_db < worst.margin_db {
            next
        } else {
            worst
        }
    })
}

/// Measures the gain of a running filter for one tone.
///
/// # Inputs
/// `freq_rel`: the tone, cycles an input sample. `n`: input samples. `skip`: output samples left out at both
/// ends, where the filter fills and empties. `out_freq_rel`: where the tone comes out, in cycles an output sample
/// (after mixing and decimation, aliases folded), or `None` to take all of the output's power, which also counts
/// what the filter adds: images, aliases, rounding. `filter`: takes the input, gives the output; state starts
/// afresh.
///
/// # Result
/// Output power over input power in dB; minus infinity where nothing comes out.
///
/// # Panics
/// Where the output is not longer than twice `skip`.
pub fn tone_gain_db(
    freq_rel: f64,
    n: usize,
    skip: usize,
    out_freq_rel: Option<f64>,
    filter: impl FnOnce(&[Sample]) -> Vec<Sample>,
) -> f64 {
    let amplitude = 0.5;
    let output = filter(&tone(freq_rel, n, amplitude));
    assert!(
        output.len() > 2 * skip,
        "{} output samples leave nothing after {skip} at both ends",
        output.len()
    );
    let steady = &output[skip..output.len() - skip];
    let power = match out_freq_rel {
        Some(frequency) => tone_power(steady, frequency),
        None => mean_power(steady),
    };
    10.0 * (power / (amplitude * amplitude)).log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean of two neighbours: |H(f)|² = cos²(pi f), so -3.0103 dB at a quarter of the rate (closed form).
    fn two_point_mean(x: &[Sample]) -> Vec<Sample> {
        x.windows(2).map(|w| (w[0] + w[1]) * 0.5).collect()
    }

    fn closed_form_db(freq_rel: f64) -> f64 {
        20.0 * (std::f64::consts::PI * freq_rel).cos().abs().log10()
    }

    #[test]
    fn the_measured_gain_is_the_closed_form() {
        for freq_rel in [0.0, 0.1, 0.25, -0.4, 0.49] {
            let all = tone_gain_db(freq_rel, 5000, 10, None, two_point_mean);
            let there = tone_gain_db(freq_rel, 5000, 10, Some(freq_rel), two_point_mean);
            assert!((all - closed_form_db(freq_rel)).abs() < 1e-3, "{freq_rel}: {all}");
            assert!(
                (there - closed_form_db(freq_rel)).abs() < 1e-3,
                "{freq_rel}: {there}"
            );
        }
    }

    #[test]
    fn a_mask_that_is_met_names_its_worst_points() {
        let mask = Mask::new().pass(-0.05, 0.05, 0.2).stop(0.45, 0.5, 16.0);
        let worst = mask.check(101, closed_form_db).unwrap();
        assert!((worst[0].gain_db - closed_form_db(0.05)).abs() < 1e-9);
        assert!((worst[1].frequency - 0.45).abs() < 1e-12);
        assert!(worst[1].margin_db > 0.0 && worst[1].margin_db < 0.2);
    }

    #[test]
    fn a_mask_that_is_missed_says_where_and_by_how_much() {
        let mask = Mask::new().pass(-0.05, 0.05, 0.1).stop(0.4, 0.5, 20.0);
        let miss = mask.check(101, closed_form_db).unwrap_err();
        assert_eq!(miss.missed.len(), 2);
        assert!((miss.missed[1].frequency - 0.4).abs() < 1e-12);
        let text = miss.to_string();
        assert!(
            text.contains("at 0.4 is 9.800 dB outside of AtMost { max_db: -20.0 }"),
            "{text}"
        );
    }

    #[test]
    fn not_a_number_is_a_miss() {
        assert!(Mask::new().stop(0.1, 0.2, 10.0).check(2, |_| f64::NAN).is_err());
        assert!(
            Mask::new()
                .stop(0.1, 0.2, 10.0)
                .check(2, |_| f64::NEG_INFINITY)
                .is_ok()
        );
    }
}
