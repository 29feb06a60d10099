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

use std::ops::Range;

use nalgebra::{DMatrix, DVector};
use num_complex::Complex;
use rustfft::FftPlanner;

use super::circle::{Circle, around, averaged, coarse_number, derivative, resampled, smooth_number};
use super::smoother::{Pair, System};

type C32 = Complex<f32>;

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
    /// Cells of the burst.
    count: usize,
    cell_s: f64,
    /// Places on each side over which a spectrum is averaged.
    reach: usize,
    circle: Circle,
    /// Those of shorter pieces, by size.
    others: Vec<Circle>,
}

/// A piece of the burst in which the phase goes on, led through the smoother.
struct Piece {
    /// Its first cell on the grid.
    first: usize,
    /// Process that each column leads to, on the piece's circle: slots, slope, data.
    columns: Vec<Vec<f64>>,
    /// Products of the columns in the metric of the inverse covariance.
    gram: DMatrix<f64>,
}

/// What [`Grid::solve`] finds.
pub(super) struct Solved {
    slots: usize,
    pieces: Vec<Piece>,
    /// Sum of the pieces' products, each piece's constant taken out.
    gram: DMatrix<f64>,
}

/// The signal's phase on the grid for given phases of the slots.
pub(super) struct Smoothed {
    /// Phase and its derivative by cell, radians.
    pub(super) phase: Vec<f64>,
    pub(super) rate: Vec<f64>,
    /// What is left of the data without slots and slope, the gaps filled.
    pub(super) filled: Vec<f64>,
}

impl Grid {
    /// A grid of `count` cells, each `cell_s` long.
    pub(super) fn new(count: usize, cell_s: f64) -> Self {
        let circle = Circle::new(
            smooth_number(around(count.max(16), cell_s)),
            &mut FftPlanner::new(),
        );
        let places = (HALF_WIDTH_HZ * cell_s * circle.size as f64).max(LEAST_PLACES);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "limited to the circle"
        )]
        let reach = (places.round() as usize).min(circle.size / 8);
        Self {
            count,
            cell_s,
            reach,
            circle,
            others: Vec::new(),
        }
    }

    /// The circle of a piece of `count` cells.
    fn circle_of(&mut self, count: usize) -> Circle {
        if count == self.count {
            return self.circle.clone();
        }
        // Few sizes, so that few are planned.
        let size = coarse_number(around(count.max(16), self.cell_s));
        if let Some(known) = self.others.iter().find(|c| c.size == size) {
            return known.clone();
        }
        self.others.push(Circle::new(size, &mut FftPlanner::new()));
        self.others[self.others.len() - 1].clone()
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
    #[expect(clippy::cast_possible_truncation, reason = "single precision is enough")]
    fn periodogram(&self, series: &[f64]) -> Vec<f64> {
        let mut values = vec![C32::new(0.0, 0.0); self.circle.size];
        let mut size = 0.0;
        for (k, (v, s)) in values.iter_mut().zip(series).enumerate() {
            let x = std::f64::consts::TAU * (k as f64 + 0.5) / self.count as f64;
            let taper = 0.42 - 0.5 * x.cos() + 0.08 * (2.0 * x).cos();
            size += taper * taper;
            v.re = (taper * s) as f32;
        }
        self.circle.there.process(&mut values);
        values.iter().map(|v| f64::from(v.norm_sqr()) / size).collect()
    }

    /// Leads slots, slope and data of each piece of cells through the smoother of the given spectrum, to a relative
    /// `residual`: the products are off by about its square.
    pub(super) fn solve(
        &mut self,
        cells: &[Cell],
        pieces: &[Range<usize>],
        spectrum: &[f64],
        slots: usize,
        residual: f64,
    ) -> Solved {
        let mut gram = DMatrix::zeros(slots + 2, slots + 2);
        let whole = pieces.len() == 1;
        let pieces = pieces
            .iter()
            .map(|piece| {
                let piece = self.piece(&cells[piece.clone()], whole, spectrum, slots, residual);
                gram += piece.without_constant(slots);
                piece
            })
            .collect();
        Solved { slots, pieces, gram }
    }

    fn piece(&mut self, cells: &[Cell], whole: bool, spectrum: &[f64], slots: usize, residual: f64) -> Piece {
        let (first, count) = if whole {
            (0, self.count)
        } else {
            (cells[0].at, cells[cells.len() - 1].at + 1 - cells[0].at)
        };
        let circle = self.circle_of(count);
        let own_spectrum = (circle.size != self.circle.size).then(|| resampled(spectrum, circle.size));
        let mut weight = vec![0.0; circle.size];
        let mut columns = vec![vec![0.0; circle.size]; slots + 2];
        for c in cells {
            let at = c.at - first;
            weight[at] = c.weight;
            columns[c.slot][at] = 1.0;
            columns[slots][at] = self.time(c.at);
            columns[slots + 1][at] = c.phase;
        }
        let mean = weight.iter().sum::<f64>() / count as f64;
        let system = System::new(
            &circle,
            &weight,
            own_spectrum.as_deref().unwrap_or(spectrum),
            mean,
        );
        let pairs: Vec<Pair> = columns
            .chunks(2)
            .map(|pair| system.smoothed(&pair[0], pair.get(1), residual))
            .collect();
        let smoothed: Vec<&Vec<f64>> = pairs.iter().flat_map(|p| &p.field).take(slots + 2).collect();
        let mut gram = DMatrix::from_fn(slots + 2, slots + 2, |i, j| {
            cells
                .iter()
                .map(|c| {
                    let at = c.at - first;
                    c.weight * columns[i][at] * (columns[j][at] - smoothed[j][at])
                })
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
        Piece {
            first,
            columns: pairs.into_iter().flat_map(|p| p.field).take(slots + 2).collect(),
            gram: (&gram + gram.transpose()) * 0.5,
        }
    }

    /// The signal's phase where the slots' phases are `step`.
    ///
    /// `turns` is added to each piece.
    pub(super) fn smoothed(
        &mut self,
        cells: &[Cell],
        solved: &Solved,
        step: &[f64],
        turns: &[f64],
    ) -> Smoothed {
        let slope = solved.slope(step);
        let mut out = Smoothed {
            phase: vec![0.0; self.count],
            rate: vec![0.0; self.count],
            filled: Vec::new(),
        };
        // Known from the cells, or from the process in gaps that are bridged.
        let mut known = vec![false; self.count];
        let mut filled = vec![0.0; self.count];
        for (i, piece) in solved.pieces.iter().enumerate() {
            let next = solved.pieces.get(i + 1).map_or(self.count, |p| p.first);
            let stop = if solved.pieces.len() == 1 {
                self.count
            } else {
                cells[..cells.partition_point(|c| c.at < next)]
                    .last()
                    .map_or(piece.first, |c| c.at + 1)
            };
            let constant = piece.constant(solved.slots, step, slope);
            let mut field = piece.columns[solved.slots + 1].clone();
            for (slot, column) in piece.columns[..=solved.slots].iter().enumerate() {
                let size = step.get(slot).map_or(slope, |s| s + constant);
                for (f, c) in field.iter_mut().zip(column) {
                    *f -= size * c;
                }
            }
            let rate = derivative(&self.circle_of(stop - piece.first), &field);
            for at in piece.first..stop {
                let own = field[at - piece.first] + constant + turns[i];
                out.phase[at] = own + slope * self.time(at);
                out.rate[at] = rate[at - piece.first] + slope * self.slope();
                filled[at] = own;
                known[at] = true;
            }
        }
        let usual = usual_weight(cells);
        let mut piece = 0;
        for c in cells {
            while solved.pieces.get(piece + 1).is_some_and(|p| p.first <= c.at) {
                piece += 1;
            }
            if c.weight >= LEAST_WEIGHT * usual {
                filled[c.at] = c.phase - step[c.slot] - slope * self.time(c.at) + turns[piece];
            }
        }
        bridged(&mut filled, &known);
        let mean = filled.iter().sum::<f64>() / filled.len().max(1) as f64;
        for f in &mut filled {
            *f -= mean;
        }
        out.filled = filled;
        out
    }
}

/// Straight lines where nothing is known, level at the ends.
fn bridged(values: &mut [f64], known: &[bool]) {
    let mut before: Option<usize> = None;
    let mut at = 0;
    while at < values.len() {
        if known[at] {
            before = Some(at);
            at += 1;
            continue;
        }
        let next = (at..values.len()).find(|&k| known[k]);
        let (from, to) = match (before, next) {
            (Some(b), Some(n)) => (values[b], values[n]),
            (Some(b), None) => (values[b], values[b]),
            (None, Some(n)) => (values[n], values[n]),
            (None, None) => return,
        };
        let stop = next.unwrap_or(values.len());
        let length = (stop - at + 1) as f64;
        for (i, v) in values[at..stop].iter_mut().enumerate() {
            *v = from + (to - from) * (i + 1) as f64 / length;
        }
        at = stop;
    }
}

impl Piece {
    /// Products of the constant's column with all, and with itself.
    fn constants(&self, slots: usize) -> (DVector<f64>, f64) {
        let with = DVector::from_fn(slots + 2, |j, _| (0..slots).map(|a| self.gram[(a, j)]).sum());
        let own = with.rows(0, slots).sum();
        (with, own)
    }

    fn without_constant(&self, slots: usize) -> DMatrix<f64> {
        let (with, own) = self.constants(slots);
        if own > 0.0 {
            &self.gram - &with * with.transpose() / own
        } else {
            DMatrix::zeros(slots + 2, slots + 2)
        }
    }

    fn constant(&self, slots: usize, step: &[f64], slope: f64) -> f64 {
        let (with, own) = self.constants(slots);
        if own > 0.0 {
            let by_slots: f64 = with.iter().zip(step).map(|(w, s)| w * s).sum();
            (with[slots + 1] - by_slots - with[slots] * slope) / own
        } else {
            0.0
        }
    }
}

impl Solved {
    /// Slope for given phases of the slots.
    fn slope(&self, step: &[f64]) -> f64 {
        let n = self.slots;
        let own = self.gram[(n, n)];
        if own > 0.0 {
            let by_slots: f64 = step.iter().enumerate().map(|(i, s)| self.gram[(n, i)] * s).sum();
            (self.gram[(n, n + 1)] - by_slots) / own
        } else {
            0.0
        }
    }

    /// How much higher than the next each piece is, and the standard error, if the phases of the slots are `step`.
    pub(super) fn drops(&self, step: &[f64]) -> Vec<(f64, f64)> {
        let slope = self.slope(step);
        let own = self.gram[(self.slots, self.slots)].max(1e-300);
        let at: Vec<(f64, f64, f64)> = self
            .pieces
            .iter()
            .map(|p| {
                let (with, weight) = p.constants(self.slots);
                let weight = weight.max(1e-300);
                (
                    p.constant(self.slots, step, slope),
                    1.0 / weight,
                    with[self.slots] / weight,
                )
            })
            .collect();
        at.windows(2)
            .map(|w| {
                let ((a, va, ta), (b, vb, tb)) = (w[0], w[1]);
                (a - b, (va + vb + (tb - ta).powi(2) / own).sqrt())
            })
            .collect()
    }

    /// Information on the slots' phases and its score, constants and slope unknown.
    pub(super) fn information(&self) -> Option<(DMatrix<f64>, DVector<f64>)> {
        let n = self.slots;
        let slots = self.gram.view((0, 0), (n, n));
        let score = self.gram.view((0, n + 1), (n, 1)).column(0).into_owned();
        let with = self.gram.view((0, n), (n, 1)).column(0).into_owned();
        let own = self.gram[(n, n)];
        if !(own > 0.0 && own.is_finite()) {
            return None;
        }
        let matrix = slots - &with * with.transpose() / own;
        Some((matrix, score - with * (self.gram[(n, n + 1)] / own)))
    }
}

fn usual_weight(cells: &[Cell]) -> f64 {
    cells.iter().map(|c| c.weight).sum::<f64>() / cells.len().max(1) as f64
}

#[cfg(test)]
#[path = "spectral_tests.rs"]
mod tests;
