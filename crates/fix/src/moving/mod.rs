//! A transmitter that moves: where it was at each bearing, from all bearings until then and from all there are.

mod field;
mod filter;
mod regions;

use lobewright_types::{Bearing, ErrorEllipse, FixStatement, Position, Region, Timestamp};

use crate::config::FixConfig;

/// Settings of [`track`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MovingConfig {
    /// Root mean square of the distance that the transmitter moves in one minute; over `t` minutes it is the square root of `t`
    /// times that, in a direction that nobody knows (a random walk).
    pub metres_per_minute: f64,
    /// Cells of the grid from side to side, 48 to 400; default 160.
    pub cells_across: usize,
    /// Whether the smoothed track is computed too; only up to 500 times of bearings, for it needs memory for each.
    pub smooth: bool,
    /// How bearings are read, and how far the transmitter is looked for.
    pub fix: FixConfig,
}

impl MovingConfig {
    /// The defaults for a speed.
    pub fn new(metres_per_minute: f64) -> Self {
        Self {
            metres_per_minute,
            cells_across: 160,
            smooth: true,
            fix: FixConfig::default(),
        }
    }
}

/// Where the transmitter was at one time.
#[derive(Debug, Clone, PartialEq)]
pub struct MovingPosition {
    /// The mean of the density inside the 50 % region; its highest point where that has several parts.
    pub position: Position,
    /// The smallest region that holds 50 %.
    pub region50: Region,
    /// The smallest region that holds 95 %.
    pub region95: Region,
    /// The ellipse of a normal density with the same mean and covariance, where the density is much like one.
    pub ellipse95: Option<ErrorEllipse>,
}

/// One time at which bearings were taken.
#[derive(Debug, Clone, PartialEq)]
pub struct MovingStep {
    /// When.
    pub time_utc: Timestamp,
    /// The bearings' identities.
    pub ids: Vec<String>,
    /// From the bearings until then; absent while they leave the distance open.
    pub filtered: Option<MovingPosition>,
    /// From all bearings, later ones too.
    pub smoothed: Option<MovingPosition>,
}

/// A track.
#[derive(Debug, Clone, PartialEq)]
pub struct MovingTrack {
    /// One for each time of bearings, ascending.
    pub steps: Vec<MovingStep>,
    /// Bearings without a time, which are not used.
    pub without_time: Vec<String>,
}

/// Why there is no track.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MovingError {
    /// The speed is none.
    #[error(
        "a transmitter that moves {0} m in a minute cannot be followed; give a number above 0, up to 100000"
    )]
    Speed(f64),
    /// No bearing has a time.
    #[error("no bearing has a time; a transmitter that moves can be followed only by bearings with times")]
    NoTimes,
    /// The bearings alone give no position, moving or not.
    #[error("{0}")]
    Hopeless(FixStatement),
}

/// Follows a transmitter that moves.
///
/// # Inputs
/// Bearings in any order; those without a time are left out. `config` says how fast it may move.
///
/// # Result
/// For each time at which there are bearings the density of the position there, as mean, ellipse and regions.
///
/// # Errors
/// [`MovingError`].
///
/// # Method
/// Bayes filter on a grid (point-mass filter): R. S. Bucy and K. D. Senne, 'Digital synthesis of non-linear filters', *Automatica* 7
/// (1971), 287-298 (cited from memory). Between two times the density is spread by a normal kernel with a variance of `metres_per_minute² t / 2` on
/// each axis; at a time it is multiplied with the bearings' densities as [`crate::solve`] reads them, reflections included.
/// The grid follows the density: where it shrinks to a part of the grid that part is laid out finer, and the steps until then are
/// done again on it. Smoothing is the forward filtering, backward smoothing recursion of S. Särkkä, *Bayesian Filtering and Smoothing*
/// (2013), section 8.1 (from memory).
///
/// # Limits
/// An error of a compass or mounting that several times share counts as new at each of them: a long row of bearings from one
/// station with a wrong heading makes the region too small.
pub fn track(bearings: &[Bearing], config: &MovingConfig) -> Result<MovingTrack, MovingError> {
    filter::track(bearings, config)
}
