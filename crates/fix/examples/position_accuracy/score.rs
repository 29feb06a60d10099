//! What came out of many hunts.

use lobewright_fix::{FixConfig, linearized, solve};
use lobewright_geodesy::inverse;
use lobewright_types::FixOutcome;

use crate::hunts::{Class, Hunt};

/// One hunt's result.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Outcome {
    pub(crate) error_m: f64,
    pub(crate) squared_sigmas: f64,
    pub(crate) bound_m2: f64,
    /// Squared errors of the least-squares position; none where there is none.
    pub(crate) least_squares: Option<f64>,
    pub(crate) held50: bool,
    pub(crate) held95: bool,
    pub(crate) area95_km2: f64,
    /// A fault of the compass with at least even odds.
    pub(crate) fault_said: bool,
}

/// Solves a hunt and holds the result against the truth; none where there is no position.
pub(crate) fn run(class: Class, trial: u64, config: &FixConfig) -> Option<Outcome> {
    let hunt = Hunt::draw(class, trial, config);
    let FixOutcome::Fix(fix) = solve(&hunt.bearings, config) else {
        return None;
    };
    Some(Outcome {
        error_m: inverse(fix.position, hunt.truth).distance_m,
        squared_sigmas: hunt.squared_sigmas(fix.position),
        bound_m2: hunt.bound_m2(),
        least_squares: linearized(&hunt.bearings).map(|l| hunt.squared_sigmas(l.position)),
        held50: fix.region50.contains(hunt.truth),
        held95: fix.region95.contains(hunt.truth),
        area95_km2: fix.region95.area_km2,
        fault_said: fix.station_offsets.iter().any(|o| o.fault_probability >= 0.5),
    })
}

/// Sums over the hunts with a position.
#[derive(Debug, Clone)]
pub(crate) struct Score {
    pub(crate) hunts: usize,
    pub(crate) fixed: usize,
    pub(crate) held50: usize,
    pub(crate) held95: usize,
    pub(crate) fault_said: usize,
    pub(crate) median_error_m: f64,
    pub(crate) median_area95_km2: f64,
    /// Mean squared error in units of the bound's ellipse, 1 at the bound; of hunts whose right bearings make a bound.
    pub(crate) ratio: f64,
    /// The same of the least-squares position.
    pub(crate) least_squares_ratio: f64,
    pub(crate) bound_rms_m: f64,
    pub(crate) rms_m: f64,
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

impl Score {
    pub(crate) fn of(all: &[Option<Outcome>]) -> Self {
        let fixed: Vec<&Outcome> = all.iter().flatten().collect();
        let count = |of: fn(&Outcome) -> bool| fixed.iter().filter(|o| of(o)).count();
        let mean =
            |of: fn(&Outcome) -> f64| fixed.iter().map(|o| of(o)).sum::<f64>() / fixed.len().max(1) as f64;
        let least: Vec<f64> = fixed.iter().filter_map(|o| o.least_squares).collect();
        Self {
            hunts: all.len(),
            fixed: fixed.len(),
            held50: count(|o| o.held50),
            held95: count(|o| o.held95),
            fault_said: count(|o| o.fault_said),
            median_error_m: median(fixed.iter().map(|o| o.error_m).collect()),
            median_area95_km2: median(fixed.iter().map(|o| o.area95_km2).collect()),
            ratio: mean(|o| o.squared_sigmas) / 2.0,
            least_squares_ratio: least.iter().sum::<f64>() / (2 * least.len().max(1)) as f64,
            bound_rms_m: mean(|o| o.bound_m2).sqrt(),
            rms_m: mean(|o| o.error_m * o.error_m).sqrt(),
        }
    }
}
