//! The posterior as a picture.

use lobewright_types::{Bearing, Position};

use crate::config::FixConfig;
use crate::evidence::{Evidence, Scene};
use crate::grid::Grid;
use crate::likelihood::Surface;
use crate::solve;

/// Share of the mass that the picture is laid around.
const SHOWN: f64 = 0.99;

/// A coarse raster of the posterior, for drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct PosteriorRaster {
    /// Cells from west to east.
    pub columns: usize,
    /// Cells from south to north.
    pub rows: usize,
    /// Corners of the cells, `[row, column]` row-major, `rows + 1` by `columns + 1`, the south-west one first.
    pub corners: Vec<Position>,
    /// Probability density in each cell per square kilometre, `[row, column]` row-major, the south-west one first.
    pub density_per_km2: Vec<f64>,
}

/// Lays a raster over the part of the map that holds 99 % of the posterior.
///
/// # Inputs
/// As [`crate::solve`]; `cells_across` along the longer side, 2 to 1000.
///
/// # Result
/// `None` where [`crate::solve`] sees from the lines alone that there is no position. Cells hold the mean of four points each: a posterior narrower than a cell
/// shows too faint, so take the regions for numbers.
pub fn posterior_grid(
    bearings: &[Bearing],
    config: &FixConfig,
    cells_across: usize,
) -> Option<PosteriorRaster> {
    let evidence = Evidence {
        bearings,
        ..Evidence::default()
    };
    posterior_grid_evidence(&evidence, config, cells_across)
}

/// The same as [`posterior_grid`] from all evidence, as [`crate::solve_evidence`] takes it.
pub fn posterior_grid_evidence(
    evidence: &Evidence<'_>,
    config: &FixConfig,
    cells_across: usize,
) -> Option<PosteriorRaster> {
    let config = config.clamped();
    let scene = Scene::new(evidence, &config).ok()?;
    let surface = Surface::new(&scene.places, scene.first_domain(&config)).with_clues(&scene.clues);
    let across = cells_across.clamp(2, 1000);
    solve::explore(surface, &config, |grid, surface| {
        Some(raster(grid, surface, across))
    })
}

fn raster(grid: &Grid, surface: &Surface, across: usize) -> PosteriorRaster {
    let (mut west, mut east, mut south, mut north) =
        (f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY);
    let mut mass = 0.0;
    for s in grid.samples.iter().take_while(|s| {
        let before = mass;
        mass += s.mass;
        before < SHOWN
    }) {
        west = west.min(s.east_m);
        east = east.max(s.east_m);
        south = south.min(s.north_m);
        north = north.max(s.north_m);
    }
    let margin_m = 0.1 * (east - west).max(north - south).max(1.0);
    let (west, south) = (west - margin_m, south - margin_m);
    let (width, height) = (east + margin_m - west, north + margin_m - south);
    let side = width.max(height) / across as f64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "1 to across"
    )]
    let count = |length: f64| (length / side).ceil().clamp(1.0, across as f64) as usize;
    let (columns, rows) = (count(width), count(height));
    let frame = surface.domain.frame;
    let corners = (0..=rows)
        .flat_map(|r| (0..=columns).map(move |c| (r as f64, c as f64)))
        .map(|(r, c)| frame.from_local(west + side * c, south + side * r))
        .collect();
    let density = |r: f64, c: f64| {
        let quarter = |dr: f64, dc: f64| {
            let ln = surface.ln_local(west + side * (c + dc), south + side * (r + dr));
            (ln - grid.ln_total).exp() * 1e6
        };
        (quarter(0.25, 0.25) + quarter(0.25, 0.75) + quarter(0.75, 0.25) + quarter(0.75, 0.75)) / 4.0
    };
    let mut density_per_km2: Vec<f64> = (0..rows)
        .flat_map(|r| (0..columns).map(move |c| (r as f64, c as f64)))
        .map(|(r, c)| density(r, c))
        .collect();
    // The mesh lies a few hundredths under the posterior's round top: take the scale from the mass inside.
    let (right, top) = (west + side * columns as f64, south + side * rows as f64);
    let inside: f64 = grid
        .samples
        .iter()
        .filter(|s| (west..right).contains(&s.east_m) && (south..top).contains(&s.north_m))
        .map(|s| s.mass)
        .sum();
    let sum: f64 = density_per_km2.iter().sum::<f64>() * side * side / 1e6;
    if sum > 0.0 {
        for d in &mut density_per_km2 {
            *d *= inside / sum;
        }
    }
    PosteriorRaster {
        columns,
        rows,
        corners,
        density_per_km2,
    }
}
