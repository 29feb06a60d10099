//! A second arrival of the same signal from another direction.

use lobewright_types::{Azimuth, CircleDensity};
use nalgebra::{Cholesky, Matrix4, Vector4};
use num_complex::Complex;

use super::CoherentConfig;
use super::estimate::{Top, apart_deg};
use super::model::{ErrorNode, Model, dot, ln_sum};
use crate::output::SecondArrival;

/// With two channels two arrivals of any directions explain whatever one leaves.
const PAIR: usize = 2;
/// Misfit of one arrival, in standard deviations above what noise leaves, from which a second one is tried: less cannot
/// pay for its four numbers.
const TEST_FROM_SIGMAS: f64 = 1.5;
/// Arrivals nearer to each other than this look like one.
const LEAST_APART_DEG: f64 = 15.0;
const GRID_DEG: f64 = 3.0;
const GRID: usize = 120;
/// Step to each side by which slopes of the manifold are taken.
const SLOPE_STEP_DEG: f64 = 0.02;
/// Channel error under which the grid is searched: its valleys are wide enough for the grid.
const GRID_ERROR: f64 = 0.06;
/// Level of a reflection against the direct wave that is expected, and its standard deviation.
const LEVEL_DB: f64 = -7.0;
const LEVEL_SIGMA_DB: f64 = 5.0;
/// Pairs followed up.
const MOST_PAIRS: usize = 8;
/// Pairs closer than this after the search are one.
const SAME_DEG: f64 = 4.0;
/// Nodes that carry less than this are left out.
const PRUNE_NATS: f64 = 12.0;
/// Probability from which a second arrival is shown.
const SHOWN_FROM: f64 = 0.3;
/// Standard deviations beyond which a pair's azimuth and mixture are not thought to range.
const WIDEST_DEG: f64 = 40.0;
const WIDEST_MIXTURE: f64 = 1.0;

pub(crate) struct TwoArrivals {
    pub(crate) density: CircleDensity,
    /// Where it is likely enough to be shown.
    pub(crate) arrival: Option<SecondArrival>,
}

/// First azimuth and second azimuth in degrees, real and imaginary part of the share of the second arrival in the
/// bursts' common direction.
type Point = Vector4<f64>;

/// A direct wave with its error, and its reflection.
struct Part {
    direct_deg: f64,
    sigma_deg: f64,
    reflected_deg: f64,
    relative_db: f64,
    ln_weight: f64,
}

/// Compares one arrival with two by their evidence, and gives the mixture of both answers.
///
/// The response of two arrivals of one signal is the sum of their responses, the second with a complex factor; after
/// division by the component along the bursts' common direction the deviation is linear in the second one's share.
/// Each pair found is valued by Laplace's approximation (`MacKay`, *Information Theory, Inference, and Learning
/// Algorithms*, 2003, chapters 27 and 28) under every size of the channels' errors. Either of the two may be the
/// direct wave, by their levels: a reflection is expected 7 dB below, give or take 5 dB (common practice, no source).
pub(crate) fn test(
    model: &Model<'_>,
    top: &Top,
    one: &CircleDensity,
    config: &CoherentConfig,
) -> Option<TwoArrivals> {
    let prior = if config.reflection_prior.is_finite() {
        config.reflection_prior.clamp(0.0, 0.99)
    } else {
        0.0
    };
    if prior <= 0.0 {
        return None;
    }
    let heading = config.heading.degrees();
    let at = Azimuth::from_degrees(top.azimuth_mount_deg + heading);
    let ln_one = top.ln_likelihood - one.ln_density_per_deg(at) - 360.0_f64.ln();
    if model.channels() == PAIR {
        return of_pair(model, one, ln_one, prior, heading);
    }
    // Noise leaves half a chi-square of twice the channels less 3 components.
    let free = 2.0 * model.channels() as f64 - 3.0;
    let noise_nats = 0.5 * free + TEST_FROM_SIGMAS * (0.5 * free).sqrt();
    if model.misfit(&model.look(top.azimuth_mount_deg).axes, &ErrorNode::exact()) < noise_nats {
        return None;
    }
    let heading = config.heading.degrees();
    let at = Azimuth::from_degrees(top.azimuth_mount_deg + heading);
    let ln_one = top.ln_likelihood - one.ln_density_per_deg(at) - 360.0_f64.ln();
    let parts = parts(model);
    let ln_two = ln_sum(parts.iter().map(|p| p.ln_weight));
    let odds = prior / (1.0 - prior) * (ln_two - ln_one).exp();
    let probability = if odds.is_finite() {
        odds / (1.0 + odds)
    } else {
        1.0
    };
    if probability.is_nan() || probability < 1e-3 {
        return None;
    }
    let density = mixture(one, &parts, ln_two, probability, heading)?;
    let best = parts.iter().max_by(|a, b| a.ln_weight.total_cmp(&b.ln_weight))?;
    // The weaker arrival is the second one, whichever is direct.
    let (weaker, level) = if best.relative_db <= 0.0 {
        (best.reflected_deg, best.relative_db)
    } else {
        (best.direct_deg, -best.relative_db)
    };
    let arrival = SecondArrival {
        azimuth: Azimuth::from_degrees(weaker + heading),
        relative_level_db: level,
        probability,
    };
    Some(TwoArrivals {
        density,
        arrival: (probability >= SHOWN_FROM).then_some(arrival),
    })
}

/// Posterior probability of two arrivals by their evidence over that of one; `None` where it is next to nothing.
fn probability(ln_evidence: f64, prior: f64) -> Option<f64> {
    let odds = prior / (1.0 - prior) * ln_evidence.exp();
    let probability = if odds.is_finite() {
        odds / (1.0 + odds)
    } else {
        1.0
    };
    (probability >= 1e-3).then_some(probability)
}

/// The mixture for two channels, whose one deviation any two directions explain: the second arrival's share follows from
/// them, and the integral over it is exact, whatever the channels' errors. No second arrival is named.
fn of_pair(
    model: &Model<'_>,
    one: &CircleDensity,
    ln_one: f64,
    prior: f64,
    heading_deg: f64,
) -> Option<TwoArrivals> {
    let azimuth = |k: usize| k as f64 * GRID_DEG;
    let rays: Vec<Option<Ray>> = (0..GRID).map(|k| ray(model, azimuth(k))).collect();
    let mut values = vec![f64::NEG_INFINITY; GRID];
    for (i, value) in values.iter_mut().enumerate() {
        let Some(a) = &rays[i] else { continue };
        let terms: Vec<f64> = (0..GRID)
            .filter(|&j| apart_deg(azimuth(i), azimuth(j)) >= LEAST_APART_DEG)
            .filter_map(|j| rays[j].as_ref())
            .filter_map(|b| {
                let (u, v) = (
                    [b.axes[0] - a.axes[0], b.axes[1] - a.axes[1]],
                    [b.turned[0] - a.turned[0], b.turned[1] - a.turned[1]],
                );
                let det = u[0] * v[1] - u[1] * v[0];
                let share = Complex::new(
                    (v[0] * a.axes[1] - v[1] * a.axes[0]) / det,
                    (u[1] * a.axes[0] - u[0] * a.axes[1]) / det,
                );
                let ln = ln_share(share, level_db(share, a, b)) + (std::f64::consts::PI / det.abs()).ln();
                ln.is_finite().then_some(ln)
            })
            .collect();
        *value = ln_sum(terms.iter().copied()) + (GRID_DEG / 360.0).ln();
    }
    let ln_mean = ln_sum(values.iter().copied()) - (GRID as f64).ln();
    let ln_two = model.ln_straight(0.0, &ErrorNode::exact()) + ln_mean;
    let probability = probability(ln_two - ln_one, prior)?;
    let two = CircleDensity::from_knots((0..GRID).map(azimuth).collect(), values)
        .ok()?
        .turned(heading_deg);
    let ln = |a: f64| {
        let at = Azimuth::from_degrees(a);
        let first = (1.0 - probability).max(1e-12).ln() + one.ln_density_per_deg(at);
        ln_sum([first, probability.ln() + two.ln_density_per_deg(at)].into_iter())
    };
    Some(TwoArrivals {
        density: CircleDensity::from_ln_fn(ln, &centres(one), 0.06).ok()?,
        arrival: None,
    })
}

/// Azimuths around the modes of a density.
fn centres(one: &CircleDensity) -> Vec<f64> {
    one.modes(0.01)
        .iter()
        .flat_map(|m| [-3.0, -1.5, 0.0, 1.5, 3.0].map(|k| m.azimuth.degrees() + k * m.sigma_deg))
        .collect()
}

fn mixture(
    one: &CircleDensity,
    parts: &[Part],
    ln_two: f64,
    probability: f64,
    heading_deg: f64,
) -> Option<CircleDensity> {
    let mut centres = centres(one);
    let kept: Vec<(f64, f64, f64)> = parts
        .iter()
        .filter(|p| p.ln_weight > ln_two - PRUNE_NATS)
        .map(|p| (p.direct_deg + heading_deg, p.sigma_deg, p.ln_weight - ln_two))
        .collect();
    for &(at, sigma, ln_share) in &kept {
        if ln_share > -6.0 {
            centres.extend([-3.0, -1.5, 0.0, 1.5, 3.0].map(|k| at + k * sigma));
        }
    }
    let ln = |a: f64| {
        let first = (1.0 - probability).max(1e-12).ln() + one.ln_density_per_deg(Azimuth::from_degrees(a));
        let others = kept.iter().map(|&(at, sigma, ln_share)| {
            let d = apart_deg(a, at) / sigma;
            probability.ln() + ln_share - 0.5 * d * d - (sigma * std::f64::consts::TAU.sqrt()).ln()
        });
        ln_sum(std::iter::once(first).chain(others))
    };
    CircleDensity::from_ln_fn(ln, &centres, 0.06).ok()
}

/// All pairs under all nodes, each in both orders. From the error of the grid the pairs are followed to larger ones and
/// to smaller ones.
fn parts(model: &Model<'_>) -> Vec<Part> {
    let mut nodes = model.nodes.clone();
    nodes.sort_by(|a, b| a.size.total_cmp(&b.size));
    let from = model.node_of_error(GRID_ERROR).size;
    let split = nodes.partition_point(|n| n.size < from);
    let starts = starts(model);
    let mut parts = follow(model, nodes[..split].iter().rev(), starts.clone());
    parts.extend(follow(model, nodes[split..].iter(), starts));
    parts
}

fn follow<'n>(
    model: &Model<'_>,
    nodes: impl Iterator<Item = &'n ErrorNode>,
    mut points: Vec<Point>,
) -> Vec<Part> {
    let mut parts: Vec<Part> = Vec::new();
    for node in nodes {
        let mut met: Vec<Point> = Vec::new();
        for start in points {
            let point = descend(model, node, start);
            let again = met.iter().any(|m| {
                let straight = apart_deg(m[0], point[0]).max(apart_deg(m[1], point[1]));
                let crossed = apart_deg(m[0], point[1]).max(apart_deg(m[1], point[0]));
                straight.min(crossed) < SAME_DEG
            });
            if !again && apart_deg(point[0], point[1]) >= LEAST_APART_DEG {
                met.push(point);
                parts.extend(value(model, node, &point).into_iter().flatten().flatten());
            }
        }
        points = met;
    }
    parts
}

/// Grid of the circle on the model's axes: deviation divided by the component along the common direction.
struct Ray {
    along: Complex<f64>,
    /// On the axes: the deviation, and the same turned by 90 degrees.
    axes: Vec<f64>,
    turned: Vec<f64>,
}

fn ray(model: &Model<'_>, azimuth_deg: f64) -> Option<Ray> {
    let unit = model.unit_response(azimuth_deg);
    let along = dot(model.top(), &unit);
    if along.norm() < 0.03 {
        return None;
    }
    let (axes, turned) = model.on_axes(&unit, along.finv());
    Some(Ray { along, axes, turned })
}

/// The best pairs of a grid.
fn starts(model: &Model<'_>) -> Vec<Point> {
    let node = model.node_of_error(GRID_ERROR);
    let weights: Vec<f64> = model.axis_weights(&node).iter().map(|w| w.sqrt()).collect();
    let scaled = |v: Vec<f64>| v.iter().zip(&weights).map(|(v, w)| v * w).collect::<Vec<f64>>();
    let rays: Vec<Option<Ray>> = (0..GRID)
        .map(|k| {
            ray(model, k as f64 * GRID_DEG).map(|r| Ray {
                along: r.along,
                axes: scaled(r.axes),
                turned: scaled(r.turned),
            })
        })
        .collect();
    let n = rays.len();
    let mut cost = vec![f64::INFINITY; n * n];
    let mut shares = vec![(0.0, 0.0); n * n];
    for i in 0..n {
        for j in i + 1..n {
            let (Some(a), Some(b)) = (&rays[i], &rays[j]) else {
                continue;
            };
            if apart_deg(i as f64 * GRID_DEG, j as f64 * GRID_DEG) < LEAST_APART_DEG {
                continue;
            }
            let (left, share) = best_share(a, b);
            cost[i * n + j] = left;
            cost[j * n + i] = left;
            shares[i * n + j] = share;
        }
    }
    let mut found: Vec<(f64, usize, usize)> = Vec::new();
    for i in 0..n {
        for j in i + 1..n {
            let own = cost[i * n + j];
            let lowest = [
                (1, 0),
                (n - 1, 0),
                (0, 1),
                (0, n - 1),
                (1, 1),
                (n - 1, n - 1),
                (1, n - 1),
                (n - 1, 1),
            ]
            .iter()
            .all(|(di, dj)| own <= cost[((i + di) % n) * n + (j + dj) % n]);
            if own.is_finite() && lowest {
                found.push((own, i, j));
            }
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.truncate(MOST_PAIRS);
    found
        .into_iter()
        .map(|(_, i, j)| {
            let share = shares[i * n + j];
            Point::new(i as f64 * GRID_DEG, j as f64 * GRID_DEG, share.0, share.1)
        })
        .collect()
}

/// Least misfit that a mixture of two rays leaves, and the share of the second one.
fn best_share(a: &Ray, b: &Ray) -> (f64, (f64, f64)) {
    let (mut own, mut uu, mut vv, mut uv, mut ua, mut va) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for k in 0..a.axes.len() {
        let (x, u, v) = (a.axes[k], b.axes[k] - a.axes[k], b.turned[k] - a.turned[k]);
        own += x * x;
        uu += u * u;
        vv += v * v;
        uv += u * v;
        ua += u * x;
        va += v * x;
    }
    let det = uu * vv - uv * uv;
    if det <= 1e-12 * uu * vv || det <= 0.0 {
        return (own, (0.0, 0.0));
    }
    let share = ((uv * va - vv * ua) / det, (uv * ua - uu * va) / det);
    (own + share.0 * ua + share.1 * va, share)
}

/// Square of the residual, half its derivative, and half the matrix of its second derivatives without the bend of the
/// manifold.
fn linear(model: &Model<'_>, weights: &[f64], p: &Point) -> Option<(f64, Vector4<f64>, Matrix4<f64>)> {
    let (a, b) = (ray(model, p[0])?, ray(model, p[1])?);
    let slope = |at: f64| Some((ray(model, at - SLOPE_STEP_DEG)?, ray(model, at + SLOPE_STEP_DEG)?));
    let (a_slope, b_slope) = (slope(p[0])?, slope(p[1])?);
    let share = Complex::new(p[2], p[3]);
    let rest = Complex::new(1.0, 0.0) - share;
    let mut square = 0.0;
    let (mut half_slope, mut half_bend) = (Vector4::zeros(), Matrix4::zeros());
    for (k, weight) in weights.iter().enumerate() {
        let mix = |x: &Ray, part: Complex<f64>| x.axes[k] * part.re + x.turned[k] * part.im;
        let change = |s: &(Ray, Ray), part| (mix(&s.1, part) - mix(&s.0, part)) / (2.0 * SLOPE_STEP_DEG);
        let residual = (mix(&a, rest) + mix(&b, share)) * weight;
        let row = Vector4::new(
            change(&a_slope, rest),
            change(&b_slope, share),
            b.axes[k] - a.axes[k],
            b.turned[k] - a.turned[k],
        ) * *weight;
        square += residual * residual;
        half_slope += row * residual;
        half_bend += row * row.transpose();
    }
    Some((square, half_slope, half_bend))
}

/// What keeps a pair that the bursts do not fix within reason, as half a second derivative.
fn tether() -> Matrix4<f64> {
    let angle = 0.5 / (WIDEST_DEG * WIDEST_DEG);
    let share = 0.5 / (WIDEST_MIXTURE * WIDEST_MIXTURE);
    Matrix4::from_diagonal(&Vector4::new(angle, angle, share, share))
}

/// Damped Gauss-Newton steps.
fn descend(model: &Model<'_>, node: &ErrorNode, start: Point) -> Point {
    let weights: Vec<f64> = model.axis_weights(node).iter().map(|w| w.sqrt()).collect();
    let mut point = start;
    let mut damping = 1e-3;
    let Some(mut here) = linear(model, &weights, &point) else {
        return point;
    };
    for _ in 0..25 {
        let mut matrix = here.2 + tether();
        for i in 0..4 {
            matrix[(i, i)] *= 1.0 + damping;
        }
        let Some(cholesky) = Cholesky::new(matrix) else {
            return point;
        };
        let step = cholesky.solve(&here.1);
        let limit = (8.0 / step[0].abs().max(step[1].abs()).max(8.0)).min(1.0);
        let next = point - step * limit;
        match linear(model, &weights, &next) {
            Some(there) if there.0 <= here.0 => {
                let gain = here.0 - there.0;
                point = next;
                here = there;
                damping = (damping * 0.2).max(1e-9);
                if gain < 1e-4 {
                    break;
                }
            }
            _ => {
                damping *= 8.0;
                if damping > 1e6 {
                    break;
                }
            }
        }
    }
    point
}

/// Weight of a pair, in both orders.
fn value(model: &Model<'_>, node: &ErrorNode, p: &Point) -> Option<[Option<Part>; 2]> {
    let weights: Vec<f64> = model.axis_weights(node).iter().map(|w| w.sqrt()).collect();
    let (misfit, _, bend) = linear(model, &weights, p)?;
    let cholesky = Cholesky::new(bend + tether())?;
    // exp(-x' B x) over four numbers: pi^2 / sqrt(det B); its covariance is B^-1 / 2.
    let root = cholesky.l().diagonal().iter().map(|v| v.ln()).sum::<f64>();
    let ln_volume = 2.0 * std::f64::consts::PI.ln() - root;
    let covariance = cholesky.inverse() * 0.5;
    let share = Complex::new(p[2], p[3]);
    let relative_db = level_db(share, &ray(model, p[0])?, &ray(model, p[1])?);
    let ln_likelihood = model.ln_straight(misfit, node) + ln_volume - 2.0 * 360.0_f64.ln();
    let part = |direct: usize, reflected: usize, level_db: f64| {
        let part = Part {
            direct_deg: p[direct],
            sigma_deg: covariance[(direct, direct)].sqrt().clamp(1e-3, WIDEST_DEG),
            reflected_deg: p[reflected],
            relative_db: level_db,
            ln_weight: ln_likelihood + ln_share(share, level_db),
        };
        part.ln_weight.is_finite().then_some(part)
    };
    Some([part(0, 1, relative_db), part(1, 0, -relative_db)])
}

/// Level of the second arrival over the first, from its share in the sum.
fn level_db(share: Complex<f64>, first: &Ray, second: &Ray) -> f64 {
    let factor = share / (Complex::new(1.0, 0.0) - share) * first.along / second.along;
    20.0 * factor.norm().log10()
}

/// Log density of a share, from that of the level in dB and an even phase. The first arrival's share is the mirror image,
/// with the same form and its own level.
fn ln_share(share: Complex<f64>, level_db: f64) -> f64 {
    let rest = Complex::new(1.0, 0.0) - share;
    let off = (level_db - LEVEL_DB) / LEVEL_SIGMA_DB;
    let ln_level = -0.5 * off * off - (LEVEL_SIGMA_DB * std::f64::consts::TAU.sqrt()).ln();
    let per_level = 20.0 / std::f64::consts::LN_10 / std::f64::consts::TAU;
    ln_level + per_level.ln() - 2.0 * (share.norm() * rest.norm()).ln()
}
