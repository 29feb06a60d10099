//! A second arrival of the same signal: a reflection beside the direct wave.

use lobewright_types::{Azimuth, CircleDensity, True, wrap_signed_degrees};
use nalgebra::{SMatrix, SVector};

use crate::arrivals::{LEAST_APART_DEG, Pair, Powers, WEAKEST_DB};
use crate::bank::{Bank, Node, Trouble};
use crate::likelihood::NATS_PER_DB;
use crate::memory::{Along, MEMORIES};
use crate::misfit::LevelError;
use crate::output::SecondArrival;
use crate::search::{Plan, Search, tie_options};

/// Fewer readings cannot tell two arrivals from a level error.
const LEAST_READINGS: usize = 12;
/// Fewer different looks are explained by two arrivals whatever they are.
const LEAST_LOOKS: usize = 8;
/// Gain in log likelihood below which a second arrival is not worth its two more directions and powers.
const LEAST_GAIN_NATS: f64 = 4.0;
/// Probability below which no second arrival is shown, and below which it changes nothing.
const SHOWN_FROM: f64 = 0.3;
const COUNTS_FROM: f64 = 0.01;
/// Two arrivals must bring the level error down to this share of what one leaves: an antenna whose pattern is not
/// quite the one given is described a little better by two arrivals as well, and by as many more as one likes.
const EXPLAINS: f64 = 0.5;
/// Nodes below this share are left out.
const PRUNE_NATS: f64 = 5.0;
/// How much likelier the stronger arrival is the direct one, in nats a decibel: a reflection loses 8 dB on the mean,
/// and both paths are shadowed so that their difference varies by 9 dB. (Common practice, no source.)
const STRONGER_IS_DIRECT_NATS_PER_DB: f64 = 0.2;

/// Coherences that are tried, with their prior shares: powers that add, as with many reflections or one that moves,
/// and one reflection that stands still.
const COHERENCES: [(f64, f64); 5] = [(0.0, 0.3), (0.5, 0.1), (0.8, 0.15), (0.95, 0.2), (1.0, 0.25)];
/// How much wider each arrival is than the bend at the top says, powers adding and waves adding: one coherence and few
/// level errors stand for many, and the top is no parabola. Found by simulation.
const WIDENING: [[f64; 2]; 2] = [[1.0, 1.4], [1.4, 1.7]];
/// Shares and widths of the two normal densities that make an arrival's, with a tail.
const KERNELS: [(f64, f64); 2] = [(0.75, 0.85), (0.25, 1.5)];
/// Weak prior of the phase: the inverse variance of one that may have any value.
const PHASE_BEND: f64 = 0.3;

pub(crate) struct TwoArrivals {
    pub(crate) density: CircleDensity,
    /// Absent where it is too doubtful to be shown.
    pub(crate) arrival: Option<SecondArrival>,
}

/// How many numbers describe two arrivals.
const N: usize = 4;
/// First azimuth, second azimuth (degrees, mount), ratio of powers in dB, phase in radians.
type Parameters = SVector<f64, N>;
type Square = SMatrix<f64, N, N>;

/// Compares one arrival with two by their evidence, and gives the mixture of both answers.
///
/// The two-arrival evidence is Laplace's approximation around its best point (`MacKay`, *Information Theory,
/// Inference, and Learning Algorithms*, 2003, chapters 27 and 28), uniform in both azimuths, in the ratio in dB and in
/// the phase between them.
pub(crate) fn test(search: &mut Search<'_>, plan: &Plan, one: &CircleDensity) -> Option<TwoArrivals> {
    let prior = search.config.reflection_prior.min(0.99);
    let data = &search.likelihood.data;
    if prior <= 0.0 || data.obs.len() < LEAST_READINGS || data.looks() < LEAST_LOOKS {
        return None;
    }
    let heading = search.config.heading.degrees();
    let top = one.modes(0.05)[0].azimuth;
    let ln_top = search.ln_mixture(top.degrees() - heading, &plan.bank);
    let error_of_one = LevelError::here(search, &plan.bank).sigma_nats;
    let start = best_pair(search)?;
    let ln_one = ln_top - one.ln_density_per_deg(top) - 360.0_f64.ln();
    let (coherence, ln_share) = likeliest_coherence(search, &start);
    let bank = nodes_at(search, &start, coherence);
    let (pair, covariance) = settle(search, &start, coherence, &bank)?;
    let volume = (std::f64::consts::TAU.powi(4) * covariance.determinant()).sqrt();
    let ln_prior = ln_share - 2.0 * 360.0_f64.ln() - (-WEAKEST_DB).ln() - std::f64::consts::TAU.ln();
    let ln_two = value(search, &pair, coherence, &bank) + volume.ln() + ln_prior;
    if LevelError::here(search, &bank).sigma_nats > EXPLAINS * error_of_one {
        return None;
    }
    let odds = prior / (1.0 - prior) * (ln_two - ln_one).clamp(-700.0, 700.0).exp();
    let probability = odds / (1.0 + odds);
    if probability < COUNTS_FROM {
        return None;
    }
    let density = mixture(&pair, &covariance, coherence, probability, one, heading)?;
    let arrival = SecondArrival {
        azimuth: Azimuth::from_degrees(pair[1] + heading),
        relative_level_db: pair[2],
        probability,
    };
    Some(TwoArrivals {
        density,
        arrival: (probability >= SHOWN_FROM).then_some(arrival),
    })
}

/// The coherence under which the pair explains the readings best, with the logarithm of its prior share.
fn likeliest_coherence(search: &mut Search<'_>, pair: &Pair) -> (f64, f64) {
    let ties = tie_options(&search.likelihood.data, search.config);
    let nodes = [0.2, 0.6, 2.0]
        .map(|db| Node {
            sigma_nats: db * NATS_PER_DB,
            memory: 0,
            trouble: Trouble::None,
            tie_nats: ties[ties.len() - 1],
            ln_weight: search.ln_prior(db * NATS_PER_DB),
        })
        .to_vec();
    let bank = Bank::new(nodes, search.likelihood);
    let at = parameters(pair);
    let mut best = (f64::NEG_INFINITY, COHERENCES[0]);
    for (coherence, share) in COHERENCES {
        let ln = value(search, &at, coherence, &bank) + share.ln();
        if ln > best.0 {
            best = (ln, (coherence, share));
        }
    }
    (best.1.0, best.1.1.ln())
}

/// Both directions, the stronger one the more readily taken for the direct one, and what one arrival would say.
fn mixture(
    pair: &Parameters,
    covariance: &Square,
    coherence: f64,
    probability: f64,
    one: &CircleDensity,
    heading: f64,
) -> Option<CircleDensity> {
    let direct = 1.0 / (1.0 + (STRONGER_IS_DIRECT_NATS_PER_DB * pair[2]).exp());
    let arrival = |i: usize| {
        let widening = WIDENING[i][usize::from(coherence > 0.3)];
        let sigma = widening * covariance[(i, i)].sqrt().clamp(0.05, 60.0);
        let at = Azimuth::from_degrees(pair[i] + heading);
        KERNELS.map(|(share, width)| (share, CircleDensity::normal(at, width * sigma)))
    };
    let density_of = |parts: &[(f64, CircleDensity); 2], at: Azimuth<True>| -> f64 {
        parts.iter().map(|(share, d)| share * d.density_per_deg(at)).sum()
    };
    let (first, second) = (arrival(0), arrival(1));
    let ln = |a: f64| {
        let at = Azimuth::from_degrees(a);
        let both = direct * density_of(&first, at) + (1.0 - direct) * density_of(&second, at);
        (probability * both + (1.0 - probability) * one.density_per_deg(at))
            .max(1e-300)
            .ln()
    };
    let mut centres = Vec::new();
    for part in [&first[0].1, &first[1].1, &second[0].1, &second[1].1, one] {
        for mode in part.modes(0.01) {
            centres.extend(
                [-3.0, -1.5, -0.5, 0.0, 0.5, 1.5, 3.0].map(|k| mode.azimuth.degrees() + k * mode.sigma_deg),
            );
        }
    }
    CircleDensity::from_ln_fn(ln, &centres, 0.03).ok()
}

/// The best pair by least squares, where it explains the readings so much better than one arrival that it may be worth
/// its price; called with the point aimed at the best direction for one.
fn best_pair(search: &Search<'_>) -> Option<Pair> {
    let data = &search.likelihood.data;
    let n = data.obs.len() as f64;
    let power: Vec<f64> = (0..data.bursts()).map(|b| search.point.signal(data, b)).collect();
    let powers = Powers::new(data, search.gains, &power);
    let one = powers.misfit_of_one(&search.point.gain);
    // Readings that their noise alone explains gain nothing from being explained better.
    let gain_to = |two: f64| 0.5 * n * ((one + 0.1 * n) / (two.max(0.0) + 0.1 * n)).ln();
    if gain_to(0.0) < LEAST_GAIN_NATS {
        return None;
    }
    let (pair, two) = powers.pairs(&search.point.gain).into_iter().next()?;
    let gain = gain_to(two);
    (gain.min(0.5 * (one - two) * 4.0) > LEAST_GAIN_NATS).then_some(pair)
}

fn value(search: &mut Search<'_>, at: &Parameters, coherence: f64, bank: &Bank) -> f64 {
    if !(WEAKEST_DB..=0.0).contains(&at[2])
        || wrap_signed_degrees(at[0] - at[1]).abs() < 0.5 * LEAST_APART_DEG
    {
        return f64::NEG_INFINITY;
    }
    let ratio = 10_f64.powf(at[2] / 10.0);
    let (likelihood, gains) = (search.likelihood, search.gains);
    search.point.aim_two(
        &likelihood.data,
        gains,
        [at[0], at[1]],
        ratio,
        [coherence * at[3].cos(), coherence * at[3].sin()],
        likelihood.arch,
    );
    search.mixture_here(bank)
}

/// Level errors that the readings allow with both arrivals there.
fn nodes_at(search: &mut Search<'_>, pair: &Pair, coherence: f64) -> Bank {
    const STEP: f64 = 0.35;
    let ties = tie_options(&search.likelihood.data, search.config);
    let mut nodes = Vec::new();
    for (memory, of) in MEMORIES.iter().enumerate() {
        if of.along == Along::Boresight {
            continue;
        }
        for &tie_nats in &ties {
            for i in 0..17 {
                let sigma_nats = 0.02 * NATS_PER_DB * (STEP * f64::from(i)).exp();
                nodes.push(Node {
                    sigma_nats,
                    memory,
                    trouble: Trouble::None,
                    tie_nats,
                    ln_weight: search.ln_prior(sigma_nats) + STEP.ln() + (of.share / ties.len() as f64).ln(),
                });
            }
        }
    }
    let bank = Bank::new(nodes, search.likelihood);
    value(search, &parameters(pair), coherence, &bank);
    let values = search.weighted_here(&bank);
    let best = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    bank.kept(search.likelihood, |i| values[i] > best - PRUNE_NATS)
}

fn parameters(pair: &Pair) -> Parameters {
    let [first, second] = pair.azimuth_deg;
    Parameters::from([first, second, pair.ratio_db, pair.phase_rad])
}

/// Goes to the top by Newton's steps, and takes the covariance from the bend there.
fn settle(
    search: &mut Search<'_>,
    start: &Pair,
    coherence: f64,
    bank: &Bank,
) -> Option<(Parameters, Square)> {
    const LARGEST: [f64; N] = [3.0, 3.0, 1.5, 0.4];
    let mut at = parameters(start);
    let mut step = Parameters::from([0.3, 0.3, 0.15, 0.05]);
    let mut found = None;
    for _ in 0..5 {
        // Room for the differences beside the borders.
        at[2] = at[2].clamp(WEAKEST_DB + step[2], -step[2]);
        let (slope, bend) = slope_and_bend(search, &at, &step, coherence, bank);
        let Some(covariance) = bend.cholesky().map(|c| c.inverse()) else {
            // Not near a top as seen over this width: look wider.
            for i in 0..N {
                step[i] = (2.0 * step[i]).min(2.0 * LARGEST[i]);
            }
            continue;
        };
        let mut to = at + covariance * slope;
        for i in 0..N {
            let reach = 4.0 * step[i];
            to[i] = to[i].clamp(at[i] - reach, at[i] + reach);
        }
        to[2] = to[2].clamp(WEAKEST_DB, 0.0);
        let moved = value(search, &to, coherence, bank) > value(search, &at, coherence, bank);
        let small = (0..N).all(|i| (to[i] - at[i]).abs() < 0.3 * covariance[(i, i)].sqrt());
        if moved {
            at = to;
        }
        found = Some(covariance);
        // Differences are taken about as far apart as the answer is wide.
        for i in 0..N {
            step[i] = (0.7 * covariance[(i, i)].sqrt()).clamp(0.01 * LARGEST[i], LARGEST[i]);
        }
        if small || !moved {
            break;
        }
    }
    let covariance = found?;
    covariance
        .iter()
        .all(|v| v.is_finite())
        .then_some((at, covariance))
}

/// First and negative second differences of the log evidence, with weak priors.
fn slope_and_bend(
    search: &mut Search<'_>,
    at: &Parameters,
    step: &Parameters,
    coherence: f64,
    bank: &Bank,
) -> (Parameters, Square) {
    let here = value(search, at, coherence, bank);
    let mut probe = |moves: &[(usize, f64)]| {
        let mut to = *at;
        for &(i, side) in moves {
            to[i] += side * step[i];
        }
        value(search, &to, coherence, bank)
    };
    let sides: [[f64; 2]; N] = std::array::from_fn(|i| [probe(&[(i, -1.0)]), probe(&[(i, 1.0)])]);
    let mut slope = Parameters::zeros();
    let mut bend = Square::zeros();
    for i in 0..N {
        slope[i] = (sides[i][1] - sides[i][0]) / (2.0 * step[i]);
        bend[(i, i)] = (2.0 * here - sides[i][0] - sides[i][1]) / (step[i] * step[i]);
        for j in 0..i {
            let both = probe(&[(i, 1.0), (j, 1.0)]) + probe(&[(i, -1.0), (j, -1.0)]);
            let alone = sides[i][0] + sides[i][1] + sides[j][0] + sides[j][1];
            let second = (both - alone + 2.0 * here) / (2.0 * step[i] * step[j]);
            bend[(i, j)] = -second;
            bend[(j, i)] = -second;
        }
    }
    bend[(0, 0)] += 1.0 / 3600.0;
    bend[(1, 1)] += 1.0 / 3600.0;
    bend[(2, 2)] += 1.0 / (WEAKEST_DB * WEAKEST_DB);
    bend[(3, 3)] += PHASE_BEND;
    (slope, bend)
}
