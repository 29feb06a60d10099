//! From bearings to a position: the parts put together.

use lobewright_geodesy::{FastAzimuth, LocalFrame};
use lobewright_types::{Bearing, Fix, FixMode, FixOutcome, FixStatement};

use crate::config::FixConfig;
use crate::contour;
use crate::evidence::{Evidence, Scene, solve_evidence};
use crate::geometry;
use crate::grid::{self, Grid};
use crate::headings::{self, Headings};
use crate::likelihood::{Domain, Surface};
use crate::mesh::Mesh;
use crate::modes::{self, Peak};
use crate::places::{Place, Places};
use crate::search::{self, Cell};
use crate::statements;
use crate::top;
use crate::verdicts;

/// The search reaches this many times the distance of the crossings from the middle of the stations.
const REACH: f64 = 2.5;
/// And this many times the distance of the farthest station.
pub(crate) const STATION_REACH: f64 = 3.0;
/// And this many standard deviations beyond the least-squares position.
const SIGMA_REACH: f64 = 4.0;
/// Modes of at least this probability are listed.
const LISTED: f64 = 0.05;
/// A half region of more than this share of the search disc is no position.
const SHARE_OF_DISC: f64 = 0.2;
/// Lookups that may be spent: about half a second.
const LOOKUPS: f64 = 1.2e7;

/// Finds where the transmitter is from bearings taken at several places.
///
/// # Inputs
/// Bearings of any kind, in any order; the whole density of each is used. A bearing whose position, errors or density are not numbers is
/// left out (its verdict says: not usable, probability 1 of being wrong, range 0).
///
/// # Result
/// A [`Fix`] with the top of the most probable peak, the regions that hold 50 and 95 %, modes and a verdict for every bearing; or
/// [`FixOutcome::NoFix`] with the reasons where there is no honest position: no bearings, one place, lines that hardly
/// cross or cross only behind, or a region that fills the search disc.
///
/// # Method
/// The posterior is `prior(x) * product_i [(1 - e) d_i(azimuth from place i to x) + e / 360]`, densities per degree, with `e` =
/// `config.reflection_prior` and the prior even over the search disc around the middle of the stations. Geodesic azimuths on WGS 84.
///
/// - *Position error* of a station widens `d_i` by `position_sigma / range`, by bands of range.
/// - *Several bearings from one place* are joined first, each with its own chance `e` to be wrong; the heading error that they share is
///   taken out of each density, and put back once into the joint one (exact for peaks of normal shape). The place as a whole then
///   has a chance `e` to see a reflection: a building turns all of its bearings.
/// - *One compass or station in several places* has one heading error in all of them, an offset `b`, summed out: `d_i` is read at the azimuth
///   plus `b`. What is expected of `b` is a normal error of the stated `heading_sigma_deg` and, from three places on, with
///   a chance of `config.compass_fault_prior` a fault of standard deviation `config.compass_fault_sigma_deg`. The sum takes steps of 1.5 standard
///   deviations of what all places together say of `b`, where they say that it lies. What they say is in `Fix::station_offsets`.
/// - *Grid*: branch and bound over a quadtree finds every part that holds a millionth of the mass; leaves are cut into triangles with the log
///   posterior straight inside, refined until areas and mean change by less than `config.grid_tolerance`.
/// - *Search disc*: `config.search_radius_km` where nothing nearer follows from the crossings (2.5 times their distance, 3 times that of the
///   farthest station, 4 sigma beyond the least-squares position), doubled while the fix lies at its rim.
pub fn solve(bearings: &[Bearing], config: &FixConfig) -> FixOutcome {
    let evidence = Evidence {
        bearings,
        ..Evidence::default()
    };
    solve_evidence(&evidence, config)
}

pub(crate) fn no_fix(statements: Vec<FixStatement>) -> FixOutcome {
    FixOutcome::NoFix { statements }
}

/// Where to look first.
pub(crate) fn first_domain(places: &Places, frame: LocalFrame, config: &FixConfig) -> Domain {
    let limit_m = 1000.0 * config.search_radius_km;
    let stations_m = places
        .list
        .iter()
        .map(|p| {
            let (east, north) = frame.to_local(p.position);
            east.hypot(north)
        })
        .fold(0.0, f64::max);
    let crossings_m = geometry::crossing_reach_m(&geometry::lines(places, frame));
    let radius_m = crossings_m.map_or(limit_m, |reach_m| {
        let linear_m = statements::linear_of(places, None)
            .filter(|f| statements::p_value(f).is_none_or(|p| p > 1e-3))
            .map_or(0.0, |f| {
                let (east, north) = frame.to_local(f.position);
                east.hypot(north) + SIGMA_REACH * f.covariance.axes().0
            });
        (REACH * reach_m)
            .max(STATION_REACH * stations_m)
            .max(linear_m)
            .min(limit_m)
    });
    Domain { frame, radius_m }
}

/// Computes the posterior, on a larger disc while the answer lies at the rim of a smaller one than allowed.
pub(crate) fn explore<T>(
    mut surface: Surface,
    config: &FixConfig,
    then: impl FnOnce(&Grid, &Surface) -> T,
) -> T {
    let cells = settle(&mut surface, config);
    then(&refined(&surface, &cells, config), &surface)
}

/// Finds the cells that hold the posterior, widening the disc while its fix lies at the rim.
pub(crate) fn settle(surface: &mut Surface, config: &FixConfig) -> Vec<Cell> {
    let limit_m = 1000.0 * config.search_radius_km;
    loop {
        surface.unfocus();
        let cells = search::active_cells(surface);
        let radius_m = surface.domain.radius_m;
        let inner = |c: &Cell| {
            let (east, north) = c.middle_m(radius_m);
            east.hypot(north) + c.side_m(radius_m) < 0.8 * radius_m
        };
        if radius_m >= limit_m
            || cells.iter().all(inner)
            || !at_the_rim(&refined(surface, &cells, config), radius_m)
        {
            return cells;
        }
        surface.domain.radius_m = (2.0 * radius_m).min(limit_m);
    }
}

/// The mesh over the cells, fine enough.
pub(crate) fn refined<'a>(surface: &'a Surface<'a>, cells: &[Cell], config: &FixConfig) -> Grid<'a> {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped")]
    let max_nodes = (LOOKUPS / surface.cost().max(1.0)).clamp(1_500.0, 40_000.0) as usize;
    grid::refine(Mesh::new(surface, cells), config.grid_tolerance, max_nodes)
}

/// Whether the fix or its half region touches the rim.
pub(crate) fn at_the_rim(grid: &Grid, radius_m: f64) -> bool {
    let far = |east: f64, north: f64| east.hypot(north) > 0.8 * radius_m;
    let top = grid.samples.first().is_some_and(|s| far(s.east_m, s.north_m));
    top || reaches_rim(grid, grid.level50)
}

fn reaches_rim(grid: &Grid, level: f64) -> bool {
    grid.mesh.triangles.iter().any(|t| {
        let corners = t.map(|n| grid.mesh.nodes[n as usize]);
        corners.iter().any(crate::mesh::Node::outside) && corners.iter().any(|c| c.ln >= level)
    })
}

pub(crate) fn conclude(
    scene: &Scene,
    bearings: &[Bearing],
    grid: &Grid,
    surface: &Surface,
    config: &FixConfig,
) -> FixOutcome {
    let places = &scene.places;
    let domain = surface.domain;
    let limit_km = domain.radius_m / 1000.0;
    let peaks = modes::peaks(grid);
    let region50 = contour::region(&grid.mesh, &domain, grid.level50, 0.5);
    let region95 = contour::region(&grid.mesh, &domain, grid.level95, 0.95);
    let (east_m, north_m) = top::highest_point(surface, grid, peaks[0].top);
    let position = domain.frame.from_local(east_m, north_m);
    let count = verdicts::points_for(places.list.len());
    let points_m = verdicts::representatives_m(&grid.samples, count);
    let headings = Headings::new(surface, &points_m);
    let points = verdicts::representatives(&grid.samples, &domain, count);
    let contradiction_of = |list: &[&Place]| {
        let linear = statements::linear_of_some(list, Some(position), |group| headings.mean_deg(group));
        statements::contradiction(linear, headings.told())
    };

    let contradiction = contradiction_of(&places.list.iter().collect::<Vec<_>>());
    let disc_km2 = std::f64::consts::PI * limit_km * limit_km;
    let open = reaches_rim(grid, grid.level95).then_some(limit_km);
    let unsolved = scene.hopeless.clone().filter(|_| reaches_rim(grid, grid.level50));
    if region50.area_km2 > SHARE_OF_DISC * disc_km2 || unsolved.is_some() {
        let mut reasons: Vec<FixStatement> = unsolved.into_iter().collect();
        reasons.push(FixStatement::Open { limit_km });
        reasons.extend(contradiction);
        reasons.extend(scene.clues.unused());
        return no_fix(reasons);
    }
    let reflected: Vec<f64> = places
        .list
        .iter()
        .map(|p| verdicts::place_reflected(p, &points, &headings))
        .collect();
    let standing: f64 = reflected.iter().map(|r| 1.0 - r).sum();
    if let (Some(reason), true) = (&contradiction, standing < 1.5) {
        return no_fix(vec![reason.clone()]);
    }
    // A bearing whose verdict is a reflection has been explained: only what stands can still contradict itself.
    let stands: Vec<&Place> = places
        .list
        .iter()
        .zip(&reflected)
        .filter(|(_, r)| **r < 0.5)
        .map(|(p, _)| p)
        .collect();
    let contradiction = if stands.len() == places.list.len() {
        contradiction
    } else {
        contradiction_of(&stands)
    };

    let listed: Vec<&Peak> = peaks
        .iter()
        .enumerate()
        .filter(|(k, p)| *k == 0 || p.probability >= LISTED)
        .map(|(_, p)| p)
        .collect();
    let station_offsets = headings.offsets();
    let mut said: Vec<FixStatement> = headings::faults(&station_offsets).collect();
    said.extend(statements::beside(
        places.list.len(),
        contradiction,
        listed.len(),
        open,
        config.reflection_prior,
    ));
    said.extend(scene.clues.statements(grid, &domain));
    FixOutcome::Fix(Box::new(Fix {
        position,
        ellipse95: modes::ellipse(listed[0], grid.level95, median_range_m(scene, position), &domain),
        modes: listed
            .iter()
            .map(|p| {
                let top = grid.mesh.nodes[p.top as usize];
                FixMode {
                    position: domain.frame.from_local(top.east_m, top.north_m),
                    probability: p.probability.min(1.0),
                }
            })
            .collect(),
        verdicts: verdicts::verdicts(
            bearings,
            places,
            (&points, &headings),
            &reflected,
            position,
            config.reflection_prior,
        ),
        station_offsets,
        path_loss: scene.clues.path_loss(&points),
        statements: said,
        region50,
        region95,
    }))
}

fn median_range_m(scene: &Scene, position: lobewright_types::Position) -> f64 {
    let mut ranges: Vec<f64> = scene
        .places
        .list
        .iter()
        .map(|p| p.position)
        .chain(scene.clues.places())
        .map(|p| FastAzimuth::at(p).azimuth_and_range(&position.into()).1)
        .collect();
    ranges.sort_by(f64::total_cmp);
    ranges.get(ranges.len() / 2).copied().unwrap_or(f64::INFINITY)
}
