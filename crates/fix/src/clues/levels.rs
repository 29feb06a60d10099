//! Levels heard: how well a place explains them, whatever the transmitter's power and the exponent.

use lobewright_geodesy::EarthPoint;
use lobewright_types::{LevelReport, Position, SilenceReport};
use nalgebra::{DMatrix, DVector};

use super::config::ClueConfig;
use super::normal::ln_between;
use super::silence::Quiet;
use crate::evidence::PowerPrior;

/// Degrees of freedom of what a reading adds.
const STUDENT: f64 = 5.0;
/// Information of a Student t density over that of the normal density that has its scale: `(nu + 1) / (nu + 3)` (Lange, Little, Taylor,
/// JASA 84, 1989).
const INFORMATION: f64 = (STUDENT + 1.0) / (STUDENT + 3.0);
/// Scale of the t density over the standard deviation of the normal density that it stands for: the one that makes
/// the information equal.
const SCALE: f64 = 0.866;
/// Earlier readings that one is compared with.
const NEIGHBOURS: usize = 6;
/// Readings farther apart than this many decorrelation lengths share nothing.
const FAR: f64 = 4.0;
/// The least standard deviation of a reading's own, in dB: no two stand in the same spot of the fading.
const OWN_DB: f64 = 1.0;
/// Steps towards the most likely power and exponent.
const STEPS: usize = 6;
/// Allowed for the steps' end being short of the top, in the bound.
const SHORT_NATS: f64 = 0.3;
/// Most likely exponents this far from the limits are not cut.
const CLEAR: f64 = 1.0;

/// A level and what it shares with the ones before it.
#[derive(Debug)]
struct Heard {
    point: EarthPoint,
    /// Added to the range in squares.
    soft2_m2: f64,
    /// What it adds: weights of levels, its own the last, over the standard deviation.
    row: Vec<(usize, f64)>,
    /// That sum over the levels.
    level: f64,
    /// And over the unknown powers, one for each scale.
    powers: Vec<f64>,
    /// As [`Node::shrink`], for each node.
    shrink: [f64; 3],
}

/// All levels of a hunt.
#[derive(Debug)]
pub(crate) struct Levels {
    pub(crate) scales: Vec<String>,
    pub(crate) places: Vec<Position>,
    heard: Vec<Heard>,
    /// The levels and their scales, in the order of `heard`.
    readings: Vec<(f64, usize)>,
    /// Mean and precision of each scale's power beforehand; precision 0 where nothing is known.
    priors: Vec<(f64, f64)>,
    pub(crate) quiet: Vec<Quiet>,
    pub(crate) config: ClueConfig,
    /// Factors of the shadowing's standard deviation.
    nodes: Vec<Node>,
}

/// One value of the shadowing's standard deviation.
#[derive(Debug)]
struct Node {
    factor: f64,
    /// For each reading the variance of what it adds at the usual deviation, over that at this one: the readings' own errors stay as they are.
    shrink: Vec<f64>,
    ln_weight: f64,
    /// Inverse of the information about the powers alone.
    powers: DMatrix<f64>,
    /// Log of everything that does not depend on the place.
    ln_constant: f64,
}

/// Ranges from a place, as levels see them.
#[derive(Debug)]
pub(crate) struct View {
    /// `10 log10(r / 1 km)` of each reading.
    range_db: Vec<f64>,
    /// The same weighted as the levels are.
    weighted: Vec<f64>,
    /// By how much `weighted` may differ within a disc.
    slack: Vec<f64>,
    /// And by how much any `range_db`.
    pub(crate) slack_db: f64,
}

/// The most likely exponent and powers, seen from one place.
#[derive(Debug, Clone)]
pub(crate) struct Law {
    /// The exponent, then a power for each scale.
    pub(crate) mean: DVector<f64>,
    pub(crate) covariance: DMatrix<f64>,
}

impl Levels {
    /// `None` where nothing can be told from levels and silence.
    pub(crate) fn new(
        levels: &[LevelReport],
        silences: &[SilenceReport],
        powers: &[PowerPrior],
        config: ClueConfig,
    ) -> Option<Self> {
        let mut used: Vec<&LevelReport> = levels.iter().filter(|l| usable(l)).collect();
        used.sort_by(|a, b| {
            order(a)
                .partial_cmp(&order(b))
                .unwrap_or(std::cmp::Ordering::Equal)
        });
        let known = powers
            .iter()
            .filter(|p| p.level_at_1km_db.is_finite() && p.sigma_db.is_finite() && p.sigma_db > 0.0);
        let mut scales: Vec<String> = used.iter().map(|l| l.scale.clone()).collect();
        scales.extend(known.clone().map(|p| p.scale.clone()));
        scales.sort();
        scales.dedup();
        let priors = scales
            .iter()
            .map(|s| {
                known
                    .clone()
                    .find(|p| &p.scale == s)
                    .map_or((0.0, 0.0), |p| (p.level_at_1km_db, p.sigma_db.powi(-2)))
            })
            .collect();
        let quiet = Quiet::gather(silences, &scales, config);
        if used.is_empty() && quiet.is_empty() {
            return None;
        }
        let mut all = Self {
            readings: used
                .iter()
                .map(|l| (l.level_db, scales.binary_search(&l.scale).unwrap_or(0)))
                .collect(),
            scales,
            places: used.iter().map(|l| l.position).collect(),
            heard: Vec::new(),
            priors,
            quiet,
            config,
            nodes: Vec::new(),
        };
        all.heard = (0..used.len()).map(|i| all.weigh(&used, i)).collect();
        all.nodes = (0..3).map(|k| all.node(k)).collect();
        Some(all)
    }

    /// What reading `i` adds to its neighbours before it.
    fn weigh(&self, used: &[&LevelReport], i: usize) -> Heard {
        let point = |k: usize| EarthPoint::from(used[k].position);
        let here = point(i);
        let mut near: Vec<(f64, usize)> = (0..i)
            .map(|k| (chord2_m2(&here, &point(k)).sqrt(), k))
            .filter(|(d, _)| *d < FAR * self.config.decorrelation_m)
            .collect();
        near.sort_by(|a, b| a.partial_cmp(b).unwrap_or(std::cmp::Ordering::Equal));
        near.truncate(NEIGHBOURS);
        let own = |k: usize| used[k].sigma_db.max(OWN_DB).powi(2);
        let count = near.len();
        // Weights of the neighbours, and the variance that is left, for a factor of the shadowing's deviation.
        let foretold = |factor: f64| {
            let variance = (factor * self.config.shadowing_sigma_db).powi(2);
            let shared = |a: &EarthPoint, b: &EarthPoint| {
                variance * (-chord2_m2(a, b).sqrt() / self.config.decorrelation_m).exp()
            };
            let among = DMatrix::from_fn(count, count, |a, b| {
                let (a, b) = (near[a].1, near[b].1);
                shared(&point(a), &point(b)) + if a == b { own(a) } else { 0.0 }
            });
            let with = DVector::from_iterator(count, near.iter().map(|n| shared(&here, &point(n.1))));
            let weights = among
                .cholesky()
                .map_or_else(|| DVector::zeros(count), |c| c.solve(&with));
            let left = (variance + own(i) - weights.dot(&with)).max(0.5 * own(i));
            (weights, left)
        };
        let (weights, left) = foretold(1.0);
        let shrink = self.factors().map(|(f, _)| left / foretold(f).1);
        let scale = 1.0 / (SCALE * left.sqrt());
        let mut row: Vec<(usize, f64)> = near
            .iter()
            .zip(weights.iter())
            .map(|(n, w)| (n.1, -w * scale))
            .collect();
        row.push((i, scale));
        let mut powers = vec![0.0; self.scales.len()];
        for &(k, w) in &row {
            powers[self.readings[k].1] += w;
        }
        Heard {
            point: here,
            soft2_m2: self.config.near_range_m.powi(2) + 2.0 * used[i].position_sigma_m.powi(2),
            level: row.iter().map(|&(k, w)| w * self.readings[k].0).sum(),
            row,
            powers,
            shrink,
        }
    }

    /// Factors of the shadowing's standard deviation and their weights: Gauss and Hermite's three nodes.
    fn factors(&self) -> [(f64, f64); 3] {
        let step = 3.0_f64.sqrt() * self.config.shadowing_spread;
        [(-step, 1.0 / 6.0), (0.0, 2.0 / 3.0), (step, 1.0 / 6.0)].map(|(ln, w)| (ln.exp(), w))
    }

    fn node(&self, k: usize) -> Node {
        let (factor, weight) = self.factors()[k];
        let count = self.scales.len();
        let shrink: Vec<f64> = self.heard.iter().map(|h| h.shrink[k]).collect();
        let powers = DMatrix::from_fn(count, count, |a, b| {
            let one = |(h, s): (&Heard, &f64)| s * h.powers[a] * h.powers[b];
            let heard: f64 = self.heard.iter().zip(&shrink).map(one).sum();
            INFORMATION * heard + if a == b { self.priors[a].1 } else { 0.0 }
        });
        let cholesky = powers.cholesky();
        let ln_det = cholesky.as_ref().map_or(0.0, |c| c.determinant().ln());
        Node {
            factor,
            ln_weight: weight.ln(),
            powers: cholesky.map_or_else(|| DMatrix::zeros(count, count), |c| c.inverse()),
            ln_constant: 0.5 * shrink.iter().map(|s| s.ln()).sum::<f64>() - 0.5 * ln_det,
            shrink,
        }
    }

    /// Whether two places at least can be compared, or a level with what is known of the power.
    pub(crate) fn may_locate(&self) -> bool {
        let apart = |scale: usize| {
            let mut of = (0..self.heard.len()).filter(|&i| self.readings[i].1 == scale);
            let known = self.priors[scale].1 > 0.0;
            of.next().is_some_and(|first| {
                known || of.any(|i| chord2_m2(&self.heard[first].point, &self.heard[i].point) > OWN_DB)
            })
        };
        (0..self.scales.len()).any(apart)
    }

    /// Ranges seen from a place, within a disc around it.
    pub(crate) fn view(&self, point: &EarthPoint, radius_m: f64) -> View {
        let mut range_db = Vec::with_capacity(self.heard.len());
        let mut slacks = Vec::new();
        for heard in &self.heard {
            let (db, slack) = range_db_within(chord2_m2(point, &heard.point), heard.soft2_m2, radius_m);
            range_db.push(db);
            if radius_m > 0.0 {
                slacks.push(slack);
            }
        }
        let sum = |h: &Heard| h.row.iter().map(|&(k, w)| w * range_db[k]).sum();
        let reach = |h: &Heard| h.row.iter().map(|&(k, w)| w.abs() * slacks[k]).sum();
        View {
            weighted: self.heard.iter().map(sum).collect(),
            slack: if radius_m > 0.0 {
                self.heard.iter().map(reach).collect()
            } else {
                Vec::new()
            },
            slack_db: slacks.iter().copied().fold(0.0, f64::max),
            range_db,
        }
    }

    /// What reading `i` adds beyond the law, in standard deviations: whole, and less what the best place in the disc takes away.
    fn residual(&self, view: &View, law: &DVector<f64>, i: usize) -> (f64, f64) {
        let heard = &self.heard[i];
        let powers: f64 = heard
            .powers
            .iter()
            .zip(law.iter().skip(1))
            .map(|(a, p)| a * p)
            .sum();
        let whole = heard.level + law[0] * view.weighted[i] - powers;
        let slack = view.slack.get(i).copied().unwrap_or(0.0) * law[0].abs();
        (whole, whole.signum() * (whole.abs() - slack).max(0.0))
    }

    /// The most likely exponent and powers.
    pub(crate) fn most_likely(&self, view: &View) -> DVector<f64> {
        let size = self.scales.len() + 1;
        let mut law = DVector::zeros(size);
        law[0] = self.config.exponent_mean;
        for (s, prior) in self.priors.iter().enumerate() {
            law[s + 1] = prior.0;
        }
        // Where a disc takes away a part of what is left, each step can only be short of the next.
        let steps = if view.slack.is_empty() { STEPS } else { 2 * STEPS };
        for step in 0..steps {
            let (mut matrix, mut slope) = self.prior_terms(&law);
            for (i, heard) in self.heard.iter().enumerate() {
                let (whole, left) = self.residual(view, &law, i);
                // Least squares first.
                let (weight, left) = if step == 0 {
                    (1.0, whole)
                } else {
                    ((STUDENT + 1.0) / (STUDENT + left * left), left)
                };
                let turn = |k: usize| {
                    if k == 0 {
                        view.weighted[i]
                    } else {
                        -heard.powers[k - 1]
                    }
                };
                for a in 0..size {
                    let one = weight * turn(a);
                    slope[a] -= one * left;
                    for b in 0..=a {
                        matrix[(a, b)] += one * turn(b);
                    }
                }
            }
            let Some(cholesky) = matrix.cholesky() else { break };
            law += cholesky.solve(&slope);
        }
        law
    }

    /// Information and slope of what is known beforehand.
    fn prior_terms(&self, law: &DVector<f64>) -> (DMatrix<f64>, DVector<f64>) {
        let size = law.len();
        let (mut matrix, mut slope) = (DMatrix::zeros(size, size), DVector::zeros(size));
        let exponent = self.config.exponent_sigma.powi(-2);
        matrix[(0, 0)] = exponent;
        slope[0] = exponent * (self.config.exponent_mean - law[0]);
        for (s, prior) in self.priors.iter().enumerate() {
            matrix[(s + 1, s + 1)] = prior.1;
            slope[s + 1] = prior.1 * (prior.0 - law[s + 1]);
        }
        (matrix, slope)
    }

    /// Log likelihood of the levels at a place, or a limit of it where the view is of a disc, and the logs of the parts that the shadowing's
    /// nodes have in it.
    pub(crate) fn ln(&self, view: &View, law: &DVector<f64>) -> (f64, [f64; 3]) {
        let squares: Vec<f64> = (0..self.heard.len())
            .map(|i| self.residual(view, law, i).1.powi(2))
            .collect();
        let prior = self.prior_ln(law);
        let spread: f64 = view.slack.iter().map(|s| s * s).sum::<f64>().sqrt();
        let mut parts = [f64::NEG_INFINITY; 3];
        for (part, node) in parts.iter_mut().zip(&self.nodes) {
            let schur = self.exponent_information(view, node, spread);
            *part = node.ln_weight + node.ln_constant + prior
                - 0.5 * schur.ln()
                - 0.5 * (STUDENT + 1.0) * ln_product(&squares, &node.shrink);
        }
        let peak = parts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let ln = peak + parts.iter().map(|p| (p - peak).exp()).sum::<f64>().ln();
        (ln, parts.map(|p| p - ln))
    }

    fn prior_ln(&self, law: &DVector<f64>) -> f64 {
        let exponent = ((law[0] - self.config.exponent_mean) / self.config.exponent_sigma).powi(2);
        let powers: f64 = self
            .priors
            .iter()
            .enumerate()
            .map(|(s, prior)| prior.1 * (law[s + 1] - prior.0).powi(2))
            .sum();
        -0.5 * (exponent + powers)
    }

    /// Information about the exponent, the powers unknown; in a disc no more than anywhere in it.
    fn exponent_information(&self, view: &View, node: &Node, spread: f64) -> f64 {
        let information = INFORMATION / node.factor.powi(2);
        let beforehand = self.config.exponent_sigma.powi(-2);
        let squares: f64 = view.weighted.iter().map(|w| w * w).sum();
        let count = self.scales.len();
        let mixed = DVector::from_fn(count, |s, _| {
            let sum: f64 = self
                .heard
                .iter()
                .zip(&view.weighted)
                .map(|(h, w)| h.powers[s] * w)
                .sum();
            information * sum
        });
        let known = (&node.powers * &mixed).dot(&mixed);
        let gained = (information * squares - known).max(0.0);
        let least = (gained.sqrt() - information.sqrt() * spread).max(0.0);
        beforehand + least * least
    }

    /// The exponent and the powers as the levels leave them.
    pub(crate) fn law(&self, view: &View) -> Law {
        let mean = self.most_likely(view);
        let (mut matrix, _) = self.prior_terms(&mean);
        for (heard, weighted) in self.heard.iter().zip(&view.weighted) {
            let turn = |k: usize| if k == 0 { *weighted } else { -heard.powers[k - 1] };
            for a in 0..mean.len() {
                for b in 0..mean.len() {
                    matrix[(a, b)] += INFORMATION * turn(a) * turn(b);
                }
            }
        }
        let size = mean.len();
        let covariance = matrix
            .cholesky()
            .map_or_else(|| DMatrix::zeros(size, size), |c| c.inverse());
        Law { mean, covariance }
    }

    /// Log of the share of the exponent's density between its limits.
    fn cut_ln(&self, law: &Law) -> f64 {
        let (low, high) = self.config.exponent_limits;
        let sigma = law.covariance[(0, 0)].max(1e-12).sqrt();
        ln_between((low - law.mean[0]) / sigma, (high - law.mean[0]) / sigma)
    }

    /// Log of what levels and silence say to a place, up to a constant.
    pub(crate) fn ln_at(&self, point: &EarthPoint) -> f64 {
        let view = self.view(point, 0.0);
        let mut law = self.law(&view);
        let levels = self.ln(&view, &law.mean).0 + self.cut_ln(&law);
        levels + self.quiet.iter().map(|q| q.take(&mut law, point)).sum::<f64>()
    }

    /// A limit of [`Levels::ln_at`] within a disc.
    pub(crate) fn ln_bound(&self, point: &EarthPoint, radius_m: f64) -> f64 {
        let view = self.view(point, radius_m);
        let best = self.most_likely(&view);
        let levels = self.ln(&view, &best).0 + SHORT_NATS;
        let (low, high) = self.config.exponent_limits;
        if self.quiet.is_empty() && (low + CLEAR..high - CLEAR).contains(&best[0]) {
            return levels;
        }
        let mut law = self.law(&self.view(point, 0.0));
        // The exponent may be another elsewhere in the disc: by its standard deviation for each of the levels' that the ranges move.
        let sigma = law.covariance[(0, 0)].sqrt();
        let spread: f64 = view.slack.iter().map(|s| s * s).sum::<f64>().sqrt();
        let loose = high * sigma * spread;
        let cut = ln_between(
            (low - law.mean[0] - loose) / sigma,
            (high - law.mean[0] + loose) / sigma,
        );
        let shift_db = high * view.slack_db;
        let quiet = |q: &Quiet| q.bound(&mut law, point, radius_m, shift_db);
        levels + cut + self.quiet.iter().map(quiet).sum::<f64>()
    }

    /// What each reading has beyond the law, in dB, with its place.
    pub(crate) fn beyond_db<'a>(
        &'a self,
        view: &'a View,
        law: &'a DVector<f64>,
    ) -> impl Iterator<Item = (&'a EarthPoint, f64)> {
        self.heard.iter().enumerate().map(|(i, h)| {
            let (level, scale) = self.readings[i];
            (&h.point, level + law[0] * view.range_db[i] - law[scale + 1])
        })
    }

    /// Mean of the shadowing's standard deviation over its nodes, in dB, from the logs of their parts.
    pub(crate) fn shadowing_db(&self, parts: &[f64; 3]) -> f64 {
        let mean: f64 = self
            .nodes
            .iter()
            .zip(parts)
            .map(|(n, p)| n.factor * p.exp())
            .sum();
        mean * self.config.shadowing_sigma_db
    }

    /// Scales that have levels.
    pub(crate) fn has_levels(&self, scale: usize) -> bool {
        self.readings.iter().any(|r| r.1 == scale)
    }

    /// What a point costs, in table lookups of a bearing (some 40 ns).
    pub(crate) fn cost(&self) -> f64 {
        let size = (self.scales.len() + 1) as f64;
        2.0 * self.heard.len() as f64 * size + 20.0 * size + 10.0 * self.quiet.len() as f64
    }
}

/// `10 log10(r / 1 km)`, and by how much it may differ within a disc.
pub(crate) fn range_db_within(range2_m2: f64, soft2_m2: f64, radius_m: f64) -> (f64, f64) {
    let db = |r2: f64| 5.0 * ((r2 + soft2_m2) * 1e-6).log10();
    let middle = db(range2_m2);
    if radius_m <= 0.0 {
        return (middle, 0.0);
    }
    let range_m = range2_m2.sqrt();
    let (far, near) = (range_m + radius_m, (range_m - radius_m).max(0.0));
    (middle, (db(far * far) - middle).max(middle - db(near * near)))
}

/// Square of the straight distance: on ranges to 300 km it is short by one in ten thousand, which is 0.001 dB.
pub(crate) fn chord2_m2(a: &EarthPoint, b: &EarthPoint) -> f64 {
    (a.x_m - b.x_m).powi(2) + (a.y_m - b.y_m).powi(2) + (a.z_m - b.z_m).powi(2)
}

/// `sum ln(1 + square shrink / nu)`, with a logarithm for every eight.
fn ln_product(squares: &[f64], shrink: &[f64]) -> f64 {
    let one = |(s, k): (&f64, &f64)| 1.0 + s * k / STUDENT;
    squares
        .chunks(8)
        .zip(shrink.chunks(8))
        .map(|(s, k)| s.iter().zip(k).map(one).product::<f64>().ln())
        .sum()
}

fn usable(level: &LevelReport) -> bool {
    level.position.lat_deg.abs() <= 90.0
        && level.position.lon_deg.is_finite()
        && level.position_sigma_m.is_finite()
        && level.position_sigma_m >= 0.0
        && level.level_db.abs() <= 1e4
        && level.sigma_db.is_finite()
        && level.sigma_db >= 0.0
}

/// What puts levels in an order that does not depend on how they came in.
fn order(level: &LevelReport) -> (f64, f64, &str, f64, f64, &str) {
    (
        level.position.lat_deg,
        level.position.lon_deg,
        &level.scale,
        level.level_db,
        level.sigma_db,
        &level.id,
    )
}
