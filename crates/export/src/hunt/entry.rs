//! What a line of the log holds.

use lobewright_types::{AreaClue, Bearing, LevelReport, Position, SilenceReport, Timestamp};
use serde::{Deserialize, Serialize};

/// The word by which the first line names the format.
pub const HUNT_FORMAT: &str = "lobewright-hunt-log";
/// The version of the format that is written; later ones only add kinds and fields.
pub const HUNT_VERSION: u32 = 1;

/// Kinds that this version knows, as their lines name them.
pub(super) const KINDS: [&str; 8] = [
    "start",
    "bearing",
    "level",
    "silence",
    "area",
    "note",
    "retraction",
    "torn",
];

/// One line of the log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HuntEntry {
    /// Its number, unique in the log and ascending; the start has 0.
    pub id: u64,
    /// When it was written. When a reading was taken stands in the reading.
    pub time_utc: Timestamp,
    /// What it says.
    #[serde(flatten)]
    pub fact: HuntFact,
}

/// What an entry says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum HuntFact {
    /// The first line.
    Start {
        /// [`HUNT_FORMAT`].
        format: String,
        /// [`HUNT_VERSION`] of the writer.
        version: u32,
        /// Name of the hunt.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        title: Option<String>,
    },
    /// A bearing, from an antenna or a person.
    Bearing {
        /// The bearing as the position is computed from it.
        bearing: Box<Bearing>,
        /// What the person read off the compass.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        read: Option<CompassReading>,
    },
    /// A level heard at a place.
    Level {
        /// The level.
        level: LevelReport,
        /// What the person read off the meter.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        read: Option<MeterReading>,
    },
    /// Nothing heard while the transmitter was on.
    Silence {
        /// Where, and how weak a signal would have been heard.
        silence: SilenceReport,
    },
    /// Where the transmitter must or cannot be.
    Area {
        /// The area.
        area: AreaClue,
    },
    /// Words.
    Note {
        /// The words.
        text: String,
        /// The place they are about.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        position: Option<Position>,
        /// That place's name.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        place: Option<String>,
    },
    /// Takes an earlier entry back; a retraction taken back brings that entry to life again.
    Retraction {
        /// The entry's number.
        of: u64,
        /// Why.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        reason: Option<String>,
    },
    /// Says that a line is what an interrupted write left.
    Torn {
        /// The line in the file, from 1.
        line: u64,
    },
}

/// The north of a compass reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NorthUsed {
    /// Geographic north.
    True,
    /// Magnetic north at place and time.
    Magnetic,
    /// The vertical lines of a map grid.
    Grid,
}

/// A direction as it was read, before it was turned to true north.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CompassReading {
    /// Clockwise from `north`, 0 to 360.
    pub reading_deg: f64,
    /// What it is counted from.
    pub north: NorthUsed,
    /// How sure the person was: standard deviation.
    pub sigma_deg: f64,
    /// What was added to come to true north: declination or the grid's convergence, east positive.
    pub to_true_deg: f64,
}

/// A level as it was read, before the attenuation was added.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MeterReading {
    /// The meter's reading, in dB from its scale's zero.
    pub reading_db: f64,
    /// All attenuation in line.
    pub attenuation_db: f64,
}

/// Writes an entry as its line, line feed included.
pub fn hunt_line(entry: &HuntEntry) -> String {
    crate::json::line(entry)
}
