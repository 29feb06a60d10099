//! Where the density may be high, and which level errors the readings allow.

use crate::bank::{Bank, Node, Trouble};
use crate::config::EstimatorConfig;
use crate::gain::Gains;
use crate::levels::Point;
use crate::likelihood::{Likelihood, NATS_PER_DB};
use crate::logsum::LogSum;
use crate::nodes::Raster;
use crate::prepare::Data;

const COARSE_STEP_DEG: f64 = 5.0;
/// A direction this near has much the same level.
const NEAR_DEG: f64 = 5.5;
const COARSE_SIGMAS_DB: [f64; 4] = [0.3, 1.0, 2.5, 6.0];
/// Share of the weight that the nodes kept hold.
const KEPT_SHARE: f64 = 0.995;
/// Peaks this far under the best coarse one are not followed.
const COARSE_DEPTH_NATS: f64 = 14.0;
/// Peaks this far under the best one at their own best level error are not followed either.
const PEAK_DEPTH_NATS: f64 = 10.0;
const MOST_PEAKS: usize = 5;
/// Nodes below this share of the best one are left out.
pub(crate) const PRUNE_NATS: f64 = 5.0;
/// Nodes this far under the best one at the tops of the peaks are not looked at further.
const HOPEFUL_NATS: f64 = 12.0;

/// The directions and level errors that matter.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    pub(crate) bank: Bank,
    /// Peaks in mount terms with their standard deviations.
    pub(crate) centres: Vec<(f64, f64)>,
    /// Logarithm of the evidence summed over directions (in degrees) and level errors.
    pub(crate) ln_mass: f64,
}

/// A peak of the evidence summed over level errors.
#[derive(Debug, Clone, Copy)]
struct Peak {
    at_deg: f64,
    width_deg: f64,
    top: f64,
}

/// Evaluates the evidence in any direction.
pub(crate) struct Search<'a> {
    pub(crate) likelihood: &'a Likelihood,
    pub(crate) gains: &'a Gains,
    pub(crate) point: Point,
    pub(crate) config: &'a EstimatorConfig,
    pub(crate) smallest_noise_nats: f64,
    kept: Kept,
    values: Vec<f64>,
    /// Blunt log evidence on the coarse raster.
    coarse: Vec<f64>,
}

/// Points aimed at lately: several banks look from the same few directions.
#[derive(Debug, Default)]
struct Kept {
    /// With the time of last use.
    points: Vec<(u64, Point)>,
    time: u64,
}

/// More need more memory than they save time.
const MOST_KEPT: usize = 24;

impl<'a> Search<'a> {
    pub(crate) fn new(likelihood: &'a Likelihood, gains: &'a Gains, config: &'a EstimatorConfig) -> Self {
        Self {
            likelihood,
            gains,
            point: Point::default(),
            config,
            smallest_noise_nats: 1e-3,
            kept: Kept::default(),
            values: Vec::new(),
            coarse: Vec::new(),
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
            let last = &kept.points[slot].1;
            let near = last
                .azimuth_deg
                .filter(|a| (a - azimuth_mount_deg).abs() < NEAR_DEG)
                .map(|_| &last.level[..]);
            let likelihood = self.likelihood;
            self.point.aim(
                &likelihood.data,
                self.gains,
                azimuth_mount_deg,
                near,
                likelihood.arch,
            );
        }
    }

    /// Log evidence summed over nodes with their weights.
    pub(crate) fn ln_mixture(&mut self, azimuth_mount_deg: f64, bank: &Bank) -> f64 {
        self.aim(azimuth_mount_deg);
        self.mixture_here(bank)
    }

    pub(crate) fn mixture_here(&mut self, bank: &Bank) -> f64 {
        self.likelihood.ln_evidences(&self.point, bank, &mut self.values);
        let mut sum = LogSum::default();
        for (value, node) in self.values.iter().zip(&bank.nodes) {
            sum.push(value + node.ln_weight);
        }
        sum.ln()
    }

    /// Weighted log evidence of each node.
    pub(crate) fn weighted_here(&mut self, bank: &Bank) -> Vec<f64> {
        self.likelihood.ln_evidences(&self.point, bank, &mut self.values);
        let weighted = self.values.iter().zip(&bank.nodes);
        weighted.map(|(value, node)| value + node.ln_weight).collect()
    }

    pub(crate) fn plan(&mut self) -> Plan {
        let starts = self.coarse_peaks();
        self.measure_noise(starts[0]);
        let ties = tie_options(&self.likelihood.data, self.config);
        let raster = self.raster();
        let white = self.white_bank(&raster, ties[ties.len() - 1]);
        let mut peaks = self.follow(&starts, 3.0, &white);
        // With memories the level error may lie elsewhere, and with it the direction.
        let likeliest = self.likeliest_step(&white, &peaks[0], &raster);
        let first = self.first_bank(&raster, &ties, likeliest);
        let first = self.hopeful(&first, &peaks);
        let masses = self.masses(&first, &peaks);
        let bank = self.finer(&first, &masses, &raster, &ties);
        peaks = self.refollow(peaks, &bank);
        let masses = self.masses(&bank, &peaks);
        Plan {
            bank: self.weightiest(&bank, &masses),
            centres: peaks.iter().map(|p| (p.at_deg, p.width_deg)).collect(),
            ln_mass: LogSum::of(&masses),
        }
    }

    /// A plan that knows no memory of the level error: much quicker, and as good where only evidences are compared.
    pub(crate) fn quick_plan(&mut self) -> Plan {
        let starts = self.coarse_peaks();
        self.measure_noise(starts[0]);
        let ties = tie_options(&self.likelihood.data, self.config);
        let raster = self.raster();
        let white = self.white_bank(&raster, ties[ties.len() - 1]);
        let peaks = self.follow(&starts, 3.0, &white);
        let masses = self.masses(&white, &peaks);
        Plan {
            centres: peaks.iter().map(|p| (p.at_deg, p.width_deg)).collect(),
            ln_mass: LogSum::of(&masses),
            bank: white,
        }
    }

    /// Place on the raster of the likeliest level error without memory.
    fn likeliest_step(&mut self, white: &Bank, peak: &Peak, raster: &Raster) -> i32 {
        self.aim(peak.at_deg);
        let values = self.weighted_here(white);
        let best = (0..values.len())
            .max_by(|&a, &b| values[a].total_cmp(&values[b]))
            .unwrap_or(0);
        raster.step_of(white.nodes[best].sigma_nats)
    }

    /// Leaves out nodes that are hopeless at the tops of all peaks.
    fn hopeful(&mut self, bank: &Bank, peaks: &[Peak]) -> Bank {
        let mut best = vec![f64::NEG_INFINITY; bank.nodes.len()];
        for peak in peaks {
            self.aim(peak.at_deg);
            for (best, value) in best.iter_mut().zip(self.weighted_here(bank)) {
                *best = best.max(value);
            }
        }
        let top = best.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        bank.kept(self.likelihood, |i| best[i] > top - HOPEFUL_NATS)
    }

    /// The blunt log evidence on a raster from the first direction on, as far as it was worked out.
    pub(crate) fn coarse_at(&self, azimuth_mount_deg: f64) -> f64 {
        let n = self.coarse.len();
        let x = azimuth_mount_deg.rem_euclid(360.0) / COARSE_STEP_DEG;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 72")]
        let i = x as usize;
        self.coarse[i % n].max(self.coarse[(i + 1) % n])
    }

    /// Local maxima of a blunt likelihood, best first.
    fn coarse_peaks(&mut self) -> Vec<f64> {
        let ties = tie_options(&self.likelihood.data, self.config);
        let nodes = COARSE_SIGMAS_DB
            .iter()
            .map(|db| Node {
                sigma_nats: db * NATS_PER_DB,
                memory: 0,
                trouble: Trouble::None,
                tie_nats: ties[ties.len() - 1],
                ln_weight: self.ln_prior(db * NATS_PER_DB),
            })
            .collect();
        let bank = Bank::new(nodes, self.likelihood);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "72")]
        let n = (360.0 / COARSE_STEP_DEG) as usize;
        let values: Vec<f64> = (0..n)
            .map(|i| self.ln_mixture(i as f64 * COARSE_STEP_DEG, &bank))
            .collect();
        let best = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        self.coarse.clone_from(&values);
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

    /// Follows starts uphill; those far below the best are dropped, those that meet are one.
    fn follow(&mut self, starts: &[f64], width_deg: f64, bank: &Bank) -> Vec<Peak> {
        let mut peaks: Vec<Peak> = Vec::new();
        for &start in starts {
            peaks.push(self.climb(start, width_deg, bank));
        }
        distinct(peaks)
    }

    fn refollow(&mut self, peaks: Vec<Peak>, bank: &Bank) -> Vec<Peak> {
        let again = peaks
            .into_iter()
            .map(|p| self.climb(p.at_deg, p.width_deg, bank))
            .collect();
        distinct(again)
    }

    /// Follows a peak of the evidence from `at_deg`, and measures its width.
    fn climb(&mut self, at_deg: f64, width_deg: f64, bank: &Bank) -> Peak {
        let mut at = at_deg;
        let mut step = width_deg.clamp(1e-3, 6.0);
        let mut here = self.ln_mixture(at, bank);
        let mut width = step;
        // What is known of the neighbours from before a move.
        let (mut known_left, mut known_right) = (None, None);
        for _ in 0..16 {
            let left = known_left
                .take()
                .unwrap_or_else(|| self.ln_mixture(at - step, bank));
            let right = known_right
                .take()
                .unwrap_or_else(|| self.ln_mixture(at + step, bank));
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
            let to = at + 0.5 * step * (right - left) / (2.0 * here - left - right);
            let there = self.ln_mixture(to, bank);
            if there > here {
                (at, here) = (to, there);
            }
            if step <= 1.5 * width {
                break;
            }
            step = width.max(step / 8.0);
        }
        Peak {
            at_deg: at,
            width_deg: width,
            top: here,
        }
    }

    /// Weight of each node: its evidence integrated over the peaks, each taken for a parabola.
    fn masses(&mut self, bank: &Bank, peaks: &[Peak]) -> Vec<f64> {
        let mut sums = vec![LogSum::default(); bank.nodes.len()];
        for peak in peaks {
            let w = peak.width_deg.clamp(1e-4, 8.0);
            let [left, here, right] = [-w, 0.0, w].map(|off| {
                self.aim(peak.at_deg + off);
                self.weighted_here(bank)
            });
            for (i, sum) in sums.iter_mut().enumerate() {
                sum.push(parabola_mass(left[i], here[i], right[i], w));
            }
        }
        sums.iter().map(LogSum::ln).collect()
    }

    /// The nodes that hold most of the weight: the density is worked out for each many times over.
    fn weightiest(&self, bank: &Bank, masses: &[f64]) -> Bank {
        let mut order: Vec<usize> = (0..masses.len()).collect();
        order.sort_by(|&a, &b| masses[b].total_cmp(&masses[a]).then(a.cmp(&b)));
        let best = masses[order[0]];
        order.retain(|&i| masses[i] > best - PRUNE_NATS);
        let total: f64 = order.iter().map(|&i| (masses[i] - best).exp()).sum();
        let mut held = 0.0;
        let mut keep = vec![false; masses.len()];
        for i in order {
            if held > KEPT_SHARE * total {
                break;
            }
            keep[i] = true;
            held += (masses[i] - best).exp();
        }
        bank.kept(self.likelihood, |i| keep[i])
    }
}

fn distinct(mut peaks: Vec<Peak>) -> Vec<Peak> {
    peaks.sort_by(|a, b| b.top.total_cmp(&a.top));
    let mut kept: Vec<Peak> = Vec::new();
    for peak in peaks {
        let near = |k: &Peak| {
            lobewright_types::wrap_signed_degrees(k.at_deg - peak.at_deg).abs() < 0.5 * k.width_deg.max(1e-3)
        };
        let best = kept.first().map_or(peak.top, |k| k.top);
        if peak.top > best - PEAK_DEPTH_NATS && !kept.iter().any(near) {
            kept.push(peak);
        }
    }
    kept
}

/// Log of the area under a peak from three values of its logarithm, `w` apart.
fn parabola_mass(left: f64, here: f64, right: f64, w: f64) -> f64 {
    let bend = 2.0 * here - left - right;
    let highest = here.max(left).max(right);
    // A peak that lies outside, or none: the parabola would run away.
    let tilt = 0.5 * (right - left);
    if bend <= 1e-9 || tilt.abs() > 2.0 * bend {
        return highest + w.ln() + 1.0;
    }
    let top = here + 0.5 * tilt * tilt / bend;
    let width = (w / bend.sqrt()).min(60.0);
    top.min(highest + 4.0) + (width * std::f64::consts::TAU.sqrt()).ln()
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
