//! Places that may be advised.

use lobewright_geodesy::{direct, inverse};
use lobewright_types::{Azimuth, FixOutcome, Position};

use super::config::AdviceConfig;
use super::samples::PosteriorSamples;

/// Directions in which places are laid on each ring.
const DIRECTIONS: u32 = 60;
/// Rings around where the transmitter may be.
const RINGS: u32 = 3;
/// Nearest of them, as a share of the distance from the last place.
const NEAREST: f64 = 0.25;
/// Rings around the last place, as shares of that distance.
const AROUND_LAST: [f64; 2] = [0.2, 0.5];
/// Share of the probability that the widest ring goes around. Half: with few bearings the rest lies far out along
/// the lines, for the case that one of them is a reflection.
const HELD: f64 = 0.5;

/// A place that a bearing may be taken at.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Its name; may be empty.
    pub name: String,
    /// Where it is.
    pub position: Position,
}

/// Lays places on rings: three around the most probable position and two around where one is, 60 each.
///
/// # Inputs
/// `from`: where one is; where absent, the place of a bearing that lies nearest.
///
/// # Result
/// 300 places without names. The rings around the position (or, without one, the middle of the probability) reach from a
/// quarter of the distance to it up to the whole of it, at least around half of the probability, and never within `config.min_range_m`; those around the last place have a fifth and half of that distance.
pub fn rings(
    samples: &PosteriorSamples,
    outcome: &FixOutcome,
    from: Option<Position>,
    config: &AdviceConfig,
) -> Vec<Candidate> {
    let config = config.clamped();
    let centre = middle(samples, outcome);
    let last = from.or_else(|| nearest_taken(samples, centre)).unwrap_or(centre);
    let away_m = inverse(last, centre).distance_m.max(config.min_range_m);
    let nearest_m = (NEAREST * away_m).max(1.05 * config.min_range_m);
    let farthest_m = away_m.max(samples.radius_m(centre, HELD)).max(1.5 * nearest_m);
    let step = (farthest_m / nearest_m).powf(1.0 / f64::from(RINGS - 1));
    let around_fix = (0..RINGS).map(|k| (centre, nearest_m * step.powi(i32::try_from(k).unwrap_or(0))));
    let around_last = AROUND_LAST.map(|share| (last, share * away_m));
    around_fix
        .chain(around_last)
        .flat_map(|(middle, radius_m)| {
            (0..DIRECTIONS).map(move |k| Candidate {
                name: String::new(),
                position: direct(
                    middle,
                    Azimuth::from_degrees(360.0 / f64::from(DIRECTIONS) * f64::from(k)),
                    radius_m,
                ),
            })
        })
        .collect()
}

/// Lays places along roads, the first at the start of each and then one every `spacing_m` (10 m or more) of its length.
///
/// # Inputs
/// `roads`: corners of each line; a line of one corner is one place.
///
/// # Result
/// Places named `road 1, 0.0 km` and so on, counted from 1 and measured from the line's start; its end is the last.
pub fn along_roads(roads: &[Vec<Position>], spacing_m: f64) -> Vec<Candidate> {
    let spacing_m = if spacing_m.is_finite() {
        spacing_m.max(10.0)
    } else {
        500.0
    };
    let mut places = Vec::new();
    for (number, road) in roads.iter().enumerate() {
        let mut add = |position: Position, along_m: f64| {
            places.push(Candidate {
                name: format!("road {}, {:.1} km", number + 1, along_m / 1000.0),
                position,
            });
        };
        let Some(&start) = road.first() else { continue };
        add(start, 0.0);
        let (mut walked_m, mut next_m) = (0.0, spacing_m);
        for pair in road.windows(2) {
            let line = inverse(pair[0], pair[1]);
            while next_m <= walked_m + line.distance_m {
                add(direct(pair[0], line.azimuth, next_m - walked_m), next_m);
                next_m += spacing_m;
            }
            walked_m += line.distance_m;
        }
        if let Some(&end) = road.last()
            && next_m - walked_m < 0.999 * spacing_m
        {
            add(end, walked_m);
        }
    }
    places
}

/// The most probable position, or the middle of the probability where there is none.
pub(super) fn middle(samples: &PosteriorSamples, outcome: &FixOutcome) -> Position {
    if let FixOutcome::Fix(fix) = outcome {
        return fix.position;
    }
    let held = samples.held(HELD);
    let mass: f64 = held.iter().map(|s| s.mass).sum();
    let east = held.iter().map(|s| s.mass * s.east_m).sum::<f64>() / mass;
    let north = held.iter().map(|s| s.mass * s.north_m).sum::<f64>() / mass;
    samples.frame().from_local(east, north)
}

/// The place of a bearing that lies nearest to a point.
pub(super) fn nearest_taken(samples: &PosteriorSamples, to: Position) -> Option<Position> {
    let off = |p: &Position| inverse(*p, to).distance_m;
    samples
        .taken()
        .iter()
        .copied()
        .min_by(|a, b| off(a).total_cmp(&off(b)))
}

/// Whether a place may be advised at all.
pub(super) fn allowed(
    place: Position,
    samples: &PosteriorSamples,
    outcome: &FixOutcome,
    from: Option<Position>,
    config: &AdviceConfig,
) -> bool {
    let on_earth = place.lat_deg.abs() <= 90.0 && place.lon_deg.is_finite();
    if !on_earth || config.unreachable.iter().any(|area| area.contains(place)) {
        return false;
    }
    let near = |other: Position, least_m: f64| inverse(place, other).distance_m < least_m;
    if samples.taken().iter().any(|&p| near(p, config.apart_m)) {
        return false;
    }
    if let (Some(from), Some(most_m)) = (from, config.max_way_m)
        && !near(from, most_m)
    {
        return false;
    }
    match outcome {
        FixOutcome::Fix(fix) => !near(fix.position, config.min_range_m) && !fix.region95.contains(place),
        FixOutcome::NoFix { .. } => true,
    }
}
