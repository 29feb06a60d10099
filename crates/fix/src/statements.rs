//! What is to be said in words, before and after a position was looked for.

use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{FixStatement, Position};
use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::geometry::{self, Crossing};
use crate::linear::{LinearFix, Ray, most_likely};
use crate::places::{Place, Places};

/// Lines that cross at less than this many of their joint standard deviations leave the range open.
const CLEAR_CROSSING_SIGMAS: f64 = 2.0;
/// Above this angle lines do cross, however uncertain each is; the region's size then says what is to be said.
const CROSSING_DEG: f64 = 20.0;
/// A long axis (1 sigma) of more than this share of the range is no position.
const OPEN_AXIS_SHARE: f64 = 0.5;
/// Contradictions less likely than this by chance are said.
const CONTRADICTION_P: f64 = 0.02;
/// Places used where only the rough position counts.
const FIRST_LOOK: usize = 64;
/// From so many places on one wrong bearing stands out.
const ENOUGH_PLACES: usize = 5;

/// Why no position can come out, seen from the lines alone.
pub(crate) fn hopeless(places: &Places, frame: LocalFrame) -> Option<FixStatement> {
    if places.list.is_empty() {
        return Some(FixStatement::NoBearings);
    }
    if one_place(places) {
        return Some(FixStatement::OnePlace);
    }
    let crossings = geometry::crossings(&geometry::lines(places, frame));
    if !crossings.iter().any(|c| c.front_possible) {
        return Some(FixStatement::Behind);
    }
    parallel(places, &crossings)
}

fn one_place(places: &Places) -> bool {
    let first = &places.list[0];
    places.list.iter().all(|p| {
        let reach_m = p.position_sigma_m.hypot(first.position_sigma_m).max(0.5);
        inverse(first.position, p.position).distance_m <= reach_m
    })
}

fn parallel(places: &Places, crossings: &[Crossing]) -> Option<FixStatement> {
    let widest = crossings
        .iter()
        .filter(|c| c.front_possible)
        .max_by(|a, b| a.angle_sigmas.total_cmp(&b.angle_sigmas))?;
    let largest_crossing_deg = crossings.iter().map(|c| c.angle_deg).fold(0.0, f64::max);
    if widest.angle_sigmas >= CLEAR_CROSSING_SIGMAS || largest_crossing_deg > CROSSING_DEG {
        return None;
    }
    // Many bearings together may do what no two can.
    let open = linear_of(places, None).is_none_or(|fix| {
        let mut ranges: Vec<f64> = places
            .list
            .iter()
            .map(|p| inverse(p.position, fix.position).distance_m)
            .collect();
        ranges.sort_by(f64::total_cmp);
        fix.covariance.axes().0 > OPEN_AXIS_SHARE * ranges[ranges.len() / 2]
    });
    open.then_some(FixStatement::Parallel { largest_crossing_deg })
}

/// The normal-error answer from one ray a place: its most probable mode, or the mode that points nearest to `near`.
pub(crate) fn linear_of(places: &Places, near: Option<Position>) -> Option<LinearFix> {
    linear_of_some(&places.list.iter().collect::<Vec<_>>(), near, |_| 0.0)
}

/// The same from some of the places, each turned back by the heading error of its group.
pub(crate) fn linear_of_some(
    list: &[&Place],
    near: Option<Position>,
    offset_deg: impl Fn(usize) -> f64,
) -> Option<LinearFix> {
    let count = list.len();
    // For a first look some are enough; the last word, on chi-square, takes all.
    let take = if near.is_none() {
        count.min(FIRST_LOOK)
    } else {
        count
    };
    let rays: Vec<Ray> = (0..take)
        .map(|k| list[k * count / take])
        .map(|place| {
            let modes = &place.modes;
            let offset_deg = offset_deg(place.group);
            let mode = near.filter(|_| modes.len() > 1).map_or(modes[0], |at| {
                let azimuth = inverse(place.position, at).azimuth.turned(offset_deg);
                modes
                    .iter()
                    .copied()
                    .min_by(|a, b| {
                        let off = |m: &lobewright_types::Mode| m.azimuth.turn_to(azimuth).abs();
                        off(a).total_cmp(&off(b))
                    })
                    .unwrap_or(modes[0])
            });
            Ray {
                position: place.position,
                azimuth: mode.azimuth.turned(-offset_deg),
                sigma_deg: mode.sigma_deg.max(1e-4),
                position_sigma_m: place.position_sigma_m,
            }
        })
        .collect();
    most_likely(&rays, near)
}

/// The contradiction among bearings, if there is one beyond chance; `fitted` heading errors were found from the same bearings.
pub(crate) fn contradiction(linear: Option<LinearFix>, fitted: usize) -> Option<FixStatement> {
    let mut fix = linear?;
    fix.dof = fix.dof.saturating_sub(fitted);
    let p_value = p_value(&fix)?;
    (p_value < CONTRADICTION_P).then_some(FixStatement::Contradiction {
        chi_square: fix.chi_square,
        degrees_of_freedom: fix.dof,
        p_value,
    })
}

/// Probability of so large a chi-square by chance; none without a degree of freedom.
pub(crate) fn p_value(fix: &LinearFix) -> Option<f64> {
    if fix.dof == 0 {
        return None;
    }
    ChiSquared::new(fix.dof as f64).ok().map(|d| d.sf(fix.chi_square))
}

/// What must be said beside a position.
pub(crate) fn beside(
    places: usize,
    contradiction: Option<FixStatement>,
    likely_modes: usize,
    open_limit_km: Option<f64>,
    reflection: f64,
) -> Vec<FixStatement> {
    let mut all: Vec<FixStatement> = contradiction.into_iter().collect();
    if likely_modes > 1 {
        all.push(FixStatement::SeveralPositions { count: likely_modes });
    }
    if let Some(limit_km) = open_limit_km {
        all.push(FixStatement::Open { limit_km });
    }
    if (1..ENOUGH_PLACES).contains(&places) && reflection > 0.0 {
        all.push(FixStatement::TooFewToJudge { places });
    }
    all
}
