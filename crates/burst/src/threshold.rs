//! The decision threshold for a stated rate of false alarms.

use statrs::function::gamma::{gamma_lr, gamma_ur, ln_gamma};

use crate::config::DECISIONS_PER_WINDOW;

/// Panels of the numerical integral (Simpson); 1e-6 relative from 2 to 10000 independent samples.
const PANELS: usize = 240;
/// Abscissae and weights of the five-point Gauss-Hermite rule for a standard normal variable
/// (Abramowitz & Stegun, table 25.10, rescaled): √(5 ∓ √10) and (7 ± 2√10)/60, 8/15 in the middle.
const NORMAL_RULE: [(f64, f64); 5] = [
    (-2.856_970_013_872_806, 0.011_257_411_327_720_7),
    (-1.355_626_179_974_266, 0.222_075_922_005_613),
    (0.0, 8.0 / 15.0),
    (1.355_626_179_974_266, 0.222_075_922_005_613),
    (2.856_970_013_872_806, 0.011_257_411_327_720_7),
];

/// Gives the probability that the average power of noise alone lies above `ratio` times its mean.
///
/// # Inputs
/// `independent_samples`: complex samples in the average, 1 or more; need not be whole.
///
/// # Method
/// The sum of `M` independent exponential powers has a gamma distribution of shape `M`; Urkowitz, *Energy
/// detection of unknown deterministic signals*, Proc. IEEE 55 (1967), has it as chi-square with `2M` degrees of freedom.
pub fn exceedance_probability(ratio: f64, independent_samples: f64) -> f64 {
    if ratio > 0.0 {
        gamma_ur(independent_samples, independent_samples * ratio)
    } else {
        1.0
    }
}

/// Gives the probability that a decision lies above the threshold and the one before did not.
///
/// # Inputs
/// As [`exceedance_probability`]; the averages of neighbouring decisions share 3/4 of their samples.
///
/// # Method
/// With `A` the shared sum, `B` the quarter that leaves and `C` the quarter that enters, all gamma distributed:
/// `P(A + B <= u, A + C > u) = ∫ f_A(u - t) F(t) (1 - F(t)) dt`. Numerical integration around the point where the
/// integrand peaks (all quarters at the threshold's mean).
pub fn upcrossing_probability(ratio: f64, independent_samples: f64) -> f64 {
    let total = independent_samples * ratio;
    let quarter = independent_samples / DECISIONS_PER_WINDOW as f64;
    let shared = independent_samples - quarter;
    let reach = 14.0 * ratio * quarter.sqrt().max(1.0);
    let low = (ratio * quarter - reach).max(0.0);
    let high = (ratio * quarter + reach).min(total);
    let density = |t: f64| {
        let a = total - t;
        if t <= 0.0 || a <= 0.0 {
            return 0.0;
        }
        let ln_shared = (shared - 1.0) * a.ln() - a - ln_gamma(shared);
        ln_shared.exp() * gamma_lr(quarter, t) * gamma_ur(quarter, t)
    };
    // Squeezed towards both ends, where the densities of few samples are singular: t runs as the smooth step whose
    // slope is 140 s³ (1 - s)³.
    let step = 1.0 / PANELS as f64;
    let at = |i: usize| {
        let s = i as f64 * step;
        let run = s.powi(4) * (35.0 - s * (84.0 - s * (70.0 - 20.0 * s)));
        let slope = 140.0 * (s * (1.0 - s)).powi(3);
        density(low + (high - low) * run) * slope * (high - low)
    };
    let inner: f64 = (1..PANELS)
        .map(|i| at(i) * if i % 2 == 1 { 4.0 } else { 2.0 })
        .sum();
    inner * step / 3.0
}

/// Gives the ratio of decision threshold to noise floor that yields a stated rate of false alarms.
///
/// # Inputs
/// - `false_alarms_per_hour`: above 0.
/// - `independent_samples`: complex samples in an average, integration time times noise bandwidth, at least 1.
/// - `decisions_per_s`: four in each integration time.
/// - `floor_rel_sigma`: relative standard deviation of the noise floor that the ratio will be applied to; the rate
///   is then met on the average over its errors.
///
/// # Result
/// Above 1, no unit (a ratio of powers), at most 1e6. A false alarm is an upward crossing; crossings that follow
/// each other at once are bridged into one report, which lowers the rate by 2 % (measured, 4 to 100 samples).
/// A rate so high that the threshold would lie under 1 gives the ratio 1.
///
/// # Method
/// Gamma statistics of the averaged power as in [`upcrossing_probability`]; bisection.
///
/// # Example
/// ```
/// # use lobewright_burst::threshold_ratio;
/// let ratio = threshold_ratio(1.0, 100.0, 400.0, 0.0);
/// assert!(ratio > 1.5 && ratio < 1.8);
/// ```
pub fn threshold_ratio(
    false_alarms_per_hour: f64,
    independent_samples: f64,
    decisions_per_s: f64,
    floor_rel_sigma: f64,
) -> f64 {
    let wanted = false_alarms_per_hour / 3600.0 / decisions_per_s;
    let samples = independent_samples.max(1.0);
    let sigma = floor_rel_sigma.clamp(0.0, 0.3);
    let rate = |ratio: f64| {
        NORMAL_RULE
            .iter()
            .map(|&(x, weight)| weight * upcrossing_probability(ratio * (1.0 + sigma * x), samples))
            .sum::<f64>()
    };
    let (mut low, mut high) = (1.0, 1.0 + 2.0 / samples.sqrt());
    while rate(high) > wanted && high < 1e6 {
        low = high;
        high *= 1.5;
    }
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if rate(middle) > wanted {
            low = middle;
        } else {
            high = middle;
        }
        if high - low < 1e-7 * high {
            break;
        }
    }
    high
}
