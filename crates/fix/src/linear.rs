//! The classic answer: maximum likelihood with normal errors, and its covariance.

use lobewright_geodesy::{direct, inverse};
use lobewright_types::{Azimuth, Bearing, Covariance2, Position, True};

use crate::geometry;
use crate::places::usable;

/// A position under which half the bearings' information lies farther off than this is none.
const FARTHEST_SIGMA_M: f64 = 1e6;
const MAX_STEPS: usize = 80;
/// With more rays than this fewer starts are tried: the work would grow with the product.
const MANY_RAYS: usize = 64;
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
    let mut best: Option<LinearFix> = None;
    for at in starts {
        // Twice, so that the position errors are taken at the range found.
        let found = descend(rays, at).and_then(|f| descend(rays, f.position));
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

fn weights(rays: &[Ray], at: Position) -> Vec<f64> {
    rays.iter()
        .map(|ray| {
            let range_m = inverse(ray.position, at).distance_m.max(1.0);
            let widening_deg = (ray.position_sigma_m / range_m).to_degrees();
            1.0 / ray.sigma_deg.hypot(widening_deg).to_radians().powi(2)
        })
        .collect()
}

/// Normal equations at a place; steps in metres east and north of it.
fn normal(rays: &[Ray], weights: &[f64], at: Position) -> Normal {
    let mut sum = Normal {
        ee: 0.0,
        en: 0.0,
        nn: 0.0,
        east: 0.0,
        north: 0.0,
        chi_square: 0.0,
        largest_residual_deg: 0.0,
    };
    for (ray, &weight) in rays.iter().zip(weights) {
        let line = inverse(ray.position, at);
        let residual_deg = line.azimuth.turn_to(ray.azimuth);
        let residual = residual_deg.to_radians();
        let (sin, cos) = line.azimuth_at_b.radians().sin_cos();
        let range_m = line.distance_m.max(1e-3);
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

fn descend(rays: &[Ray], start: Position) -> Option<LinearFix> {
    let weights = weights(rays, start);
    let mut at = start;
    let mut now = normal(rays, &weights, at);
    let mut damping = 1e-6;
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
            if step_m < 1e-5 {
                break;
            }
        } else {
            if step_m < 1e-5 {
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
