//! Logarithms of normal probabilities, far out too.

use statrs::function::erf::erfc;

const LN_SQRT_TAU: f64 = 0.918_938_533_204_672_8;

/// `ln Phi(z)`.
pub(crate) fn ln_cdf(z: f64) -> f64 {
    if z > -30.0 {
        (0.5 * erfc(-z * std::f64::consts::FRAC_1_SQRT_2)).ln()
    } else {
        // Abramowitz and Stegun 26.2.12: relative error under 1/z^4 times 3.
        -0.5 * z * z - LN_SQRT_TAU - (-z).ln() - 1.0 / (z * z)
    }
}

/// `ln phi(z)`.
pub(crate) fn ln_pdf(z: f64) -> f64 {
    -0.5 * z * z - LN_SQRT_TAU
}

/// `ln(Phi(high) - Phi(low))`.
pub(crate) fn ln_between(low: f64, high: f64) -> f64 {
    if low < -4.5 && high > 4.5 {
        return 0.0;
    }
    // Look from the side where the numbers are small.
    let (near, far) = if low > 0.0 { (-low, -high) } else { (high, low) };
    let (upper, lower) = (ln_cdf(near), ln_cdf(far));
    upper + (-(lower - upper).exp()).ln_1p()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Abramowitz and Stegun, table 26.1 and 26.2: Phi(-1) = 0.158655254, Phi(-3) = 0.001349898, ln Phi(-40) from -log10 Q(40) =
    // 349.43701.
    #[test]
    fn tails_are_those_of_the_tables() {
        assert!((ln_cdf(-1.0) - 0.158_655_253_931_457_f64.ln()).abs() < 1e-9);
        assert!((ln_cdf(-3.0) - 0.001_349_898_031_630_f64.ln()).abs() < 1e-9);
        assert!((ln_cdf(-40.0) / std::f64::consts::LN_10 + 349.437_01).abs() < 1e-4);
        assert!((ln_cdf(-30.000_001) - ln_cdf(-29.999_999)).abs() < 1e-3);
        assert!((ln_between(-1.0, 1.0) - 0.682_689_492_137_f64.ln()).abs() < 1e-9);
        assert!((ln_between(2.0, 3.0) - 0.021_400_233_916_f64.ln()).abs() < 1e-7);
        assert!((ln_between(-3.0, -2.0) - ln_between(2.0, 3.0)).abs() < 1e-12);
        assert!((ln_between(40.0, 60.0) - ln_cdf(-40.0)).abs() < 1e-9);
        assert!(ln_between(-9.0, 9.0).abs() < 1e-12);
    }
}
