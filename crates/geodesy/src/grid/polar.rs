//! The polar stereographic projection.

use super::krueger::{Ellipsoid, Plane, conformal, geodetic, sin_cos_deg};

/// Metres in the plane for each unit of the tangent of half the conformal colatitude.
///
/// Snyder, *Map Projections - A Working Manual* (USGS Professional Paper 1395, 1987), equation 21-33.
fn radius_m(ellipsoid: Ellipsoid, scale: f64) -> f64 {
    let e = ellipsoid.e2.sqrt();
    2.0 * ellipsoid.a_m * scale / ((1.0 + e).powf(1.0 + e) * (1.0 - e).powf(1.0 - e)).sqrt()
}

/// Projects a place; `north` says round which pole.
///
/// Snyder, equations 21-30, 21-31 and 21-33, with the conformal latitude of Karney (2011), equations 7 to 9.
pub(super) fn forward(on: Ellipsoid, (lat_deg, lon_deg): (f64, f64), north: bool, scale: f64) -> Plane {
    let sign = if north { 1.0 } else { -1.0 };
    let (sin_lat, cos_lat) = sin_cos_deg(sign * lat_deg);
    let tau = conformal(sin_lat / cos_lat.max(1e-150), on.e2);
    // Tangent of half the colatitude, written so that nothing cancels near the pole.
    let half = if cos_lat == 0.0 {
        0.0
    } else if tau > 0.0 {
        1.0 / (tau + tau.hypot(1.0))
    } else {
        tau.hypot(1.0) - tau
    };
    let rho = radius_m(on, scale) * half;
    let (sin_lon, cos_lon) = sin_cos_deg(lon_deg);
    Plane {
        east_m: rho * sin_lon,
        north_m: -sign * rho * cos_lon,
        convergence_deg: sign * lon_deg,
    }
}

/// Latitude and longitude in degrees of a place in the plane; the pole itself has the longitude 0.
pub(super) fn backward(on: Ellipsoid, (east_m, north_m): (f64, f64), north: bool, scale: f64) -> (f64, f64) {
    let sign = if north { 1.0 } else { -1.0 };
    let half = east_m.hypot(north_m) / radius_m(on, scale);
    if half == 0.0 {
        return (sign * 90.0, 0.0);
    }
    let tau = geodetic((1.0 / half - half) / 2.0, on.e2);
    (
        sign * tau.atan().to_degrees(),
        east_m.atan2(-sign * north_m).to_degrees(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    // Snyder, Map Projections - A Working Manual, USGS Professional Paper 1395 (1987), numerical example of the polar
    // stereographic (appendix A; figures from memory, confirmed with PROJ 9.5): International ellipsoid, 75 S 150 E, true scale
    // at 71 S, central meridian 100 W: x -1,540,033.6 m, y -560,526.4 m. Tolerance: half the last digit printed.
    #[test]
    fn snyders_polar_stereographic_example_comes_out() {
        let on = Ellipsoid::new(6_378_388.0, 1.0 - (1.0 - 0.006_722_67_f64).sqrt());
        // Equations 14-15 and 21-34: the circle of true scale instead of the scale at the pole.
        let lat = 71.0_f64.to_radians();
        let m = lat.cos() / (1.0 - on.e2 * lat.sin().powi(2)).sqrt();
        let tau = conformal(lat.tan(), on.e2);
        let half = 1.0 / (tau + tau.hypot(1.0));
        let scale = on.a_m * m / half / radius_m(on, 1.0);
        let plane = forward(on, (-75.0, 250.0), false, scale);
        assert!((plane.east_m + 1_540_033.6).abs() < 0.05, "{plane:?}");
        assert!((plane.north_m + 560_526.4).abs() < 0.05, "{plane:?}");
        let (lat_deg, lon_deg) = backward(on, (plane.east_m, plane.north_m), false, scale);
        assert!((lat_deg + 75.0).abs() < 1e-12 && (lon_deg + 110.0).abs() < 1e-12);
    }
}
