//! The smoother of a stationary process in noise, by conjugate gradients on a circle (Hestenes & Stiefel, *Journal of
//! Research of the National Bureau of Standards* 49, 1952).

use num_complex::Complex;

use super::circle::Circle;

/// Single precision: the equations are solved to a thousandth.
type C32 = Complex<f32>;

/// Largest number of conjugate gradients.
const MOST_ITERATIONS: usize = 60;

/// Lanes of sums.
const LANES: usize = 8;

/// The equations of the smoother, made well conditioned by what they were without gaps; weights and spectrum in units of
/// the mean weight.
pub(super) struct System<'a> {
    circle: &'a Circle,
    weight: Vec<f32>,
    /// Square roots of the covariance, and what is left of one, for each frequency.
    root: Vec<f32>,
    rest: Vec<f32>,
}

impl<'a> System<'a> {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "ratios, as exact as the solution has to be"
    )]
    pub(super) fn new(circle: &'a Circle, weight: &[f64], spectrum: &[f64], mean: f64) -> Self {
        // The transforms are not normalised: one of both ways is.
        let size = 1.0 / circle.size as f64;
        Self {
            circle,
            weight: weight.iter().map(|w| (w / mean) as f32).collect(),
            root: spectrum
                .iter()
                .map(|s| (s * mean / (1.0 + s * mean) * size).sqrt() as f32)
                .collect(),
            rest: spectrum.iter().map(|s| (1.0 / (1.0 + s * mean)) as f32).collect(),
        }
    }

    #[expect(clippy::cast_possible_truncation, reason = "phases without their line")]
    fn right(&self, a: &[f64], b: Option<&Vec<f64>>) -> Vec<C32> {
        let mut out: Vec<C32> = (0..self.circle.size)
            .map(|k| C32::new(a[k] as f32, b.map_or(0.0, |b| b[k] as f32)) * self.weight[k])
            .collect();
        self.circle.there.process(&mut out);
        scale(&mut out, &self.root);
        out
    }

    fn field(&self, v: &[C32], out: &mut [C32], scratch: &mut [C32]) {
        for ((o, v), g) in out.iter_mut().zip(v).zip(&self.root) {
            *o = v * g;
        }
        self.circle.back.process_with_scratch(out, scratch);
    }

    /// The processes that two series lead to, to a residual of `end` of the right side.
    pub(super) fn smoothed(&self, a: &[f64], b: Option<&Vec<f64>>, end: f64) -> Pair {
        let n = self.circle.size;
        let zero = C32::new(0.0, 0.0);
        let there = self.circle.there.get_inplace_scratch_len();
        let mut scratch = vec![zero; there.max(self.circle.back.get_inplace_scratch_len())];
        let mut residual = self.right(a, b);
        let mut x = vec![zero; n];
        let mut direction = residual.clone();
        let mut product = vec![zero; n];
        let mut size = dot(&residual, &residual);
        let end = size * end * end;
        for _ in 0..MOST_ITERATIONS {
            if size.is_nan() || size <= end {
                break;
            }
            self.field(&direction, &mut product, &mut scratch);
            scale(&mut product, &self.weight);
            self.circle.there.process_with_scratch(&mut product, &mut scratch);
            for (((p, d), g), rest) in product.iter_mut().zip(&direction).zip(&self.root).zip(&self.rest) {
                *p = *p * g + d * rest;
            }
            let bend = dot(&product, &direction);
            if bend.is_nan() || bend <= 0.0 {
                break;
            }
            #[expect(clippy::cast_possible_truncation, reason = "a step of order one")]
            let alpha = (size / bend) as f32;
            for (((x, r), d), p) in x.iter_mut().zip(&mut residual).zip(&direction).zip(&product) {
                *x += d * alpha;
                *r -= p * alpha;
            }
            let next = dot(&residual, &residual);
            #[expect(clippy::cast_possible_truncation, reason = "a ratio of order one")]
            let beta = (next / size) as f32;
            size = next;
            for (d, r) in direction.iter_mut().zip(&residual) {
                *d = r + *d * beta;
            }
        }
        let mut field = product;
        self.field(&x, &mut field, &mut scratch);
        Pair {
            field: [
                field.iter().map(|f| f64::from(f.re)).collect(),
                field.iter().map(|f| f64::from(f.im)).collect(),
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
    solution: Vec<C32>,
    residual: Vec<C32>,
}

impl Pair {
    /// Products of both own solutions with both other residuals, in units of the mean weight.
    pub(super) fn products(&self, other: &Self) -> [f64; 4] {
        let n = self.solution.len();
        let wide = |v: C32| Complex::new(f64::from(v.re), f64::from(v.im));
        let (mut sum, mut turned) = (Complex::new(0.0, 0.0), Complex::new(0.0, 0.0));
        for (k, (a, b)) in self.solution.iter().zip(&other.residual).enumerate() {
            let b = wide(*b);
            sum += wide(*a).conj() * b;
            turned += wide(self.solution[if k == 0 { 0 } else { n - k }]) * b;
        }
        [
            0.5 * (sum.re + turned.re),
            0.5 * (sum.im + turned.im),
            0.5 * (turned.im - sum.im),
            0.5 * (sum.re - turned.re),
        ]
    }
}

fn scale(values: &mut [C32], by: &[f32]) {
    for (v, b) in values.iter_mut().zip(by) {
        *v *= b;
    }
}

/// Real part of the inner product.
fn dot(a: &[C32], b: &[C32]) -> f64 {
    let mut sum = 0.0;
    for (a, b) in a.chunks(32 * LANES).zip(b.chunks(32 * LANES)) {
        let mut lanes = [0.0_f32; LANES];
        for (a, b) in a.chunks(LANES).zip(b.chunks(LANES)) {
            for ((l, a), b) in lanes.iter_mut().zip(a).zip(b) {
                *l += a.re * b.re + a.im * b.im;
            }
        }
        sum += lanes.iter().map(|l| f64::from(*l)).sum::<f64>();
    }
    sum
}
