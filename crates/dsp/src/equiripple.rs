//! Equiripple design of odd-length symmetric filters with any number of stop bands.

use std::f64::consts::PI;

use crate::response::symmetric_amplitude;

/// A band of frequencies and what the filter does there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Lower edge, cycles per sample, 0 to 0.5.
    pub from: f64,
    /// Upper edge, cycles per sample, 0 to 0.5.
    pub to: f64,
    /// Wanted amplitude.
    pub gain: f64,
    /// Largest allowed deviation of the amplitude from `gain`, over 0.
    pub deviation: f64,
}

impl Band {
    fn error(&self, amplitude: f64) -> f64 {
        (amplitude - self.gain) / self.deviation
    }
}

/// A filter and how well it keeps to its bands.
#[derive(Debug, Clone, PartialEq)]
pub struct Equiripple {
    /// The taps, an odd number, symmetric.
    pub taps: Vec<f64>,
    /// Largest deviation found over all bands, in units of each band's allowed deviation: met at 1 or less.
    pub worst: f64,
}

/// One frequency of the design grid.
#[derive(Clone, Copy)]
struct Point {
    x: f64,
    gain: f64,
    weight: f64,
}

/// Points of the grid for each extremum: fine enough to place extrema within 0.1 % of the ripple.
const GRID_DENSITY: usize = 20;
const MAX_EXCHANGES: usize = 60;

/// Designs an odd-length symmetric FIR whose weighted largest deviation over all bands is smallest.
///
/// # Inputs
/// `len`: taps, odd. `bands`: ascending, not overlapping; what lies between them is left free.
///
/// # Result
/// Taps in `f64`; `worst` is measured on a grid twice as fine as the design's. `None` where the exchange does not
/// settle, as for a length far above what the bands need, where the error falls under rounding.
///
/// # Method
/// The Remez exchange of T. W. Parks and J. H. `McClellan`, 'Chebyshev approximation for nonrecursive digital filters
/// with linear phase', IEEE Trans. Circuit Theory 19(2), 1972, with barycentric interpolation.
///
/// # Panics
/// Where `len` is even or `bands` is empty.
pub fn equiripple(len: usize, bands: &[Band]) -> Option<Equiripple> {
    assert!(
        len % 2 == 1 && !bands.is_empty(),
        "odd length and at least one band"
    );
    let order = len / 2;
    let grid = grid(bands, GRID_DENSITY * (order + 2));
    let count = order + 2;
    let flat: Vec<Point> = grid.iter().flatten().copied().collect();
    if flat.len() < count {
        return None;
    }
    let mut chosen: Vec<usize> = (0..count).map(|i| i * (flat.len() - 1) / (count - 1)).collect();
    let mut interpolant = None;
    for _ in 0..MAX_EXCHANGES {
        let fit = Interpolant::through(&flat, &chosen)?;
        let errors: Vec<f64> = flat.iter().map(|p| p.weight * (fit.at(p.x) - p.gain)).collect();
        let next = exchange(&grid, &errors, count)?;
        let settled = next == chosen;
        let largest = next.iter().fold(0.0_f64, |m, &i| m.max(errors[i].abs()));
        let ripple = fit.ripple.abs();
        interpolant = Some(fit);
        chosen = next;
        if settled || largest <= ripple * 1.0005 {
            break;
        }
    }
    let taps = interpolant?.taps(order);
    if taps.iter().any(|t| !t.is_finite()) {
        return None;
    }
    let worst = worst_deviation(&taps, bands);
    Some(Equiripple { taps, worst })
}

/// Measures the largest deviation of an odd-length symmetric filter from its bands, in units of the allowed one.
pub fn worst_deviation(taps: &[f64], bands: &[Band]) -> f64 {
    let points = 2 * GRID_DENSITY * (taps.len() / 2 + 2);
    let width: f64 = bands.iter().map(|b| b.to - b.from).sum();
    let mut worst = 0.0_f64;
    for band in bands {
        let n = share(points, band, width);
        for i in 0..=n {
            let f = band.from + (band.to - band.from) * i as f64 / n as f64;
            worst = worst.max(band.error(symmetric_amplitude(taps, f)).abs());
        }
    }
    worst
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a share of a small positive count"
)]
fn share(points: usize, band: &Band, width: f64) -> usize {
    ((points as f64 * (band.to - band.from) / width.max(1e-300)) as usize).max(GRID_DENSITY)
}

/// Lays points over each band, edges included; narrow bands get their share and no fewer than one ripple needs.
fn grid(bands: &[Band], points: usize) -> Vec<Vec<Point>> {
    let width: f64 = bands.iter().map(|b| b.to - b.from).sum();
    bands
        .iter()
        .map(|band| {
            let n = share(points, band, width);
            (0..=n)
                .map(|i| {
                    let f = band.from + (band.to - band.from) * i as f64 / n as f64;
                    Point {
                        x: (2.0 * PI * f).cos(),
                        gain: band.gain,
                        weight: 1.0 / band.deviation,
                    }
                })
                .collect()
        })
        .collect()
}

/// The polynomial in `cos w` whose error alternates with equal size over the chosen points.
struct Interpolant {
    x: Vec<f64>,
    value: Vec<f64>,
    coefficient: Vec<f64>,
    ripple: f64,
}

impl Interpolant {
    fn through(flat: &[Point], chosen: &[usize]) -> Option<Self> {
        let points: Vec<Point> = chosen.iter().map(|&i| flat[i]).collect();
        let weights = barycentric(points.iter().map(|p| p.x));
        let (mut top, mut bottom, mut sign) = (0.0, 0.0, 1.0);
        for (p, b) in points.iter().zip(&weights) {
            top += b * p.gain;
            bottom += sign * b / p.weight;
            sign = -sign;
        }
        let ripple = top / bottom;
        let keep = points.len() - 1;
        let value = points[..keep]
            .iter()
            .enumerate()
            .map(|(i, p)| p.gain - ripple * if i % 2 == 0 { 1.0 } else { -1.0 } / p.weight)
            .collect();
        let coefficient = barycentric(points[..keep].iter().map(|p| p.x));
        let x = points[..keep].iter().map(|p| p.x).collect();
        (ripple.is_finite() && coefficient.iter().all(|c| c.is_finite())).then_some(Self {
            x,
            value,
            coefficient,
            ripple,
        })
    }

    fn at(&self, x: f64) -> f64 {
        let (mut top, mut bottom) = (0.0, 0.0);
        for ((xi, v), c) in self.x.iter().zip(&self.value).zip(&self.coefficient) {
            let d = x - xi;
            if d.abs() < 1e-15 {
                return *v;
            }
            top += c / d * v;
            bottom += c / d;
        }
        top / bottom
    }

    /// The taps by an inverse cosine transform of the amplitude at equally spaced frequencies.
    fn taps(&self, order: usize) -> Vec<f64> {
        let len = 2 * order + 1;
        let amplitude: Vec<f64> = (0..=order)
            .map(|k| self.at((2.0 * PI * k as f64 / len as f64).cos()))
            .collect();
        let half: Vec<f64> = (0..=order)
            .map(|n| {
                let sum: f64 = (1..=order)
                    .map(|k| 2.0 * amplitude[k] * (2.0 * PI * ((k * n) % len) as f64 / len as f64).cos())
                    .sum();
                (amplitude[0] + sum) / len as f64
            })
            .collect();
        (0..len).map(|i| half[i.abs_diff(order)]).collect()
    }
}

/// Barycentric weights, scaled by logarithms so that their products neither overflow nor vanish.
fn barycentric(x: impl Iterator<Item = f64>) -> Vec<f64> {
    let x: Vec<f64> = x.collect();
    let logs: Vec<(f64, f64)> = x
        .iter()
        .enumerate()
        .map(|(i, xi)| {
            let mut log = 0.0;
            let mut sign = 1.0;
            for (j, xj) in x.iter().enumerate() {
                if i != j {
                    let d = xi - xj;
                    log -= d.abs().ln();
                    sign *= d.signum();
                }
            }
            (log, sign)
        })
        .collect();
    let top = logs.iter().fold(f64::NEG_INFINITY, |m, l| m.max(l.0));
    logs.iter().map(|(log, sign)| sign * (log - top).exp()).collect()
}

/// Picks the extrema of the error for the next round: local extrema of each band with alternating signs, the largest
/// ones where there are too many.
fn exchange(grid: &[Vec<Point>], errors: &[f64], count: usize) -> Option<Vec<usize>> {
    let mut picked: Vec<usize> = Vec::new();
    let mut offset = 0;
    for band in grid {
        let n = band.len();
        for i in 0..n {
            let e = errors[offset + i];
            let size = e.abs();
            let rises_left = i == 0 || e.signum() * errors[offset + i - 1] <= size;
            let rises_right = i + 1 == n || e.signum() * errors[offset + i + 1] < size;
            if rises_left && rises_right {
                match picked.last() {
                    // Two neighbours of one sign: the larger stays.
                    Some(&last) if errors[last].signum() == e.signum() => {
                        if size > errors[last].abs() {
                            *picked.last_mut().expect("just seen") = offset + i;
                        }
                    }
                    _ => picked.push(offset + i),
                }
            }
        }
        offset += n;
    }
    while picked.len() > count {
        drop_smallest(&mut picked, errors, count);
    }
    (picked.len() == count).then_some(picked)
}

/// Takes out one end, or the neighbouring pair with the smallest error, so that the signs still alternate.
fn drop_smallest(picked: &mut Vec<usize>, errors: &[f64], count: usize) {
    let size = |i: usize| errors[i].abs();
    if picked.len() == count + 1 {
        if size(picked[0]) < size(picked[picked.len() - 1]) {
            picked.remove(0);
        } else {
            picked.pop();
        }
        return;
    }
    let mut best = 0;
    let mut least = f64::INFINITY;
    for i in 0..picked.len() - 1 {
        let larger = size(picked[i]).max(size(picked[i + 1]));
        if larger < least {
            (best, least) = (i, larger);
        }
    }
    picked.drain(best..best + 2);
}
