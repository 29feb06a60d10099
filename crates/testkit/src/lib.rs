//! Test helpers: seeded signals, spectral masks, statistics of errors on the circle and limits for counts.
//!
//! Never a normal dependency of another crate: tests, benches and examples only.

#![warn(clippy::disallowed_methods)]

mod binomial;
mod circle;
mod mask;
mod signal;

pub use binomial::{CountLimits, coverage_limits, coverage_limits_between, proportion_interval};
pub use circle::{ErrorSummary, circular_mean_deg, error_summary, mean_resultant_length};
pub use mask::{Band, Limit, Mask, MaskMiss, WorstPoint, tone_gain_db};
pub use signal::{mean_power, noise, random_cuts, tone, tone_power};
