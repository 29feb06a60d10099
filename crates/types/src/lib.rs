//! Quantities, sample blocks and every value that crosses a stage boundary.
//!
//! A number whose confusion makes no sound carries its meaning in its type: an [`Azimuth`] has its north, a
//! level its reference ([`Dbfs`], [`Dbm`]), a time its clock ([`SampleIndex`], [`Timestamp`]), a place its field
//! names ([`Position`]). Every other number has its unit as the suffix of its name. Nothing in this crate does
//! I/O or reads a clock.

#![warn(clippy::disallowed_methods)]

mod angle;
mod bearing;
mod block;
mod burst;
mod clue;
mod density;
mod density_bytes;
mod density_compact;
mod density_distance;
mod density_json;
mod density_thin;
mod fix;
mod format;
mod level;
mod modes;
mod position;
mod reading;
mod stage;
mod time;

pub use angle::{Azimuth, Grid, Magnetic, Mount, North, True, wrap_degrees, wrap_signed_degrees};
pub use bearing::{
    ArcDeg, Bearing, BearingClass, BearingFlag, BearingKind, BearingOutcome, FittedSignal, NoBearing,
    NoBearingReason,
};
pub use block::{ChannelBlock, ChannelClock, Gap, GapCause, RawBlock, StreamItem};
pub use burst::{Burst, BurstFlag};
pub use clue::{AreaClue, AreaRule, LevelReport, SilenceReport};
pub use density::{CircleDensity, DensityError};
pub use density_bytes::CompactError;
pub use density_compact::{COMPACT_MAX_BYTES, CompactLoss};
pub use fix::{
    BearingVerdict, ErrorEllipse, Fix, FixMode, FixOutcome, FixStatement, PathLossFit, PolygonDeg, Region,
    RingDeg, StationOffset,
};
pub use format::{ParseFormatError, SampleFormat, Scalar};
pub use level::{Db, Dbfs, Dbm};
pub use modes::Mode;
pub use position::{Covariance2, Position, PositionError};
pub use reading::{LevelReading, Pointing};
pub use stage::Stage;
pub use time::{ParseTimestampError, SampleIndex, Timestamp};

/// Complex baseband sample: full scale 1.0, positive frequency above the tuned centre.
pub type Sample = num_complex::Complex<f32>;
