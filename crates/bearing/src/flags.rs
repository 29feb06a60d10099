//! Doubts about a bearing.

use lobewright_types::{BearingFlag, CircleDensity, FittedSignal, Mode};

use crate::likelihood::Residual;
use crate::prepare::Data;

/// Fewer readings than this are few: the level error itself cannot be judged from them.
const FEW: usize = 8;
/// A gap in the boresights wider than this leaves out a part of the circle.
const GAP_DEG: f64 = 90.0;
/// Level error beyond which the pattern hardly describes the readings; Rayleigh fading has 5.6 dB.
const BAD_LEVEL_ERROR_DB: f64 = 3.0;
/// Mean share of unexplained readings beyond which the fit is bad.
const BAD_UNEXPLAINED: f64 = 0.15;
/// Length of the mean resultant vector below which a direction is hardly better than a guess, if the density has
/// no second mode to blame.
const WEAK_LENGTH: f64 = 0.6;

pub(crate) struct Findings<'a> {
    pub(crate) data: &'a Data,
    pub(crate) density: &'a CircleDensity,
    pub(crate) modes: &'a [Mode],
    pub(crate) residuals: &'a [Residual],
    pub(crate) fitted: &'a FittedSignal,
    pub(crate) reflection: bool,
    pub(crate) track_ended_early: bool,
}

pub(crate) fn flags(f: &Findings<'_>) -> Vec<BearingFlag> {
    let unexplained =
        f.residuals.iter().map(|r| 1.0 - r.explained).sum::<f64>() / f.residuals.len().max(1) as f64;
    let all: Vec<f64> = f.data.obs.iter().map(|o| o.azimuth_mount_deg).collect();
    let tests = [
        (BearingFlag::Clipped, f.data.any_clipped),
        (BearingFlag::FewReadings, f.data.obs.len() < FEW),
        (BearingFlag::PartialCircle, largest_gap_deg(&all) > GAP_DEG),
        (
            BearingFlag::BadFit,
            f.fitted.level_error_sigma_db > BAD_LEVEL_ERROR_DB || unexplained > BAD_UNEXPLAINED,
        ),
        (BearingFlag::Reflection, f.reflection),
        (BearingFlag::Ambiguous, f.modes.len() > 1),
        (BearingFlag::SameSectorEachBurst, same_sector(f.data)),
        (BearingFlag::TrackEndedEarly, f.track_ended_early),
        (BearingFlag::Weak, weak(f)),
    ];
    tests
        .into_iter()
        .filter(|(_, set)| *set)
        .map(|(flag, _)| flag)
        .collect()
}

fn weak(f: &Findings<'_>) -> bool {
    let within: f64 = f.modes.iter().map(|m| m.probability).sum();
    let broad = f.modes[0].sigma_deg > 30.0 || within < 0.5;
    broad || (f.modes.len() < 2 && f.density.mean_direction().1 < WEAK_LENGTH)
}

/// Widest arc without a boresight.
fn largest_gap_deg(azimuths_deg: &[f64]) -> f64 {
    let mut sorted = azimuths_deg.to_vec();
    sorted.sort_by(f64::total_cmp);
    let mut gap = sorted[0] + 360.0 - sorted[sorted.len() - 1];
    for pair in sorted.windows(2) {
        gap = gap.max(pair[1] - pair[0]);
    }
    gap
}

/// Several bursts, each on a part of the circle, and that part much the same.
fn same_sector(data: &Data) -> bool {
    let bursts = data.bursts();
    if bursts < 2 {
        return false;
    }
    let all: Vec<f64> = data.obs.iter().map(|o| o.azimuth_mount_deg).collect();
    let joint = 360.0 - largest_gap_deg(&all);
    if joint > 270.0 {
        return false;
    }
    let single: f64 = (0..bursts)
        .map(|b| {
            let part: Vec<f64> = data
                .obs
                .iter()
                .filter(|o| o.burst == b)
                .map(|o| o.azimuth_mount_deg)
                .collect();
            360.0 - largest_gap_deg(&part)
        })
        .sum::<f64>()
        / bursts as f64;
    joint < 1.25 * single + 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gaps_go_over_north() {
        assert!((largest_gap_deg(&[350.0, 10.0, 30.0]) - 320.0).abs() < 1e-9);
        assert!((largest_gap_deg(&[5.0]) - 360.0).abs() < 1e-9);
    }
}
