//! Evidence about a transmitter's place that is no bearing: levels, silence, areas.

use serde::{Deserialize, Serialize};

use crate::{PolygonDeg, Position, Timestamp};

/// A level heard at a place, comparable with the levels of the same `scale`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LevelReport {
    /// A name, unique within the hunt.
    pub id: String,
    /// Name of the station or place.
    pub station: String,
    /// When it was read.
    pub time_utc: Option<Timestamp>,
    /// Where.
    pub position: Position,
    /// Standard deviation of `position` on each axis, in metres.
    pub position_sigma_m: f64,
    /// Label of the transmitter, where several are told apart.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transmitter: Option<String>,
    /// What the level is counted from: levels of one scale (a receiver, or `dBm`) have one unknown zero in common.
    pub scale: String,
    /// Level at the antenna, in dB from the scale's zero: the meter's reading and all attenuation in line, added. Antenna
    /// pointed at the source, or the same everywhere.
    pub level_db: f64,
    /// Standard deviation of the reading itself, in dB; the terrain's is not part of it.
    pub sigma_db: f64,
}

/// A place where a receiver listened while the transmitter is known to have been on, and heard nothing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SilenceReport {
    /// A name, unique within the hunt.
    pub id: String,
    /// Name of the station or place.
    pub station: String,
    /// When.
    pub time_utc: Option<Timestamp>,
    /// Where.
    pub position: Position,
    /// Label of the transmitter, where several are told apart.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transmitter: Option<String>,
    /// What `limit_db` is counted from, as in [`LevelReport::scale`].
    pub scale: String,
    /// The weakest level that would have been heard, in dB from the scale's zero.
    pub limit_db: f64,
}

/// Whether an area holds the transmitter or cannot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AreaRule {
    /// It is inside (of at least one such area, where there are several).
    Inside,
    /// It is not inside.
    Outside,
}

/// An area that the transmitter must, or cannot, be in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AreaClue {
    /// Its name.
    pub name: String,
    /// Which of the two.
    pub rule: AreaRule,
    /// Its parts.
    pub polygons: Vec<PolygonDeg>,
}

impl AreaClue {
    /// Whether a place lies in the area.
    pub fn contains(&self, place: Position) -> bool {
        self.polygons.iter().any(|p| p.contains(place))
    }
}
