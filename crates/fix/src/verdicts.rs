//! What became of each bearing.

use lobewright_geodesy::{EarthPoint, FastAzimuth, inverse};
use lobewright_types::{Azimuth, Bearing, BearingFlag, BearingVerdict, Position, True, wrap_degrees};

use crate::grid::Sample;
use crate::headings::Headings;
use crate::likelihood::Domain;
use crate::places::{Place, Places, usable};

/// Points that stand for the posterior: the error of a probability averaged over them is under a hundredth.
const POINTS: usize = 64;
/// With very many places fewer: the posterior is then narrow against each bearing's error.
const LEAST_POINTS: usize = 8;
const READS: usize = 80_000;

/// How many points are enough for so many places.
pub(crate) fn points_for(places: usize) -> usize {
    (READS / places.max(1)).clamp(LEAST_POINTS, POINTS)
}

/// Points of equal probability, drawn at even steps of the sorted mass, in the local frame.
pub(crate) fn representatives_m(samples: &[Sample], count: usize) -> Vec<(f64, f64)> {
    let mut points = Vec::with_capacity(count);
    let mut mass = 0.0;
    for s in samples {
        mass += s.mass;
        while points.len() < count && mass >= (points.len() as f64 + 0.5) / count as f64 {
            points.push((s.east_m, s.north_m));
        }
    }
    points
}

/// The same on the earth.
pub(crate) fn representatives(samples: &[Sample], domain: &Domain, count: usize) -> Vec<EarthPoint> {
    representatives_m(samples, count)
        .into_iter()
        .map(|p| domain.frame.from_local(p.0, p.1).into())
        .collect()
}

/// The mean over the points, and the offsets at each, of a function of the azimuth that the place should have read.
fn mean_over(place: &Place, points: &[EarthPoint], headings: &Headings, of: impl Fn(f64, f64) -> f64) -> f64 {
    let mut sum = 0.0;
    for (number, point) in points.iter().enumerate() {
        let (azimuth_deg, range_m) = place.fast.azimuth_and_range(point);
        for &(offset_deg, share) in headings.at(place.group, number) {
            sum += share * of(wrap_degrees(azimuth_deg + offset_deg), range_m);
        }
    }
    sum / points.len().max(1) as f64
}

/// The probability that a place's bearings are a reflection, over the posterior.
pub(crate) fn place_reflected(place: &Place, points: &[EarthPoint], headings: &Headings) -> f64 {
    mean_over(place, points, headings, |azimuth_deg, range_m| {
        place.reflected_at(azimuth_deg, range_m)
    })
}

/// One verdict a bearing, in the caller's order; `whole` are the places' probabilities.
pub(crate) fn verdicts(
    bearings: &[Bearing],
    places: &Places,
    (points, headings): (&[EarthPoint], &Headings),
    whole: &[f64],
    fix: Position,
    reflection: f64,
) -> Vec<BearingVerdict> {
    let mut reflected = vec![1.0; bearings.len()];
    for (place, whole) in places.list.iter().zip(whole) {
        for &i in &place.members {
            let alone = if place.members.len() > 1 {
                bearing_reflected(&bearings[i], place, (points, headings), reflection)
            } else {
                0.0
            };
            let other = other_direction(&bearings[i], place, points);
            reflected[i] = 1.0 - (1.0 - whole) * (1.0 - alone) * (1.0 - other);
        }
    }
    bearings
        .iter()
        .zip(reflected)
        .map(|(bearing, reflected)| verdict(bearing, reflected, fix))
        .collect()
}

/// The probability that one of several bearings of a place does not point where the others do.
fn bearing_reflected(
    bearing: &Bearing,
    place: &Place,
    (points, headings): (&[EarthPoint], &Headings),
    reflection: f64,
) -> f64 {
    let flat = reflection / 360.0;
    if flat <= 0.0 {
        return 0.0;
    }
    mean_over(place, points, headings, |azimuth_deg, _| {
        let azimuth = Azimuth::from_degrees(azimuth_deg);
        flat / (flat + (1.0 - reflection) * bearing.density.density_per_deg(azimuth))
    })
}

/// The probability that the transmitter lies along the weaker arrival of a bearing in which a reflection was found:
/// then the direction that the bearing reports is the reflection's.
fn other_direction(bearing: &Bearing, place: &Place, points: &[EarthPoint]) -> f64 {
    if !bearing.flags.contains(&BearingFlag::Reflection) {
        return 0.0;
    }
    let others = points
        .iter()
        .filter(|p| nearest_mode(bearing, Azimuth::from_degrees(place.fast.azimuth_deg(p))) != 0)
        .count();
    others as f64 / points.len().max(1) as f64
}

fn verdict(bearing: &Bearing, reflected: f64, fix: Position) -> BearingVerdict {
    if !usable(bearing) {
        return BearingVerdict {
            id: bearing.id.clone(),
            reflected_probability: 1.0,
            residual_deg: 0.0,
            mode_used: 0,
            range_m: 0.0,
        };
    }
    // True to a millionth of a degree up to 300 km, and twenty times as fast.
    let (azimuth_deg, range_m) = FastAzimuth::at(bearing.position).azimuth_and_range(&fix.into());
    let (azimuth, range_m) = if range_m < 300_000.0 {
        (Azimuth::from_degrees(azimuth_deg), range_m)
    } else {
        let line = inverse(bearing.position, fix);
        (line.azimuth, line.distance_m)
    };
    BearingVerdict {
        id: bearing.id.clone(),
        reflected_probability: reflected.clamp(0.0, 1.0),
        residual_deg: bearing.azimuth.turn_to(azimuth),
        mode_used: nearest_mode(bearing, azimuth),
        range_m,
    }
}

fn nearest_mode(bearing: &Bearing, azimuth: Azimuth<True>) -> usize {
    (0..bearing.modes.len())
        .min_by(|&a, &b| {
            let off = |k: usize| bearing.modes[k].azimuth.turn_to(azimuth).abs();
            off(a).total_cmp(&off(b))
        })
        .unwrap_or(0)
}
