//! What the model of the level error leaves out, and how much wider the answer is made for it.
//!
//! The level error is taken for normal in decibels, with one of a few memories. Fading is not quite that: it has dips
//! deeper than a normal error, as narrow as a null of the antenna, and a spectrum of its own. Where the readings call
//! for a large error or for one with a memory, the density is therefore widened, with a tail. The sizes below were found
//! by simulating Rician and Rayleigh fading and antennas unlike their patterns; the accuracy tables show what they
//! give, also for fading and errors of other kinds than those.

use lobewright_types::CircleDensity;

use crate::bank::Bank;
use crate::likelihood::NATS_PER_DB;
use crate::logsum::LogSum;
use crate::memory::{Along, Kind, MEMORIES};
use crate::search::{Plan, Search};

/// Widening, as a factor on the standard deviation less 1, for any error with memory in time, and along the boresight.
const IN_TIME: f64 = 0.06;
const ALONG_BORESIGHT: f64 = 0.22;
/// Memory in time shorter than this many readings is as good as none.
const SHORT_READINGS: f64 = 6.0;
/// Level error from which dips count, and the widening for each decibel beyond: with the longest memory, and without.
const DIPS_FROM_DB: f64 = 1.4;
const SLOW_DIPS_PER_DB: f64 = 0.75;
const QUICK_DIPS_PER_DB: f64 = 0.08;
/// Level error of Rayleigh fading, whose dips have no bottom, and the widening for each decibel beyond.
const DEEP_FROM_DB: f64 = 2.2;
const DEEP_PER_DB: f64 = 0.32;
/// Memory in readings beyond the short one at which dips count most.
const LONG_READINGS: f64 = 30.0;
/// No wider than this.
const MOST: f64 = 2.5;
/// Smaller widening changes nothing.
const COUNTS_FROM: f64 = 1.02;
/// Shares and widths of the two normal kernels that make the tail.
const KERNELS: [(f64, f64); 2] = [(0.7, 0.8), (0.3, 1.6)];

/// The level error as the readings see it in one direction.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LevelError {
    /// Mean standard deviation.
    pub(crate) sigma_nats: f64,
    /// Probability that it has a memory in time of some length, and one along the boresight.
    in_time: f64,
    along_boresight: f64,
    /// Mean length of the memory in time, from 0 for none to 1 for a long one.
    length: f64,
}

impl LevelError {
    /// Where the search's point is aimed.
    pub(crate) fn here(search: &mut Search<'_>, bank: &Bank) -> Self {
        let values = search.weighted_here(bank);
        let mut all = LogSum::default();
        for v in &values {
            all.push(*v);
        }
        let total = all.ln();
        let mut error = Self {
            sigma_nats: 0.0,
            in_time: 0.0,
            along_boresight: 0.0,
            length: 0.0,
        };
        for (node, value) in bank.nodes.iter().zip(&values) {
            let share = (value - total).exp();
            let memory = &MEMORIES[node.memory];
            error.sigma_nats += share * node.sigma_nats;
            match (memory.kind, memory.along) {
                (Kind::White, _) => {}
                (kind, Along::Time) => {
                    let beyond = kind.swing() - SHORT_READINGS;
                    error.in_time += if beyond > -2.5 { share } else { 0.0 };
                    error.length += share * (beyond / LONG_READINGS).clamp(0.0, 1.0);
                }
                (_, Along::Boresight) => error.along_boresight += share,
            }
        }
        error
    }

    /// Factor on the standard deviation.
    fn widening(&self) -> f64 {
        let dips = (self.sigma_nats / NATS_PER_DB - DIPS_FROM_DB).max(0.0);
        let deep = (self.sigma_nats / NATS_PER_DB - DEEP_FROM_DB).max(0.0);
        let slow = self.in_time * (IN_TIME + DEEP_PER_DB * deep) + self.length * SLOW_DIPS_PER_DB * dips;
        let quick = (1.0 - self.in_time - self.along_boresight) * QUICK_DIPS_PER_DB * dips;
        (1.0 + slow + quick + ALONG_BORESIGHT * self.along_boresight).min(MOST)
    }
}

/// The density of one arrival, made as wide as the level error calls for.
pub(crate) fn widened(search: &mut Search<'_>, plan: &Plan, density: CircleDensity) -> CircleDensity {
    let mode = density.modes(0.05)[0];
    search.aim(mode.azimuth.turned(-search.config.heading.degrees()).degrees());
    let factor = LevelError::here(search, &plan.bank).widening();
    if factor < COUNTS_FROM {
        return density;
    }
    let extra_deg = mode.sigma_deg * (factor * factor - 1.0).sqrt();
    let parts = KERNELS.map(|(share, width)| (share, density.widened(width * extra_deg)));
    let centres: Vec<f64> = parts
        .iter()
        .flat_map(|p| p.1.modes(0.01))
        .flat_map(|m| [-3.0, -1.5, -0.5, 0.0, 0.5, 1.5, 3.0].map(|k| m.azimuth.degrees() + k * m.sigma_deg))
        .collect();
    let ln = |a: f64| {
        let at = lobewright_types::Azimuth::from_degrees(a);
        let sum: f64 = parts.iter().map(|(share, d)| share * d.density_per_deg(at)).sum();
        sum.max(1e-300).ln()
    };
    CircleDensity::from_ln_fn(ln, &centres, 0.03).unwrap_or(density)
}
