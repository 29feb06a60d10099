//! Where the density may be high, and which level errors the readings allow.

use crate::config::EstimatorConfig;
use crate::gain::GainTable;
use crate::levels::Point;
use crate::likelihood::{CORRELATIONS, Likelihood, NATS_PER_DB, Node};
use crate::prepare::Data;

const COARSE_STEP_DEG: f64 = 3.0;
const COARSE_SIGMAS_DB: [f64; 3] = [0.5, 1.5, 4.0];
/// Peaks this far under the best coarse one are not followed.
const COARSE_DEPTH_NATS: f64 = 14.0;
const MOST_PEAKS: usize = 4;
/// Largest level error tried: Rayleigh fading has 5.6 dB.
const LARGEST_SIGMA_DB: f64 = 9.0;
const SMALLEST_SIGMA_DB: f64 = 0.01;
/// Nodes below this share of the best one are left out.
const PRUNE_NATS: f64 = 5.0;

/// The directions and level errors that matter.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    pub(crate) nodes: Vec<Node>,
    /// Peaks in mount terms with their standard deviations, for the nodes that matter.
    pub(crate) centres: Vec<(f64, f64)>,
}

/// The best direction for one supposed level error.
#[derive(Debug, Clone, Copy)]
struct Rung {
    ln_sigma: f64,
    at_deg: f64,
    width_deg: f64,
    /// Log evidence with the area of the peak and the prior of the level error.
    mass: f64,
}

/// Evaluates the evidence in any direction.
pub(crate) struct Search<'a> {
    pub(crate) likelihood: &'a Likelihood,
    pub(crate) table: &'a GainTable,
    pub(crate) point: Point,
    pub(crate) config: &'a EstimatorConfig,
}

impl Search<'_> {
    pub(crate) fn ln_evidence(&mut self, azimuth_mount_deg: f64, node: &Node) -> f64 {
        self.point
            .aim(&self.likelihood.data, self.table, azimuth_mount_deg);
        self.likelihood.ln_evidence(&self.point, node)
    }

    /// Log evidence summed over nodes with their weights.
    pub(crate) fn ln_mixture(&mut self, azimuth_mount_deg: f64, nodes: &[Node]) -> f64 {
        self.point
            .aim(&self.likelihood.data, self.table, azimuth_mount_deg);
        self.mixture_here(nodes)
    }

    pub(crate) fn mixture_here(&self, nodes: &[Node]) -> f64 {
        let mut sum = LogSum::default();
        for node in nodes {
            sum.push(self.likelihood.ln_evidence(&self.point, node) + node.ln_weight);
        }
        sum.ln()
    }

    pub(crate) fn plan(&mut self) -> Plan {
        let peaks = self.coarse_peaks();
        let ties = tie_options(&self.likelihood.data, self.config);
        let mut found: Vec<(Vec<Rung>, usize, usize)> = Vec::new();
        let mut best = f64::NEG_INFINITY;
        for &peak in &peaks {
            for correlation in 0..CORRELATIONS.len() {
                for (tie, &tie_nats) in ties.iter().enumerate() {
                    let rungs = self.rungs(peak, correlation, tie_nats);
                    best = rungs.iter().fold(best, |b, r| b.max(r.mass));
                    found.push((rungs, correlation, tie));
                }
            }
        }
        let mut centres: Vec<(f64, f64)> = Vec::new();
        let mut nodes: Vec<Node> = Vec::new();
        for (correlation, &(_, prior)) in CORRELATIONS.iter().enumerate() {
            for (tie, &tie_nats) in ties.iter().enumerate() {
                let mut sigmas: Vec<f64> = Vec::new();
                for (rungs, c, t) in &found {
                    if (*c, *t) != (correlation, tie) {
                        continue;
                    }
                    for rung in rungs.iter().filter(|r| r.mass > best - PRUNE_NATS) {
                        sigmas.push(rung.ln_sigma);
                        centres.push((rung.at_deg, rung.width_deg));
                    }
                }
                let share = prior / ties.len() as f64;
                self.push_nodes(&mut nodes, sigmas, correlation, tie_nats, share);
            }
        }
        Plan { nodes, centres }
    }

    /// Local maxima of a blunt likelihood, best first.
    fn coarse_peaks(&mut self) -> Vec<f64> {
        let ties = tie_options(&self.likelihood.data, self.config);
        let nodes: Vec<Node> = COARSE_SIGMAS_DB
            .iter()
            .map(|db| Node {
                sigma_nats: db * NATS_PER_DB,
                correlation: 0,
                tie_nats: ties[ties.len() - 1],
                ln_weight: self.ln_prior(db * NATS_PER_DB),
            })
            .collect();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "120")]
        let n = (360.0 / COARSE_STEP_DEG) as usize;
        let values: Vec<f64> = (0..n)
            .map(|i| self.ln_mixture(i as f64 * COARSE_STEP_DEG, &nodes))
            .collect();
        let best = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut peaks: Vec<usize> = (0..n)
            .filter(|&i| {
                values[i] > best - COARSE_DEPTH_NATS
                    && values[i] >= values[(i + n - 1) % n]
                    && values[i] > values[(i + 1) % n]
            })
            .collect();
        peaks.sort_by(|&a, &b| values[b].total_cmp(&values[a]));
        peaks.truncate(MOST_PEAKS);
        if peaks.is_empty() {
            peaks.push(0);
        }
        peaks.into_iter().map(|i| i as f64 * COARSE_STEP_DEG).collect()
    }

    /// Goes down from a large level error to a small one, the direction followed closer at each rung, then puts
    /// rungs evenly over the level errors that the readings allow.
    fn rungs(&mut self, peak_deg: f64, correlation: usize, tie_nats: f64) -> Vec<Rung> {
        let (low, high) = (
            (SMALLEST_SIGMA_DB * NATS_PER_DB).ln(),
            (LARGEST_SIGMA_DB * NATS_PER_DB).ln(),
        );
        let low = low.max((0.3 * self.smallest_noise_nats()).ln()).min(high - 1.0);
        let factor = std::f64::consts::LN_2;
        let mut ladder: Vec<Rung> = Vec::new();
        let (mut at, mut width) = (peak_deg, 3.0);
        let mut ln_sigma = high;
        while ln_sigma > low - 0.5 * factor {
            let rung = self.climb(at, width, ln_sigma, correlation, tie_nats);
            (at, width) = (rung.at_deg, rung.width_deg);
            let behind = ladder.iter().map(|r| r.mass).fold(f64::NEG_INFINITY, f64::max);
            ladder.push(rung);
            // Well past the top: smaller level errors only get worse.
            if rung.mass < behind - 40.0 {
                break;
            }
            ln_sigma -= factor;
        }
        let top = (0..ladder.len())
            .max_by(|&a, &b| ladder[a].mass.total_cmp(&ladder[b].mass))
            .unwrap_or(0);
        let step = self.rung_step();
        let mut rungs = Vec::new();
        let reach = factor + 2.0 * step;
        let count = (2.0 * reach / step).ceil();
        let mut start = ladder[top];
        let mut i = 0.0;
        while i <= count {
            let ln_sigma = (ladder[top].ln_sigma + reach - i * step).min(high);
            if ln_sigma >= low - factor {
                let rung = self.climb(start.at_deg, start.width_deg, ln_sigma, correlation, tie_nats);
                rungs.push(rung);
                start = rung;
            }
            i += 1.0;
        }
        // A flat end: level errors below the noise are all alike, and far ones count too.
        for rung in ladder {
            if (rung.ln_sigma - rungs[0].ln_sigma).abs() > 0.5 * step
                && (rung.ln_sigma < rungs[rungs.len() - 1].ln_sigma || rung.ln_sigma > rungs[0].ln_sigma)
            {
                rungs.push(rung);
            }
        }
        rungs
    }

    /// Spacing of level errors: the accuracy to which this number of readings can tell them apart.
    fn rung_step(&self) -> f64 {
        let n = self.likelihood.data.obs.len() as f64;
        (1.5 / (2.0 * n).sqrt()).clamp(0.08, 0.4)
    }

    fn smallest_noise_nats(&self) -> f64 {
        self.point
            .linear
            .iter()
            .map(|l| l.v.sqrt() / l.h.max(1e-3))
            .fold(f64::INFINITY, f64::min)
            .clamp(1e-4, 1.0)
    }

    /// Follows a peak of the evidence from `at_deg`, and measures its width.
    fn climb(
        &mut self,
        at_deg: f64,
        width_deg: f64,
        ln_sigma: f64,
        correlation: usize,
        tie_nats: f64,
    ) -> Rung {
        let node = Node {
            sigma_nats: ln_sigma.exp(),
            correlation,
            tie_nats,
            ln_weight: 0.0,
        };
        let mut at = at_deg;
        let mut step = width_deg.clamp(1e-3, 6.0);
        let mut here = self.ln_evidence(at, &node);
        let mut width = step;
        for _ in 0..12 {
            let (left, right) = (
                self.ln_evidence(at - step, &node),
                self.ln_evidence(at + step, &node),
            );
            if left > here && left >= right {
                (at, here) = (at - step, left);
                continue;
            }
            if right > here {
                (at, here) = (at + step, right);
                continue;
            }
            let bend = (2.0 * here - left - right) / (step * step);
            if bend <= 0.0 {
                width = 10.0;
                break;
            }
            width = bend.powf(-0.5).min(60.0);
            at += 0.5 * step * (right - left) / (2.0 * here - left - right);
            here = here.max(self.ln_evidence(at, &node));
            if step <= 1.5 * width {
                break;
            }
            step = width.max(step / 8.0);
        }
        let mass = here + width.ln() + self.ln_prior(node.sigma_nats) + CORRELATIONS[correlation].1.ln();
        Rung {
            ln_sigma,
            at_deg: at,
            width_deg: width,
            mass,
        }
    }

    /// Log prior density of the logarithm of the level error.
    pub(crate) fn ln_prior(&self, sigma_nats: f64) -> f64 {
        let typical = (self.config.level_error_typical_db * NATS_PER_DB).max(1e-6);
        let spread = self.config.level_error_ln_sigma.max(0.05);
        -0.5 * ((sigma_nats / typical).ln() / spread).powi(2) - spread.ln()
    }

    fn push_nodes(
        &self,
        nodes: &mut Vec<Node>,
        mut ln_sigmas: Vec<f64>,
        correlation: usize,
        tie_nats: f64,
        share: f64,
    ) {
        let step = self.rung_step();
        ln_sigmas.sort_by(f64::total_cmp);
        ln_sigmas.dedup_by(|b, a| *b - *a < 0.6 * step);
        let n = ln_sigmas.len();
        for i in 0..n {
            let left = if i > 0 {
                ln_sigmas[i] - ln_sigmas[i - 1]
            } else {
                step
            };
            let right = if i + 1 < n {
                ln_sigmas[i + 1] - ln_sigmas[i]
            } else {
                step
            };
            // A hole in the list is a stretch that was pruned, not one that the neighbours stand for.
            let span = 0.5 * (left.min(0.8) + right.min(0.8));
            let sigma_nats = ln_sigmas[i].exp();
            nodes.push(Node {
                sigma_nats,
                correlation,
                tie_nats,
                ln_weight: self.ln_prior(sigma_nats) + span.ln() + share.ln(),
            });
        }
    }
}

pub(crate) fn tie_options(data: &Data, config: &EstimatorConfig) -> Vec<f64> {
    if data.bursts() < 2 {
        return vec![0.0];
    }
    config
        .burst_level_sigma_db
        .iter()
        .map(|db| db.abs().max(0.01) * NATS_PER_DB)
        .collect()
}

/// Sum of numbers given by their logarithms.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LogSum {
    top: f64,
    sum: f64,
}

impl Default for LogSum {
    fn default() -> Self {
        Self {
            top: f64::NEG_INFINITY,
            sum: 0.0,
        }
    }
}

impl LogSum {
    pub(crate) fn push(&mut self, ln: f64) {
        if ln > self.top {
            self.sum = self.sum * (self.top - ln).exp() + 1.0;
            self.top = ln;
        } else if ln > f64::NEG_INFINITY {
            self.sum += (ln - self.top).exp();
        }
    }

    pub(crate) fn ln(&self) -> f64 {
        self.top + self.sum.max(f64::MIN_POSITIVE).ln()
    }
}
