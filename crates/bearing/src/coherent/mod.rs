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
//!   of two. Two arrivals are compared with one by their evidence, and the density holds both answers (`arrivals.rs`).
//!   Four numbers describe them: with four channels and more something is left to test them by. With three, two
//!   arrivals explain anything, and only the size of the misfit speaks for them; the density gets wide (degrees to tens
//!   of degrees). With two channels a second arrival that turns only the phase between them leaves no misfit at all.
//! * A direction that the array does not tell from another, as the two sides of a pair of elements, is a mode with its
//!   own probability.
//!
//! # What it reaches
//! Simulated, 300 trials a row, bursts of 250 samples (`docs/accuracy.md` has every row):
//!
//! * Known channels, rings of 3, 4, 5 and 8 elements and squares of four coupled dipoles: error 0.92 to 1.07 times the
//!   Cramer-Rao bound where the bound is below 9 degrees (1.10 for the ring of 5 at -10 dB), 95 % arcs held the truth in
//!   94 to 98 %, at 0 dB in up to 99 %: an error of the channels that the noise hides is allowed for.
//! * Channel errors of 3 degrees and 0.3 dB, drawn anew in each trial: 0.95 to 1.10 times the bound that knows their size,
//!   held in 92 to 98 %.
//! * A second arrival 10 dB below to equal, anywhere 30 degrees off and more: held in 92 to 98 % with the square, 95 to
//!   100 % with rings of 5 and 8, 97 to 99 % with 3 elements; in 74 % (equal) to 92 % (-10 dB) with 2. Gross errors without
//!   a mode near the truth: none with four channels and more, in up to 0.7 % of the trials with three, 24 % with two.
//! * Below the threshold (a bound of 9 degrees, four channels at -10 dB) gross errors without a mode near the truth
//!   appear in 0.7 % of the trials.
//! * A noise covariance from few samples costs accuracy: 1.14 times the bound from 200 samples for a burst of 250 at 0 dB.
//!
//! A second arrival with a delay of more than the inverse bandwidth is a second source. It is not modelled as one: it acts
//! as noise from its side, the arcs held the truth in 87 to 100 % of the trials (200 each, 20 dB), and of two of equal power
//! one is not shown in 1 to 5 %.

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
