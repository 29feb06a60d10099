//! The posterior as weighted points.

use lobewright_geodesy::{EarthPoint, LocalFrame};
use lobewright_types::{Bearing, FixOutcome, FixStatement, Position};

use crate::clues::Clues;
use crate::config::FixConfig;
use crate::evidence::{Evidence, Scene};
use crate::grid::Grid;
use crate::likelihood::{Domain, Surface};
use crate::{places, solve};

/// Where the lines alone leave the distance open, the transmitter is looked for this far from the places: about what
/// can be driven in a hunt (common practice, no source). A smaller search radius of the caller's goes first.
const OPEN_RADIUS_KM: f64 = 30.0;
/// Distances under this count as this where the distance is open.
const NEAR_M: f64 = 100.0;
/// Cells of more than this share of one point's mass are cut further where the density in them varies.
const UNEVEN_SHARE: f64 = 0.1;
/// Ratio of the densities in a cell (natural log) from which it counts as uneven.
const UNEVEN_NATS: f64 = 1.0;
/// Points with less mass than this are left out.
const LEAST_MASS: f64 = 1e-9;

/// A part of the map with the probability that the transmitter is in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PosteriorSample {
    /// Metres east of the samples' origin.
    pub east_m: f64,
    /// Metres north of it.
    pub north_m: f64,
    /// Probability; those of all samples add up to 1.
    pub mass: f64,
    /// Area of the part in square metres.
    pub area_m2: f64,
}

/// Where the transmitter may be: weighted points, each for a part of the map.
#[derive(Debug, Clone, PartialEq)]
pub struct PosteriorSamples {
    frame: LocalFrame,
    points: Vec<PosteriorSample>,
    taken: Vec<Position>,
}

/// One of a smaller number of points that stand for all samples.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    pub(super) earth: EarthPoint,
    pub(super) mass: f64,
    pub(super) area_m2: f64,
}

/// Solves as [`crate::solve_evidence`] and keeps the posterior, which advice on the next place needs.
///
/// # Inputs
/// As [`crate::solve_evidence`].
///
/// # Result
/// The outcome that [`crate::solve_evidence`] gives, and the posterior's samples. These are there as well where one place or
/// parallel lines leave the distance open: then the search disc has 30 km, or `config.search_radius_km` where that is less, and from one place the
/// probability is even in distance. There are none
/// without evidence and where all bearings cross behind the stations.
pub fn solve_with_samples(
    evidence: &Evidence<'_>,
    config: &FixConfig,
) -> (FixOutcome, Option<PosteriorSamples>) {
    let config = config.clamped();
    let taken = places_of(evidence.bearings);
    let scene = match Scene::new(evidence, &config) {
        Ok(scene) => scene,
        Err(reasons) => {
            let open = matches!(
                reasons[..],
                [FixStatement::OnePlace | FixStatement::Parallel { .. }, ..]
            );
            let samples = open.then(|| open_samples(evidence, &config, taken));
            return (solve::no_fix(reasons), samples);
        }
    };
    let surface = Surface::new(&scene.places, scene.first_domain(&config)).with_clues(&scene.clues);
    solve::explore(surface, &config, |grid, surface| {
        let outcome = solve::conclude(&scene, evidence.bearings, grid, surface, &config);
        (outcome, Some(PosteriorSamples::of_grid(grid, surface, taken)))
    })
}

/// Places of the usable bearings, each once, ordered by latitude and longitude.
fn places_of(bearings: &[Bearing]) -> Vec<Position> {
    let mut list: Vec<Position> = bearings
        .iter()
        .filter(|b| places::usable(b))
        .map(|b| b.position)
        .collect();
    list.sort_by(|a, b| {
        a.lat_deg
            .total_cmp(&b.lat_deg)
            .then(a.lon_deg.total_cmp(&b.lon_deg))
    });
    list.dedup();
    list
}

/// The posterior where the lines leave the distance open.
fn open_samples(evidence: &Evidence<'_>, config: &FixConfig, taken: Vec<Position>) -> PosteriorSamples {
    let places = places::gather(evidence.bearings, config);
    let frame = LocalFrame::at(Domain::middle(&taken));
    let reach_m = taken
        .iter()
        .map(|&p| {
            let (east, north) = frame.to_local(p);
            east.hypot(north)
        })
        .fold(0.0, f64::max);
    let wide_km = OPEN_RADIUS_KM.max(3.0 * reach_m / 1000.0);
    let config = FixConfig {
        search_radius_km: config.search_radius_km.min(wide_km),
        ..*config
    };
    let clues = Clues::gather(evidence, &config, frame);
    let domain = Domain {
        frame,
        radius_m: 1000.0 * config.search_radius_km,
    };
    let surface = Surface::new(&places, domain).with_clues(&clues);
    solve::explore(surface, &config, |grid, surface| {
        PosteriorSamples::of_grid(grid, surface, taken).even_in_distance()
    })
}

impl PosteriorSamples {
    fn of_grid(grid: &Grid, surface: &Surface, taken: Vec<Position>) -> Self {
        let points = grid
            .samples
            .iter()
            .map(|s| PosteriorSample {
                east_m: s.east_m,
                north_m: s.north_m,
                mass: s.mass,
                area_m2: s.area_m2,
            })
            .collect();
        Self {
            frame: surface.domain.frame,
            points,
            taken,
        }
    }

    /// From one place the search disc alone says how far: even in area, that is nearly at its rim. Even in distance is
    /// what a hunter would say (common practice, no source).
    fn even_in_distance(self) -> Self {
        let [place] = self.taken[..] else { return self };
        let (east, north) = self.frame.to_local(place);
        let weighted = self.points.iter().map(|s| PosteriorSample {
            mass: s.mass / (s.east_m - east).hypot(s.north_m - north).max(NEAR_M),
            ..*s
        });
        Self::from_points(self.frame.origin(), weighted, vec![place]).unwrap_or(self)
    }

    /// Takes samples from elsewhere.
    ///
    /// # Inputs
    /// `origin`: what the samples' metres are counted from, see [`LocalFrame`]; `taken`: places where bearings were taken.
    /// Samples whose numbers are not finite, or whose mass or area is not above 0, are left out; masses may have any sum.
    ///
    /// # Result
    /// `None` where nothing is left.
    pub fn from_points(
        origin: Position,
        points: impl IntoIterator<Item = PosteriorSample>,
        taken: Vec<Position>,
    ) -> Option<Self> {
        let good = |s: &PosteriorSample| {
            [s.east_m, s.north_m, s.mass, s.area_m2]
                .iter()
                .all(|v| v.is_finite())
                && s.mass > 0.0
                && s.area_m2 > 0.0
        };
        let mut points: Vec<PosteriorSample> = points.into_iter().filter(good).collect();
        let total: f64 = points.iter().map(|s| s.mass).sum();
        if points.is_empty() || !total.is_finite() {
            return None;
        }
        for s in &mut points {
            s.mass /= total;
        }
        points.sort_by(|a, b| {
            (b.mass / b.area_m2)
                .total_cmp(&(a.mass / a.area_m2))
                .then(a.east_m.total_cmp(&b.east_m))
                .then(a.north_m.total_cmp(&b.north_m))
        });
        Some(Self {
            frame: LocalFrame::at(origin),
            points,
            taken,
        })
    }

    /// The frame that the samples' metres are counted in.
    pub fn frame(&self) -> LocalFrame {
        self.frame
    }

    /// The samples, highest density first.
    pub fn points(&self) -> &[PosteriorSample] {
        &self.points
    }

    /// Places where bearings were taken, each once.
    pub fn taken(&self) -> &[Position] {
        &self.taken
    }

    /// Area of the smallest region that holds `share` (0 to 1) of the probability.
    pub fn area_km2(&self, share: f64) -> f64 {
        let held = self.held(share);
        let mass: f64 = held.iter().map(|s| s.mass).sum();
        let area: f64 = held.iter().map(|s| s.area_m2).sum();
        // The last sample is in by the part that is needed.
        let over = held
            .last()
            .map_or(0.0, |s| ((mass - share) / s.mass).clamp(0.0, 1.0) * s.area_m2);
        (area - over) / 1e6
    }

    /// Radius of the circle around a place that holds `share` (0 to 1) of the probability, in metres.
    pub fn radius_m(&self, around: Position, share: f64) -> f64 {
        let (east, north) = self.frame.to_local(around);
        let mut by_distance: Vec<(f64, f64)> = self
            .points
            .iter()
            .map(|s| ((s.east_m - east).hypot(s.north_m - north), s.mass))
            .collect();
        by_distance.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut mass = 0.0;
        for &(distance_m, m) in &by_distance {
            mass += m;
            if mass >= share {
                return distance_m;
            }
        }
        by_distance.last().map_or(0.0, |last| last.0)
    }

    /// The samples of highest density that hold a share of the probability.
    pub(super) fn held(&self, share: f64) -> &[PosteriorSample] {
        let mut mass = 0.0;
        let count = self
            .points
            .iter()
            .take_while(|s| {
                let before = mass;
                mass += s.mass;
                before < share
            })
            .count();
        &self.points[..count]
    }

    /// About `count` to four times as many points that stand for all samples: a cell is halved until it holds no more than
    /// `1 / count` of the mass and its density is even, or next to nothing.
    pub(super) fn reduced(&self, count: usize) -> Vec<Point> {
        let most = 1.0 / count.max(1) as f64;
        let mut open = vec![self.points.clone()];
        let mut points = Vec::with_capacity(2 * count);
        while let Some(cell) = open.pop() {
            let mass: f64 = cell.iter().map(|s| s.mass).sum();
            if mass < LEAST_MASS {
                continue;
            }
            let (middle, extent) = middle_of(&cell);
            let whole = cell.len() == 1 || (mass <= most && (mass < UNEVEN_SHARE * most || even(&cell)));
            if whole {
                points.push(self.merged(&cell, mass));
                continue;
            }
            let across = extent.0 >= extent.1;
            let (low, high): (Vec<_>, Vec<_>) = cell.into_iter().partition(|s| {
                if across {
                    s.east_m < middle.0
                } else {
                    s.north_m < middle.1
                }
            });
            if low.is_empty() || high.is_empty() {
                points.push(self.merged(&[low, high].concat(), mass));
                continue;
            }
            open.push(high);
            open.push(low);
        }
        points
    }

    fn merged(&self, cell: &[PosteriorSample], mass: f64) -> Point {
        let mean =
            |pick: fn(&PosteriorSample) -> f64| cell.iter().map(|s| s.mass * pick(s)).sum::<f64>() / mass;
        Point {
            earth: self
                .frame
                .from_local(mean(|s| s.east_m), mean(|s| s.north_m))
                .into(),
            mass,
            area_m2: cell.iter().map(|s| s.area_m2).sum(),
        }
    }
}

/// Middle and extent of a cell's bounding box.
fn middle_of(cell: &[PosteriorSample]) -> ((f64, f64), (f64, f64)) {
    let bounds = |pick: fn(&PosteriorSample) -> f64| {
        cell.iter()
            .map(pick)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
                (low.min(v), high.max(v))
            })
    };
    let (west, east) = bounds(|s| s.east_m);
    let (south, north) = bounds(|s| s.north_m);
    (
        (f64::midpoint(west, east), f64::midpoint(south, north)),
        (east - west, north - south),
    )
}

fn even(cell: &[PosteriorSample]) -> bool {
    let (low, high) = cell
        .iter()
        .map(|s| s.mass / s.area_m2)
        .fold((f64::INFINITY, 0.0_f64), |(low, high), d| {
            (low.min(d), high.max(d))
        });
    high <= low * UNEVEN_NATS.exp()
}
