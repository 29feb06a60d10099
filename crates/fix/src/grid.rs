//! The posterior on an adaptive mesh: refinement, masses, highest-density levels.

use crate::mesh::{Leaf, Mesh};
use crate::search::{Cell, MAX_LEVEL};

/// Difference between a cell's middle and the mean of its corners above which it is split, where it matters.
const BEND_NATS: f64 = 0.03;
/// The same in the thin parts, times the share of the mass.
const BEND_MASS: f64 = 3e-5;
/// No cell holds more than this share.
const LARGEST_SHARE: f64 = 0.02;
/// Refinement reaches this far below the 95 % level.
const BELOW_LEVEL_NATS: f64 = 0.7;
const MAX_ROUNDS: usize = 16;

/// A piece of a triangle, flat enough to be one value.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sample {
    pub(crate) ln: f64,
    pub(crate) mass: f64,
    pub(crate) area_m2: f64,
    pub(crate) east_m: f64,
    pub(crate) north_m: f64,
    pub(crate) triangle: u32,
}

/// A refined posterior.
#[derive(Debug)]
pub(crate) struct Grid<'a> {
    pub(crate) mesh: Mesh<'a>,
    /// Highest density first; masses add up to 1.
    pub(crate) samples: Vec<Sample>,
    /// Log of the integral over the disc (unnormalised).
    pub(crate) ln_total: f64,
    /// Levels of the 50 % and 95 % regions, on the nodes' scale.
    pub(crate) level50: f64,
    pub(crate) level95: f64,
}

/// What must stop changing.
#[derive(Debug, Clone, Copy)]
struct Summary {
    area50_m2: f64,
    area95_m2: f64,
    mean_m: (f64, f64),
}

/// Refines until the regions' areas and the mean change by less than `tolerance`, or `max_nodes` are computed.
pub(crate) fn refine(mut mesh: Mesh<'_>, tolerance: f64, max_nodes: usize) -> Grid<'_> {
    let mut before: Option<Summary> = None;
    let mut round = 0;
    loop {
        let (samples, ln_total) = sample(&mesh);
        let (level50, level95, summary) = levels(&samples);
        let split = to_split(&mesh, &samples, level95);
        let settled = before.is_some_and(|b| b.close_to(&summary, tolerance));
        round += 1;
        let enough = settled || split.is_empty() || round > MAX_ROUNDS || mesh.nodes.len() >= max_nodes;
        if enough {
            return Grid {
                mesh,
                samples,
                ln_total,
                level50,
                level95,
            };
        }
        // A first round on the search's coarse cells tells nothing: compare from the second on.
        before = (round > 1).then_some(summary);
        mesh.refine(&split);
    }
}

impl Summary {
    fn close_to(&self, other: &Self, tolerance: f64) -> bool {
        let near = |a: f64, b: f64| (a - b).abs() <= tolerance * b;
        let size_m = (other.area50_m2 / std::f64::consts::PI).sqrt();
        let moved_m = (self.mean_m.0 - other.mean_m.0).hypot(self.mean_m.1 - other.mean_m.1);
        near(self.area50_m2, other.area50_m2)
            && near(self.area95_m2, other.area95_m2)
            && moved_m <= tolerance * size_m
    }
}

/// Middles of the three corner parts and of the inner part, in shares of the corners.
const PARTS: [[f64; 3]; 4] = [
    [4.0 / 6.0, 1.0 / 6.0, 1.0 / 6.0],
    [1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0],
    [1.0 / 6.0, 1.0 / 6.0, 4.0 / 6.0],
    [2.0 / 6.0, 2.0 / 6.0, 2.0 / 6.0],
];

/// Cuts every triangle in four and gives each part its value and mass.
fn sample(mesh: &Mesh) -> (Vec<Sample>, f64) {
    let peak = mesh.nodes.iter().map(|n| n.ln).fold(f64::NEG_INFINITY, f64::max);
    let mut samples = Vec::with_capacity(4 * mesh.triangles.len());
    for (number, &triangle) in mesh.triangles.iter().enumerate() {
        let corners = triangle.map(|n| mesh.nodes[n as usize]);
        let inside = corners.iter().filter(|c| !c.outside()).count();
        if inside == 0 {
            continue;
        }
        let area_m2 = mesh.area_m2(triangle) / 4.0 * inside as f64 / 3.0;
        let mean: f64 = corners.iter().filter(|c| !c.outside()).map(|c| c.ln).sum::<f64>() / inside as f64;
        for part in PARTS {
            let of = |pick: fn(&crate::mesh::Node) -> f64| -> f64 {
                part.iter().zip(&corners).map(|(w, c)| w * pick(c)).sum()
            };
            let ln = if inside == 3 { of(|c| c.ln) } else { mean };
            samples.push(Sample {
                ln,
                mass: area_m2 * (ln - peak).exp(),
                area_m2,
                east_m: of(|c| c.east_m),
                north_m: of(|c| c.north_m),
                triangle: u32::try_from(number).unwrap_or(u32::MAX),
            });
        }
    }
    let total: f64 = samples.iter().map(|s| s.mass).sum();
    for s in &mut samples {
        s.mass /= total;
    }
    samples.sort_by(|a, b| b.ln.total_cmp(&a.ln).then(a.triangle.cmp(&b.triangle)));
    (samples, peak + total.ln())
}

/// The levels above which half and 95 % of the mass lie.
fn levels(samples: &[Sample]) -> (f64, f64, Summary) {
    let (mut mass, mut area) = (0.0, 0.0);
    let mut mean = (0.0, 0.0);
    let mut reached = [None; 2];
    for s in samples {
        mass += s.mass;
        area += s.area_m2;
        mean.0 += s.mass * s.east_m;
        mean.1 += s.mass * s.north_m;
        for (k, share) in [0.5, 0.95].into_iter().enumerate() {
            if reached[k].is_none() && mass >= share {
                reached[k] = Some((s.ln, area));
            }
        }
    }
    let last = samples.last().map_or((0.0, 0.0), |s| (s.ln, area));
    let (level50, area50_m2) = reached[0].unwrap_or(last);
    let (level95, area95_m2) = reached[1].unwrap_or(last);
    (
        level50,
        level95,
        Summary {
            area50_m2,
            area95_m2,
            mean_m: mean,
        },
    )
}

fn to_split(mesh: &Mesh, samples: &[Sample], level95: f64) -> Vec<Cell> {
    let mut mass = vec![0.0; mesh.triangles.len()];
    for s in samples {
        mass[s.triangle as usize] += s.mass;
    }
    mesh.leaves
        .iter()
        .filter(|leaf| leaf.cell.level < MAX_LEVEL)
        .filter(|leaf| {
            let share: f64 = mass[leaf.triangles.0..leaf.triangles.1].iter().sum();
            must_split(mesh, leaf, share, level95)
        })
        .map(|leaf| leaf.cell)
        .collect()
}

fn must_split(mesh: &Mesh, leaf: &Leaf, share: f64, level95: f64) -> bool {
    if share > LARGEST_SHARE {
        return true;
    }
    let middle = mesh.nodes[leaf.middle as usize].ln;
    let corners = leaf.corners.map(|n| mesh.nodes[n as usize]);
    if corners.iter().any(crate::mesh::Node::outside) {
        return share > 1e-3;
    }
    let bend = (middle - corners.iter().map(|c| c.ln).sum::<f64>() / 4.0).abs();
    let top = corners.iter().map(|c| c.ln).fold(middle, f64::max);
    let matters = top >= level95 - BELOW_LEVEL_NATS;
    (matters && bend > BEND_NATS) || share * bend.min(2.0) > BEND_MASS
}
