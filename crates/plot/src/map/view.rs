//! Which part of the earth is shown, and where on the page.

use lobewright_geodesy::{LocalFrame, direct, inverse};
use lobewright_types::{Azimuth, Position, Region, True};

use super::{MapNextPlace, MapPicture, on_earth};
use crate::backend::Sheet;
use crate::canvas::Frame;
use crate::plane::{Plane, Point};

/// Half the width of the smallest map, in metres.
const LEAST_REACH_M: f64 = 60.0;
/// Half the width where nothing says how far things are.
const DEFAULT_REACH_M: f64 = 10_000.0;
/// The 50 % and 95 % regions are shown whole up to these multiples of what lies around the stations and the position.
const REGION_REACH: [f64; 2] = [4.0, 2.5];
/// No line is drawn further than this: the far side of the earth has every direction at once.
const LONGEST_M: f64 = 19_000_000.0;

/// The projection and its scale.
pub(super) struct View {
    pub(super) frame: Frame,
    /// Metres east and north of the middle of the page.
    pub(super) plane: Plane,
    local: LocalFrame,
    pub(super) px_per_m: f64,
}

impl View {
    pub(super) fn of(sheet: &Sheet, p: &MapPicture, next: &[MapNextPlace], frame: Frame) -> Self {
        let mut core = core_places(p);
        core.extend(next.iter().map(|n| n.position));
        let local = LocalFrame::at(centre(&core));
        let mut shown: Vec<(f64, f64)> = core.iter().map(|place| local.to_local(*place)).collect();
        let reach = shown.iter().map(|(e, n)| e.hypot(*n)).fold(0.0, f64::max);
        if let Some(fix) = p.fix {
            let least = reach.max(LEAST_REACH_M);
            for (region, factor) in [&fix.region50, &fix.region95].into_iter().zip(REGION_REACH) {
                let near = region_places(region)
                    .map(|place| local.to_local(place))
                    .filter(|(e, n)| e.hypot(*n) <= factor * least);
                shown.extend(near);
            }
        }
        let bounds = |pick: fn(&(f64, f64)) -> f64| {
            let values = shown.iter().map(pick);
            let low = values.clone().fold(f64::INFINITY, f64::min);
            let high = values.fold(f64::NEG_INFINITY, f64::max);
            (low, high)
        };
        let (west, east) = bounds(|p| p.0);
        let (south, north) = bounds(|p| p.1);
        let middle_m = (f64::midpoint(west, east), f64::midpoint(south, north));
        let margin = if p.fix.is_some() { 1.24 } else { 1.9 };
        let least = if p.fix.is_none() && reach < LEAST_REACH_M {
            longest_bearing(p).unwrap_or(DEFAULT_REACH_M)
        } else {
            LEAST_REACH_M
        };
        let px_per_m = (frame.width / ((east - west) * margin).max(2.0 * least))
            .min(frame.height / ((north - south) * margin).max(2.0 * least));
        let half_m = (0.5 * frame.width / px_per_m, 0.5 * frame.height / px_per_m);
        // North must be up at the middle of the page, so the plane is laid there.
        let origin = local.from_local(middle_m.0, middle_m.1);
        Self {
            frame,
            plane: Plane::new(sheet, frame, -half_m.0..half_m.0, -half_m.1..half_m.1),
            local: LocalFrame::at(origin),
            px_per_m,
        }
    }

    /// A place in the plane; not a number for one that is not on earth.
    pub(super) fn point(&self, place: Position) -> Point {
        if on_earth(place) {
            self.local.to_local(place)
        } else {
            (f64::NAN, f64::NAN)
        }
    }

    /// Where a place stands on the page.
    pub(super) fn px(&self, place: Position) -> (f64, f64) {
        self.plane.px(self.point(place))
    }

    /// The place at a point of the page.
    pub(super) fn place(&self, (x, y): (f64, f64)) -> Position {
        let east_m = (x - self.frame.x - self.frame.width / 2.0) / self.px_per_m;
        let north_m = (self.frame.y + self.frame.height / 2.0 - y) / self.px_per_m;
        self.local.from_local(east_m, north_m)
    }

    /// The longitude at the middle of the page.
    pub(super) fn middle_lon_deg(&self) -> f64 {
        self.local.origin().lon_deg
    }

    /// A length from `place` that surely leaves the page.
    pub(super) fn far_m(&self, place: Position) -> f64 {
        let to_middle = inverse(place, self.local.origin()).distance_m;
        let across = self.frame.width.hypot(self.frame.height) / self.px_per_m;
        (to_middle + across).min(LONGEST_M)
    }

    /// Points of the plane along a geodesic.
    pub(super) fn geodesic(&self, from: Position, azimuth_deg: f64, length_m: f64) -> Vec<Point> {
        let azimuth = Azimuth::<True>::from_degrees(azimuth_deg);
        let length_m = length_m.clamp(0.0, LONGEST_M);
        // Straight within a hundredth of a pixel up to some ten kilometres; curved ones need steps.
        let steps = (length_m / 5_000.0).ceil().clamp(1.0, 96.0);
        crate::ticks::multiples(0.0, steps, 1.0)
            .into_iter()
            .map(|i| self.point(direct(from, azimuth, length_m * i / steps)))
            .collect()
    }

    /// Points of the plane along an arc of the horizon at a distance, clockwise.
    pub(super) fn arc(&self, around: Position, from_deg: f64, width_deg: f64, radius_m: f64) -> Vec<Point> {
        let steps = (width_deg.abs() / 2.0).ceil().clamp(1.0, 180.0);
        crate::ticks::multiples(0.0, steps, 1.0)
            .into_iter()
            .map(|i| {
                let azimuth = Azimuth::<True>::from_degrees(from_deg + width_deg * i / steps);
                self.point(direct(around, azimuth, radius_m.clamp(0.0, LONGEST_M)))
            })
            .collect()
    }
}

/// What must be on the map in any case.
fn core_places(p: &MapPicture) -> Vec<Position> {
    let stations = p.stations.iter().map(|s| s.position);
    let fix = p.fix.iter().map(|f| f.position);
    let modes = p.fix.iter().flat_map(|f| {
        f.modes
            .iter()
            .filter(|m| m.probability >= 0.05)
            .map(|m| m.position)
    });
    stations
        .chain(fix)
        .chain(modes)
        .chain(p.truth)
        .filter(|place| on_earth(*place))
        .collect()
}

fn region_places(region: &Region) -> impl Iterator<Item = Position> {
    region
        .polygons
        .iter()
        .flat_map(|polygon| polygon.outer.iter().copied())
        .filter(|place| on_earth(*place))
}

fn longest_bearing(p: &MapPicture) -> Option<f64> {
    p.bearings
        .iter()
        .filter_map(|b| b.length_m)
        .filter(|m| m.is_finite() && *m > LEAST_REACH_M)
        .reduce(f64::max)
        .map(|m| m.min(LONGEST_M / 2.0))
}

/// The mean direction from the earth's centre: it knows no edge at 180 degrees.
fn centre(places: &[Position]) -> Position {
    let mut sum = [0.0_f64; 3];
    for place in places {
        let (sin_lat, cos_lat) = place.lat_deg.to_radians().sin_cos();
        let (sin_lon, cos_lon) = place.lon_deg.to_radians().sin_cos();
        sum[0] += cos_lat * cos_lon;
        sum[1] += cos_lat * sin_lon;
        sum[2] += sin_lat;
    }
    let flat = sum[0].hypot(sum[1]);
    // Places spread evenly over the earth have no centre; any of them serves then.
    if flat < 1e-9 && sum[2].abs() < 1e-9 {
        return places.first().copied().unwrap_or(Position {
            lat_deg: 0.0,
            lon_deg: 0.0,
        });
    }
    Position {
        lat_deg: sum[2].atan2(flat).to_degrees(),
        lon_deg: sum[1].atan2(sum[0]).to_degrees(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_centre_knows_no_edge_at_180_degrees() {
        let at = |lon_deg| Position {
            lat_deg: -17.0,
            lon_deg,
        };
        let middle = centre(&[at(179.0), at(-179.0)]);
        assert!((middle.lon_deg.abs() - 180.0).abs() < 1e-9);
        assert!((middle.lat_deg + 17.0).abs() < 0.01);
    }
}
