//! What a bearing is when it leaves the estimator, a person's notebook or another station.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::{Azimuth, CircleDensity, Dbfs, Mode, Position, Timestamp, True};

/// An arc of the horizon, clockwise from `from`, `width_deg` wide (0 to 360).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ArcDeg {
    /// The counter-clockwise end.
    #[serde(rename = "from_true_deg")]
    pub from: Azimuth<True>,
    /// The width, clockwise.
    pub width_deg: f64,
}

impl ArcDeg {
    /// Whether an azimuth lies inside, ends included.
    pub fn contains(&self, azimuth: Azimuth<True>) -> bool {
        crate::wrap_degrees(azimuth.degrees() - self.from.degrees()) <= self.width_deg
    }
}

/// Where a bearing came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BearingKind {
    /// Estimated from samples.
    Automatic,
    /// Taken by a person.
    Hand,
    /// Sent by another station.
    Remote,
}

/// Quality class of a bearing by the half-width that holds 95 % of its density around the best value.
///
/// The limits of 2, 5 and 10 degrees are those of the Radio Regulations (Atlantic City 1947, Appendix 15, section
/// 5(9)); tying them to 95 %, and a second mode to class D, is this project's rule (that text attaches no probability).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum BearingClass {
    /// Within 2 degrees.
    A,
    /// Within 5 degrees.
    B,
    /// Within 10 degrees.
    C,
    /// Worse, or more than one direction.
    D,
}

/// Probability within the limits of a class.
const CLASS_PROBABILITY: f64 = 0.95;
/// A second mode with more than this makes a bearing class D.
const SECOND_MODE: f64 = 0.05;

impl BearingClass {
    /// The class for a half-width in degrees.
    pub fn from_half_width_deg(half_width_deg: f64) -> Self {
        match half_width_deg {
            w if w <= 2.0 => Self::A,
            w if w <= 5.0 => Self::B,
            w if w <= 10.0 => Self::C,
            _ => Self::D,
        }
    }

    /// The class of a bearing with its best value at `azimuth`: that of the least limit within which 95 % of the
    /// density lie, and D for any width where a second mode has more than 5 %.
    ///
    /// # Example
    /// ```
    /// use lobewright_types::{Azimuth, BearingClass, CircleDensity};
    /// let azimuth = Azimuth::from_degrees(212.4);
    /// // 1.96 sigma are 3.5 degrees.
    /// let density = CircleDensity::normal(azimuth, 1.8);
    /// assert_eq!(BearingClass::of(&density, azimuth), BearingClass::B);
    /// ```
    pub fn of(density: &CircleDensity, azimuth: Azimuth<True>) -> Self {
        let modes = density.modes(SECOND_MODE);
        if modes.iter().skip(1).any(|m| m.probability > SECOND_MODE) {
            return Self::D;
        }
        let holds = |half: f64| {
            let arc = ArcDeg {
                from: azimuth.turned(-half),
                width_deg: 2.0 * half,
            };
            density.probability(arc) >= CLASS_PROBABILITY
        };
        [2.0, 5.0, 10.0]
            .into_iter()
            .find(|&half| holds(half))
            .map_or(Self::D, Self::from_half_width_deg)
    }
}

impl fmt::Display for BearingClass {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self:?}")
    }
}

/// Doubts about a bearing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BearingFlag {
    /// Readings with input samples at full scale.
    Clipped,
    /// Fewer readings than a bearing should rest on.
    FewReadings,
    /// The readings cover a part of the circle only.
    PartialCircle,
    /// The readings do not follow the pattern as their noise allows.
    BadFit,
    /// A second arrival was found: the bearing has more than one direction.
    Reflection,
    /// More than one direction is likely.
    Ambiguous,
    /// The turn is commensurate with the transmitter's cycle: every burst shows the same part of the circle.
    SameSectorEachBurst,
    /// The azimuth track ended before the readings did.
    TrackEndedEarly,
    /// Signal-to-noise so low that the direction is hardly better than a guess.
    Weak,
}

/// What the estimator found beside the direction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FittedSignal {
    /// Level error of each reading beyond its noise (fading, pattern error), 1 sigma, in dB.
    pub level_error_sigma_db: f64,
    /// Weighted mean square residual of the readings against the fitted pattern; 1 for a perfect model.
    pub reduced_chi_square: f64,
    /// Number of readings that the residuals count for, after their autocorrelation.
    pub effective_readings: f64,
}

/// A direction to a transmitter, with the whole density it is drawn from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bearing {
    /// A name for the bearing, unique within its hunt.
    pub id: String,
    /// Name of the station or place.
    pub station: String,
    /// What the heading was taken with, where several stations or places share it: a person's compass. Bearings with the same have its error in
    /// common. Absent: the station's own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub compass: Option<String>,
    /// Label of the transmitter, where several are told apart.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transmitter: Option<String>,
    /// Start of the first burst used.
    pub time_utc: Option<Timestamp>,
    /// Where it was taken.
    pub position: Position,
    /// Standard deviation of `position` on each axis, in metres.
    pub position_sigma_m: f64,
    /// Where it came from.
    pub kind: BearingKind,
    /// The best single value: the highest point of the most probable mode.
    #[serde(rename = "azimuth_true_deg")]
    pub azimuth: Azimuth<True>,
    /// Standard deviation within the most probable mode, the heading's error included.
    pub sigma_deg: f64,
    /// Standard deviation of the heading or compass, common to all bearings of the station or `compass`; already inside
    /// `density`.
    pub heading_sigma_deg: f64,
    /// The whole posterior density over the circle; written as compact text, see
    /// [`CircleDensity::to_compact`].
    #[serde(serialize_with = "crate::density_json::compact")]
    pub density: CircleDensity,
    /// Modes, most probable first, each at least 5 % (the first always there).
    pub modes: Vec<Mode>,
    /// The shortest set of arcs that holds 50 %.
    pub arcs50: Vec<ArcDeg>,
    /// The shortest set of arcs that holds 95 %.
    pub arcs95: Vec<ArcDeg>,
    /// Quality class.
    pub class: BearingClass,
    /// Level of the strongest burst with the antenna pointed at the source, noise taken off.
    #[serde(rename = "level_dbfs")]
    pub level: Option<Dbfs>,
    /// Signal-to-noise in the channel with the antenna pointed at the source.
    pub snr_db: Option<f64>,
    /// Centre frequency of the channel.
    pub frequency_hz: Option<f64>,
    /// Readings used.
    pub readings: usize,
    /// Bursts used.
    pub bursts: usize,
    /// What else was fitted; absent for bearings not taken from samples.
    pub fitted: Option<FittedSignal>,
    /// Doubts, in order, each once.
    pub flags: Vec<BearingFlag>,
}

/// Why there is no bearing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NoBearingReason {
    /// No burst was found.
    NoBurst,
    /// No reading has a known antenna direction.
    NoPointing,
    /// Too few readings for any direction.
    TooFewReadings,
    /// The antenna has no direction of its own.
    PatternHasNoDirection,
    /// Every reading is at full scale.
    AllClipped,
}

impl fmt::Display for NoBearingReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NoBurst => "no burst was found in the channel",
            Self::NoPointing => "no reading falls into the azimuth track",
            Self::TooFewReadings => "too few readings for any direction",
            Self::PatternHasNoDirection => "the antenna pattern is the same in every direction",
            Self::AllClipped => "every reading is at the converter's full scale",
        })
    }
}

/// The record that says why a place gave no bearing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoBearing {
    /// A name, unique within the hunt.
    pub id: String,
    /// Name of the station or place.
    pub station: String,
    /// Why.
    pub reason: NoBearingReason,
}

/// What the estimator hands on: no bearing is a result, not an error.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "outcome", rename_all = "snake_case")]
pub enum BearingOutcome {
    /// A bearing.
    Bearing(Box<Bearing>),
    /// None, and why.
    NoBearing(NoBearing),
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wrap_signed_degrees;

    fn class(sigma_deg: f64) -> BearingClass {
        let azimuth = Azimuth::from_degrees(359.5);
        BearingClass::of(&CircleDensity::normal(azimuth, sigma_deg), azimuth)
    }

    // Limits: Radio Regulations, Atlantic City 1947, Appendix 15, section 5(9); 95 % of a normal density lie within
    // 1.9600 sigma (any table of the normal distribution).
    #[test]
    fn classes_change_where_95_percent_reach_2_5_and_10_degrees() {
        use BearingClass::{A, B, C, D};
        for (limit, inside, outside) in [(2.0, A, B), (5.0, B, C), (10.0, C, D)] {
            assert_eq!(class(limit / 1.96 * 0.995), inside);
            assert_eq!(class(limit / 1.96 * 1.005), outside);
        }
    }

    #[test]
    fn a_second_mode_over_5_percent_is_class_d_however_near() {
        let two = |second: f64| {
            let ln = |a: f64| {
                let one = |c: f64| (-0.5 * (wrap_signed_degrees(a - c) / 0.1).powi(2)).exp();
                ((1.0 - second) * one(100.0) + second * one(101.0))
                    .max(1e-30)
                    .ln()
            };
            let density = CircleDensity::from_ln_fn(ln, &[100.0, 101.0], 0.01).expect("two peaks");
            BearingClass::of(&density, Azimuth::from_degrees(100.0))
        };
        assert_eq!(two(0.06), BearingClass::D);
        assert_eq!(two(0.04), BearingClass::A);
    }

    #[test]
    fn the_half_width_is_around_the_best_value_not_around_the_middle() {
        // Flat from 100 to 103 degrees, best value at its edge: 95 % lie within 2.85 degrees of it.
        let density =
            CircleDensity::from_knots(vec![99.999, 100.0, 103.0, 103.001], vec![-60.0, 0.0, 0.0, -60.0])
                .expect("a box");
        assert_eq!(
            BearingClass::of(&density, Azimuth::from_degrees(100.0)),
            BearingClass::B
        );
        assert_eq!(
            BearingClass::of(&density, Azimuth::from_degrees(101.5)),
            BearingClass::A
        );
    }
}
