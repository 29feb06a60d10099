//! The frequency response of a FIR filter.

use std::f64::consts::PI;

use num_complex::Complex;

/// Computes the frequency response of `taps` at `frequency`, in cycles per sample.
///
/// # Result
/// `sum taps[k] exp(-j 2 pi frequency k)`: the delay of the first tap is 0.
pub fn frequency_response(taps: &[f64], frequency: f64) -> Complex<f64> {
    taps.iter()
        .enumerate()
        .map(|(k, &t)| Complex::cis(-2.0 * PI * (frequency * k as f64).fract()) * t)
        .sum()
}

/// Computes the real amplitude of an odd-length symmetric filter at `frequency` in cycles per sample, its delay taken
/// off (may be negative).
pub fn symmetric_amplitude(taps: &[f64], frequency: f64) -> f64 {
    let middle = taps.len() / 2;
    // Clenshaw's recurrence for the cosine series.
    let c = (2.0 * PI * frequency).cos();
    let (mut b1, mut b2) = (0.0, 0.0);
    for k in (1..=middle).rev() {
        (b1, b2) = (2.0 * taps[middle + k] + 2.0 * c * b1 - b2, b1);
    }
    taps[middle] + c * b1 - b2
}
