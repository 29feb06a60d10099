//! Which side a transmitter is on, for antennas that home.

use lobewright_types::{ArcDeg, Azimuth, CircleDensity, True};
use serde::Serialize;

/// From this probability on a side is named.
const SURE: f64 = 0.8;

/// How likely the transmitter lies to the left and to the right of the mounting's zero mark.
///
/// A pair of antennas tells the sides apart and hardly the front from the back: where neither side is likely the
/// transmitter lies ahead or behind.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sides {
    /// Probability of the half circle to the left of the zero mark.
    pub left_probability: f64,
    /// Probability of the half circle to the right of it.
    pub right_probability: f64,
}

impl Sides {
    /// Reads both off a density, the zero mark pointing to `heading`.
    pub fn of(density: &CircleDensity, heading: Azimuth<True>) -> Self {
        let half = |from: Azimuth<True>| {
            density
                .probability(ArcDeg {
                    from,
                    width_deg: 180.0,
                })
                .clamp(0.0, 1.0)
        };
        let right_probability = half(heading);
        Self {
            left_probability: 1.0 - right_probability,
            right_probability,
        }
    }

    /// `left`, `right`, or `ahead or behind` where neither has 80 %.
    pub fn word(&self) -> &'static str {
        if self.left_probability >= SURE {
            "left"
        } else if self.right_probability >= SURE {
            "right"
        } else {
            "ahead or behind"
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sides(azimuth_deg: f64) -> Sides {
        let density = CircleDensity::normal(Azimuth::from_degrees(azimuth_deg), 5.0);
        Sides::of(&density, Azimuth::from_degrees(350.0))
    }

    #[test]
    fn sides_count_from_the_heading() {
        assert_eq!(sides(20.0).word(), "right");
        assert_eq!(sides(300.0).word(), "left");
        assert_eq!(sides(352.0).word(), "ahead or behind");
        assert_eq!(sides(168.0).word(), "ahead or behind");
        // One sigma to the right of the zero mark: 84.1 % (any table of the normal distribution).
        assert!((sides(355.0).right_probability - 0.8413).abs() < 1e-3);
        assert!((sides(355.0).left_probability - 0.1587).abs() < 1e-3);
    }
}
