//! Coherent channels.

mod arrivals;
mod burst;
mod cells;
mod calibration;
mod config;
mod covariance;
mod estimate;
mod model;
mod output;
mod steering;

pub use cells::{CovarianceCells, CutConfig};
pub use calibration::{CalibrationError, ChannelCalibration, ChannelFactor, KnownDirection};
pub use config::{ChannelNoise, CoherentConfig};
pub use covariance::{ChannelCovariance, CovarianceError};
pub use estimate::estimate_coherent;
pub use output::{CoherentEstimate, CoherentLevel, coherent_bearing};
pub use steering::Steering;
