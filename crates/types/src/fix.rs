//! What a fix is when it leaves the estimator.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::{AreaRule, Azimuth, Position, True, wrap_signed_degrees};

/// A closed ring of places; the last is not a repeat of the first.
pub type RingDeg = Vec<Position>;

/// An outer ring, counter-clockwise, and its holes, clockwise, as RFC 7946 asks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PolygonDeg {
    /// The outer ring.
    pub outer: RingDeg,
    /// Rings that are not part of the region.
    pub holes: Vec<RingDeg>,
}

/// The smallest region that holds a share of the posterior.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Region {
    /// The share, such as 0.95.
    pub probability: f64,
    /// Area on the ellipsoid.
    pub area_km2: f64,
    /// Its parts.
    pub polygons: Vec<PolygonDeg>,
}

impl PolygonDeg {
    /// Whether a place lies inside: within the outer ring and outside the holes.
    pub fn contains(&self, place: Position) -> bool {
        in_ring(&self.outer, place) && !self.holes.iter().any(|hole| in_ring(hole, place))
    }
}

impl Region {
    /// Whether a place lies inside: within an outer ring and outside its holes.
    pub fn contains(&self, place: Position) -> bool {
        self.polygons.iter().any(|p| p.contains(place))
    }
}

/// Even-odd rule along the place's parallel, eastward. Longitudes are counted from the place and on from corner to corner, so that 180 degrees
/// east is no special case; the ring may then lie a turn to either side. A ring round a pole has no inside.
fn in_ring(ring: &[Position], place: Position) -> bool {
    let mut inside = [false; 3];
    let mut ax = ring
        .first()
        .map_or(0.0, |a| wrap_signed_degrees(a.lon_deg - place.lon_deg));
    for (i, a) in ring.iter().enumerate() {
        let b = ring[(i + 1) % ring.len()];
        let bx = ax + wrap_signed_degrees(b.lon_deg - a.lon_deg);
        if (a.lat_deg > place.lat_deg) != (b.lat_deg > place.lat_deg) {
            let part = (place.lat_deg - a.lat_deg) / (b.lat_deg - a.lat_deg);
            let x = ax + part * (bx - ax);
            for (inside, turn) in inside.iter_mut().zip([-360.0, 0.0, 360.0]) {
                *inside ^= x > turn;
            }
        }
        ax = bx;
    }
    inside.contains(&true)
}

/// An ellipse of equal density around the fix.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ErrorEllipse {
    /// Centre: the mean of the main mode.
    pub centre: Position,
    /// Share of a normal distribution inside, such as 0.95.
    pub probability: f64,
    /// Longer semi-axis.
    pub semi_major_m: f64,
    /// Shorter semi-axis.
    pub semi_minor_m: f64,
    /// Direction of the longer axis, in `[0, 180)`.
    #[serde(rename = "major_azimuth_true_deg")]
    pub major_azimuth: Azimuth<True>,
}

/// One peak of the posterior over the map.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FixMode {
    /// Its highest point.
    pub position: Position,
    /// Share of the posterior in it.
    pub probability: f64,
}

/// What became of one bearing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BearingVerdict {
    /// The bearing's `id`.
    pub id: String,
    /// Probability that it does not point at the transmitter (a reflection or a mistake).
    pub reflected_probability: f64,
    /// Turn from the bearing's best value to the fix, clockwise positive.
    pub residual_deg: f64,
    /// Which of the bearing's modes points nearest to the fix, from 0.
    pub mode_used: usize,
    /// Distance to the fix.
    pub range_m: f64,
}

/// A heading or compass error that all bearings of a station share, as the bearings themselves show it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StationOffset {
    /// The station, or the compass where several places share one.
    pub station: String,
    /// Bearings read minus true: clockwise positive. Subtract it from a reading.
    pub offset_deg: f64,
    /// Its standard deviation.
    pub sigma_deg: f64,
    /// Probability that the offset is a fault, larger than the stated error of the heading explains.
    pub fault_probability: f64,
}

/// How the level falls with distance, as the levels themselves show it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PathLossFit {
    /// The scale that `level_at_1km_db` is counted in.
    pub scale: String,
    /// Level at 1 km from the transmitter.
    pub level_at_1km_db: f64,
    /// Its standard deviation.
    pub level_sigma_db: f64,
    /// Exponent: the level falls by `10 exponent` dB for each factor of ten in distance.
    pub exponent: f64,
    /// Its standard deviation.
    pub exponent_sigma: f64,
    /// Standard deviation of single levels around that, from terrain and buildings.
    pub shadowing_sigma_db: f64,
}

/// What is to be said in words beside, or in place of, a position.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum FixStatement {
    /// No bearing at all.
    NoBearings,
    /// All bearings come from one place: direction only.
    OnePlace,
    /// The bearings are parallel or all along one line: no crossing.
    Parallel {
        /// The largest angle at which any two cross.
        largest_crossing_deg: f64,
    },
    /// The bearings cross behind the stations.
    Behind,
    /// They contradict each other more than their errors allow.
    Contradiction {
        /// Chi-square of the best position.
        chi_square: f64,
        /// Degrees of freedom.
        degrees_of_freedom: usize,
        /// Probability of so large a value by chance.
        p_value: f64,
    },
    /// All bearings of a station are off by one angle, beyond the stated error of its heading; the position is corrected for it.
    HeadingFault {
        /// The station or compass.
        station: String,
        /// Bearings read minus true: clockwise positive.
        offset_deg: f64,
        /// Its standard deviation.
        sigma_deg: f64,
        /// Probability that it is a fault.
        fault_probability: f64,
    },
    /// Several separate positions are likely.
    SeveralPositions {
        /// How many with at least 5 %.
        count: usize,
    },
    /// The region reaches the search limit: the far end is open.
    Open {
        /// The search limit.
        limit_km: f64,
    },
    /// With so few bearings nobody can tell which one is wrong.
    TooFewToJudge {
        /// Bearings from different places.
        places: usize,
    },
    /// The evidence puts the transmitter where an area's rule forbids it.
    AgainstAreas {
        /// The rule.
        rule: AreaRule,
        /// Names of the areas.
        names: Vec<String>,
        /// Probability that the rule is broken.
        probability: f64,
    },
    /// Silence on a scale that says nothing.
    SilenceUnused {
        /// The scale.
        scale: String,
    },
}

impl fmt::Display for FixStatement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoBearings => f.write_str("no bearing was given; take one from at least two places"),
            Self::OnePlace => f.write_str(
                "all bearings come from one place: they give a direction, no position; take another from a place well off this line",
            ),
            Self::Parallel { largest_crossing_deg } => write!(
                f,
                "the bearings hardly cross (largest angle {largest_crossing_deg:.1} degrees): the distance is open; go to a place well to the side of the lines"
            ),
            Self::Behind => f.write_str(
                "the bearings cross behind the stations, not in front of them: one is reversed or reflected; check north and front/back, or take another",
            ),
            Self::Contradiction { chi_square, degrees_of_freedom, p_value } => write!(
                f,
                "the bearings contradict each other beyond their stated errors (chi-square {chi_square:.1} on {degrees_of_freedom} degrees of freedom, p = {p_value:.2e}): look for a reflection, a compass fault or a second transmitter"
            ),
            Self::HeadingFault { station, offset_deg, sigma_deg, fault_probability } => write!(
                f,
                "all bearings of {station} read about {:.1} degrees (1 sigma {sigma_deg:.1}) {} of true, by probability {fault_probability:.2}: the position is corrected for it; check the compass, the mounting and the declination",
                offset_deg.abs(),
                if *offset_deg >= 0.0 { "clockwise" } else { "anticlockwise" }
            ),
            Self::SeveralPositions { count } => write!(
                f,
                "{count} separate positions are likely; a bearing across the line between them would decide"
            ),
            Self::Open { limit_km } => write!(
                f,
                "the region reaches the search limit of {limit_km:.0} km: its far end is open; take a bearing from the side"
            ),
            Self::TooFewToJudge { places } => write!(
                f,
                "with bearings from {places} places nobody can tell which is wrong if one is; five or more make it safe"
            ),
            Self::AgainstAreas { rule, names, probability } => {
                let (percent, names) = (100.0 * probability, names.join("`, `"));
                match rule {
                    AreaRule::Inside => write!(
                        f,
                        "with a probability of {percent:.0} % the transmitter is outside `{names}`, where it must be: check the area, and the evidence for a reflection or a second transmitter"
                    ),
                    AreaRule::Outside => write!(
                        f,
                        "with a probability of {percent:.0} % the transmitter is inside `{names}`, where it cannot be: check the area, and the evidence for a reflection or a second transmitter"
                    ),
                }
            }
            Self::SilenceUnused { scale } => write!(
                f,
                "silence on the scale `{scale}` says nothing: no level was heard on it, and none was given to be expected"
            ),
        }
    }
}

/// A position with its doubt.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fix {
    /// The best single position: the highest point of the most probable mode.
    pub position: Position,
    /// The 50 % region.
    pub region50: Region,
    /// The 95 % region.
    pub region95: Region,
    /// The ellipse of the main mode, where the mode is compact enough for one.
    pub ellipse95: Option<ErrorEllipse>,
    /// Modes, most probable first.
    pub modes: Vec<FixMode>,
    /// One verdict a bearing, in input order.
    pub verdicts: Vec<BearingVerdict>,
    /// Heading errors that could be told from the bearings, by station.
    #[serde(default)]
    pub station_offsets: Vec<StationOffset>,
    /// The fall of the level, one for each scale that has levels.
    #[serde(default)]
    pub path_loss: Vec<PathLossFit>,
    /// What must be said beside it.
    pub statements: Vec<FixStatement>,
}

/// What the estimator hands on: no position is a result, not an error.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "outcome", rename_all = "snake_case")]
pub enum FixOutcome {
    /// A position.
    Fix(Box<Fix>),
    /// None, and what would help.
    NoFix {
        /// Why, in order of weight; at least one.
        statements: Vec<FixStatement>,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(centre: (f64, f64), half: f64) -> Vec<Position> {
        [(-1.0, -1.0), (-1.0, 1.0), (1.0, 1.0), (1.0, -1.0)]
            .map(|(dy, dx)| Position {
                lat_deg: centre.0 + half * dy,
                lon_deg: centre.1 + half * dx,
            })
            .to_vec()
    }

    #[test]
    fn a_hole_is_outside_and_180_degrees_is_no_edge() {
        let region = Region {
            probability: 0.95,
            area_km2: 1.0,
            polygons: vec![PolygonDeg {
                outer: square((0.0, 180.0), 2.0),
                holes: vec![square((0.0, 180.0), 0.5)],
            }],
        };
        let at = |lat_deg, lon_deg| region.contains(Position { lat_deg, lon_deg });
        assert!(at(1.0, 179.0) && at(1.0, -179.0));
        assert!(!at(0.0, 180.0) && !at(0.0, -179.8) && !at(3.0, 180.0) && !at(0.0, 0.0));
        // Nor is the far side of the earth, where the ring's corners lie to both hands.
        assert!(!at(1.0, 0.0) && !at(1.0, 1.0) && !at(1.0, -1.0) && !at(-1.0, 90.0));
    }
}
