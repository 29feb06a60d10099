//! Coherent channels: the covariance of several receivers on one clock becomes a density of bearing on the circle.
//!
//! [`CovarianceCells`] collects covariances while samples come in and cuts those of a burst and of the noise;
//! [`estimate_coherent`] turns them into a [`CoherentEstimate`]; [`coherent_bearing`] makes the record that other
//! stages read. [`ChannelCalibration`] finds gain and phase of the channels from signals of known direction.
//! [`music`] and [`beamformer`] are the usual baselines.
//!
//! # Model
//! The samples of all channels at one instant, whitened by the noise covariance, are `x = u s + n`: `u` the manifold's
//! response, whitened, of unit length, `s` the signal of unknown power, `n` noise of unit power in each of `K`
//! channels, times a level that is known to some per cent or not at all. For one source the deterministic and the
//! stochastic likelihood are both highest where `q = u^H R u` is largest, `R` the burst's whitened covariance (Stoica &
//! Nehorai, *Performance study of conditional and unconditional direction-of-arrival estimation*, IEEE Trans. ASSP 38,
//! 1990). The stochastic one is used, since its curvature is that of the error which the largest `q` really has, for
//! signals of constant envelope too (the same paper, section IV).
//!
//! * Signal power and noise level are integrated out, for each burst by itself (`burst.rs`): what remains is a
//!   function of `q`. The densities of bursts multiply.
//! * The number of samples `M` is **noise bandwidth times time**. A narrow signal, a carrier in a channel of 25 kHz, does
//!   not have fewer: the products of signal and noise that blur `R` carry the noise's spectral density at the signal's
//!   frequency, and `P N_0 / T = P sigma^2 / (B T)` whatever the signal's bandwidth. A signal of few independent
//!   amplitudes leaves its own power less well known, which direction does not depend on.
//! * Errors of gain and phase of the channels, left by a calibration or in the manifold, are the same in all bursts.
//!   They are normal, of unknown size, and integrated out around the response that the bursts show (`model.rs`): the
//!   bursts fix `2 K - 2` real numbers, the direction uses one, the others tell the size. With two or three channels
//!   hardly anything tells, and the expected size decides.
//! * **A second arrival** of the same signal (its delay short against the inverse bandwidth) makes the response a sum
//!   of two. With four channels and more, two arrivals are compared with one by their evidence, and the density holds
//!   both answers (`arrivals.rs`). Three channels and fewer cannot tell a second arrival from an error of the channels:
//!   the misfit widens the density, but a strong reflection turns the bearing more than that (see below).
//! * A direction that the array does not tell from another, as the two sides of a pair of elements, is a mode with its
//!   own probability.

mod arrivals;
mod baseline;
mod burst;
mod calibration;
mod cells;
mod config;
mod covariance;
mod estimate;
mod model;
mod output;
mod steering;

pub use baseline::{beamformer, music};
pub use calibration::{CalibrationError, ChannelCalibration, ChannelFactor, KnownDirection};
pub use cells::{CovarianceCells, CutConfig};
pub use config::{ChannelNoise, CoherentConfig};
pub use covariance::{ChannelCovariance, CovarianceError};
pub use estimate::estimate_coherent;
pub use output::{CoherentEstimate, CoherentLevel, coherent_bearing};
pub use steering::Steering;
