//! Small linear algebra over slots whose common value is unknown.

use nalgebra::{DMatrix, DVector};
use num_complex::Complex;

/// Quadratic information on values that are known up to a constant that all share.
#[derive(Debug, Clone)]
pub(super) struct Contrast {
    /// Information (inverse variance), rows and columns slots.
    pub(super) matrix: DMatrix<f64>,
    /// Best values, their mean zero.
    pub(super) value: Vec<f64>,
}

/// Weight, in degrees of freedom, of the belief that the noise is as stated.
const BELIEF: f64 = 30.0;

/// Solves for the step from the linearisation point, sums over groups given.
///
/// The groups are alike in size where their number is 4 or more; only then their scatter is judged.
pub(super) fn solve(matrix: &[Vec<f64>], score: &[Vec<f64>], slots: usize) -> Option<Solution> {
    let mut total = DMatrix::zeros(slots, slots);
    let mut right = DVector::zeros(slots);
    for (m, b) in matrix.iter().zip(score) {
        total += DMatrix::from_row_slice(slots, slots, m);
        right += DVector::from_row_slice(b);
    }
    let total = (&total + total.transpose()) * 0.5;
    let inverse = pseudo_inverse(&total)?;
    let step = &inverse * right.add_scalar(-right.mean());
    let (mut sum, mut groups) = (0.0, 0.0);
    for (m, b) in matrix.iter().zip(score) {
        let g = DVector::from_row_slice(b) - DMatrix::from_row_slice(slots, slots, m) * &step;
        sum += g.dot(&(&inverse * &g));
        groups += 1.0;
    }
    let free = (slots as f64 - 1.0).max(1.0);
    // Groups are alike, so each has about its share of the information; their scores sum to zero at the solution: one
    // group's worth of freedom is gone.
    let scatter = if groups >= 4.0 {
        (BELIEF + sum * groups) / (BELIEF + (groups - 1.0) * free)
    } else {
        1.0
    };
    let gain = right.dot(&step);
    (step.iter().all(|v| v.is_finite()) && scatter.is_finite()).then(|| Solution {
        step: step.iter().copied().collect(),
        matrix: total,
        scatter: scatter.max(0.3),
        gain,
    })
}

/// Adds group by group.
pub(super) fn add(to: &mut [Vec<f64>], from: &[Vec<f64>]) {
    for (to, from) in to.iter_mut().zip(from) {
        for (to, from) in to.iter_mut().zip(from) {
            *to += from;
        }
    }
}

/// What [`solve`] finds.
pub(super) struct Solution {
    pub(super) step: Vec<f64>,
    pub(super) matrix: DMatrix<f64>,
    pub(super) scatter: f64,
    /// How much better the data are explained, twice in nats.
    pub(super) gain: f64,
}

/// Inverse of an information matrix on the values whose mean is zero.
pub(super) fn pseudo_inverse(matrix: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let n = matrix.nrows();
    let scale = matrix.trace() / n as f64;
    if !(scale > 0.0 && scale.is_finite()) {
        return None;
    }
    let ones = DMatrix::from_element(n, n, 1.0 / n as f64);
    // The small ridge keeps slots that were hardly seen from making the matrix singular.
    let full = matrix + &ones * scale + DMatrix::identity(n, n) * (scale * 1e-9);
    let inverse = full.cholesky()?.inverse();
    let centre = DMatrix::identity(n, n) - ones;
    Some(&centre * inverse * &centre)
}

/// Phases of the leading eigenvector of the Hermitian matrix of coherent products between slots: the slots' phases
/// that explain the products best, whatever their size (angular synchronisation: Singer, *Applied and Computational
/// Harmonic Analysis* 30, 2011).
pub(super) fn synchronise(products: &DMatrix<Complex<f64>>) -> Vec<f64> {
    let n = products.nrows();
    let hermitian = products + products.adjoint();
    let shift = hermitian.iter().map(|v| v.norm()).fold(0.0, f64::max) * n as f64;
    let mut v = DVector::from_fn(n, |i, _| Complex::cis(0.7 * i as f64));
    for _ in 0..60 {
        let mut next = &hermitian * &v;
        next.axpy(Complex::new(shift * 0.2, 0.0), &v, Complex::new(1.0, 0.0));
        let size = next.norm();
        if !(size > 0.0 && size.is_finite()) {
            return vec![0.0; n];
        }
        v = next.unscale(size);
    }
    v.iter().map(|c| c.arg()).collect()
}
