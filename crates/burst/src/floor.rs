//! The noise floor: the lowest consistent cluster of cell powers.

use std::collections::VecDeque;

use lobewright_types::Dbfs;
use serde::{Deserialize, Serialize};

/// Share of the cells whose quantile starts the cluster.
const START_QUANTILE: f64 = 0.03;
/// The standard normal quantile of `START_QUANTILE` (scipy 1.17.1, `norm.ppf(0.03)`).
const START_SPREADS: f64 = 1.880_793_608_151_251;
/// Cells further above the mean than this many standard deviations are not noise. Chosen by simulation: the largest
/// bias of the floor by bursts of any strength on for 60 % of the time is least here.
const CLIP_SPREADS: f64 = 2.2;
/// How far the clip lowers the mean, in standard deviations: φ(2.2)/Φ(2.2) of the normal distribution
/// (Johnson, Kotz & Balakrishnan, *Continuous Univariate Distributions* 1, section 13.10.1).
const CLIP_SHIFT: f64 = 0.035_975;
/// How far the observed spread of cells may raise the one expected of white noise.
const MAX_SPREAD_FACTOR: f64 = 4.0;
/// Share of the ring that is renewed between two estimates.
const UPDATES_PER_RING: usize = 64;
const ITERATIONS: usize = 20;
/// Standard deviations between the halves of the ring from which on they tell of a drift.
const TREND_SPREADS: f64 = 4.0;

/// Mean noise power in the channel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseFloor {
    /// Level of the noise in the channel filter's bandwidth.
    #[serde(rename = "level_dbfs")]
    pub level: Dbfs,
    /// Relative standard deviation of the power behind `level` (0.01 is about 0.04 dB).
    pub rel_sigma: f64,
}

/// A noise power with what is known about its spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct FloorEstimate {
    pub power: f64,
    pub rel_sigma: f64,
    /// How many times less independent the samples are than white noise's, at least 1.
    pub colour: f64,
    /// Largest cell power that counts as noise.
    pub clip: f64,
}

/// Finds the noise power in cells of which some hold bursts.
///
/// # Inputs
/// `cells`: mean powers, any order; zeros (no signal at all) are passed over. `independent`: independent samples in a cell.
///
/// # Result
/// `None` without a positive cell.
///
/// # Method
/// Starts from the 3 % quantile, read as that of noise, and takes the mean of the cells below 2.2 standard deviations
/// over it until nothing changes: the fixed point is the lowest cluster that noise can make, however large the share
/// of bursts above. Cells that vary more than white noise, downwards from the mean where no burst reaches, widen the
/// limit, at most four times.
pub(crate) fn lowest_cluster(cells: &[f64], independent: f64) -> Option<FloorEstimate> {
    let mut sorted: Vec<f64> = cells
        .iter()
        .copied()
        .filter(|&p| p > 0.0 && p.is_finite())
        .collect();
    sorted.sort_by(f64::total_cmp);
    let white = 1.0 / independent.sqrt();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of a length"
    )]
    let rank = (sorted.len() as f64 * START_QUANTILE) as usize;
    let start = *sorted.get(rank)?;
    let mut mean = start / (1.0 - START_SPREADS * white).max(0.2);
    let mut spread = white;
    let mut used = 0;
    for _ in 0..ITERATIONS {
        let clip = mean * (1.0 + CLIP_SPREADS * spread);
        let now = sorted.partition_point(|&p| p <= clip).max(rank + 1);
        if now == used {
            break;
        }
        used = now;
        let kept = &sorted[..used];
        mean = kept.iter().sum::<f64>() / used as f64 / (1.0 - CLIP_SHIFT * spread);
        let below = &kept[..kept.partition_point(|&p| p < mean)];
        let square: f64 = below.iter().map(|p| (p / mean - 1.0).powi(2)).sum();
        let downwards = (square / below.len().max(1) as f64).sqrt();
        spread = downwards.clamp(white, MAX_SPREAD_FACTOR * white);
    }
    Some(FloorEstimate {
        power: mean,
        rel_sigma: spread / (used as f64).sqrt(),
        colour: colour(spread / white, used),
        clip: mean * (1.0 + CLIP_SPREADS * spread),
    })
}

/// Carries a drift of the noise on to the newest cell.
///
/// The means of the older and the newer half stand half a ring apart, and so do the middle and the newest cell. A
/// difference within 4 standard deviations is chance and changes nothing.
fn follow_trend(estimate: FloorEstimate, cells: &[f64]) -> FloorEstimate {
    let noise: Vec<f64> = cells
        .iter()
        .copied()
        .filter(|&p| p > 0.0 && p <= estimate.clip)
        .collect();
    let (older, newer) = noise.split_at(noise.len() / 2);
    if older.is_empty() {
        return estimate;
    }
    let mean = |half: &[f64]| half.iter().sum::<f64>() / half.len() as f64;
    let step = mean(newer) - mean(older);
    // Each half's mean has √2 of the whole's standard deviation, their difference twice.
    let sigma = 2.0 * estimate.rel_sigma * estimate.power;
    if step.abs() <= TREND_SPREADS * sigma {
        return estimate;
    }
    // The clip holds back the upper cells of a rising ring, so the step itself is a lower limit.
    FloorEstimate {
        power: estimate.power + step,
        rel_sigma: estimate.rel_sigma * 5.0_f64.sqrt(),
        ..estimate
    }
}

/// Variance over the white one, 1 unless it is larger by more than chance (3 standard deviations) makes it.
fn colour(spread_ratio: f64, cells: usize) -> f64 {
    let ratio = spread_ratio * spread_ratio;
    // From half of the cells: twice the variance of a variance.
    let by_chance = 1.0 + 3.0 * (4.0 / cells as f64).sqrt();
    if ratio > by_chance { ratio } else { 1.0 }
}

/// Follows the noise through the cells that no burst touched.
#[derive(Debug, Clone)]
pub(crate) struct FloorTracker {
    ring: VecDeque<f64>,
    capacity: usize,
    independent: f64,
    since_update: usize,
    estimate: FloorEstimate,
}

impl FloorTracker {
    /// Starts from the cells of a first stretch; `None` without a positive one.
    pub(crate) fn start(cells: &[f64], independent: f64, capacity: usize) -> Option<Self> {
        let estimate = lowest_cluster(cells, independent)?;
        let noise = cells.iter().copied().filter(|&p| p > 0.0 && p <= estimate.clip);
        let mut ring: VecDeque<f64> = noise.collect();
        while ring.len() > capacity {
            ring.pop_front();
        }
        Some(Self {
            ring,
            capacity,
            independent,
            since_update: 0,
            estimate,
        })
    }

    pub(crate) fn estimate(&self) -> FloorEstimate {
        self.estimate
    }

    /// Takes a cell without a burst in it; true when the estimate changed.
    pub(crate) fn admit(&mut self, cell: f64) -> bool {
        if self.ring.len() >= self.capacity {
            self.ring.pop_front();
        }
        self.ring.push_back(cell);
        self.since_update += 1;
        if self.since_update < self.capacity.div_ceil(UPDATES_PER_RING) {
            return false;
        }
        self.since_update = 0;
        let cells: Vec<f64> = self.ring.iter().copied().collect();
        if let Some(estimate) = lowest_cluster(&cells, self.independent) {
            self.estimate = follow_trend(estimate, &cells);
        }
        true
    }
}
