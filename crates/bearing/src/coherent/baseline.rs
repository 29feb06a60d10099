//! The usual ways to take a direction from a covariance: a peak, without a density.

use lobewright_types::{Azimuth, Mount};
use nalgebra::{DMatrix, SymmetricEigen};
use num_complex::Complex;

use super::model::dot;
use super::{ChannelCovariance, Steering};

/// Steps on the circle before the peak is sought closely.
const STEPS: usize = 720;

/// The azimuth of the highest output of the conventional (Bartlett) beamformer, `a^H R a / a^H a`.
///
/// `None` where the covariance has another number of channels than the manifold, or no direction stands out.
///
/// # Method
/// Van Trees, *Optimum Array Processing* (2002), section 9.2.1.
pub fn beamformer(covariance: &ChannelCovariance, manifold: &dyn Steering) -> Option<Azimuth<Mount>> {
    if covariance.channels() != manifold.channels() {
        return None;
    }
    let matrix = covariance.matrix();
    peak(|azimuth_deg| power(&response(manifold, azimuth_deg), matrix))
}

/// The azimuth of the highest peak of the spectrum of multiple signal classification for `sources` sources.
///
/// `None` where the covariance has another number of channels than the manifold, `sources` is 0 or not below the number
/// of channels, or no direction stands out.
///
/// # Method
/// Schmidt, *Multiple emitter location and signal parameter estimation*, IEEE Trans. Antennas Propag. 34 (1986): the
/// smallest `a^H E E^H a / a^H a`, `E` the eigenvectors beside the `sources` largest.
pub fn music(
    covariance: &ChannelCovariance,
    manifold: &dyn Steering,
    sources: usize,
) -> Option<Azimuth<Mount>> {
    let channels = covariance.channels();
    if channels != manifold.channels() || sources == 0 || sources >= channels {
        return None;
    }
    let eigen = SymmetricEigen::new(covariance.matrix().clone());
    let mut order: Vec<usize> = (0..channels).collect();
    order.sort_by(|&a, &b| eigen.eigenvalues[a].total_cmp(&eigen.eigenvalues[b]));
    let mut projector = DMatrix::zeros(channels, channels);
    for &k in &order[..channels - sources] {
        let vector = eigen.eigenvectors.column(k);
        projector += vector * vector.adjoint();
    }
    peak(|azimuth_deg| -power(&response(manifold, azimuth_deg), &projector))
}

/// Response of unit length; zeros where the array hears nothing.
fn response(manifold: &dyn Steering, azimuth_deg: f64) -> Vec<Complex<f64>> {
    let mut out = vec![Complex::default(); manifold.channels()];
    manifold.response(azimuth_deg, &mut out);
    let length = dot(&out, &out).re.sqrt();
    if length > 0.0 {
        for value in &mut out {
            *value /= length;
        }
    }
    out
}

fn power(unit: &[Complex<f64>], matrix: &DMatrix<Complex<f64>>) -> f64 {
    let n = unit.len();
    let mut sum = 0.0;
    for row in 0..n {
        for column in 0..n {
            sum += (unit[row].conj() * matrix[(row, column)] * unit[column]).re;
        }
    }
    sum
}

/// The highest point on the circle: steps of half a degree, then golden section.
fn peak(height: impl Fn(f64) -> f64) -> Option<Azimuth<Mount>> {
    let step_deg = 360.0 / STEPS as f64;
    let values: Vec<f64> = (0..STEPS).map(|k| height(k as f64 * step_deg)).collect();
    let best = (0..STEPS).max_by(|&a, &b| values[a].total_cmp(&values[b]))?;
    let lowest = values.iter().copied().fold(f64::INFINITY, f64::min);
    if !values[best].is_finite() || values[best] - lowest <= 1e-12 * values[best].abs() {
        return None;
    }
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    let centre = best as f64 * step_deg;
    let (mut low, mut high) = (centre - step_deg, centre + step_deg);
    for _ in 0..40 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if height(a) > height(b) {
            high = b;
        } else {
            low = a;
        }
    }
    Some(Azimuth::from_degrees(f64::midpoint(low, high)))
}
