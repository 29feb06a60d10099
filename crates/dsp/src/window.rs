//! Windows and the functions behind them.

use std::f64::consts::PI;

/// Computes the modified Bessel function of the first kind and order zero.
///
/// # Result
/// `I0(x)`, even in `x`, relative error near 1e-15; infinite from `|x|` about 713 up.
///
/// # Method
/// Power series, Abramowitz & Stegun, *Handbook of Mathematical Functions* (1964), 9.6.12. All terms are positive,
/// so none cancel.
pub fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let mut term = 1.0_f64;
    let mut sum = 1.0;
    let mut k = 1.0;
    while term > sum * 1e-17 && term.is_finite() {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

/// Computes a symmetric Kaiser window of `len` points.
///
/// # Inputs
/// `beta`: shape, 0 (rectangle) up; no unit.
///
/// # Result
/// `len` values, 1 at the middle, the same from both ends.
///
/// # Method
/// J. F. Kaiser, 'Nonrecursive digital filter design using the I0-sinh window function', Proc. IEEE ISCAS 1974, pp.
/// 20-23.
pub fn kaiser(len: usize, beta: f64) -> Vec<f64> {
    if len == 1 {
        return vec![1.0];
    }
    let half = (len.max(1) - 1) as f64 / 2.0;
    (0..len)
        .map(|i| {
            let r = (i as f64 - half) / half;
            bessel_i0(beta * (1.0 - r * r).max(0.0).sqrt()) / bessel_i0(beta)
        })
        .collect()
}

/// Gives the Kaiser shape whose windowed filters reach `attenuation_db` (Kaiser 1974, empirical formula).
pub fn kaiser_beta(attenuation_db: f64) -> f64 {
    if attenuation_db > 50.0 {
        0.1102 * (attenuation_db - 8.7)
    } else if attenuation_db > 21.0 {
        0.5842 * (attenuation_db - 21.0).powf(0.4) + 0.07886 * (attenuation_db - 21.0)
    } else {
        0.0
    }
}

/// Computes a periodic Hann window of `len` points, as spectra want it.
///
/// # Method
/// F. J. Harris, 'On the use of windows for harmonic analysis with the discrete Fourier transform', Proc. IEEE 66(1),
/// 1978, equation 27, with the period `len`.
pub fn hann_periodic(len: usize) -> Vec<f64> {
    (0..len)
        .map(|i| 0.5 - 0.5 * (2.0 * PI * i as f64 / len as f64).cos())
        .collect()
}

/// Designs a low-pass FIR by windowing the ideal response, scaled to a gain of 1 at 0 Hz.
///
/// # Inputs
/// `len`: taps. `cutoff`: -6 dB point in cycles per sample, over 0 and under 0.5. `window`: `len` points.
///
/// # Panics
/// Where `window` is not `len` long.
///
/// # Method
/// A. V. Oppenheim, R. W. Schafer, *Discrete-Time Signal Processing*, section 7.2 (window method).
pub fn windowed_lowpass(len: usize, cutoff: f64, window: &[f64]) -> Vec<f64> {
    assert_eq!(window.len(), len, "one window value a tap");
    let half = (len as f64 - 1.0) / 2.0;
    let mut taps: Vec<f64> = (0..len)
        .map(|i| {
            let x = 2.0 * cutoff * (i as f64 - half);
            let sinc = if x.abs() < 1e-12 {
                1.0
            } else {
                (PI * x).sin() / (PI * x)
            };
            2.0 * cutoff * sinc * window[i]
        })
        .collect();
    let gain: f64 = taps.iter().sum();
    for t in &mut taps {
        *t /= gain;
    }
    taps
}
