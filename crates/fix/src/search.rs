//! Finds where the posterior has its mass: branch and bound over a quadtree.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use crate::likelihood::{Alive, OUTSIDE_LN, Surface};
use crate::tile::Valued;

/// Places used in the bound: with more of them the sum of their maxima is too loose to prune.
const BOUND_PLACES: usize = 16;
/// A cell is resolved when the bound inside is within this of the values at its middle and corners.
const RESOLVED_NATS: f64 = 5.0;
/// The search ends when no cell left can hold more than this share of what was found.
const LEFT_OVER: f64 = 1e-5;
/// Cells looked at before the search gives up on the rest.
const MAX_CELLS: usize = 30_000;
/// Finest level: a square of 600 km in 2^26 parts is 9 mm.
pub(crate) const MAX_LEVEL: u8 = 26;
/// Cells over the rim of the search disc are not cut finer than this.
const RIM_LEVEL: u8 = 9;
/// Cells wanted within three nats of the top before more places are taken in.
const TOP_CELLS: usize = 24;
/// Points on which heading errors that nothing speaks for are dropped.
const OFFSET_POINTS: usize = 100;
/// Cells this far under the top are given up when more places are taken in.
const DROP_NATS: f64 = 16.0;

/// A square of the quadtree: level 0 is the whole domain, `ix` counts east and `iy` north.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Cell {
    pub(crate) level: u8,
    pub(crate) ix: u32,
    pub(crate) iy: u32,
}

impl Cell {
    pub(crate) fn side_m(self, radius_m: f64) -> f64 {
        2.0 * radius_m / f64::from(1_u32 << self.level)
    }

    /// Middle of the cell in the local frame.
    pub(crate) fn middle_m(self, radius_m: f64) -> (f64, f64) {
        let side = self.side_m(radius_m);
        (
            -radius_m + side * (f64::from(self.ix) + 0.5),
            -radius_m + side * (f64::from(self.iy) + 0.5),
        )
    }

    pub(crate) fn children(self) -> [Self; 4] {
        [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(dx, dy)| Self {
            level: self.level + 1,
            ix: 2 * self.ix + dx,
            iy: 2 * self.iy + dy,
        })
    }
}

struct Open {
    cell: Cell,
    ln_mass_bound: f64,
    ln_bound: f64,
    ln_middle: f64,
    middle_m: (f64, f64),
    side_m: f64,
    alive: Alive,
}

impl Open {
    fn new(surface: &Surface, cell: Cell, mut alive: Alive) -> Option<Self> {
        let radius_m = surface.domain.radius_m;
        let side_m = cell.side_m(radius_m);
        let (east, north) = cell.middle_m(radius_m);
        let reach_m = side_m * std::f64::consts::FRAC_1_SQRT_2;
        let ln_bound = surface.ln_bound(east, north, reach_m, &mut alive);
        (ln_bound > OUTSIDE_LN).then(|| Self {
            cell,
            ln_mass_bound: ln_bound + 2.0 * side_m.ln(),
            ln_bound,
            ln_middle: surface.ln_alive(east, north, &alive),
            middle_m: (east, north),
            side_m,
            alive,
        })
    }

    /// Whether the posterior is about flat over the cell. The middle alone does not tell: it may be the peak.
    fn resolved(&self, surface: &Surface) -> bool {
        let flat = |ln: f64| self.ln_bound - ln <= RESOLVED_NATS;
        let half = self.side_m / 2.0;
        flat(self.ln_middle)
            && [(-half, -half), (half, -half), (half, half), (-half, half)]
                .iter()
                .all(|d| flat(surface.ln_alive(self.middle_m.0 + d.0, self.middle_m.1 + d.1, &self.alive)))
    }
}

impl PartialEq for Open {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Open {}
impl PartialOrd for Open {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Open {
    fn cmp(&self, other: &Self) -> Ordering {
        self.ln_mass_bound
            .total_cmp(&other.ln_mass_bound)
            .then(other.cell.cmp(&self.cell))
    }
}

/// Cells that together hold the posterior's mass, each small enough to see it, with what the posterior is there. Narrows the surface to them,
/// and its heading errors to those that count there.
pub(crate) fn active_cells(surface: &mut Surface) -> Vec<Cell> {
    let all = surface.chosen.len();
    let mut count = BOUND_PLACES;
    let first = surface.thinned(count);
    let mut cells = bound_search(&first);
    let mut valued = values(&first, &cells);
    let mut spans = first.found_spans(&strongest(&valued));
    while count < all {
        count = (count * 4).min(all);
        let mut more = surface.thinned(count);
        more.take_spans(&spans);
        more.narrow_to(&valued);
        cells = take_in(&more, cells);
        valued = values(&more, &cells);
        spans = more.found_spans(&strongest(&valued));
    }
    surface.take_spans(&spans);
    surface.narrow_to(&valued);
    cells
}

fn values(surface: &Surface, cells: &[Cell]) -> Vec<Valued> {
    let radius_m = surface.domain.radius_m;
    cells
        .iter()
        .map(|c| {
            let middle_m = c.middle_m(radius_m);
            (
                middle_m,
                c.side_m(radius_m),
                surface.ln_local(middle_m.0, middle_m.1),
            )
        })
        .collect()
}

/// Middles of the cells that hold most.
fn strongest(valued: &[Valued]) -> Vec<(f64, f64)> {
    let mut valued = valued.to_vec();
    valued.sort_by(|a, b| b.2.total_cmp(&a.2));
    valued.truncate(OFFSET_POINTS);
    valued.into_iter().map(|v| v.0).collect()
}

fn bound_search(surface: &Surface) -> Vec<Cell> {
    let whole = Cell {
        level: 0,
        ix: 0,
        iy: 0,
    };
    let mut heap: BinaryHeap<Open> = Open::new(surface, whole, surface.all_alive())
        .into_iter()
        .collect();
    let mut found: Vec<(Cell, f64)> = Vec::new();
    let mut mass = LnSum::default();
    let mut looked = 0;
    while let Some(top) = heap.pop() {
        if top.ln_mass_bound + (heap.len() as f64).ln_1p().min(4.0) < mass.ln() + LEFT_OVER.ln() {
            break;
        }
        looked += 4;
        let beyond = top.ln_middle <= OUTSIDE_LN && top.cell.level >= RIM_LEVEL;
        if beyond || top.resolved(surface) || top.cell.level >= MAX_LEVEL || looked > MAX_CELLS {
            mass.add(top.ln_middle + 2.0 * top.side_m.ln());
            found.push((top.cell, top.ln_mass_bound));
            continue;
        }
        let inside = top.cell.children().into_iter();
        heap.extend(inside.filter_map(|c| Open::new(surface, c, top.alive.clone())));
    }
    let floor = mass.ln() + LEFT_OVER.ln();
    found.retain(|f| f.1 >= floor);
    found.into_iter().map(|f| f.0).collect()
}

/// Judges the cells with more places, dropping and splitting as the posterior grows narrower.
fn take_in(surface: &Surface, cells: Vec<Cell>) -> Vec<Cell> {
    let radius_m = surface.domain.radius_m;
    let value = |cell: Cell| {
        let (east, north) = cell.middle_m(radius_m);
        (cell, surface.ln_local(east, north))
    };
    let mut valued: Vec<(Cell, f64)> = cells.into_iter().map(value).collect();
    for _ in 0..MAX_LEVEL {
        let top = valued.iter().map(|v| v.1).fold(f64::NEG_INFINITY, f64::max);
        valued.retain(|v| v.1 >= top - DROP_NATS);
        let near = valued.iter().filter(|v| v.1 >= top - 3.0).count();
        if near >= TOP_CELLS || valued.iter().any(|v| v.0.level >= MAX_LEVEL) {
            break;
        }
        valued = valued
            .into_iter()
            .flat_map(|v| v.0.children())
            .map(value)
            .collect();
    }
    valued.into_iter().map(|v| v.0).collect()
}

/// A running sum of numbers given by their logarithms.
#[derive(Debug, Clone, Copy)]
struct LnSum {
    peak: f64,
    sum: f64,
}

impl Default for LnSum {
    fn default() -> Self {
        Self {
            peak: f64::NEG_INFINITY,
            sum: 0.0,
        }
    }
}

impl LnSum {
    fn add(&mut self, ln: f64) {
        if ln > self.peak {
            self.sum = self.sum * (self.peak - ln).exp() + 1.0;
            self.peak = ln;
        } else {
            self.sum += (ln - self.peak).exp();
        }
    }

    fn ln(self) -> f64 {
        self.peak + self.sum.ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn running_sum_of_logarithms_is_the_logarithm_of_the_sum() {
        let mut sum = LnSum::default();
        assert!(sum.ln().is_infinite() && sum.ln() < 0.0);
        for x in [1.0_f64, 1000.0, 0.5] {
            sum.add(x.ln());
        }
        assert!((sum.ln() - 1001.5_f64.ln()).abs() < 1e-12);
    }

    #[test]
    fn children_tile_their_parent() {
        let cell = Cell {
            level: 3,
            ix: 5,
            iy: 2,
        };
        let (east, north) = cell.middle_m(800.0);
        let middles = cell.children().map(|c| c.middle_m(800.0));
        let mean_east: f64 = middles.iter().map(|m| m.0).sum::<f64>() / 4.0;
        let mean_north: f64 = middles.iter().map(|m| m.1).sum::<f64>() / 4.0;
        assert!((mean_east - east).abs() < 1e-9 && (mean_north - north).abs() < 1e-9);
    }
}
