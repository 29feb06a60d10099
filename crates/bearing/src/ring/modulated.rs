//! A modulated signal's phase on its time grid.

use nalgebra::{DMatrix, DVector};

use super::cut::{Block, Cut};
use super::kalman::{Course, Point};
use super::spectral::{Cell, Grid, Solved};

/// Longest cell, in which modulation turns the phase by about a radian.
const CELL_S: f64 = 8e-5;

/// Relative residual to which the equations are solved.
const RESIDUAL: f64 = 3e-3;
/// The same where the spectrum is still poor.
const EARLY_RESIDUAL: f64 = 1e-2;

/// State of the estimate from round to round.
pub(super) struct Modulated {
    grid: Grid,
    /// Samples in a cell.
    cell: usize,
    cells: Vec<Cell>,
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
        let solved = self.solved.as_ref()?;
        let smoothed = self.grid.smoothed(&self.cells, solved, step);
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
