//! Antenna patterns, azimuth tracks and what can be read off them.
//!
//! * [`Pattern`]: gain over azimuth relative to boresight, from a CSV file or by name.
//! * [`AzimuthTrack`]: where a rotated antenna pointed over time, from a CSV file, points or a constant rate.
//!
//! Angles relative to boresight are clockwise seen from above. A pattern that points to azimuth `b` sees a source
//! at azimuth `t` with the gain at `t - b`.

#![warn(clippy::disallowed_methods)]

mod builtin;
mod metrics;
mod pattern;
mod spline;
mod table;
mod track;

pub use builtin::BUILTIN_NAMES;
pub use pattern::{Pattern, PatternError};
pub use track::{AzimuthTrack, NorthWord, ParseNorthError, Place, TrackError, TrackNorth, TrackSample};
