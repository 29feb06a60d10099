//! The two problems of a geodesic line.

use std::sync::LazyLock;

use geographiclib_rs::{DirectGeodesic, Geodesic, InverseGeodesic};
use lobewright_types::{Azimuth, Position, True, wrap_signed_degrees};

pub(crate) static WGS84: LazyLock<Geodesic> = LazyLock::new(Geodesic::wgs84);

/// The shortest line from one place to another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inverse {
    /// Its length in metres.
    pub distance_m: f64,
    /// Its direction where it starts.
    pub azimuth: Azimuth<True>,
    /// Its direction where it ends, going on; the direction back is this turned by 180 degrees.
    pub azimuth_at_b: Azimuth<True>,
}

/// Finds the shortest line from `a` to `b`.
///
/// # Result
/// Length to some nanometres and both directions; for `a == b` the length is 0 and the azimuths mean nothing. At a
/// pole the azimuth is counted from the meridian of the longitude given.
///
/// # Method
/// Karney, 'Algorithms for geodesics', *Journal of Geodesy* 87 (2013), section 4, by the crate `geographiclib-rs`.
pub fn inverse(a: Position, b: Position) -> Inverse {
    let (distance_m, azimuth_deg, azimuth_at_b_deg, _arc_deg): (f64, f64, f64, f64) =
        WGS84.inverse(a.lat_deg, a.lon_deg, b.lat_deg, b.lon_deg);
    Inverse {
        distance_m,
        azimuth: Azimuth::from_degrees(azimuth_deg),
        azimuth_at_b: Azimuth::from_degrees(azimuth_at_b_deg),
    }
}

/// Goes `distance_m` along the geodesic that leaves `a` at `azimuth`.
///
/// # Result
/// The place reached, longitude in `(-180, 180]`. Negative distances go backwards.
///
/// # Method
/// Karney, 'Algorithms for geodesics', *Journal of Geodesy* 87 (2013), section 2, by the crate `geographiclib-rs`.
pub fn direct(a: Position, azimuth: Azimuth<True>, distance_m: f64) -> Position {
    let (lat_deg, lon_deg): (f64, f64) = WGS84.direct(a.lat_deg, a.lon_deg, azimuth.degrees(), distance_m);
    Position {
        lat_deg,
        lon_deg: wrap_signed_degrees(lon_deg),
    }
}
