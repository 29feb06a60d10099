//! Level readings and an antenna pattern become a density of bearing on the circle.

#![warn(clippy::disallowed_methods)]

mod cells;
mod config;
mod estimate;
mod flags;
mod gain;
mod levels;
mod likelihood;
mod output;
mod prepare;
mod reflection;
mod search;

pub use cells::{PowerCells, ReadingConfig, ReadingSet};
pub use config::EstimatorConfig;
pub use estimate::estimate;
pub use output::{BurstLevel, Estimate, FitPoint, PatternFit, SecondArrival, Taken, to_bearing};
