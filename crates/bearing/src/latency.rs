//! The delay between the clocks of azimuth track and samples, found from the readings where they tell it.
//!
//! An antenna that turns at one rate moves everything by rate times delay: nobody can tell that from a heading error.
//! One that is swung to and fro, or at changing rates, smears its own pattern when the delay is wrong, and sharpens it
//! when it is right.

use crate::config::EstimatorConfig;
use crate::gain::Gains;
use crate::likelihood::{Likelihood, NATS_PER_DB};
use crate::output::Latency;
use crate::prepare::Data;
use crate::search::{Plan, Search};

/// Change of the boresight by the delay's prior, different at different times, from which a search is worth its time.
const TELLS_FROM_DEG: f64 = 0.3;
/// Delays tried first reach this many prior standard deviations to both sides.
const REACH_SIGMAS: f64 = 2.5;
const FIRST: i32 = 8;
/// Rounds that look closer around the best one.
const ROUNDS: usize = 5;
/// How much wider the delay's error is made, since a level error with memory tells less than the one without that is
/// supposed here.
const WIDENING: f64 = 1.3;
const MOST_MOVES: usize = 4;

/// What a delay does to the answer.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Found {
    pub(crate) latency: Latency,
    /// How far the direction moves with the delay, in degrees a second.
    pub(crate) slope_deg_per_s: f64,
}

/// The likeliest delay with its error, where boresights at different rates let it show.
pub(crate) fn find(data: &Data, gains: &Gains, config: &EstimatorConfig) -> Option<Found> {
    let prior = config.latency_sigma_s;
    if prior <= 0.0 || !prior.is_finite() || prior * rate_spread_deg_per_s(data) < TELLS_FROM_DEG {
        return None;
    }
    let mut tried: Vec<(f64, f64, f64)> = Vec::new();
    let mut attempt = |delay_s: f64| {
        let plan = plan_with(data, gains, config, delay_s);
        let ln = plan.ln_mass - 0.5 * (delay_s / prior).powi(2);
        tried.push((delay_s, ln, plan.centres[0].0));
        tried.sort_by(|a, b| a.0.total_cmp(&b.0));
        tried.clone()
    };
    let mut step = REACH_SIGMAS * prior / f64::from(FIRST / 2);
    let mut known = Vec::new();
    for i in -FIRST / 2..=FIRST / 2 {
        known = attempt(f64::from(i) * step);
    }
    for _ in 0..ROUNDS {
        step *= 0.5;
        // Both neighbours of the best one, until it stays the best.
        for _ in 0..MOST_MOVES {
            let centre = known[top(&known)].0;
            for side in [-1.0, 1.0] {
                let to = centre + side * step;
                if !known.iter().any(|k| (k.0 - to).abs() < 0.1 * step) {
                    known = attempt(to);
                }
            }
            if (known[top(&known)].0 - centre).abs() < 0.1 * step {
                break;
            }
        }
    }
    Some(measured(&known, prior))
}

/// Standard deviation of the rates.
fn rate_spread_deg_per_s(data: &Data) -> f64 {
    let n = data.obs.len() as f64;
    let mean = data.obs.iter().map(|o| o.rate_deg_per_s).sum::<f64>() / n;
    let square = data
        .obs
        .iter()
        .map(|o| (o.rate_deg_per_s - mean).powi(2))
        .sum::<f64>();
    (square / n).sqrt()
}

fn plan_with(data: &Data, gains: &Gains, config: &EstimatorConfig, delay_s: f64) -> Plan {
    let likelihood = Likelihood::new(
        data.delayed(delay_s),
        config.unexplained_share,
        config.port_gain_sigma_db.abs() * NATS_PER_DB,
    );
    Search::new(&likelihood, gains, config).quick_plan()
}

fn top(known: &[(f64, f64, f64)]) -> usize {
    (0..known.len())
        .max_by(|&a, &b| known[a].1.total_cmp(&known[b].1))
        .unwrap_or(0)
}

/// Mean, standard deviation and the direction's slope from the evidence at the delays tried (trapezoid rule).
fn measured(known: &[(f64, f64, f64)], prior: f64) -> Found {
    let best = known[top(known)];
    let n = known.len();
    let mut sums = [0.0; 5];
    for (i, &(delay, ln, at)) in known.iter().enumerate() {
        let left = if i == 0 { delay } else { known[i - 1].0 };
        let right = if i + 1 == n { delay } else { known[i + 1].0 };
        let weight = 0.5 * (right - left) * (ln - best.1).exp();
        let moved = lobewright_types::wrap_signed_degrees(at - best.2);
        // Another lobe's direction says nothing of this one's slope.
        let moved = if moved.abs() < 30.0 { moved } else { 0.0 };
        let off = delay - best.0;
        for (sum, term) in sums.iter_mut().zip([1.0, off, off * off, moved, moved * off]) {
            *sum += weight * term;
        }
    }
    let [mass, first, second, moved, both] = sums.map(|s| s / sums[0]);
    debug_assert!((mass - 1.0).abs() < 1e-9);
    let variance = (second - first * first).max(0.0);
    // The raster itself blurs by a part of its spacing.
    let closest = known
        .windows(2)
        .map(|w| w[1].0 - w[0].0)
        .filter(|d| *d > 0.0)
        .fold(prior, f64::min);
    let sigma_s = WIDENING * variance.sqrt().max(0.5 * closest);
    let slope = if variance > 0.0 {
        (both - moved * first) / variance
    } else {
        0.0
    };
    Found {
        latency: Latency {
            delay_s: best.0 + first,
            sigma_s,
        },
        slope_deg_per_s: slope,
    }
}
