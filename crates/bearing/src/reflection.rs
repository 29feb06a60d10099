//! A second arrival of the same signal: a reflection beside the direct wave.

use lobewright_types::{Azimuth, CircleDensity, wrap_signed_degrees};
use nalgebra::{Matrix3, Vector3};

use crate::likelihood::{MEMORIES, Memory, NATS_PER_DB, Node};
use crate::output::SecondArrival;
use crate::search::{Plan, Search, tie_options};

/// Fewer readings cannot tell two arrivals from a level error.
const LEAST_READINGS: usize = 12;
/// Level error below which one arrival explains the readings well enough: no test.
const TEST_FROM_DB: f64 = 0.7;
/// Arrivals nearer to each other than this look like one.
const LEAST_APART_DEG: f64 = 25.0;
const GRID_DEG: f64 = 20.0;
const GRID_RATIOS_DB: [f64; 2] = [-3.0, -9.0];
/// Weakest second arrival tried.
const WEAKEST_DB: f64 = -20.0;
/// Cosines of the phase between the arrivals that are tried.
const COHERENCES: [f64; 3] = [0.0, -0.7, 0.7];
/// Probability below which no second arrival is shown.
const SHOWN_FROM: f64 = 0.3;
/// Two arrivals must bring the level error down to this share of what one leaves: an antenna whose pattern is not
/// quite the one given is described a little better by two arrivals as well, and by as many more as one likes.
const EXPLAINS: f64 = 0.4;
/// Nodes below this share are left out.
const PRUNE_NATS: f64 = 5.0;

pub(crate) struct TwoArrivals {
    pub(crate) density: CircleDensity,
    pub(crate) arrival: SecondArrival,
}

/// First azimuth, second azimuth (degrees, mount), ratio of powers in dB.
type Pair = Vector3<f64>;

/// Compares one arrival with two by their evidence, and gives the mixture of both answers.
///
/// The two-arrival evidence is Laplace's approximation around its best point (`MacKay`, *Information Theory,
/// Inference, and Learning Algorithms*, 2003, chapters 27 and 28), uniform in both azimuths and in the ratio in
/// dB. The stronger arrival is taken for the direct one the more readily, the stronger it is: common practice, no
/// source.
pub(crate) fn test(search: &mut Search<'_>, plan: &Plan, one: &CircleDensity) -> Option<TwoArrivals> {
    let prior = search.config.reflection_prior;
    if prior <= 0.0 || search.likelihood.data.obs.len() < LEAST_READINGS {
        return None;
    }
    let heading = search.config.heading.degrees();
    let top = one.modes(0.05)[0].azimuth;
    let ln_top = search.ln_mixture(top.degrees() - heading, &plan.nodes);
    let error_of_one = worth_testing(search, plan)?;
    let ln_one = ln_top - one.ln_density_per_deg(top) - 360.0_f64.ln();
    let (pair, coherence) = best_pair(search)?;
    let nodes = nodes_at(search, &pair, coherence);
    let (pair, covariance) = settle(search, pair, coherence, &nodes)?;
    value(search, &pair, coherence, &nodes);
    if likeliest_error(search, &nodes) > EXPLAINS * error_of_one {
        return None;
    }
    let volume = (std::f64::consts::TAU.powi(3) * covariance.determinant()).sqrt();
    let ln_prior = -2.0 * 360.0_f64.ln() - (-WEAKEST_DB).ln() - (COHERENCES.len() as f64).ln();
    let ln_two = value(search, &pair, coherence, &nodes) + volume.ln() + ln_prior;
    let odds = prior.min(0.99) / (1.0 - prior.min(0.99)) * (ln_two - ln_one).exp();
    let probability = if odds.is_finite() {
        odds / (1.0 + odds)
    } else {
        1.0
    };
    if probability < SHOWN_FROM {
        return None;
    }
    let ratio = 10_f64.powf(pair[2] / 10.0);
    let direct = 0.5 + 0.4 * (1.0 - ratio).max(0.0);
    let arrival = |i: usize| {
        let sigma = covariance[(i, i)].sqrt().clamp(0.05, 60.0);
        CircleDensity::normal(Azimuth::from_degrees(pair[i] + heading), sigma)
    };
    let (first, second) = (arrival(0), arrival(1));
    let ln = |a: f64| {
        let at = Azimuth::from_degrees(a);
        let both = direct * first.density_per_deg(at) + (1.0 - direct) * second.density_per_deg(at);
        (probability * both + (1.0 - probability) * one.density_per_deg(at))
            .max(1e-300)
            .ln()
    };
    let mut centres = Vec::new();
    for part in [&first, &second, one] {
        for mode in part.modes(0.01) {
            centres.extend([-3.0, -1.5, 0.0, 1.5, 3.0].map(|k| mode.azimuth.degrees() + k * mode.sigma_deg));
        }
    }
    let density = CircleDensity::from_ln_fn(ln, &centres, 0.03).ok()?;
    Some(TwoArrivals {
        density,
        arrival: SecondArrival {
            azimuth: Azimuth::from_degrees(pair[1] + heading),
            relative_level_db: pair[2],
            probability,
        },
    })
}

/// The level error that one arrival leaves, where it is large enough to look further; called with the point aimed
/// at its best direction.
fn worth_testing(search: &Search<'_>, plan: &Plan) -> Option<f64> {
    let sigma = likeliest_error(search, &plan.nodes);
    let residuals = search.likelihood.residuals(&search.point, sigma);
    let lost: f64 = residuals.iter().map(|r| 1.0 - r.explained).sum();
    let bad = sigma > TEST_FROM_DB * NATS_PER_DB || lost > 0.05 * residuals.len() as f64;
    bad.then_some(sigma)
}

/// Level error of the likeliest node where the point is aimed.
fn likeliest_error(search: &Search<'_>, nodes: &[Node]) -> f64 {
    let mut best = (f64::NEG_INFINITY, 0.0);
    for node in nodes {
        let value = search.likelihood.ln_evidence(&search.point, node) + node.ln_weight;
        if value > best.0 {
            best = (value, node.sigma_nats);
        }
    }
    best.1
}

fn value(search: &mut Search<'_>, pair: &Pair, coherence: f64, nodes: &[Node]) -> f64 {
    if !(WEAKEST_DB..=0.0).contains(&pair[2])
        || wrap_signed_degrees(pair[0] - pair[1]).abs() < LEAST_APART_DEG
    {
        return f64::NEG_INFINITY;
    }
    let ratio = 10_f64.powf(pair[2] / 10.0);
    let (likelihood, table) = (search.likelihood, search.table);
    search
        .point
        .aim_two(&likelihood.data, table, pair[0], pair[1], ratio, coherence);
    search.mixture_here(nodes)
}

/// The best pair on a grid, then followed uphill with every coherence.
fn best_pair(search: &mut Search<'_>) -> Option<(Pair, f64)> {
    let ties = tie_options(&search.likelihood.data, search.config);
    let blunt = [Node {
        sigma_nats: 0.8 * NATS_PER_DB,
        memory: 0,
        tie_nats: ties[ties.len() - 1],
        ln_weight: 0.0,
    }];
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "18")]
    let n = (360.0 / GRID_DEG) as usize;
    let mut best = (f64::NEG_INFINITY, Pair::zeros());
    for i in 0..n {
        for j in 0..n {
            for ratio_db in GRID_RATIOS_DB {
                let pair = Pair::new(i as f64 * GRID_DEG, j as f64 * GRID_DEG, ratio_db);
                let v = value(search, &pair, 0.0, &blunt);
                if v > best.0 {
                    best = (v, pair);
                }
            }
        }
    }
    let mut found: Option<(f64, Pair, f64)> = None;
    for coherence in COHERENCES {
        let (v, pair) = uphill(search, best.1, coherence, &blunt);
        if v.is_finite() && found.as_ref().is_none_or(|f| v > f.0) {
            found = Some((v, pair, coherence));
        }
    }
    found.map(|(_, pair, coherence)| (pair, coherence))
}

/// Compass search (Hooke & Jeeves, *J. ACM* 8, 1961) with steps that halve.
fn uphill(search: &mut Search<'_>, start: Pair, coherence: f64, nodes: &[Node]) -> (f64, Pair) {
    let mut at = start;
    let mut here = value(search, &at, coherence, nodes);
    let mut step = Vector3::new(6.0, 6.0, 3.0);
    for _ in 0..60 {
        let mut moved = false;
        for axis in 0..3 {
            for side in [-1.0, 1.0] {
                let mut to = at;
                to[axis] += side * step[axis];
                let v = value(search, &to, coherence, nodes);
                if v > here {
                    (at, here, moved) = (to, v, true);
                }
            }
        }
        if !moved {
            if step[0] < 0.05 {
                break;
            }
            step *= 0.5;
        }
    }
    (here, at)
}

/// Level errors that the readings allow with both arrivals there.
fn nodes_at(search: &mut Search<'_>, pair: &Pair, coherence: f64) -> Vec<Node> {
    const STEP: f64 = 0.3;
    let ties = tie_options(&search.likelihood.data, search.config);
    let mut nodes = Vec::new();
    for (memory, &Memory { share, .. }) in MEMORIES.iter().enumerate() {
        for &tie_nats in &ties {
            for i in 0..20 {
                let sigma_nats = 0.02 * NATS_PER_DB * (STEP * f64::from(i)).exp();
                nodes.push(Node {
                    sigma_nats,
                    memory,
                    tie_nats,
                    ln_weight: search.ln_prior(sigma_nats) + STEP.ln() + (share / ties.len() as f64).ln(),
                });
            }
        }
    }
    value(search, pair, coherence, &nodes[..1]);
    let values: Vec<f64> = nodes
        .iter()
        .map(|n| search.likelihood.ln_evidence(&search.point, n) + n.ln_weight)
        .collect();
    let best = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    nodes
        .into_iter()
        .zip(values)
        .filter(|(_, v)| *v > best - PRUNE_NATS)
        .map(|(n, _)| n)
        .collect()
}

/// Goes to the top for the final nodes, and takes the covariance from the bend there.
fn settle(
    search: &mut Search<'_>,
    start: Pair,
    coherence: f64,
    nodes: &[Node],
) -> Option<(Pair, Matrix3<f64>)> {
    let (_, mut at) = uphill(search, start, coherence, nodes);
    let step = Vector3::new(1.0, 1.0, 0.5);
    // Room for the differences beside the border of the ratio.
    at[2] = at[2].clamp(WEAKEST_DB + step[2], -step[2]);
    let here = value(search, &at, coherence, nodes);
    let mut bend = Matrix3::zeros();
    for i in 0..3 {
        for j in 0..=i {
            let mut probe = |a: f64, b: f64| {
                let mut to = at;
                to[i] += a * step[i];
                to[j] += b * step[j];
                value(search, &to, coherence, nodes)
            };
            let second = if i == j {
                (probe(0.5, 0.5) + probe(-0.5, -0.5) - 2.0 * here) / (step[i] * step[i])
            } else {
                let cross = probe(1.0, 1.0) - probe(1.0, -1.0) - probe(-1.0, 1.0) + probe(-1.0, -1.0);
                cross / (4.0 * step[i] * step[j])
            };
            bend[(i, j)] = -second;
            bend[(j, i)] = -second;
        }
    }
    // The ratio is known to within its range even where the readings do not tell it.
    bend[(2, 2)] += 1.0 / (WEAKEST_DB * WEAKEST_DB);
    let inverse = bend.cholesky()?.inverse();
    inverse.iter().all(|v| v.is_finite()).then_some((at, inverse))
}
