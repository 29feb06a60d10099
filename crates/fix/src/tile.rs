//! The log likelihood of many places over a small part of the map as a polynomial: a sum over ten thousand bearings is smooth where each
//! of them changes little.

use crate::offset::ln_sum;

/// Points along each side.
const SIDE: usize = 12;
/// Points, and coefficients.
pub(crate) const POINTS: usize = SIDE * SIDE;
/// Cells so far under the top are left out.
const OUT_NATS: f64 = 17.0;
/// Beyond the part looked at, the log posterior is taken to be this far under its middle: what lies there was given up before.
const BEYOND_NATS: f64 = 60.0;

/// Values at the points, or coefficients.
pub(crate) type Values = Vec<f64>;

/// A rectangle of the local frame along the posterior's axes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Patch {
    centre_m: (f64, f64),
    /// Unit vector along the first side.
    along: (f64, f64),
    half_m: (f64, f64),
}

/// A cell's middle, its side and its log posterior.
pub(crate) type Valued = ((f64, f64), f64, f64);

impl Patch {
    /// The rectangle around cells; none where there are none.
    pub(crate) fn around(cells: &[Valued]) -> Option<Self> {
        let top = cells.iter().map(|c| c.2).fold(f64::NEG_INFINITY, f64::max);
        let held: Vec<&Valued> = cells.iter().filter(|c| c.2 >= top - OUT_NATS).collect();
        let weight = |c: &Valued| (c.2 - top).exp() * c.1 * c.1;
        let total: f64 = held.iter().map(|c| weight(c)).sum();
        if total <= 0.0 || !total.is_finite() {
            return None;
        }
        let mean = |of: &dyn Fn(&Valued) -> f64| held.iter().map(|c| weight(c) * of(c)).sum::<f64>() / total;
        let (east, north) = (mean(&|c| c.0.0), mean(&|c| c.0.1));
        let ee = mean(&|c| (c.0.0 - east).powi(2));
        let nn = mean(&|c| (c.0.1 - north).powi(2));
        let en = mean(&|c| (c.0.0 - east) * (c.0.1 - north));
        let (sin, cos) = (0.5 * (2.0 * en).atan2(ee - nn)).sin_cos();
        let mut patch = Self {
            centre_m: (east, north),
            along: (cos, sin),
            half_m: (1.0, 1.0),
        };
        let (mut low, mut high) = ((f64::MAX, f64::MAX), (f64::MIN, f64::MIN));
        for c in held {
            let (u, v) = patch.unit(c.0.0, c.0.1);
            let reach = 0.75 * c.1;
            low = (low.0.min(u - reach), low.1.min(v - reach));
            high = (high.0.max(u + reach), high.1.max(v + reach));
        }
        let middle = (f64::midpoint(low.0, high.0), f64::midpoint(low.1, high.1));
        patch.centre_m = patch.place(middle.0, middle.1);
        patch.half_m = ((high.0 - low.0) / 2.0, (high.1 - low.1) / 2.0);
        Some(patch)
    }

    /// Coordinates within the rectangle, -1 to 1 inside.
    fn unit(&self, east_m: f64, north_m: f64) -> (f64, f64) {
        let (e, n) = (east_m - self.centre_m.0, north_m - self.centre_m.1);
        let (c, s) = self.along;
        ((e * c + n * s) / self.half_m.0, (n * c - e * s) / self.half_m.1)
    }

    fn place(&self, u: f64, v: f64) -> (f64, f64) {
        let (a, b) = (u * self.half_m.0, v * self.half_m.1);
        let (c, s) = self.along;
        (self.centre_m.0 + a * c - b * s, self.centre_m.1 + a * s + b * c)
    }

    /// Where values are wanted.
    pub(crate) fn points_m(&self) -> Vec<(f64, f64)> {
        let at = |k: usize| (std::f64::consts::PI * (k as f64 + 0.5) / SIDE as f64).cos();
        (0..POINTS)
            .map(|k| self.place(at(k / SIDE), at(k % SIDE)))
            .collect()
    }

    /// Points between those, to hold the polynomial against the sum; the middle first.
    pub(crate) fn checks_m(&self) -> Vec<(f64, f64)> {
        [
            (0.0, 0.0),
            (0.31, -0.17),
            (-0.24, 0.36),
            (0.12, 0.55),
            (-0.58, -0.08),
            (0.44, 0.41),
        ]
        .map(|p| self.place(p.0, p.1))
        .to_vec()
    }

    pub(crate) fn longest_m(&self) -> f64 {
        self.half_m.0.hypot(self.half_m.1)
    }
}

/// Coefficients of the Chebyshev polynomial through the values: Press et al., *Numerical Recipes*, 3rd edition 2007, section 5.8,
/// along both sides.
pub(crate) fn coefficients(values: &[f64]) -> Values {
    let rows = |from: &[f64]| -> Values {
        let mut to = vec![0.0; POINTS];
        for i in 0..SIDE {
            let scale = if i == 0 { 1.0 } else { 2.0 } / SIDE as f64;
            for k in 0..SIDE {
                let angle = std::f64::consts::PI * i as f64 * (k as f64 + 0.5) / SIDE as f64;
                let weight = scale * angle.cos();
                for j in 0..SIDE {
                    // Transposed on the way: done twice, all is in place again.
                    to[j * SIDE + i] += weight * from[k * SIDE + j];
                }
            }
        }
        to
    };
    rows(&rows(values))
}

/// The polynomials: one for the places that share nothing, one for each node of each compass.
#[derive(Debug, Clone)]
pub(crate) struct Tile {
    pub(crate) patch: Patch,
    pub(crate) alone: Values,
    pub(crate) shared: Vec<Vec<Values>>,
    beyond_ln: f64,
}

impl Tile {
    pub(crate) fn new(patch: Patch, alone: Values, shared: Vec<Vec<Values>>) -> Self {
        let mut tile = Self {
            patch,
            alone,
            shared,
            beyond_ln: f64::NEG_INFINITY,
        };
        tile.settle();
        tile
    }

    /// After a change: what lies outside follows the middle.
    pub(crate) fn settle(&mut self) {
        self.beyond_ln = self.ln_unit(0.0, 0.0) - BEYOND_NATS;
    }

    /// Log likelihood at a point.
    pub(crate) fn ln_at(&self, east_m: f64, north_m: f64) -> f64 {
        self.within(east_m, north_m).unwrap_or(self.beyond_ln)
    }

    /// The same, or none for a point outside.
    pub(crate) fn within(&self, east_m: f64, north_m: f64) -> Option<f64> {
        let (u, v) = self.patch.unit(east_m, north_m);
        (u.abs() <= 1.0 && v.abs() <= 1.0).then(|| self.ln_unit(u, v))
    }

    /// What is taken for points outside.
    pub(crate) fn beyond_ln(&self) -> f64 {
        self.beyond_ln
    }

    /// For each node of a compass its log prior and likelihood at a point; at the rim, for one beyond.
    pub(crate) fn terms(&self, slot: usize, east_m: f64, north_m: f64) -> Vec<f64> {
        let (u, v) = self.patch.unit(east_m, north_m);
        let products = products(u.clamp(-1.0, 1.0), v.clamp(-1.0, 1.0));
        self.shared[slot].iter().map(|c| sum_of(c, &products)).collect()
    }

    fn ln_unit(&self, u: f64, v: f64) -> f64 {
        let products = products(u, v);
        let read = |c: &Values| sum_of(c, &products);
        let mut ln = read(&self.alone);
        let mut terms = Vec::new();
        for nodes in &self.shared {
            terms.clear();
            terms.extend(nodes.iter().map(read));
            ln += ln_sum(&terms);
        }
        ln
    }

    /// Work of one point in table lookups.
    pub(crate) fn cost(&self) -> f64 {
        (1 + self.shared.iter().map(Vec::len).sum::<usize>()) as f64 * 4.0
    }

    /// How far a point lies out, 1 at the rim.
    pub(crate) fn out(&self, east_m: f64, north_m: f64) -> f64 {
        let (u, v) = self.patch.unit(east_m, north_m);
        u.abs().max(v.abs())
    }
}

fn products(u: f64, v: f64) -> [f64; POINTS] {
    let mut products = [0.0; POINTS];
    let (a, b) = (powers(u), powers(v));
    for (row, a) in products.chunks_exact_mut(SIDE).zip(a) {
        for (product, b) in row.iter_mut().zip(b) {
            *product = a * b;
        }
    }
    products
}

fn sum_of(coefficients: &[f64], products: &[f64]) -> f64 {
    coefficients.iter().zip(products).map(|(c, p)| c * p).sum()
}

/// Chebyshev polynomials of the first kind, degree 0 and up.
fn powers(x: f64) -> [f64; SIDE] {
    let mut all = [1.0; SIDE];
    all[1] = x;
    for k in 2..SIDE {
        all[k] = 2.0 * x * all[k - 1] - all[k - 2];
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    // Oracle: a polynomial of the degree that must come back exactly, and a smooth function that must nearly.
    #[test]
    fn polynomials_come_back_and_what_lies_outside_is_given_up() {
        let cells: Vec<Valued> = (-20..=20)
            .map(|k| {
                let k = f64::from(k);
                ((100.0 + 3.0 * k, 50.0 + 4.0 * k), 5.0, -0.02 * k * k)
            })
            .collect();
        let patch = Patch::around(&cells).unwrap();
        // The cells lie along (3, 4) over 5.
        assert!((patch.along.0.abs() - 0.6).abs() < 1e-6 && (patch.along.1.abs() - 0.8).abs() < 1e-6);
        let function = |e: f64, n: f64| {
            let (u, v) = patch.unit(e, n);
            3.0 - 8.0 * u * u + u * v.powi(3) + 0.3 * (2.0 * u + v).sin()
        };
        let values: Values = patch.points_m().iter().map(|p| function(p.0, p.1)).collect();
        let tile = Tile::new(patch, coefficients(&values), Vec::new());
        for p in patch.checks_m() {
            assert!((tile.ln_at(p.0, p.1) - function(p.0, p.1)).abs() < 1e-6, "{p:?}");
        }
        let far = tile.ln_at(100.0 - 4.0 * 200.0, 50.0 + 3.0 * 200.0);
        assert!(
            (far - function(patch.centre_m.0, patch.centre_m.1) + 60.0).abs() < 1e-3,
            "{far}"
        );
    }
}
