//! Where the density may be high, and which level errors the readings allow.

use crate::config::EstimatorConfig;
use crate::gain::GainTable;
use crate::levels::Point;
use crate::likelihood::{Likelihood, MEMORIES, NATS_PER_DB, Node};
use crate::prepare::Data;

const COARSE_STEP_DEG: f64 = 3.0;
const COARSE_SIGMAS_DB: [f64; 3] = [0.5, 1.5, 4.0];
/// Peaks this far under the best one at their own best level error are not followed either.
const PEAK_DEPTH_NATS: f64 = 10.0;
/// Share of the weight that the nodes kept hold.
const KEPT_SHARE: f64 = 0.98;
/// Peaks this far under the best coarse one are not followed.
const COARSE_DEPTH_NATS: f64 = 14.0;
const MOST_PEAKS: usize = 4;
/// Largest level error tried: Rayleigh fading has 5.6 dB.
const LARGEST_SIGMA_DB: f64 = 9.0;
const SMALLEST_SIGMA_DB: f64 = 0.01;
/// A level error below this share of the smallest noise changes nothing.
const NEGLIGIBLE: f64 = 0.3;
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
    smallest_noise_nats: f64,
    kept: Kept,
}

/// Points aimed at lately: climbs for one level error after the other start from the same few directions.
#[derive(Debug, Default)]
struct Kept {
    /// With the time of last use.
    points: Vec<(u64, Point)>,
    time: u64,
}

/// More need more memory than they save time.
const MOST_KEPT: usize = 24;

impl<'a> Search<'a> {
    pub(crate) fn new(likelihood: &'a Likelihood, table: &'a GainTable, config: &'a EstimatorConfig) -> Self {
        Self {
            likelihood,
            table,
            point: Point::default(),
            config,
            smallest_noise_nats: 1e-3,
            kept: Kept::default(),
        }
    }

    /// Aims the point, or takes the one that was aimed there before.
    pub(crate) fn aim(&mut self, azimuth_mount_deg: f64) {
        let wanted = Some(azimuth_mount_deg);
        if self.point.azimuth_deg == wanted {
            return;
        }
        let kept = &mut self.kept;
        kept.time += 1;
        let found = kept.points.iter().position(|p| p.1.azimuth_deg == wanted);
        let slot = match found {
            Some(slot) => slot,
            None if kept.points.len() < MOST_KEPT => {
                kept.points.push((0, Point::default()));
                kept.points.len() - 1
            }
            None => (0..MOST_KEPT).min_by_key(|&i| kept.points[i].0).unwrap_or(0),
        };
        // The point of before takes its place among those kept.
        std::mem::swap(&mut self.point, &mut kept.points[slot].1);
        kept.points[slot].0 = kept.time;
        if found.is_none() {
            self.point
                .aim(&self.likelihood.data, self.table, azimuth_mount_deg);
        }
    }

    pub(crate) fn ln_evidence(&mut self, azimuth_mount_deg: f64, node: &Node) -> f64 {
        self.aim(azimuth_mount_deg);
        self.likelihood.ln_evidence(&self.point, node)
    }

    /// Log evidence summed over nodes with their weights.
    pub(crate) fn ln_mixture(&mut self, azimuth_mount_deg: f64, nodes: &[Node]) -> f64 {
        self.aim(azimuth_mount_deg);
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
        self.measure_noise(peaks[0]);
        let ties = tie_options(&self.likelihood.data, self.config);
        let mut candidates: Vec<(Node, Rung)> = Vec::new();
        for &tie_nats in &ties {
            self.candidates(&mut candidates, &peaks, tie_nats, ties.len());
        }
        // Only what carries weight is kept: the density is worked out for each node many times over.
        candidates.sort_by(|a, b| b.1.mass.total_cmp(&a.1.mass));
        let best = candidates[0].1.mass;
        candidates.retain(|c| c.1.mass > best - PRUNE_NATS);
        let total: f64 = candidates.iter().map(|c| (c.1.mass - best).exp()).sum();
        let mut held = 0.0;
        let mut plan = Plan {
            nodes: Vec::new(),
            centres: Vec::new(),
        };
        for (node, rung) in candidates {
            let twin = |n: &Node| {
                n.memory == node.memory
                    && (n.sigma_nats / node.sigma_nats - 1.0).abs() < 1e-9
                    && (n.tie_nats - node.tie_nats).abs() < 1e-12
            };
            plan.centres.push((rung.at_deg, rung.width_deg));
            if !plan.nodes.iter().any(twin) {
                plan.nodes.push(node);
            }
            held += (rung.mass - best).exp();
            if held > KEPT_SHARE * total {
                break;
            }
        }
        plan
    }

    /// Level errors on one raster, each with the best direction near each peak.
    fn candidates(&mut self, out: &mut Vec<(Node, Rung)>, peaks: &[f64], tie_nats: f64, ties: usize) {
        let no_error = self.no_error_node(tie_nats, ties);
        let mut best = f64::NEG_INFINITY;
        let mut white: Vec<(Rung, Rung)> = Vec::new();
        for &peak in peaks {
            let ladder = self.ladder(peak, tie_nats);
            let end = ladder[ladder.len() - 1];
            let mut none = self.climb(end.at_deg, end.width_deg, no_error.sigma_nats.ln(), 0, tie_nats);
            none.mass += no_error.ln_weight - self.ln_prior(no_error.sigma_nats) - MEMORIES[0].share.ln();
            let top = ladder
                .into_iter()
                .max_by(|a, b| a.mass.total_cmp(&b.mass))
                .unwrap_or(end);
            best = best.max(top.mass).max(none.mass);
            white.push((top, none));
        }
        for (top, none) in white {
            if top.mass.max(none.mass) < best - PEAK_DEPTH_NATS {
                continue;
            }
            out.push((no_error, none));
            for memory in 0..MEMORIES.len() {
                self.spread(out, top, memory, tie_nats, ties, best);
            }
        }
    }

    /// Rungs on a fixed raster of level errors, up and down from a start, as far as they carry weight.
    fn spread(
        &mut self,
        out: &mut Vec<(Node, Rung)>,
        start: Rung,
        memory: usize,
        tie_nats: f64,
        ties: usize,
        best: f64,
    ) {
        let step = self.rung_step();
        let low = self.lowest_ln_sigma();
        let high = (LARGEST_SIGMA_DB * NATS_PER_DB).ln();
        let raster = |i: f64| low + (i + 0.5) * step;
        let first = ((start.ln_sigma - low) / step - 0.5).round().max(0.0);
        let share = (step * MEMORIES[memory].share / ties as f64).ln();
        let mut top = f64::NEG_INFINITY;
        for side in [1.0, -1.0] {
            let mut near = start;
            let mut i = if side > 0.0 { first } else { first - 1.0 };
            while i >= 0.0 && raster(i) < high + step {
                let ln_sigma = raster(i);
                let rung = self.climb(near.at_deg, near.width_deg, ln_sigma, memory, tie_nats);
                let mass = rung.mass + step.ln() - (ties as f64).ln();
                let begun = (i - first).abs() > 0.5;
                let falls = begun && rung.mass < near.mass;
                near = rung;
                top = top.max(mass);
                out.push((
                    Node {
                        sigma_nats: ln_sigma.exp(),
                        memory,
                        tie_nats,
                        ln_weight: self.ln_prior(ln_sigma.exp()) + share,
                    },
                    Rung { mass, ..rung },
                ));
                // The first rung of a strong memory may lie far down a slope that leads up.
                if mass < top - PRUNE_NATS || (falls && rung.mass < best - PRUNE_NATS - 3.0) {
                    break;
                }
                i += side;
            }
        }
    }

    /// Local maxima of a blunt likelihood, best first.
    fn coarse_peaks(&mut self) -> Vec<f64> {
        let ties = tie_options(&self.likelihood.data, self.config);
        let nodes: Vec<Node> = COARSE_SIGMAS_DB
            .iter()
            .map(|db| Node {
                sigma_nats: db * NATS_PER_DB,
                memory: 0,
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

    /// Level error so small that its size and correlation do not matter: one node stands for all of them.
    fn no_error_node(&self, tie_nats: f64, ties: usize) -> Node {
        let low = self.lowest_ln_sigma();
        let (mut sum, mut ln_sigma) = (LogSum::default(), low);
        while ln_sigma > (0.1 * SMALLEST_SIGMA_DB * NATS_PER_DB).ln() {
            ln_sigma -= 0.2;
            sum.push(self.ln_prior(ln_sigma.exp()) + 0.2_f64.ln());
        }
        Node {
            sigma_nats: 0.5 * low.exp(),
            memory: 0,
            tie_nats,
            ln_weight: sum.ln() - (ties as f64).ln(),
        }
    }

    fn lowest_ln_sigma(&self) -> f64 {
        let high = (LARGEST_SIGMA_DB * NATS_PER_DB).ln();
        (SMALLEST_SIGMA_DB * NATS_PER_DB)
            .ln()
            .max((NEGLIGIBLE * self.smallest_noise_nats).ln())
            .min(high - 1.0)
    }

    /// Goes down from a large level error to a small one, the direction followed closer at each rung.
    fn ladder(&mut self, peak_deg: f64, tie_nats: f64) -> Vec<Rung> {
        let low = self.lowest_ln_sigma();
        let (mut at, mut width) = (peak_deg, 3.0);
        let mut ln_sigma = (LARGEST_SIGMA_DB * NATS_PER_DB).ln();
        let mut best = f64::NEG_INFINITY;
        let mut ladder: Vec<Rung> = Vec::new();
        loop {
            let rung = self.climb(at, width, ln_sigma, 0, tie_nats);
            (at, width) = (rung.at_deg, rung.width_deg);
            best = best.max(rung.mass);
            ladder.push(rung);
            ln_sigma -= std::f64::consts::LN_2;
            // Well past the top: smaller level errors only get worse.
            if ln_sigma < low || rung.mass < best - 40.0 {
                return ladder;
            }
        }
    }

    /// Spacing of level errors: the accuracy to which this number of readings can tell them apart.
    fn rung_step(&self) -> f64 {
        let n = self.likelihood.data.obs.len() as f64;
        (1.5 / (2.0 * n).sqrt()).clamp(0.08, 0.4)
    }

    /// Smallest noise of a reading, counted as a level error of the signal, at the best direction so far.
    fn measure_noise(&mut self, azimuth_mount_deg: f64) {
        self.aim(azimuth_mount_deg);
        self.smallest_noise_nats = self
            .point
            .linear
            .iter()
            .map(|l| l.v.sqrt() / l.h.max(1e-3))
            .fold(f64::INFINITY, f64::min)
            .clamp(1e-4, 1.0);
    }

    /// Follows a peak of the evidence from `at_deg`, and measures its width.
    fn climb(&mut self, at_deg: f64, width_deg: f64, ln_sigma: f64, memory: usize, tie_nats: f64) -> Rung {
        let node = Node {
            sigma_nats: ln_sigma.exp(),
            memory,
            tie_nats,
            ln_weight: 0.0,
        };
        let mut at = at_deg;
        let mut step = width_deg.clamp(1e-3, 6.0);
        let mut here = self.ln_evidence(at, &node);
        let mut width = step;
        // What is known of the neighbours from before a move.
        let (mut known_left, mut known_right) = (None, None);
        for _ in 0..12 {
            let left = known_left
                .take()
                .unwrap_or_else(|| self.ln_evidence(at - step, &node));
            let right = known_right
                .take()
                .unwrap_or_else(|| self.ln_evidence(at + step, &node));
            if left > here && left >= right {
                known_right = Some(here);
                (at, here) = (at - step, left);
                continue;
            }
            if right > here {
                known_left = Some(here);
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
        let mass = here + width.ln() + self.ln_prior(node.sigma_nats) + MEMORIES[memory].share.ln();
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
