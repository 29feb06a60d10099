//! Antenna patterns, azimuth tracks and what can be read off them.
//!
//! * [`Pattern`]: gain over azimuth relative to boresight, from a CSV file or by name.
//! * [`AzimuthTrack`]: where a rotated antenna pointed over time, from a CSV file, points or a constant rate.
//! * [`Manifold`]: complex response of every port of an array over azimuth, from CSV files or an ideal ring.
//! * [`SwitchSchedule`]: which port of an array is switched to the receiver when.
//!
//! Angles relative to boresight are clockwise seen from above. A pattern that points to azimuth `b` sees a source
//! at azimuth `t` with the gain at `t - b`.

#![warn(clippy::disallowed_methods)]

mod builtin;
mod manifold;
mod manifold_csv;
mod metrics;
mod pattern;
mod schedule;
mod spline;
mod table;
mod track;

pub use builtin::BUILTIN_NAMES;
pub use manifold::Manifold;
pub use manifold_csv::ManifoldError;
pub use pattern::{Pattern, PatternError};
pub use schedule::{Dwell, ScheduleError, SwitchSchedule, SwitchStep};
pub use track::{AzimuthTrack, NorthWord, ParseNorthError, Place, TrackError, TrackNorth, TrackSample};
