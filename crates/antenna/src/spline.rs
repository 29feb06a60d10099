//! Cubic spline closed over 360 degrees.

use lobewright_types::wrap_degrees;

/// A curve through knots on the circle, twice continuously differentiable and exact at the knots.
///
/// Method: de Boor, *A Practical Guide to Splines* (1978), chapter IV, with periodic ends; the cyclic tridiagonal
/// system is solved by the Sherman-Morrison formula (Press et al., *Numerical Recipes*, section 2.7).
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PeriodicSpline {
    at_deg: Vec<f64>,
    value: Vec<f64>,
    /// Second derivatives at the knots, per square degree.
    bend: Vec<f64>,
}

impl PeriodicSpline {
    /// Takes at least three knots, ascending in `[0, 360)`.
    pub(crate) fn new(at_deg: Vec<f64>, value: Vec<f64>) -> Self {
        let bend = second_derivatives(&at_deg, &value);
        Self { at_deg, value, bend }
    }

    pub(crate) fn knots(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.at_deg.iter().copied().zip(self.value.iter().copied())
    }

    pub(crate) fn at(&self, deg: f64) -> f64 {
        let deg = wrap_degrees(deg);
        let n = self.at_deg.len();
        let above = self.at_deg.partition_point(|&a| a <= deg);
        let (i, j) = ((above + n - 1) % n, above % n);
        let gap = gap_after(&self.at_deg, i);
        let b = wrap_degrees(deg - self.at_deg[i]) / gap;
        let a = 1.0 - b;
        let curve = (a * a * a - a) * self.bend[i] + (b * b * b - b) * self.bend[j];
        a * self.value[i] + b * self.value[j] + curve * gap * gap / 6.0
    }
}

fn gap_after(at_deg: &[f64], i: usize) -> f64 {
    if i + 1 < at_deg.len() {
        at_deg[i + 1] - at_deg[i]
    } else {
        at_deg[0] + 360.0 - at_deg[i]
    }
}

fn second_derivatives(at_deg: &[f64], value: &[f64]) -> Vec<f64> {
    let n = at_deg.len();
    let gap: Vec<f64> = (0..n).map(|i| gap_after(at_deg, i)).collect();
    let slope: Vec<f64> = (0..n).map(|i| (value[(i + 1) % n] - value[i]) / gap[i]).collect();
    let before = |i: usize| (i + n - 1) % n;
    let mut diagonal: Vec<f64> = (0..n).map(|i| 2.0 * (gap[before(i)] + gap[i])).collect();
    let right: Vec<f64> = (0..n).map(|i| 6.0 * (slope[i] - slope[before(i)])).collect();
    // Corner elements couple the last knot to the first.
    let corner = gap[n - 1];
    let gamma = -diagonal[0];
    diagonal[0] -= gamma;
    diagonal[n - 1] -= corner * corner / gamma;
    let mut unit = vec![0.0; n];
    unit[0] = gamma;
    unit[n - 1] = corner;
    let x = solve_tridiagonal(&gap, &diagonal, &right);
    let z = solve_tridiagonal(&gap, &diagonal, &unit);
    let factor = (x[0] + corner * x[n - 1] / gamma) / (1.0 + z[0] + corner * z[n - 1] / gamma);
    x.iter().zip(&z).map(|(x, z)| x - factor * z).collect()
}

/// Solves a symmetric tridiagonal system; `off[i]` stands between rows `i` and `i + 1`.
fn solve_tridiagonal(off: &[f64], diagonal: &[f64], right: &[f64]) -> Vec<f64> {
    let n = diagonal.len();
    let mut pivot = diagonal.to_vec();
    let mut x = right.to_vec();
    for i in 1..n {
        let factor = off[i - 1] / pivot[i - 1];
        pivot[i] -= factor * off[i - 1];
        x[i] -= factor * x[i - 1];
    }
    x[n - 1] /= pivot[n - 1];
    for i in (0..n - 1).rev() {
        x[i] = (x[i] - off[i] * x[i + 1]) / pivot[i];
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn follows_a_sine_and_its_knots_at_any_spacing() {
        let at: Vec<f64> = [0.0, 11.0, 29.0, 45.0, 70.0, 88.0, 110.0, 131.0, 150.0, 177.0]
            .into_iter()
            .chain((190..360).step_by(17).map(f64::from))
            .collect();
        let wave = |d: f64| (d.to_radians() + 0.3).sin();
        let value: Vec<f64> = at.iter().map(|&d| wave(d)).collect();
        let spline = PeriodicSpline::new(at.clone(), value);
        for d in at {
            assert!((spline.at(d) - wave(d)).abs() < 1e-12);
        }
        for i in 0..3600 {
            let d = f64::from(i) / 10.0;
            // Error of a cubic spline: 5/384 h^4 max|f''''| (de Boor): 5/384 * (27 deg in rad)^4 = 6.4e-4.
            assert!((spline.at(d) - wave(d)).abs() < 7e-4, "{d}");
        }
    }

    #[test]
    fn is_continuous_over_the_seam() {
        let spline = PeriodicSpline::new(vec![10.0, 100.0, 200.0, 300.0], vec![1.0, -2.0, 0.5, 3.0]);
        assert!((spline.at(359.999_999) - spline.at(0.0)).abs() < 1e-6);
        assert!((spline.at(10.0 - 1e-9) - 1.0).abs() < 1e-6);
    }
}
