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
//! * `e_k`, the level error of fading and pattern, has standard deviation `s` and may have a memory from reading to
//!   reading within a burst: none, rough (Ornstein-Uhlenbeck), smooth (Matern 3/2) or band-limited (a damped
//!   oscillator, as fading with a Doppler spread is). Where boresights are looked at again and again it may also have
//!   one along the boresight: an antenna unlike its pattern errs alike in every turn. Size and memory are unknown and
//!   integrated over a grid that is laid where the readings allow it. Second-order terms of `ln(1 + rho e^x)` are kept.
//! * `n`, the error of the noise power, is common to all readings, with the standard deviation that they state; a share
//!   of the prior lets it walk, for a floor that changes unnoticed.
//! * `ln S_b` has a wide prior and is tied from burst to burst by a random walk, whose step is integrated too.
//! * A reading is left unexplained by the model with a small prior share, or a large one where impulses hit many; it
//!   then lies anywhere in the range of levels seen.
//! * A reading with clipped samples is a lower limit.
//! * Each port of a switched antenna has a gain error of its own that does not average out.
//!
//! # Method
//! For each supposed `phi` the levels are fitted by robust Gauss-Newton steps, the model is made linear there, and a
//! Kalman filter over the readings gives the density of all of them with `S_b`, `e_k` and `n` integrated out
//! (prediction-error decomposition: Harvey, *Forecasting, Structural Time Series Models and the Kalman Filter*, 1989,
//! section 3.4), for eight suppositions of the level error side by side. The posterior of `phi` is that density summed over the grid, on the whole circle: no peak is
//! picked. Front and back of a figure-eight, or a sweep that cannot tell, give two modes.
//!
//! Two arrivals are searched by least squares, their waves added by the phases of the pattern where it has them, and
//! compared with one by their evidence; the answer is then a mixture that holds both directions, and the 95 % arcs hold
//! 95 % of each. A delay between the clocks of track and samples is searched where an antenna at changing rates lets it
//! show, and otherwise added to the error, as the heading's error is.
//!
//! What normal level errors in decibels leave out of deep fades is made up for by a widening found by simulation.
//!
//! # What it reaches
//! `docs/accuracy.md` holds it against the Cramer-Rao bound, condition by condition, and names every row that misses
//! its aim. Antennas switched element by element through one receiver are found by phase as well ([`estimate_ring`]);
//! several receivers on one clock by [`coherent`].

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
mod port_cells;
mod ported;
mod prepare;
mod reflection;
mod ring;
mod search;

pub use cells::{PowerCells, ReadingConfig, ReadingSet};
pub use config::{EstimatorConfig, PortAntenna};
pub use estimate::estimate;
pub use output::{BurstLevel, Estimate, FitPoint, Latency, PatternFit, SecondArrival, Taken, to_bearing};
pub use port_cells::PortCells;
pub use ring::{PortFit, RingBurst, RingConfig, RingEstimate, SwitchClock, estimate_ring, tone_bearing};
