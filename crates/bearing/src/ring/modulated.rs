//! A modulated signal's phase on its time grid.

use std::ops::Range;

use nalgebra::{DMatrix, DVector};
use num_complex::Complex;

use super::bridge::{Free, Gap, gaps, is_clear, judge};
use super::cut::{Block, Cut};
use super::kalman::{Course, Point, wrap};
use super::spectral::{Cell, Grid, Solved};

type C64 = Complex<f64>;

/// Longest cell, in which modulation turns the phase by about a radian.
const CELL_S: f64 = 8e-5;

/// Relative residual to which the equations are solved.
const RESIDUAL: f64 = 3e-3;
/// The same where the spectrum is still poor.
const EARLY_RESIDUAL: f64 = 1e-2;

/// The course of phase through the blocks of each segment, free at the switch: from block to block the phase turns
/// by less than half a turn beside the mean. `sums` are taken along a phase that turns by `omega` in each sample.
pub(super) fn free_course(cut: &Cut<'_>, blocks: &[Block], sums: &[C64], omega: f64) -> Vec<Course> {
    let next = |k: usize| blocks.get(k + 1).is_some_and(|b| b.segment == blocks[k].segment);
    let usual: C64 = (0..blocks.len())
        .filter(|&k| next(k))
        .map(|k| sums[k + 1] * sums[k].conj())
        .sum();
    let back = usual.conj() / usual.norm().max(1e-300);
    // Turns from each block to the next of its segment, beside that of `omega`.
    let turns: Vec<Option<f64>> = (0..blocks.len())
        .map(|k| next(k).then(|| (sums[k + 1] * sums[k].conj() * back).arg() - back.arg()))
        .collect();
    let mut phase = 0.0;
    (0..blocks.len())
        .map(|k| {
            let before = k.checked_sub(1).and_then(|b| turns[b]);
            phase = before.map_or_else(|| sums[k].arg(), |turn| phase + turn);
            let (mut turn, mut time) = (0.0, 0.0);
            if let Some(t) = before {
                turn += t;
                time += blocks[k].middle - blocks[k - 1].middle;
            }
            if let Some(t) = turns[k] {
                turn += t;
                time += blocks[k + 1].middle - blocks[k].middle;
            }
            let rate = omega + turn / f64::max(time, 1.0);
            [phase + omega * blocks[k].middle, rate * cut.unit, 0.0]
        })
        .collect()
}

/// State of the estimate from round to round.
pub(super) struct Modulated {
    grid: Grid,
    /// Samples in a cell.
    cell: usize,
    cells: Vec<Cell>,
    /// Switches with what the phase does there.
    pub(super) gaps: Vec<Gap>,
    /// Cells between switches at which the count of turns is in doubt.
    pieces: Vec<Range<usize>>,
    /// Phases of the slots.
    psi: Vec<f64>,
    /// Constant and slope taken off the cells' phases.
    line: [f64; 2],
    /// What is left of the phases when slots, constant and slope are taken off, the gaps filled.
    left: Option<Vec<f64>>,
    solved: Option<Solved>,
}

impl Modulated {
    pub(super) fn new(cut: &Cut<'_>) -> Self {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "1 to a part of a dwell"
        )]
        let cell = (CELL_S * cut.rate_hz).min(cut.unit / 6.0).round().max(1.0) as usize;
        let count = cut.samples.len().div_ceil(cell);
        Self {
            grid: Grid::new(count, cell as f64 / cut.rate_hz),
            cell,
            cells: Vec::new(),
            gaps: Vec::new(),
            pieces: Vec::new(),
            psi: Vec::new(),
            line: [0.0; 2],
            left: None,
            solved: None,
        }
    }

    pub(super) fn blocks(&self, cut: &Cut<'_>) -> Vec<Block> {
        cut.cells(self.cell)
    }

    fn centre(&self, at: usize) -> f64 {
        (at * self.cell) as f64 + (self.cell as f64 - 1.0) / 2.0
    }

    /// Finds the jumps at the switches from a course that is free at each; `points` are the blocks' own.
    pub(super) fn bridge(
        &mut self,
        cut: &Cut<'_>,
        blocks: &[Block],
        states: &[Course],
        points: &[Point],
        slots: usize,
    ) {
        let cells: Vec<Free> = blocks
            .iter()
            .zip(states)
            .zip(points)
            .map(|((block, state), point)| {
                let at = block.samples.start / self.cell;
                Free {
                    at,
                    segment: block.segment,
                    slot: block.slot,
                    phase: state[0] + state[1] / cut.unit * (self.centre(at) - block.middle),
                    variance: point.variance,
                    whole: block.samples.len() == self.cell,
                }
            })
            .collect();
        self.gaps = gaps(&cells);
        judge(&mut self.gaps, slots);
    }

    /// Makes a course that is free at each switch go through it: what is left of each jump after the slots' phases is
    /// less than half a turn, and nothing where the turns cannot be counted; there a new piece begins.
    ///
    /// Gives the number of pieces.
    pub(super) fn join(&mut self, states: &mut [Course], psi: &[f64], first_slot: usize) -> usize {
        self.psi = psi.to_vec();
        let mut shift = -psi[first_slot];
        let mut start = 0;
        self.pieces.clear();
        let mut gaps = self.gaps.iter().peekable();
        for (k, state) in states.iter_mut().enumerate() {
            if let Some(gap) = gaps.next_if(|g| g.cell == k) {
                let left = gap.left(psi);
                if is_clear(left, gap.sigma) {
                    shift += left - gap.jump;
                } else {
                    shift -= gap.jump;
                    self.pieces.push(start..k);
                    start = k;
                }
            }
            state[0] += shift;
        }
        self.pieces.push(start..states.len());
        self.pieces.len()
    }

    /// Counts the turns between pieces from where the signal's phase lies before and behind: makes one piece of those
    /// where that is without doubt, and gives what is to be added to each of the old ones.
    fn counted(&mut self, solved: &Solved, step: &[f64]) -> Vec<f64> {
        let old = std::mem::take(&mut self.pieces);
        // The drop to each piece but the first, its error, and what is left of it beside the jump.
        let drops: Vec<Option<(f64, f64, f64)>> = solved
            .drops(step)
            .into_iter()
            .zip(&old[1..])
            .map(|((drop, error), piece)| {
                let gap = &self.gaps[self.gaps.partition_point(|g| g.cell < piece.start)];
                let known = gap.sigma.is_finite() && error.is_finite();
                known.then(|| (drop, error, wrap(drop - gap.left(&self.psi))))
            })
            .collect();
        let (sum, count) = drops
            .iter()
            .flatten()
            .fold((1.0, 1.0), |(sum, count), (_, error, off)| {
                (sum + (off / error.max(1e-9)).powi(2), count + 1.0)
            });
        let worse = f64::sqrt(sum / count).max(1.0);
        let mut turns = vec![0.0; old.len()];
        let mut start = 0;
        for (i, drop) in drops.into_iter().enumerate() {
            let sure = drop.filter(|(_, error, off)| is_clear(*off, error * worse));
            turns[i + 1] = turns[i] + sure.map_or(0.0, |(drop, _, off)| drop - off);
            if sure.is_none() {
                self.pieces.push(start..old[i + 1].start);
                start = old[i + 1].start;
            }
        }
        self.pieces.push(start..self.cells.len());
        turns
    }

    /// Information on the slots' phases and its score from phases measured along a course.
    pub(super) fn information(
        &mut self,
        cut: &Cut<'_>,
        blocks: &[Block],
        points: &[Point],
        states: &[Course],
        slots: usize,
        last: bool,
    ) -> Option<(DMatrix<f64>, DVector<f64>)> {
        self.cells = blocks
            .iter()
            .zip(points)
            .zip(states)
            .map(|((block, point), state)| {
                let at = block.samples.start / self.cell;
                Cell {
                    at,
                    phase: point.phase + state[1] / cut.unit * (self.centre(at) - block.middle),
                    weight: 1.0 / point.variance,
                    slot: point.slot,
                }
            })
            .collect();
        self.line = self.grid.line(&self.cells);
        for c in &mut self.cells {
            c.phase -= self.line[0] + self.line[1] * self.grid.time(c.at);
        }
        let filled = self
            .left
            .take()
            .unwrap_or_else(|| self.grid.first_filled(&self.cells));
        let spectrum = self.grid.spectrum(&self.cells, &filled);
        let solved = self.grid.solve(
            &self.cells,
            &self.pieces,
            &spectrum,
            slots,
            if last { RESIDUAL } else { EARLY_RESIDUAL },
        );
        let found = solved.information();
        self.solved = Some(solved);
        found
    }

    /// The course at the blocks' middles when the slots are moved by `step`; keeps what the next round needs.
    pub(super) fn smoothed(&mut self, cut: &Cut<'_>, blocks: &[Block], step: &[f64]) -> Option<Vec<Course>> {
        let solved = self.solved.take()?;
        for (p, s) in self.psi.iter_mut().zip(step) {
            *p += s;
        }
        let turns = self.counted(&solved, step);
        let smoothed = self.grid.smoothed(&self.cells, &solved, step, &turns);
        let slope = self.line[1] * self.grid.slope();
        let to_unit = cut.unit / self.cell as f64;
        let states = blocks
            .iter()
            .map(|block| {
                let at = block.samples.start / self.cell;
                let rate = smoothed.rate[at] + slope;
                let phase = smoothed.phase[at] + self.line[0] + self.line[1] * self.grid.time(at);
                let off = (block.middle - self.centre(at)) / self.cell as f64;
                [phase + off * rate, rate * to_unit, 0.0]
            })
            .collect();
        self.left = Some(smoothed.filled);
        Some(states)
    }
}
