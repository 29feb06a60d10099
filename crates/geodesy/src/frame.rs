//! A plane laid on the ellipsoid at one place.

use lobewright_types::{Azimuth, Position};

use crate::{direct, inverse};

/// East and north metres around an origin: the azimuthal equidistant projection, by geodesics.
///
/// Distance and azimuth **from the origin** are exact. Across them lengths are stretched by `r / (R sin(r / R))`, with
/// R the earth's radius: 2 parts in a million at 20 km, 4 in ten thousand at 300 km; areas by the same factor. Directions between
/// two points off the origin are not those of the ellipsoid (meridians converge): take them from geodesics.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LocalFrame {
    origin: Position,
}

impl LocalFrame {
    /// Lays the plane at `origin`. At a pole north is along the meridian of the longitude given.
    pub fn at(origin: Position) -> Self {
        Self { origin }
    }

    /// Where the plane touches.
    pub fn origin(self) -> Position {
        self.origin
    }

    /// East and north of the origin in metres.
    pub fn to_local(self, position: Position) -> (f64, f64) {
        let line = inverse(self.origin, position);
        let (sin, cos) = line.azimuth.radians().sin_cos();
        (line.distance_m * sin, line.distance_m * cos)
    }

    /// The place `east_m` and `north_m` from the origin.
    pub fn from_local(self, east_m: f64, north_m: f64) -> Position {
        direct(
            self.origin,
            Azimuth::from_radians(east_m.atan2(north_m)),
            east_m.hypot(north_m),
        )
    }
}
