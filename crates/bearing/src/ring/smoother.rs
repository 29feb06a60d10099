//! The smoother of a stationary process in noise, by conjugate gradients on a circle (Hestenes & Stiefel, *Journal of
//! Research of the National Bureau of Standards* 49, 1952).

use num_complex::Complex;

use super::spectral::Grid;

type C64 = Complex<f64>;

/// Largest number of conjugate gradients.
const MOST_ITERATIONS: usize = 60;

/// The equations of the smoother, made well conditioned by what they were without gaps.
pub(super) struct System<'a> {
    grid: &'a Grid,
    weight: &'a [f64],
    /// Square roots of the covariance, and what is left of one, for each frequency.
    root: Vec<f64>,
    rest: Vec<f64>,
}

impl<'a> System<'a> {
    pub(super) fn new(grid: &'a Grid, weight: &'a [f64], spectrum: &[f64], mean: f64) -> Self {
        // The transforms are not normalised: one of both ways is.
        let size = 1.0 / grid.circle as f64;
        Self {
            grid,
            weight,
            root: spectrum
                .iter()
                .map(|s| (s / (1.0 + s * mean) * size).sqrt())
                .collect(),
            rest: spectrum.iter().map(|s| 1.0 / (1.0 + s * mean)).collect(),
        }
    }

    fn right(&self, a: &[f64], b: Option<&Vec<f64>>) -> Vec<C64> {
        let mut out: Vec<C64> = (0..self.grid.circle)
            .map(|k| C64::new(a[k], b.map_or(0.0, |b| b[k])) * self.weight[k])
            .collect();
        self.grid.there.process(&mut out);
        for (o, g) in out.iter_mut().zip(&self.root) {
            *o *= g;
        }
        out
    }

    fn field(&self, v: &[C64], out: &mut [C64], scratch: &mut [C64]) {
        for ((o, v), g) in out.iter_mut().zip(v).zip(&self.root) {
            *o = v * g;
        }
        self.grid.back.process_with_scratch(out, scratch);
    }

    /// The processes that two series lead to.
    pub(super) fn smoothed(&self, a: &[f64], b: Option<&Vec<f64>>, end: f64) -> Pair {
        let n = self.grid.circle;
        let zero = C64::new(0.0, 0.0);
        let mut scratch = vec![
            zero;
            self.grid
                .there
                .get_inplace_scratch_len()
                .max(self.grid.back.get_inplace_scratch_len())
        ];
        let mut residual = self.right(a, b);
        let mut x = vec![zero; n];
        let mut direction = residual.clone();
        let mut product = vec![zero; n];
        let mut size = norm(&residual);
        let end = size * end * end;
        for _ in 0..MOST_ITERATIONS {
            if size.is_nan() || size <= end {
                break;
            }
            self.field(&direction, &mut product, &mut scratch);
            for (p, w) in product.iter_mut().zip(self.weight) {
                *p *= w;
            }
            self.grid.there.process_with_scratch(&mut product, &mut scratch);
            let mut bend = 0.0;
            for (((p, d), g), rest) in product.iter_mut().zip(&direction).zip(&self.root).zip(&self.rest) {
                *p = *p * g + d * rest;
                bend += p.re * d.re + p.im * d.im;
            }
            if bend.is_nan() || bend <= 0.0 {
                break;
            }
            let alpha = size / bend;
            let mut next = 0.0;
            for (((x, r), d), p) in x.iter_mut().zip(&mut residual).zip(&direction).zip(&product) {
                *x += d * alpha;
                *r -= p * alpha;
                next += r.norm_sqr();
            }
            let beta = next / size;
            size = next;
            for (d, r) in direction.iter_mut().zip(&residual) {
                *d = r + *d * beta;
            }
        }
        let mut field = product;
        self.field(&x, &mut field, &mut scratch);
        Pair {
            field: [
                field.iter().map(|f| f.re).collect(),
                field.iter().map(|f| f.im).collect(),
            ],
            solution: x,
            residual,
        }
    }
}

/// Two real series solved together, as the parts of a complex one.
pub(super) struct Pair {
    pub(super) field: [Vec<f64>; 2],
    /// Transforms.
    solution: Vec<C64>,
    residual: Vec<C64>,
}

impl Pair {
    /// Products of both own solutions with both other residuals.
    pub(super) fn products(&self, other: &Self) -> [f64; 4] {
        let n = self.solution.len();
        let (mut sum, mut turned) = (C64::new(0.0, 0.0), C64::new(0.0, 0.0));
        for (k, (a, b)) in self.solution.iter().zip(&other.residual).enumerate() {
            sum += a.conj() * b;
            turned += self.solution[(n - k) % n] * b;
        }
        [
            0.5 * (sum.re + turned.re),
            0.5 * (sum.im + turned.im),
            0.5 * (turned.im - sum.im),
            0.5 * (sum.re - turned.re),
        ]
    }
}

fn norm(v: &[C64]) -> f64 {
    v.iter().map(C64::norm_sqr).sum()
}
