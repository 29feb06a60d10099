//! What one trial gave, and what a row of them says.

use lobewright_bearing::Estimate;
use lobewright_types::wrap_signed_degrees;

use crate::baseline::Baselines;
use crate::common::holds;

/// An error over this is a gross one.
pub(crate) const GROSS_DEG: f64 = 30.0;
/// A mode shows a direction that lies within [`GROSS_DEG`] of it or within so many of its standard deviations.
pub(crate) const NEAR_SIGMAS: f64 = 2.0;
pub(crate) const SHARES: [f64; 3] = [0.50, 0.68, 0.95];

/// Whether the antenna can tell front from back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Ends {
    One,
    /// Errors count modulo 180 degrees, and both ends are to be shown.
    Both,
}

/// One trial.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Outcome {
    pub(crate) error_deg: f64,
    pub(crate) sigma_deg: f64,
    pub(crate) bound_deg: Option<f64>,
    pub(crate) held: [bool; 3],
    /// Every true direction has a mode.
    pub(crate) shown: bool,
    pub(crate) reflection: bool,
    pub(crate) highest_deg: f64,
    pub(crate) parabola_deg: f64,
    pub(crate) centroid_deg: f64,
}

impl Outcome {
    pub(crate) fn new(
        estimate: &Estimate,
        baselines: &Baselines,
        truth_deg: f64,
        bound_deg: Option<f64>,
        ends: Ends,
    ) -> Self {
        let off = |azimuth_deg: f64| match ends {
            Ends::One => wrap_signed_degrees(azimuth_deg - truth_deg),
            Ends::Both => 0.5 * wrap_signed_degrees(2.0 * (azimuth_deg - truth_deg)),
        };
        let has_mode = |azimuth_deg: f64| {
            estimate.modes.iter().any(|m| {
                let apart = wrap_signed_degrees(m.azimuth.degrees() - azimuth_deg).abs();
                apart <= GROSS_DEG.max(NEAR_SIGMAS * m.sigma_deg)
            })
        };
        Self {
            error_deg: off(estimate.azimuth.degrees()),
            sigma_deg: estimate.sigma_deg,
            bound_deg,
            held: SHARES.map(|share| holds(&estimate.density.highest_density_arcs(share), truth_deg)),
            shown: has_mode(truth_deg) && (ends == Ends::One || has_mode(truth_deg + 180.0)),
            reflection: estimate.reflection.is_some(),
            highest_deg: off(baselines.highest_deg()),
            parabola_deg: off(baselines.parabola_deg()),
            centroid_deg: off(baselines.centroid_deg()),
        }
    }

    fn gross(&self) -> bool {
        self.error_deg.abs() > GROSS_DEG
    }
}

/// A row: counts and means over its trials, in their order.
#[derive(Debug, Clone, Default)]
pub(crate) struct Score {
    pub(crate) trials: usize,
    /// Trials that gave no bearing; they count in nothing else.
    pub(crate) none: usize,
    pub(crate) rms_deg: f64,
    pub(crate) bound_deg: Option<f64>,
    /// Mean of error over stated sigma among the errors that are not gross, and its standard error.
    pub(crate) bias_sigmas: Option<(f64, f64)>,
    pub(crate) held: [usize; 3],
    pub(crate) gross: usize,
    /// Gross errors, or ends of the antenna, without a mode near the truth.
    pub(crate) unshown: usize,
    /// Those of them where not even the 95 % arcs hold the truth.
    pub(crate) missed: usize,
    pub(crate) median_sigma_deg: f64,
    pub(crate) highest_deg: f64,
    pub(crate) parabola_deg: f64,
    pub(crate) centroid_deg: f64,
    pub(crate) reflections: usize,
}

impl Score {
    /// `None` stands for a trial without a bearing.
    pub(crate) fn new(outcomes: &[Option<Outcome>], ends: Ends) -> Self {
        let found: Vec<&Outcome> = outcomes.iter().flatten().collect();
        if found.is_empty() {
            return Self {
                none: outcomes.len(),
                ..Self::default()
            };
        }
        let count = |test: &dyn Fn(&Outcome) -> bool| found.iter().filter(|o| test(o)).count();
        let rms = |value: &dyn Fn(&Outcome) -> f64| {
            (found.iter().map(|o| value(o).powi(2)).sum::<f64>() / found.len() as f64).sqrt()
        };
        let unshown = |o: &Outcome| !o.shown && (o.gross() || ends == Ends::Both);
        Self {
            trials: found.len(),
            none: outcomes.len() - found.len(),
            rms_deg: rms(&|o| o.error_deg),
            bound_deg: found
                .iter()
                .all(|o| o.bound_deg.is_some())
                .then(|| rms(&|o| o.bound_deg.unwrap_or(0.0))),
            bias_sigmas: mean(
                found
                    .iter()
                    .filter(|o| !o.gross())
                    .map(|o| o.error_deg / o.sigma_deg),
            ),
            held: [0, 1, 2].map(|i| count(&|o| o.held[i])),
            gross: count(&Outcome::gross),
            unshown: count(&unshown),
            missed: count(&|o| unshown(o) && !o.held[2]),
            median_sigma_deg: median(found.iter().map(|o| o.sigma_deg).collect()),
            highest_deg: rms(&|o| o.highest_deg),
            parabola_deg: rms(&|o| o.parabola_deg),
            centroid_deg: rms(&|o| o.centroid_deg),
            reflections: count(&|o| o.reflection),
        }
    }

    pub(crate) fn ratio(&self) -> Option<f64> {
        self.bound_deg.map(|bound| self.rms_deg / bound)
    }

    pub(crate) fn percent(&self, count: usize) -> f64 {
        100.0 * count as f64 / self.trials.max(1) as f64
    }

    /// How many binomial standard errors the share held by the 95 % arcs lies outside of 93 to 97 %: negative
    /// below, positive above, 0 inside.
    pub(crate) fn outside_95(&self) -> f64 {
        let n = self.trials.max(1) as f64;
        let share = self.held[2] as f64 / n;
        let beyond = |limit: f64| (share - limit) / (limit * (1.0 - limit) / n).sqrt();
        beyond(0.93).min(0.0) + beyond(0.97).max(0.0)
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    if values.len() % 2 == 1 {
        values[middle]
    } else {
        f64::midpoint(values[middle - 1], values[middle])
    }
}

/// Mean and its standard error; absent for fewer than two.
fn mean(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let values: Vec<f64> = values.collect();
    if values.len() < 2 {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    Some((mean, (variance / n).sqrt()))
}
