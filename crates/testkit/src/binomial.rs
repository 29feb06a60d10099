//! Limits for counts of successes: how often a stated probability may miss its mark by chance.

/// Counts from `low` to `high`, both included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CountLimits {
    /// Smallest count accepted.
    pub low: usize,
    /// Largest count accepted.
    pub high: usize,
}

impl CountLimits {
    /// Whether a count is accepted.
    pub fn contains(self, count: usize) -> bool {
        (self.low..=self.high).contains(&count)
    }
}

/// The counts out of `n` that agree with a probability of `p`.
///
/// # Inputs
/// `p`: 0 to 1. `alpha`: probability, at most, that a count falls outside although `p` is true; half of it on
/// each side. A seeded test that must not fail by bad luck takes about 0.001.
///
/// # Method
/// Exact tails of the binomial distribution.
///
/// # Panics
/// Where `p` is not in `[0, 1]`, `alpha` not in `(0, 1)`, or `n` is 0.
pub fn coverage_limits(p: f64, n: usize, alpha: f64) -> CountLimits {
    coverage_limits_between(p, p, n, alpha)
}

/// The counts out of `n` that agree with some probability from `p_low` to `p_high`.
///
/// The lower limit is that of `p_low`, the upper that of `p_high`; otherwise as [`coverage_limits`].
///
/// # Panics
/// As [`coverage_limits`], and where `p_low` is above `p_high`.
pub fn coverage_limits_between(p_low: f64, p_high: f64, n: usize, alpha: f64) -> CountLimits {
    assert!(
        (0.0..=1.0).contains(&p_low) && (0.0..=1.0).contains(&p_high) && p_low <= p_high,
        "probabilities {p_low} to {p_high} must lie in [0, 1], in order"
    );
    check_alpha(n, alpha);
    let half = alpha / 2.0;
    // A count is refused below where even all counts up to it together stay rarer than half of alpha.
    let mut below = 0.0;
    let lower = pmf(p_low, n);
    let low = (0..=n)
        .find(|&k| {
            below += lower[k];
            below > half
        })
        .unwrap_or(n);
    let mut above = 0.0;
    let upper = pmf(p_high, n);
    let high = (0..=n)
        .rev()
        .find(|&k| {
            above += upper[k];
            above > half
        })
        .unwrap_or(0);
    CountLimits { low, high }
}

/// The interval of probabilities that agree with `count` successes out of `n`.
///
/// # Inputs
/// `alpha`: 1 minus the confidence, 0.05 for a 95 % interval.
///
/// # Method
/// Clopper & Pearson, *The use of confidence or fiducial limits illustrated in the case of the binomial*,
/// Biometrika 26 (1934), 404: the exact tails, solved for the probability by bisection.
///
/// # Panics
/// Where `count` is above `n`, `alpha` not in `(0, 1)`, or `n` is 0.
pub fn proportion_interval(count: usize, n: usize, alpha: f64) -> (f64, f64) {
    check_alpha(n, alpha);
    assert!(count <= n, "{count} successes in {n} trials");
    let half = alpha / 2.0;
    let at_least = |p: f64| pmf(p, n)[count..].iter().sum::<f64>();
    let at_most = |p: f64| pmf(p, n)[..=count].iter().sum::<f64>();
    let low = if count == 0 {
        0.0
    } else {
        bisect(|p| at_least(p) < half)
    };
    let high = if count == n {
        1.0
    } else {
        bisect(|p| at_most(p) > half)
    };
    (low, high)
}

fn check_alpha(n: usize, alpha: f64) {
    assert!(
        n > 0 && alpha > 0.0 && alpha < 1.0,
        "{n} trials at alpha {alpha}: limits need trials and an alpha between 0 and 1"
    );
}

/// Where `below` turns from true to false on `[0, 1]`.
fn bisect(below: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if below(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

/// Probability of each count from 0 to `n`.
fn pmf(p: f64, n: usize) -> Vec<f64> {
    let mut terms = vec![0.0; n + 1];
    if p <= 0.0 {
        terms[0] = 1.0;
        return terms;
    }
    if p >= 1.0 {
        terms[n] = 1.0;
        return terms;
    }
    // Logs of C(n, k) as running sums: no term over- or underflows before the exponential.
    let (ln_p, ln_q) = (p.ln(), (-p).ln_1p());
    let mut ln_choose = 0.0;
    for (k, term) in terms.iter_mut().enumerate() {
        *term = (ln_choose + k as f64 * ln_p + (n - k) as f64 * ln_q).exp();
        ln_choose += ((n - k) as f64).ln() - ((k + 1) as f64).ln();
    }
    terms
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check_interval(count: usize, n: usize, low: f64, high: f64) {
        let (found_low, found_high) = proportion_interval(count, n, 0.05);
        assert!(
            (found_low - low).abs() < 5e-7,
            "{count}/{n}: {found_low} for {low}"
        );
        assert!(
            (found_high - high).abs() < 5e-7,
            "{count}/{n}: {found_high} for {high}"
        );
    }

    // SciPy 1.17.1: scipy.stats.beta.ppf(0.025, k, n - k + 1), scipy.stats.beta.ppf(0.975, k + 1, n - k), to
    // the six digits printed.
    #[test]
    fn intervals_are_those_of_the_beta_quantiles() {
        check_interval(10, 100, 0.049_005, 0.176_223);
        check_interval(47, 50, 0.834_518, 0.987_451);
        check_interval(1, 30, 0.000_844, 0.172_169);
        check_interval(940, 1000, 0.923_440, 0.953_905);
    }

    // Closed form where nothing or everything succeeds: 1 - (alpha/2)^(1/n).
    #[test]
    fn no_success_and_no_failure_have_the_closed_form() {
        let high = 1.0 - 0.025_f64.powf(0.1);
        check_interval(0, 10, 0.0, high);
        check_interval(10, 10, 1.0 - high, 1.0);
    }

    // SciPy 1.17.1: lower limit scipy.stats.binom.ppf(alpha / 2, n, p), upper limit
    // scipy.stats.binom.isf(alpha / 2, n, p).
    #[test]
    fn limits_are_those_of_the_binomial_quantiles() {
        assert_eq!(
            coverage_limits(0.95, 400, 0.001),
            CountLimits { low: 364, high: 393 }
        );
        assert_eq!(
            coverage_limits(0.95, 2000, 0.001),
            CountLimits {
                low: 1867,
                high: 1931
            }
        );
        assert_eq!(
            coverage_limits(0.001, 5000, 0.01),
            CountLimits { low: 0, high: 12 }
        );
        assert_eq!(coverage_limits(0.5, 20, 0.05), CountLimits { low: 6, high: 14 });
    }

    #[test]
    fn a_range_of_probabilities_takes_its_outer_limits() {
        let range = coverage_limits_between(0.93, 0.97, 1000, 1e-3);
        assert_eq!(range.low, coverage_limits(0.93, 1000, 1e-3).low);
        assert_eq!(range.high, coverage_limits(0.97, 1000, 1e-3).high);
        assert!(!range.contains(range.low - 1) && range.contains(range.low));
    }

    #[test]
    fn certain_outcomes_leave_one_count() {
        assert_eq!(coverage_limits(0.0, 50, 0.01), CountLimits { low: 0, high: 0 });
        assert_eq!(coverage_limits(1.0, 50, 0.01), CountLimits { low: 50, high: 50 });
    }

    #[test]
    fn many_trials_neither_over_nor_underflow() {
        let limits = coverage_limits(0.95, 20_000, 1e-3);
        assert!(limits.low > 18_800 && limits.high < 19_200);
        assert!((pmf(0.5, 20_000).iter().sum::<f64>() - 1.0).abs() < 1e-8);
    }
}
