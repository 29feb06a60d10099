//! Where a rotated antenna pointed over time.

use std::fmt;
use std::io::Read;
use std::str::FromStr;

use lobewright_types::{Azimuth, True, wrap_degrees, wrap_signed_degrees};
use serde::{Deserialize, Serialize};

use crate::table::{Table, finite};

/// A step nearer to half a turn than this could have gone either way.
const AMBIGUOUS_WITHIN_DEG: f64 = 1.0;
/// Azimuths beyond this many degrees are no angles.
const LIMIT_DEG: f64 = 1e6;

/// The north that a track's azimuths are counted from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TrackNorth {
    /// Geographic north.
    True,
    /// Magnetic north.
    Magnetic,
    /// The mounting's zero mark or the vehicle's nose.
    Mount,
}

/// The word by which a caller says which north a file means.
pub type NorthWord = TrackNorth;

impl fmt::Display for TrackNorth {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::True => "true",
            Self::Magnetic => "magnetic",
            Self::Mount => "mount",
        })
    }
}

/// The text names no north.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no north; it is one of true, magnetic, mount")]
pub struct ParseNorthError(
    /// What was found.
    pub String,
);

impl FromStr for TrackNorth {
    type Err = ParseNorthError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match text {
            "true" => Ok(Self::True),
            "magnetic" => Ok(Self::Magnetic),
            "mount" => Ok(Self::Mount),
            _ => Err(ParseNorthError(text.to_owned())),
        }
    }
}

/// Where in the input something is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// A line of a file, from 1.
    Line(u64),
    /// A point of a list, from 0.
    Point(usize),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Line(line) => write!(f, "line {line}"),
            Self::Point(point) => write!(f, "point {point}"),
        }
    }
}

/// Why a track cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum TrackError {
    /// The file is not a CSV table.
    #[error("the azimuth track is not a readable CSV table")]
    Csv(
        /// What the reader says, with the line.
        #[from]
        csv::Error,
    ),
    /// No column of times or azimuths.
    #[error(
        "the azimuth track lacks the column `{column}`; its first line is `{found}` and should be time_s,azimuth_true_deg (or azimuth_magnetic_deg, azimuth_mount_deg, azimuth_deg)"
    )]
    MissingColumn {
        /// Which column.
        column: &'static str,
        /// The header line as found.
        found: String,
    },
    /// Several azimuth columns.
    #[error("the azimuth track has more than one azimuth column: `{found}`")]
    SeveralColumns {
        /// The header line as found.
        found: String,
    },
    /// Nobody says which north.
    #[error(
        "`azimuth_deg` does not say which north it is counted from; name it true, magnetic or mount, or call the column azimuth_true_deg, azimuth_magnetic_deg or azimuth_mount_deg"
    )]
    NorthNotSaid,
    /// File and caller disagree.
    #[error("the azimuth track counts from {file} north but {caller} was asked for")]
    NorthContradicts {
        /// What the column says.
        file: TrackNorth,
        /// What the caller says.
        caller: TrackNorth,
    },
    /// A field is no number in its range.
    #[error("{place}: `{column}` is `{text}` and should be a finite number")]
    Field {
        /// Where.
        place: Place,
        /// Which column.
        column: &'static str,
        /// As found.
        text: String,
    },
    /// Time does not go forward.
    #[error("{place}: time {time_s} s is not after {before_s} s")]
    NotAscending {
        /// Where.
        place: Place,
        /// Time there.
        time_s: f64,
        /// Time of the point before.
        before_s: f64,
    },
    /// A step of half a turn: it could have gone either way.
    #[error(
        "{place}: a step from {from_deg} to {to_deg} degrees is half a turn and could have gone either way; give points less than 179 degrees apart"
    )]
    HalfTurn {
        /// Where the step ends.
        place: Place,
        /// Azimuth before.
        from_deg: f64,
        /// Azimuth after.
        to_deg: f64,
    },
    /// Fewer than two points.
    #[error("an azimuth track needs 2 points, {0} given")]
    TooFew(
        /// Points given.
        usize,
    ),
}

/// Where the antenna pointed at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackSample {
    /// Boresight in `[0, 360)` degrees from the track's north.
    pub azimuth_deg: f64,
    /// How fast it turned, clockwise positive.
    pub rate_deg_per_s: f64,
}

/// Boresight over time, in seconds from the first sample of the recording.
///
/// Between points it turns evenly along the shorter arc; before the first and after the last it is unknown.
///
/// # Example
/// ```
/// use lobewright_antenna::{AzimuthTrack, TrackNorth};
/// let track = AzimuthTrack::from_points(vec![(0.0, 350.0), (2.0, 10.0)], TrackNorth::Mount)?;
/// let now = track.at(1.5).ok_or("outside")?;
/// assert!((now.azimuth_deg - 5.0).abs() < 1e-9 && (now.rate_deg_per_s - 10.0).abs() < 1e-9);
/// assert!(track.at(2.1).is_none());
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct AzimuthTrack {
    time_s: Vec<f64>,
    /// Running on past 360, so that a straight line is the way turned.
    turned_deg: Vec<f64>,
    north: TrackNorth,
}

impl AzimuthTrack {
    /// Reads `time_s` and one azimuth column.
    ///
    /// `azimuth_true_deg`, `azimuth_magnetic_deg` and `azimuth_mount_deg` say their north; for `azimuth_deg` the
    /// caller says it by `north`. Times are in seconds from the first sample, strictly ascending.
    ///
    /// # Errors
    /// [`TrackError`] with the line and field that is wrong.
    pub fn from_csv(reader: impl Read, north: Option<NorthWord>) -> Result<Self, TrackError> {
        let table = Table::read(reader)?;
        let time_at = table.column("time_s").ok_or_else(|| TrackError::MissingColumn {
            column: "time_s",
            found: table.found(),
        })?;
        let (azimuth_at, column, north) = azimuth_column(&table, north)?;
        let mut points = Vec::with_capacity(table.rows.len());
        for (line, fields) in &table.rows {
            let place = Place::Line(*line);
            let number = |at: usize, column: &'static str| {
                finite(&fields[at]).ok_or_else(|| TrackError::Field {
                    place,
                    column,
                    text: fields[at].clone(),
                })
            };
            points.push((place, number(time_at, "time_s")?, number(azimuth_at, column)?));
        }
        Self::from_placed(&points, north)
    }

    /// Takes points of time in seconds and azimuth in degrees (any size, wrapped), time strictly ascending.
    ///
    /// # Errors
    /// [`TrackError`] with the point that is wrong.
    pub fn from_points(points: Vec<(f64, f64)>, north: TrackNorth) -> Result<Self, TrackError> {
        let placed: Vec<(Place, f64, f64)> = points
            .into_iter()
            .enumerate()
            .map(|(i, (time, azimuth))| (Place::Point(i), time, azimuth))
            .collect();
        Self::from_placed(&placed, north)
    }

    /// Describes an even turn from `start_s` to `end_s`, at any rate, clockwise positive.
    ///
    /// # Panics
    /// Where a number is not finite or `end_s` is not after `start_s`.
    pub fn constant_rate(
        start_s: f64,
        end_s: f64,
        start_azimuth_deg: f64,
        rate_deg_per_s: f64,
        north: TrackNorth,
    ) -> Self {
        assert!(end_s > start_s, "a turn must end after it starts");
        let end_deg = start_azimuth_deg + rate_deg_per_s * (end_s - start_s);
        assert!(
            end_deg.is_finite() && start_s.is_finite(),
            "a turn must be finite"
        );
        Self {
            time_s: vec![start_s, end_s],
            turned_deg: vec![start_azimuth_deg, end_deg],
            north,
        }
    }

    fn from_placed(points: &[(Place, f64, f64)], north: TrackNorth) -> Result<Self, TrackError> {
        if points.len() < 2 {
            return Err(TrackError::TooFew(points.len()));
        }
        let mut time_s: Vec<f64> = Vec::with_capacity(points.len());
        let mut turned_deg: Vec<f64> = Vec::with_capacity(points.len());
        for &(place, time, azimuth) in points {
            let refuse = |column, value: f64| TrackError::Field {
                place,
                column,
                text: value.to_string(),
            };
            if !time.is_finite() {
                return Err(refuse("time_s", time));
            }
            if !azimuth.is_finite() || azimuth.abs() > LIMIT_DEG {
                return Err(refuse("azimuth_deg", azimuth));
            }
            let turned = match (time_s.last(), turned_deg.last()) {
                (Some(&before_s), Some(&before_deg)) => {
                    if time <= before_s {
                        return Err(TrackError::NotAscending {
                            place,
                            time_s: time,
                            before_s,
                        });
                    }
                    let step = wrap_signed_degrees(azimuth - before_deg);
                    if 180.0 - step.abs() < AMBIGUOUS_WITHIN_DEG {
                        return Err(TrackError::HalfTurn {
                            place,
                            from_deg: wrap_degrees(before_deg),
                            to_deg: wrap_degrees(azimuth),
                        });
                    }
                    before_deg + step
                }
                _ => wrap_degrees(azimuth),
            };
            time_s.push(time);
            turned_deg.push(turned);
        }
        Ok(Self {
            time_s,
            turned_deg,
            north,
        })
    }

    /// Boresight and rate at a time; `None` outside the track. At a point between two rates the later one counts.
    pub fn at(&self, time_s: f64) -> Option<TrackSample> {
        let (first, last) = self.span_s();
        if !(first..=last).contains(&time_s) {
            return None;
        }
        let above = self.time_s.partition_point(|&t| t <= time_s);
        let i = above.min(self.time_s.len() - 1) - 1;
        let rate = (self.turned_deg[i + 1] - self.turned_deg[i]) / (self.time_s[i + 1] - self.time_s[i]);
        Some(TrackSample {
            azimuth_deg: wrap_degrees(self.turned_deg[i] + rate * (time_s - self.time_s[i])),
            rate_deg_per_s: rate,
        })
    }

    /// First and last time, in seconds.
    pub fn span_s(&self) -> (f64, f64) {
        (self.time_s[0], self.time_s[self.time_s.len() - 1])
    }

    /// The north its azimuths are counted from.
    pub fn north(&self) -> TrackNorth {
        self.north
    }

    /// The same track counted from the mounting's zero mark, which points to `heading`; `declination_deg` is east
    /// positive and matters for a magnetic track only. A track in mount terms stays as it is.
    #[must_use]
    pub fn to_mount(&self, heading: Azimuth<True>, declination_deg: f64) -> Self {
        let turn = match self.north {
            TrackNorth::True => -heading.degrees(),
            TrackNorth::Magnetic => declination_deg - heading.degrees(),
            TrackNorth::Mount => 0.0,
        };
        Self {
            time_s: self.time_s.clone(),
            turned_deg: self.turned_deg.iter().map(|a| a + turn).collect(),
            north: TrackNorth::Mount,
        }
    }
}

fn azimuth_column(
    table: &Table,
    caller: Option<NorthWord>,
) -> Result<(usize, &'static str, TrackNorth), TrackError> {
    let named = [
        ("azimuth_true_deg", Some(TrackNorth::True)),
        ("azimuth_magnetic_deg", Some(TrackNorth::Magnetic)),
        ("azimuth_mount_deg", Some(TrackNorth::Mount)),
        ("azimuth_deg", None),
    ];
    let mut found = named
        .into_iter()
        .filter_map(|(name, north)| table.column(name).map(|at| (at, name, north)));
    let Some((at, name, file)) = found.next() else {
        return Err(TrackError::MissingColumn {
            column: "azimuth_true_deg",
            found: table.found(),
        });
    };
    if found.next().is_some() {
        return Err(TrackError::SeveralColumns { found: table.found() });
    }
    match (file, caller) {
        (Some(file), Some(caller)) if file != caller => Err(TrackError::NorthContradicts { file, caller }),
        (Some(north), _) | (None, Some(north)) => Ok((at, name, north)),
        (None, None) => Err(TrackError::NorthNotSaid),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refuse(text: &str, north: Option<NorthWord>, message: &str) {
        let error = AzimuthTrack::from_csv(text.as_bytes(), north).unwrap_err();
        assert_eq!(error.to_string(), message);
    }

    #[test]
    fn errors_name_line_and_field() {
        refuse(
            "time_s,azimuth_deg\n0,1\n1,2\n",
            None,
            "`azimuth_deg` does not say which north it is counted from; name it true, magnetic or mount, or call the column azimuth_true_deg, azimuth_magnetic_deg or azimuth_mount_deg",
        );
        refuse(
            "time_s,azimuth_true_deg\n0,1\n1,2\n",
            Some(TrackNorth::Mount),
            "the azimuth track counts from true north but mount was asked for",
        );
        refuse(
            "time_s,azimuth_true_deg\n0,1\n1,inf\n",
            None,
            "line 3: `azimuth_true_deg` is `inf` and should be a finite number",
        );
        refuse(
            "time_s,azimuth_true_deg\n0,1\n1,5\n1,2\n",
            None,
            "line 4: time 1 s is not after 1 s",
        );
        refuse(
            "time_s,azimuth_true_deg\n0,1\n1,181\n",
            None,
            "line 3: a step from 1 to 181 degrees is half a turn and could have gone either way; give points less than 179 degrees apart",
        );
        refuse(
            "time_s,azimuth_true_deg\n0,1\n",
            None,
            "an azimuth track needs 2 points, 1 given",
        );
        refuse(
            "t,azimuth_true_deg\n",
            None,
            "the azimuth track lacks the column `time_s`; its first line is `t,azimuth_true_deg` and should be time_s,azimuth_true_deg (or azimuth_magnetic_deg, azimuth_mount_deg, azimuth_deg)",
        );
        refuse(
            "time_s,azimuth_true_deg,azimuth_deg\n0,1,1\n",
            None,
            "the azimuth track has more than one azimuth column: `time_s,azimuth_true_deg,azimuth_deg`",
        );
    }

    #[test]
    fn a_caller_can_name_the_north() {
        let track = AzimuthTrack::from_csv(
            "time_s,azimuth_deg\n0,1\n1,2\n".as_bytes(),
            Some("magnetic".parse().unwrap()),
        )
        .unwrap();
        assert_eq!(track.north(), TrackNorth::Magnetic);
        assert_eq!(
            "north".parse::<TrackNorth>().unwrap_err().to_string(),
            "`north` is no north; it is one of true, magnetic, mount"
        );
    }

    #[test]
    fn turns_the_short_way_over_north_in_both_senses() {
        let track =
            AzimuthTrack::from_points(vec![(0.0, 350.0), (1.0, 20.0), (2.0, 340.0)], TrackNorth::Mount)
                .unwrap();
        assert!((track.at(0.5).unwrap().azimuth_deg - 5.0).abs() < 1e-9);
        let back = track.at(1.5).unwrap();
        assert!((back.azimuth_deg - 0.0).abs() < 1e-9 || (back.azimuth_deg - 360.0).abs() < 1e-9);
        assert!((back.rate_deg_per_s + 40.0).abs() < 1e-9);
        assert!((track.at(2.0).unwrap().azimuth_deg - 340.0).abs() < 1e-9);
        assert!(track.at(-0.001).is_none() && track.at(f64::NAN).is_none());
    }

    #[test]
    fn fast_even_turns_keep_their_rate() {
        let track = AzimuthTrack::constant_rate(0.0, 10.0, 90.0, -720.0, TrackNorth::Mount);
        let now = track.at(0.125).unwrap();
        assert!((now.azimuth_deg - 0.0).abs() < 1e-9);
        assert!((now.rate_deg_per_s + 720.0).abs() < 1e-9);
    }

    #[test]
    fn counting_from_the_mount_takes_off_heading_and_adds_declination() {
        let heading = Azimuth::<True>::from_degrees(30.0);
        let points = vec![(0.0, 100.0), (1.0, 110.0)];
        let at = |north| {
            let track = AzimuthTrack::from_points(points.clone(), north).unwrap();
            track.to_mount(heading, 22.0).at(0.0).unwrap().azimuth_deg
        };
        assert!((at(TrackNorth::True) - 70.0).abs() < 1e-9);
        assert!((at(TrackNorth::Magnetic) - 92.0).abs() < 1e-9);
        assert!((at(TrackNorth::Mount) - 100.0).abs() < 1e-9);
    }
}
