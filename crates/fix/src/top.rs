//! The highest point of the most probable peak.

use nalgebra::{Matrix6, Vector6};

use crate::grid::Grid;
use crate::likelihood::Surface;

/// Nodes within this of the highest one are fitted; farther down a lopsided posterior is no parabola.
const FIT_NATS: f64 = 0.6;
/// The fitted top may lie this far under the highest value found: the log densities are straight between knots, so their
/// sum has false tops of some hundredths of a nat on its edges.
const EDGE_NATS: f64 = 0.15;

/// The top of a parabola through the nodes round `start`, the highest node of a peak; where that fits badly, the point a
/// search climbs to. Another peak may be higher, where it is narrow enough to hold less.
pub(crate) fn highest_point(surface: &Surface, grid: &Grid, start: u32) -> (f64, f64) {
    let climbed = climb(surface, grid, start);
    parabola(grid, climbed.0, grid.mesh.nodes[start as usize].ln)
        .filter(|&p| surface.ln_local(p.0, p.1) >= climbed.1 - EDGE_NATS)
        .unwrap_or(climbed.0)
}

/// Least squares of a parabola over the nodes near the top.
fn parabola(grid: &Grid, near: (f64, f64), peak: f64) -> Option<(f64, f64)> {
    let size_m = core_size_m(grid);
    let mut normal = Matrix6::<f64>::zeros();
    let mut right = Vector6::<f64>::zeros();
    let mut count = 0;
    for node in grid.mesh.nodes.iter().filter(|n| n.ln >= peak - FIT_NATS) {
        let (x, y) = ((node.east_m - near.0) / size_m, (node.north_m - near.1) / size_m);
        // Another peak as high as this one must not join in.
        if x.hypot(y) > 4.0 {
            return None;
        }
        let row = Vector6::new(1.0, x, y, x * x, x * y, y * y);
        normal += row * row.transpose();
        right += row * (node.ln - peak);
        count += 1;
    }
    if count < 12 {
        return None;
    }
    let c = normal.cholesky()?.solve(&right);
    let det = 4.0 * c[3] * c[5] - c[4] * c[4];
    if c[3] >= 0.0 || det <= 0.0 {
        return None;
    }
    let x = (c[4] * c[2] - 2.0 * c[5] * c[1]) / det;
    let y = (c[4] * c[1] - 2.0 * c[3] * c[2]) / det;
    (x.hypot(y) < 1.0).then_some((near.0 + size_m * x, near.1 + size_m * y))
}

/// The side of a square as large as the half region.
fn core_size_m(grid: &Grid) -> f64 {
    let area_m2: f64 = grid
        .samples
        .iter()
        .take_while(|s| s.ln >= grid.level50)
        .map(|s| s.area_m2)
        .sum();
    area_m2.sqrt().max(1e-3)
}

/// A pattern search with halved steps from a node: the point and its log posterior.
fn climb(surface: &Surface, grid: &Grid, start: u32) -> ((f64, f64), f64) {
    let start = grid.mesh.nodes[start as usize];
    let mut step_m = core_size_m(grid) / 8.0;
    let least_m = step_m / 100.0;
    let (mut at, mut ln) = ((start.east_m, start.north_m), start.ln);
    while step_m > least_m {
        let next = [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)]
            .map(|d| (at.0 + step_m * d.0, at.1 + step_m * d.1))
            .map(|p| (p, surface.ln_local(p.0, p.1)))
            .into_iter()
            .max_by(|a, b| a.1.total_cmp(&b.1));
        match next {
            Some((p, value)) if value > ln => (at, ln) = (p, value),
            _ => step_m /= 2.0,
        }
    }
    (at, ln)
}
