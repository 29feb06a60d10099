//! How far two densities on the circle are apart.

use crate::density::segment_mass;
use crate::{Azimuth, CircleDensity};

/// Integral of `|exp(p) - exp(q)|` for straight lines `p` (from `p0` to `p1`) and `q` over a length `h`.
pub(crate) fn segment_difference(p0: f64, p1: f64, q0: f64, q1: f64, h: f64) -> f64 {
    let (d0, d1) = (p0 - q0, p1 - q1);
    if d0 * d1 >= 0.0 {
        return (segment_mass(p0, p1, h) - segment_mass(q0, q1, h)).abs();
    }
    // Straight lines cross once: the difference changes its sign there and nowhere else.
    let x = d0 / (d0 - d1);
    let at = p0 + (p1 - p0) * x;
    let before = segment_mass(p0, at, h * x) - segment_mass(q0, at, h * x);
    let behind = segment_mass(at, p1, h * (1.0 - x)) - segment_mass(at, q1, h * (1.0 - x));
    before.abs() + behind.abs()
}

impl CircleDensity {
    /// The total variation distance to another density: the largest difference that any set of directions can have
    /// in probability, 0 (equal) to 1 (apart).
    ///
    /// # Method
    /// Half the integral of the absolute difference, exact for densities whose logarithm is straight between knots.
    ///
    /// # Example
    /// ```
    /// use lobewright_types::{Azimuth, CircleDensity};
    /// let a = CircleDensity::normal(Azimuth::from_degrees(10.0), 2.0);
    /// let b = CircleDensity::normal(Azimuth::from_degrees(12.0), 2.0);
    /// // Two normal densities one sigma apart: 2 Φ(1/2) - 1 = 0.3829.
    /// assert!((a.total_variation(&b) - 0.3829).abs() < 0.002);
    /// ```
    pub fn total_variation(&self, other: &Self) -> f64 {
        let mut at: Vec<f64> = [self.azimuths_deg(), other.azimuths_deg()].concat();
        at.sort_by(f64::total_cmp);
        at.dedup();
        let ln = |azimuth_deg: f64| {
            let azimuth = Azimuth::from_degrees(azimuth_deg);
            (
                self.ln_density_per_deg(azimuth),
                other.ln_density_per_deg(azimuth),
            )
        };
        let values: Vec<(f64, f64)> = at.iter().map(|&a| ln(a)).collect();
        let sum: f64 = (0..at.len())
            .map(|i| {
                let j = (i + 1) % at.len();
                let h = if j == 0 {
                    at[0] + 360.0 - at[i]
                } else {
                    at[j] - at[i]
                };
                segment_difference(values[i].0, values[j].0, values[i].1, values[j].1, h)
            })
            .sum();
        (sum / 2.0).clamp(0.0, 1.0)
    }
}
