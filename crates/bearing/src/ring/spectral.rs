//! Phases of the slots beside a modulation of unknown spectrum.
//!
//! The signal's phase is constant, slope and a stationary Gaussian process. Its spectrum comes from the data: a tapered
//! periodogram of what is left when the slots are taken off, averaged over neighbouring frequencies, less the known
//! noise. Slots, constant and slope are then found by generalised least squares, each frequency weighted by what the
//! modulation and the noise leave of it: where speech has no power, below 300 Hz or above 3 kHz, the phase steps of the
//! switch are as good as those of a carrier.
//!
//! The covariance is that of a process on a circle longer than the burst (circulant embedding: Chan & Ng, *Conjugate
//! Gradient Methods for Toeplitz Systems*, SIAM Review 38, 1996), and its equations are solved by conjugate gradients with
//! the Fourier transform, the settling gaps being measurements without weight.

use std::cmp::Ordering;
use std::sync::Arc;

use nalgebra::{DMatrix, DVector};
use num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::smoother::{Pair, System};

type C64 = Complex<f64>;

/// How much longer the circle is than the burst: this part of it, and no more than this.
const CIRCLE: f64 = 0.25;
const CIRCLE_S: f64 = 0.05;
/// Half the width over which the spectrum is averaged, at least this many places and this wide.
const LEAST_PLACES: f64 = 2.0;
const HALF_WIDTH_HZ: f64 = 8.0;
/// Share of the usual weight below which a cell says less than its neighbours and is left out of the spectrum.
const LEAST_WEIGHT: f64 = 0.2;
/// Least spectrum, over the noise.
const LEAST_SPECTRUM: f64 = 1e-4;

/// Phase measured in a cell of the time grid.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cell {
    /// Place on the grid.
    pub(super) at: usize,
    /// Phase at the middle of the cell, radians.
    pub(super) phase: f64,
    /// Inverse variance.
    pub(super) weight: f64,
    pub(super) slot: usize,
}

/// The grid of one burst.
pub(super) struct Grid {
    /// Cells of the burst and of the circle.
    count: usize,
    pub(super) circle: usize,
    /// Places on each side over which a spectrum is averaged.
    reach: usize,
    pub(super) there: Arc<dyn Fft<f32>>,
    pub(super) back: Arc<dyn Fft<f32>>,
    there_exact: Arc<dyn Fft<f64>>,
    back_exact: Arc<dyn Fft<f64>>,
}

/// What [`Grid::solve`] finds.
pub(super) struct Solved {
    slots: usize,
    /// Process that each column leads to, on the circle: slots, slope, data.
    columns: Vec<Vec<f64>>,
    /// Products of the columns in the metric of the inverse covariance.
    gram: DMatrix<f64>,
}

/// The signal's phase on the grid for given phases of the slots.
pub(super) struct Smoothed {
    /// Phase and its derivative by cell, radians.
    pub(super) phase: Vec<f64>,
    pub(super) rate: Vec<f64>,
    /// What is left of the data without slots, constant and slope, the gaps filled.
    pub(super) filled: Vec<f64>,
}

impl Grid {
    /// A grid of `count` cells, each `cell_s` long.
    pub(super) fn new(count: usize, cell_s: f64) -> Self {
        let long = count.max(16) as f64;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "positive, a little more than the number of cells"
        )]
        let circle = smooth_number((long + (CIRCLE * long).min(CIRCLE_S / cell_s)).ceil() as usize);
        let places = (HALF_WIDTH_HZ * cell_s * circle as f64).max(LEAST_PLACES);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "limited to the circle"
        )]
        let reach = (places.round() as usize).min(circle / 8);
        let (mut planner, mut exact) = (FftPlanner::new(), FftPlanner::new());
        Self {
            count,
            circle,
            reach,
            there: planner.plan_fft_forward(circle),
            back: planner.plan_fft_inverse(circle),
            there_exact: exact.plan_fft_forward(circle),
            back_exact: exact.plan_fft_inverse(circle),
        }
    }

    /// Time of a cell from the middle of the burst, in half burst lengths.
    pub(super) fn time(&self, at: usize) -> f64 {
        (at as f64 + 0.5) / self.count as f64 * 2.0 - 1.0
    }

    /// Slope of [`Self::time`] in each cell.
    pub(super) fn slope(&self) -> f64 {
        2.0 / self.count as f64
    }

    /// The data with constant and slope taken off and the gaps bridged.
    pub(super) fn first_filled(&self, cells: &[Cell]) -> Vec<f64> {
        let [a, b] = self.line(cells);
        let usual = usual_weight(cells);
        let known: Vec<(usize, f64)> = cells
            .iter()
            .filter(|c| c.weight >= LEAST_WEIGHT * usual)
            .map(|c| (c.at, c.phase - a - b * self.time(c.at)))
            .collect();
        let mut out = vec![0.0; self.count];
        let (Some(first), Some(last)) = (known.first(), known.last()) else {
            return out;
        };
        out[..first.0].fill(first.1);
        out[last.0..].fill(last.1);
        for pair in known.windows(2) {
            let ((from, a), (to, b)) = (pair[0], pair[1]);
            for (i, o) in out[from..to].iter_mut().enumerate() {
                *o = a + (b - a) * i as f64 / (to - from) as f64;
            }
        }
        out
    }

    /// Constant and slope by weighted least squares.
    pub(super) fn line(&self, cells: &[Cell]) -> [f64; 2] {
        let mut m = [[0.0; 2]; 2];
        let mut r = [0.0; 2];
        for c in cells {
            let d = [1.0, self.time(c.at)];
            for i in 0..2 {
                r[i] += c.weight * d[i] * c.phase;
                for j in 0..2 {
                    m[i][j] += c.weight * d[i] * d[j];
                }
            }
        }
        let det = m[0][0] * m[1][1] - m[0][1] * m[1][0];
        if det > 0.0 {
            [
                (m[1][1] * r[0] - m[0][1] * r[1]) / det,
                (m[0][0] * r[1] - m[1][0] * r[0]) / det,
            ]
        } else {
            [0.0, 0.0]
        }
    }

    /// Spectrum of the modulation, variance by cell, at each frequency of the circle.
    pub(super) fn spectrum(&self, cells: &[Cell], filled: &[f64]) -> Vec<f64> {
        let power = averaged(&self.periodogram(filled), self.reach);
        let usual = usual_weight(cells);
        let noise = cells
            .iter()
            .filter(|c| c.weight >= LEAST_WEIGHT * usual)
            .map(|c| 1.0 / c.weight)
            .sum::<f64>()
            / self.count as f64;
        power
            .into_iter()
            .map(|p| (p - noise).max(LEAST_SPECTRUM * noise))
            .collect()
    }

    /// Periodogram with a Blackman taper (Harris, *Proceedings of the IEEE* 66, 1978).
    fn periodogram(&self, series: &[f64]) -> Vec<f64> {
        let mut values = vec![C64::new(0.0, 0.0); self.circle];
        let mut size = 0.0;
        for (k, (v, s)) in values.iter_mut().zip(series).enumerate() {
            let x = std::f64::consts::TAU * (k as f64 + 0.5) / self.count as f64;
            let taper = 0.42 - 0.5 * x.cos() + 0.08 * (2.0 * x).cos();
            size += taper * taper;
            v.re = taper * s;
        }
        self.there_exact.process(&mut values);
        values.iter().map(|v| v.norm_sqr() / size).collect()
    }

    /// Leads slots, slope and data through the smoother of the given spectrum, to a relative `residual`: the products
    /// are off by about its square.
    pub(super) fn solve(&self, cells: &[Cell], spectrum: &[f64], slots: usize, residual: f64) -> Solved {
        let mut weight = vec![0.0; self.circle];
        let mut columns = vec![vec![0.0; self.circle]; slots + 2];
        for c in cells {
            weight[c.at] = c.weight;
            columns[c.slot][c.at] = 1.0;
            columns[slots][c.at] = self.time(c.at);
            columns[slots + 1][c.at] = c.phase;
        }
        let mean = weight.iter().sum::<f64>() / self.count as f64;
        let system = System::new(self, &weight, spectrum, mean);
        let pairs: Vec<Pair> = columns
            .chunks(2)
            .map(|pair| system.smoothed(&pair[0], pair.get(1), residual))
            .collect();
        let smoothed: Vec<&Vec<f64>> = pairs.iter().flat_map(|p| &p.field).take(slots + 2).collect();
        let mut gram = DMatrix::from_fn(slots + 2, slots + 2, |i, j| {
            cells
                .iter()
                .map(|c| c.weight * columns[i][c.at] * (columns[j][c.at] - smoothed[j][c.at]))
                .sum()
        });
        // What the solutions lack is of second order after this.
        for (i, a) in pairs.iter().enumerate() {
            for (j, b) in pairs.iter().enumerate() {
                for (k, value) in a.products(b).into_iter().enumerate() {
                    let (row, column) = (2 * i + k / 2, 2 * j + k % 2);
                    if row < slots + 2 && column < slots + 2 {
                        gram[(row, column)] -= mean * value;
                    }
                }
            }
        }
        let smoothed = pairs.into_iter().flat_map(|p| p.field).take(slots + 2).collect();
        Solved {
            slots,
            columns: smoothed,
            gram: (&gram + gram.transpose()) * 0.5,
        }
    }

    /// The signal's phase where the slots' phases are `step`.
    pub(super) fn smoothed(&self, cells: &[Cell], solved: &Solved, step: &[f64]) -> Smoothed {
        let slots = solved.slots;
        let [constant, slope] = solved.line(step);
        let mut field = solved.columns[slots + 1].clone();
        for (i, column) in solved.columns[..=slots].iter().enumerate() {
            let size = if i < slots { step[i] + constant } else { slope };
            for (f, c) in field.iter_mut().zip(column) {
                *f -= size * c;
            }
        }
        let rate = self.derivative(&field);
        let mut filled = field[..self.count].to_vec();
        let usual = usual_weight(cells);
        for c in cells.iter().filter(|c| c.weight >= LEAST_WEIGHT * usual) {
            filled[c.at] = c.phase - step[c.slot] - constant - slope * self.time(c.at);
        }
        Smoothed {
            phase: (0..self.count)
                .map(|k| field[k] + constant + slope * self.time(k))
                .collect(),
            rate: rate.iter().map(|r| r + slope * self.slope()).collect(),
            filled,
        }
    }

    fn derivative(&self, field: &[f64]) -> Vec<f64> {
        let n = self.circle;
        let mut values: Vec<C64> = field.iter().map(|f| C64::new(*f, 0.0)).collect();
        self.there_exact.process(&mut values);
        for (k, v) in values.iter_mut().enumerate() {
            let turns = match (2 * k).cmp(&n) {
                Ordering::Less => k as f64,
                Ordering::Equal => 0.0,
                Ordering::Greater => k as f64 - n as f64,
            };
            *v *= C64::new(0.0, std::f64::consts::TAU * turns / (n as f64 * n as f64));
        }
        self.back_exact.process(&mut values);
        values[..self.count].iter().map(|v| v.re).collect()
    }
}

impl Solved {
    /// Rows and columns of constant and slope, what they have in common with the slots, and their score.
    fn nuisance(&self) -> (DMatrix<f64>, DMatrix<f64>, DVector<f64>) {
        let n = self.slots;
        let g = &self.gram;
        let of = |i: usize, j: usize| -> f64 {
            let sum = |f: &dyn Fn(usize) -> f64| (0..n).map(f).sum::<f64>();
            match (i, j) {
                (0, 0) => sum(&|a| sum(&|b| g[(a, b)])),
                (0, 1) | (1, 0) => sum(&|a| g[(a, n)]),
                _ => g[(n, n)],
            }
        };
        let own = DMatrix::from_fn(2, 2, of);
        let with = DMatrix::from_fn(2, n, |i, j| {
            if i == 0 {
                (0..n).map(|a| g[(a, j)]).sum()
            } else {
                g[(n, j)]
            }
        });
        let score = DVector::from_vec(vec![(0..n).map(|a| g[(a, n + 1)]).sum(), g[(n, n + 1)]]);
        (own, with, score)
    }

    /// Constant and slope for given phases of the slots.
    fn line(&self, step: &[f64]) -> [f64; 2] {
        let (own, with, score) = self.nuisance();
        let right = score - with * DVector::from_row_slice(step);
        own.cholesky().map_or([0.0, 0.0], |c| {
            let x = c.solve(&right);
            [x[0], x[1]]
        })
    }

    /// Information on the slots' phases and its score, constant and slope unknown.
    pub(super) fn information(&self) -> Option<(DMatrix<f64>, DVector<f64>)> {
        let n = self.slots;
        let (own, with, right) = self.nuisance();
        let own = own.cholesky()?;
        let matrix = self.gram.view((0, 0), (n, n)) - with.transpose() * own.solve(&with);
        let score = self.gram.view((0, n + 1), (n, 1)).column(0) - with.transpose() * own.solve(&right);
        Some((matrix, score))
    }
}

fn usual_weight(cells: &[Cell]) -> f64 {
    cells.iter().map(|c| c.weight).sum::<f64>() / cells.len().max(1) as f64
}

/// Means over `reach` places on each side, round the circle.
fn averaged(power: &[f64], reach: usize) -> Vec<f64> {
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

/// The least number with no prime factors but 2, 3 and 5 that is not less.
fn smooth_number(least: usize) -> usize {
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

    /// Cells of three dwells in turn with gaps between them, and a spectrum with a band and an empty part.
    fn scene() -> (Grid, Vec<Cell>, Vec<f64>) {
        let grid = Grid::new(120, 1e-4);
        let cells: Vec<Cell> = (0..120)
            .filter(|k| k % 8 != 7)
            .map(|at| Cell {
                at,
                phase: (at as f64 * 0.37).sin() + 0.3 * (at as f64 * 1.9).cos(),
                weight: if at % 8 == 0 { 60.0 } else { 100.0 },
                slot: at / 8 % 3,
            })
            .collect();
        let n = grid.circle;
        let spectrum = (0..n)
            .map(|k| {
                if (4..20).contains(&k.min(n - k)) {
                    3.0
                } else {
                    1e-3
                }
            })
            .collect();
        (grid, cells, spectrum)
    }

    /// Inverse covariance of the cells: a process of that spectrum on the circle and the noise.
    fn dense(grid: &Grid, cells: &[Cell], spectrum: &[f64]) -> DMatrix<f64> {
        let n = grid.circle;
        let covariance: Vec<f64> = (0..n)
            .map(|lag| {
                let turn = std::f64::consts::TAU * lag as f64 / n as f64;
                let sum = spectrum
                    .iter()
                    .enumerate()
                    .map(|(k, s)| s * (turn * k as f64).cos());
                sum.sum::<f64>() / n as f64
            })
            .collect();
        DMatrix::from_fn(cells.len(), cells.len(), |i, j| {
            let own = if i == j { 1.0 / cells[i].weight } else { 0.0 };
            own + covariance[cells[i].at.abs_diff(cells[j].at)]
        })
        .try_inverse()
        .expect("a covariance")
    }

    // Generalised least squares: Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), section
    // 6.4 (best linear unbiased estimator).
    #[test]
    fn the_slots_have_the_information_of_generalised_least_squares() {
        let (grid, cells, spectrum) = scene();
        let inverse = dense(&grid, &cells, &spectrum);
        let regressors = DMatrix::from_fn(cells.len(), 4, |i, j| {
            if j < 3 {
                f64::from(u8::from(cells[i].slot == j))
            } else {
                grid.time(cells[i].at)
            }
        });
        let data = DVector::from_fn(cells.len(), |i, _| cells[i].phase);
        let nuisance = DMatrix::from_fn(
            cells.len(),
            2,
            |i, j| if j == 0 { 1.0 } else { regressors[(i, 3)] },
        );
        let own = (nuisance.transpose() * &inverse * &nuisance)
            .try_inverse()
            .expect("two lines");
        let projected = &inverse - &inverse * &nuisance * own * nuisance.transpose() * &inverse;
        let slots = regressors.columns(0, 3);
        let (matrix, score) = (
            slots.transpose() * &projected * slots,
            slots.transpose() * &projected * data,
        );
        let solved = grid.solve(&cells, &spectrum, 3, 1e-5);
        let found = solved.information().expect("information");
        assert!(
            (&found.0 - &matrix).norm() < 1e-4 * matrix.norm(),
            "{} {matrix}",
            found.0
        );
        assert!(
            (&found.1 - &score).norm() < 1e-4 * score.norm(),
            "{} {score}",
            found.1
        );
        // Ended early, the rest is of second order.
        let early = grid
            .solve(&cells, &spectrum, 3, 1e-2)
            .information()
            .expect("information");
        assert!((&early.0 - &matrix).norm() < 1e-2 * matrix.norm());
    }

    #[test]
    fn the_process_is_what_the_data_say_beside_line_and_slots() {
        let (grid, cells, spectrum) = scene();
        let solved = grid.solve(&cells, &spectrum, 3, 1e-5);
        let smoothed = grid.smoothed(&cells, &solved, &[0.0; 3]);
        // The band holds the first wave, so cells without noise are followed closely and smoothly.
        for k in 20..100 {
            let expected = (k as f64 * 0.37).sin();
            assert!(
                (smoothed.phase[k] - expected).abs() < 0.15,
                "{k}: {} {expected}",
                smoothed.phase[k]
            );
            let rate = 0.37 * (k as f64 * 0.37).cos();
            assert!(
                (smoothed.rate[k] - rate).abs() < 0.15,
                "{k}: {} {rate}",
                smoothed.rate[k]
            );
        }
    }

    #[test]
    fn circles_have_small_factors() {
        assert_eq!(
            [16, 17, 31, 1201, 15001].map(smooth_number),
            [16, 18, 32, 1215, 15360]
        );
    }
}
