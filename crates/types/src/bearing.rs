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
/// 5(9)); tying them to 95 % is this project's rule (that text attaches no probability).
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
    /// Standard deviation of the heading or compass, common to all bearings of the station; already inside
    /// `density`.
    pub heading_sigma_deg: f64,
    /// The whole posterior density over the circle.
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
