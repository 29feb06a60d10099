//! Where a transmission begins and ends: noise floor, bursts, signal-to-noise.
//!
//! [`BurstDetector`] is a stage that takes the samples of one channel and hands on bursts. Its false-alarm rate is a
//! setting ([`threshold_ratio`] says how it is met), its noise floor is learnt from the samples.

#![warn(clippy::disallowed_methods)]

mod carrier;
mod config;
mod detector;
mod edges;
mod floor;
mod held;
mod measure;
mod spectrum;
mod stretch;
mod suspect;
mod threshold;

pub use config::{DetectorConfig, DetectorError};
pub use detector::BurstDetector;
pub use floor::NoiseFloor;
pub use suspect::mark_suspects;
pub use threshold::{exceedance_probability, threshold_ratio, upcrossing_probability};
