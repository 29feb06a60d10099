//! The classic answer: maximum likelihood with normal errors, and its covariance.

use lobewright_geodesy::{EarthPoint, FastAzimuth, direct, inverse};
use lobewright_types::{Azimuth, Bearing, Covariance2, Position, True};

use crate::geometry;
use crate::places::usable;

/// A position under which half the bearings' information lies farther off than this is none.
const FARTHEST_SIGMA_M: f64 = 1e6;
const MAX_STEPS: usize = 80;
/// With more rays than this fewer starts are tried: the work would grow with the product.
const MANY_RAYS: usize = 64;
/// Up to this range fast azimuths are true to a millionth of a degree; they are used where there are many rays.
const FAST_M: f64 = 300_000.0;
/// Starts tried beside the crossing of all lines.
const MAX_STARTS: usize = 24;

/// The most likely position if every bearing had a normal error and none were wrong.
///
/// Its covariance is the Cramer-Rao bound at that position: right while lines cross at more than some 20 degrees and the
/// errors are small against the distance. It has no defence against a reflection; [`crate::solve`] has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinearFix {
    /// The position.
    pub position: Position,
    /// Its covariance in east and north at the position.
    pub covariance: Covariance2,
    /// Sum of squared residuals over their variances.
    pub chi_square: f64,
    /// Bearings less two.
    pub dof: usize,
}

/// One direction with a normal error.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ray {
    pub(crate) position: Position,
    pub(crate) azimuth: Azimuth<True>,
    pub(crate) sigma_deg: f64,
    pub(crate) position_sigma_m: f64,
}

/// Finds the position of largest likelihood from the best values and standard deviations of bearings.
///
/// # Inputs
/// Any bearings; each counts as independent with its `sigma_deg`, widened by its position error at the range found.
///
/// # Result
/// `None` for fewer than two bearings, where no position is better than all others (parallel lines, one place, all on one
/// line), or where the best one lies behind a station (a residual over 90 degrees).
///
/// # Method
/// Gauss-Newton with Levenberg's damping on the wrapped residuals, started from the crossing of all lines and from crossings of
/// pairs. The gradient of an azimuth is across the line of sight over the range: Torrieri, 'Statistical Theory of
/// Passive Location Systems', *IEEE Trans. Aerospace and Electronic Systems* 20 (1984), section IV (from memory); on geodesics,
/// both from the azimuth at the far end.
pub fn linearized(bearings: &[Bearing]) -> Option<LinearFix> {
    let rays: Vec<Ray> = bearings
        .iter()
        .filter(|b| usable(b) && b.sigma_deg > 0.0 && b.sigma_deg.is_finite())
        .map(|b| Ray {
            position: b.position,
            azimuth: b.azimuth,
            sigma_deg: b.sigma_deg,
            position_sigma_m: b.position_sigma_m,
        })
        .collect();
    most_likely(&rays, None)
}

/// As [`linearized`], with a start that is known to be good tried first.
pub(crate) fn most_likely(rays: &[Ray], start: Option<Position>) -> Option<LinearFix> {
    if rays.len() < 2 {
        return None;
    }
    let mut starts: Vec<Position> = start.into_iter().collect();
    if rays.len() <= MANY_RAYS || starts.is_empty() {
        let tried = (MAX_STARTS * MANY_RAYS / rays.len()).clamp(2, MAX_STARTS);
        starts.extend(geometry::starts(rays, tried));
    }
    let seers = seers(rays);
    if rays.len() > MANY_RAYS && start.is_some() {
        // The ranges are known: once is enough.
        return starts.into_iter().find_map(|at| descend(&seers, at));
    }
    let mut best: Option<LinearFix> = None;
    for at in starts {
        // Twice, so that the position errors are taken at the range found.
        let found = descend(&seers, at).and_then(|f| descend(&seers, f.position));
        if let Some(fix) = found
            && best.is_none_or(|b| fix.chi_square < b.chi_square)
        {
            best = Some(fix);
        }
    }
    best
}

struct Normal {
    ee: f64,
    en: f64,
    nn: f64,
    east: f64,
    north: f64,
    chi_square: f64,
    largest_residual_deg: f64,
}

/// A ray with what reads it fast, where there are many.
struct Seer<'a> {
    ray: &'a Ray,
    fast: Option<(FastAzimuth, EarthPoint)>,
}

/// A line of sight: the bearing's residual, the range, and the direction in which the line arrives.
struct Sight {
    residual_deg: f64,
    range_m: f64,
    arrives_rad: f64,
}

fn seers(rays: &[Ray]) -> Vec<Seer<'_>> {
    let many = rays.len() > MANY_RAYS;
    let fast = |r: &Ray| many.then(|| (FastAzimuth::at(r.position), r.position.into()));
    rays.iter().map(|ray| Seer { ray, fast: fast(ray) }).collect()
}

impl Seer<'_> {
    /// `there` reads azimuths from `at`, which is `point`.
    fn sight(&self, at: Position, point: &EarthPoint, there: &FastAzimuth) -> Sight {
        if let Some((here, place)) = &self.fast {
            let (azimuth_deg, range_m) = here.azimuth_and_range(point);
            if range_m < FAST_M {
                return Sight {
                    residual_deg: Azimuth::from_degrees(azimuth_deg).turn_to(self.ray.azimuth),
                    range_m,
                    arrives_rad: there.azimuth_deg(place).to_radians() + std::f64::consts::PI,
                };
            }
        }
        let line = inverse(self.ray.position, at);
        Sight {
            residual_deg: line.azimuth.turn_to(self.ray.azimuth),
            range_m: line.distance_m,
            arrives_rad: line.azimuth_at_b.radians(),
        }
    }
}

fn weights(seers: &[Seer], at: Position) -> Vec<f64> {
    let (point, there) = (at.into(), FastAzimuth::at(at));
    seers
        .iter()
        .map(|seer| {
            let range_m = seer.sight(at, &point, &there).range_m.max(1.0);
            let widening_deg = (seer.ray.position_sigma_m / range_m).to_degrees();
            1.0 / seer.ray.sigma_deg.hypot(widening_deg).to_radians().powi(2)
        })
        .collect()
}

/// Normal equations at a place; steps in metres east and north of it.
fn normal(seers: &[Seer], weights: &[f64], at: Position) -> Normal {
    let (point, there) = (at.into(), FastAzimuth::at(at));
    let mut sum = Normal {
        ee: 0.0,
        en: 0.0,
        nn: 0.0,
        east: 0.0,
        north: 0.0,
        chi_square: 0.0,
        largest_residual_deg: 0.0,
    };
    for (seer, &weight) in seers.iter().zip(weights) {
        let sight = seer.sight(at, &point, &there);
        let residual_deg = sight.residual_deg;
        let residual = residual_deg.to_radians();
        let (sin, cos) = sight.arrives_rad.sin_cos();
        let range_m = sight.range_m.max(1e-3);
        let (east, north) = (cos / range_m, -sin / range_m);
        sum.ee += weight * east * east;
        sum.en += weight * east * north;
        sum.nn += weight * north * north;
        sum.east += weight * east * residual;
        sum.north += weight * north * residual;
        sum.chi_square += weight * residual * residual;
        sum.largest_residual_deg = sum.largest_residual_deg.max(residual_deg.abs());
    }
    sum
}

fn descend(rays: &[Seer], start: Position) -> Option<LinearFix> {
    let weights = weights(rays, start);
    let mut at = start;
    let mut now = normal(rays, &weights, at);
    let mut damping = 1e-6;
    // Where thousands of rays are asked only how well they agree, a thousandth of a standard deviation is enough.
    let least_m = if rays.len() > MANY_RAYS {
        1e-3 * (now.ee + now.nn).max(1e-30).sqrt().recip()
    } else {
        1e-5
    };
    for _ in 0..MAX_STEPS {
        let (ee, nn) = (now.ee * (1.0 + damping), now.nn * (1.0 + damping));
        let det = ee * nn - now.en * now.en;
        if det <= 0.0 || !det.is_finite() {
            return None;
        }
        let east_m = (nn * now.east - now.en * now.north) / det;
        let north_m = (ee * now.north - now.en * now.east) / det;
        let step_m = east_m.hypot(north_m);
        if !step_m.is_finite() {
            return None;
        }
        let next_at = direct(at, Azimuth::from_radians(east_m.atan2(north_m)), step_m.min(2e5));
        let next = normal(rays, &weights, next_at);
        if next.chi_square <= now.chi_square {
            at = next_at;
            now = next;
            damping = (damping * 0.1).max(1e-12);
            if step_m < least_m {
                break;
            }
        } else {
            if step_m < least_m {
                break;
            }
            damping = (damping * 10.0).max(1e-6);
            if damping > 1e12 {
                break;
            }
        }
    }
    result(rays.len(), at, &now)
}

fn result(count: usize, position: Position, at: &Normal) -> Option<LinearFix> {
    let det = at.ee * at.nn - at.en * at.en;
    // Relative rounding of the determinant: below it the two directions cannot be told apart.
    if at.largest_residual_deg > 90.0 || det <= 1e-12 * at.ee.max(at.nn).powi(2) {
        return None;
    }
    let covariance = Covariance2 {
        ee_m2: at.nn / det,
        en_m2: -at.en / det,
        nn_m2: at.ee / det,
    };
    (covariance.axes().0 < FARTHEST_SIGMA_M).then_some(LinearFix {
        position,
        covariance,
        chi_square: at.chi_square,
        dof: count.saturating_sub(2),
    })
}
