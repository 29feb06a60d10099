//! Procedures modelled on those by which direction finders are measured.
//!
//! The texts of Recommendations ITU-R SM.2060 and SM.2061 were not at hand: what is run here is this project's own, and no
//! figure of it claims conformity.

pub(crate) mod azimuth;
pub(crate) mod multipath;

use lobewright_bearing::Estimate;
use lobewright_types::wrap_signed_degrees;

use crate::common::holds;

/// One bearing taken.
#[derive(Debug, Clone, Copy)]
struct Taken {
    error_deg: f64,
    held: bool,
    reported: bool,
}

impl Taken {
    fn new(estimate: &Estimate, truth_deg: f64) -> Self {
        Self {
            error_deg: wrap_signed_degrees(estimate.azimuth.degrees() - truth_deg),
            held: holds(&estimate.arcs95, truth_deg),
            reported: estimate.reflection.is_some(),
        }
    }
}

/// Figures over a set of bearings; a trial without one is `None`.
struct Figures {
    bearings: usize,
    none: usize,
    rms_deg: f64,
    mean_deg: f64,
    largest_deg: f64,
    /// 95 % of the errors are no larger.
    within_deg: f64,
    held_percent: f64,
    reported_percent: f64,
}

impl Figures {
    fn of(all: &[Option<Taken>]) -> Self {
        let taken: Vec<Taken> = all.iter().flatten().copied().collect();
        let n = taken.len().max(1) as f64;
        let percent = |test: fn(&Taken) -> bool| 100.0 * taken.iter().filter(|t| test(t)).count() as f64 / n;
        let mut sizes: Vec<f64> = taken.iter().map(|t| t.error_deg.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let rank = (taken.len() * 95).div_ceil(100).max(1) - 1;
        Self {
            bearings: taken.len(),
            none: all.len() - taken.len(),
            rms_deg: (sizes.iter().map(|e| e * e).sum::<f64>() / n).sqrt(),
            mean_deg: taken.iter().map(|t| t.error_deg).sum::<f64>() / n,
            largest_deg: sizes.last().copied().unwrap_or(0.0),
            within_deg: sizes.get(rank).copied().unwrap_or(0.0),
            held_percent: percent(|t| t.held),
            reported_percent: percent(|t| t.reported),
        }
    }
}
