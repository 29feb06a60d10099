//! Level readings and an antenna pattern become a density of bearing on the circle.
//!
//! [`PowerCells`] cuts readings from a channel during a burst; [`estimate`] turns readings into an [`Estimate`], or
//! says why there is none; [`to_bearing`] makes the record that other stages read.
//!
//! # Model
//! Reading `k` of burst `b` with the antenna pointed to `theta_k`, mean power `p_k` of `M_k` independent complex
//! samples, signal power `S_b`, noise power `N`, relative gain `g` (1 at its peak, averaged over the turn during the
//! reading by a three-point Gauss rule):
//!
//! ```text
//! mu_k = S_b g(theta_k - phi) + N            h_k = S_b g / mu_k
//! ln p_k = ln mu_k + h_k e_k + (1 - h_k) n + noise of variance v_k
//! v_k = (1 - (1 - q) h_k^2) / M_k            q = 0 constant envelope, 1 Gaussian-like
//! ```
//!
//! * `v_k` is the exact relative variance: noncentral chi-square for a constant envelope, Gamma for a Gaussian signal
//!   (Johnson, Kotz & Balakrishnan, *Continuous Univariate Distributions*, chapters 17 and 29). `q` comes from the
//!   spread of the power inside the readings.
//! * `e_k`, the level error of fading and pattern, has standard deviation `s` and may have a memory from reading
//!   to reading within a burst: none, rough (Ornstein-Uhlenbeck) or smooth (Matern 3/2). Both are unknown and integrated over a grid that is
//!   laid where the readings allow it. Second-order terms of `ln(1 + rho e^x)` are kept.
//! * `n`, the error of the noise power, is common to all readings, with the standard deviation that they state.
//! * `ln S_b` has a wide prior and is tied from burst to burst by a random walk, whose step is integrated too.
//! * A reading is left unexplained by the model with a small prior share; it then lies anywhere in the range of
//!   levels seen.
//! * A reading with clipped samples is a lower limit.
//!
//! # Method
//! For each supposed `phi` the levels are fitted by robust Gauss-Newton steps, the model is made linear there, and a
//! Kalman filter over the readings gives the density of all of them with `S_b`, `e_k` and `n` integrated out
//! (prediction-error decomposition: Harvey, *Forecasting, Structural Time Series Models and the Kalman Filter*, 1989,
//! section 3.4). The posterior of `phi` is that density summed over the grid, on the whole circle: no peak is
//! picked. Front and back of a figure-eight, or a sweep that cannot tell, give two modes.
//!
//! Where one arrival leaves a level error that two explain, a second one with its own direction and power is
//! compared by its evidence; the answer is then a mixture that holds both directions.
//!
//! # What it reaches
//! `tests/bound.rs` holds it against the Cramer-Rao bound; for a full turn of 36 readings the root mean square error
//! was 1.00 to 1.06 times it from 0 to 30 dB signal-to-noise (800 turns each, level error 0 and 1 dB). Error in the heading and in the track's clock are added to
//! the density; error in the antenna's pattern counts as level error.
//!
//! Where it falls short (120 simulated turns of 72 readings each, S/N 20 dB): 95 % intervals held the truth in 81 %
//! under Rician fading (K 12 dB) of 2 Hz and in 75 % under Rayleigh fading of 0.5 Hz, where deep fades leave the
//! range in which the model is straight. For a perfect signal of 10 dB S/N and more they held it in 98 to
//! 99 % (800 turns of 36 readings each): up to 1.4 times too wide, since a small level error is never ruled out.

#![warn(clippy::disallowed_methods)]

mod arrivals;
mod bank;
mod cells;
pub mod coherent;
mod config;
mod estimate;
mod filters;
mod flags;
mod gain;
mod lanes;
mod latency;
mod levels;
mod likelihood;
mod logsum;
mod memory;
mod misfit;
mod nodes;
mod output;
mod ported;
mod prepare;
mod reflection;
mod ring;
mod search;

pub use cells::{PowerCells, ReadingConfig, ReadingSet};
pub use config::{EstimatorConfig, PortAntenna};
pub use estimate::estimate;
pub use output::{BurstLevel, Estimate, FitPoint, Latency, PatternFit, SecondArrival, Taken, to_bearing};
pub use ring::{PortFit, RingBurst, RingConfig, RingEstimate, SwitchClock, estimate_ring, tone_bearing};
