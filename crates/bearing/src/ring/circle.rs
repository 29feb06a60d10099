//! Circles of cells with their Fourier transforms, and spectra on them.

use std::cmp::Ordering;
use std::sync::Arc;

use num_complex::Complex;
use rustfft::{Fft, FftPlanner};

type C32 = Complex<f32>;

/// How much longer the circle is than the burst: this part of it, and no more than this.
const CIRCLE: f64 = 0.25;
const CIRCLE_S: f64 = 0.05;
const LEAST_CIRCLE_S: f64 = 0.01;

/// A circle of cells with its Fourier transforms.
#[derive(Clone)]
pub(super) struct Circle {
    pub(super) size: usize,
    pub(super) there: Arc<dyn Fft<f32>>,
    pub(super) back: Arc<dyn Fft<f32>>,
}

impl Circle {
    pub(super) fn new(size: usize, planner: &mut FftPlanner<f32>) -> Self {
        Self {
            size,
            there: planner.plan_fft_forward(size),
            back: planner.plan_fft_inverse(size),
        }
    }
}

/// Cells of a circle that holds a piece of `count` with room beside it.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "positive, a little more than the number of cells"
)]
pub(super) fn around(count: usize, cell_s: f64) -> usize {
    let long = count as f64;
    (long + (CIRCLE * long).clamp(LEAST_CIRCLE_S / cell_s, CIRCLE_S / cell_s)).ceil() as usize
}

/// A spectrum on a circle of another size, means over the width of its places.
pub(super) fn resampled(spectrum: &[f64], size: usize) -> Vec<f64> {
    let n = spectrum.len();
    let mut sums = vec![0.0; n + 1];
    for (k, s) in spectrum.iter().enumerate() {
        sums[k + 1] = sums[k] + s;
    }
    let ratio = n as f64 / size as f64;
    // Mass below a place, round the circle, straight inside a place.
    let below = |at: f64| {
        let turns = (at / n as f64).floor();
        let at = at - turns * n as f64;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to n")]
        let k = (at.floor() as usize).min(n - 1);
        turns * sums[n] + sums[k] + (at - k as f64) * spectrum[k]
    };
    let half = (0.5 * ratio).max(0.5);
    (0..size)
        .map(|k| {
            let at = k as f64 * ratio + 0.5;
            ((below(at + half) - below(at - half)) / (2.0 * half)).max(0.0)
        })
        .collect()
}

/// Derivative by cell round the circle.
#[expect(clippy::cast_possible_truncation, reason = "single precision is enough")]
pub(super) fn derivative(circle: &Circle, field: &[f64]) -> Vec<f64> {
    let n = circle.size;
    let mut values: Vec<C32> = field.iter().map(|f| C32::new(*f as f32, 0.0)).collect();
    circle.there.process(&mut values);
    for (k, v) in values.iter_mut().enumerate() {
        let turns = match (2 * k).cmp(&n) {
            Ordering::Less => k as f64,
            Ordering::Equal => 0.0,
            Ordering::Greater => k as f64 - n as f64,
        };
        *v *= C32::new(
            0.0,
            (std::f64::consts::TAU * turns / (n as f64 * n as f64)) as f32,
        );
    }
    circle.back.process(&mut values);
    values.iter().map(|v| f64::from(v.re)).collect()
}

/// Means over `reach` places on each side, round the circle.
pub(super) fn averaged(power: &[f64], reach: usize) -> Vec<f64> {
    let n = power.len();
    let width = (2 * reach + 1) as f64;
    let mut sum: f64 = (0..=2 * reach).map(|k| power[(n + k - reach) % n]).sum();
    (0..n)
        .map(|k| {
            let mean = sum / width;
            sum += power[(k + reach + 1) % n] - power[(n + k - reach) % n];
            mean.max(0.0)
        })
        .collect()
}

/// The least power of two, or three times one, that is not less.
pub(super) fn coarse_number(least: usize) -> usize {
    let two = least.next_power_of_two();
    if two / 4 * 3 >= least { two / 4 * 3 } else { two }
}

/// The least number with no prime factors but 2, 3 and 5 that is not less.
pub(super) fn smooth_number(least: usize) -> usize {
    (least..=2 * least)
        .find(|&n| {
            let mut left = n;
            for p in [2, 3, 5] {
                while left % p == 0 {
                    left /= p;
                }
            }
            left == 1
        })
        .unwrap_or(least)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn circles_have_small_factors() {
        assert_eq!(
            [16, 17, 31, 1201, 15001].map(smooth_number),
            [16, 18, 32, 1215, 15360]
        );
    }
}
