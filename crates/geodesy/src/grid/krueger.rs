//! The transverse Mercator projection by Krueger's series.

use std::array;

/// Orders of the series.
const ORDER: usize = 8;

/// An ellipsoid of revolution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ellipsoid {
    /// Equatorial radius in metres.
    pub(super) a_m: f64,
    /// Square of the first eccentricity.
    pub(super) e2: f64,
    /// Third flattening.
    n: f64,
}

impl Ellipsoid {
    /// From the equatorial radius in metres and the flattening.
    pub(super) const fn new(a_m: f64, flattening: f64) -> Self {
        Self {
            a_m,
            e2: flattening * (2.0 - flattening),
            n: flattening / (2.0 - flattening),
        }
    }
}

/// WGS 84: both figures are exact (NIMA TR8350.2, 2000, table 3.1).
pub(super) const WGS84: Ellipsoid = Ellipsoid::new(6_378_137.0, 1.0 / 298.257_223_563);

/// Krueger's series from the conformal sphere to the plane, row j the multiplier of the angle 2j, as polynomials in the
/// third flattening n from n^j up: Karney, 'Transverse Mercator with an accuracy of a few nanometers', *Journal of Geodesy* 85 (2011), equation 35,
/// carried on to the eighth order.
const FORWARD: [&[f64]; ORDER] = [
    &[
        1.0 / 2.0,
        -2.0 / 3.0,
        5.0 / 16.0,
        41.0 / 180.0,
        -127.0 / 288.0,
        7_891.0 / 37_800.0,
        72_161.0 / 387_072.0,
        -18_975_107.0 / 50_803_200.0,
    ],
    &[
        13.0 / 48.0,
        -3.0 / 5.0,
        557.0 / 1_440.0,
        281.0 / 630.0,
        -1_983_433.0 / 1_935_360.0,
        13_769.0 / 28_800.0,
        148_003_883.0 / 174_182_400.0,
    ],
    &[
        61.0 / 240.0,
        -103.0 / 140.0,
        15_061.0 / 26_880.0,
        167_603.0 / 181_440.0,
        -67_102_379.0 / 29_030_400.0,
        79_682_431.0 / 79_833_600.0,
    ],
    &[
        49_561.0 / 161_280.0,
        -179.0 / 168.0,
        6_601_661.0 / 7_257_600.0,
        97_445.0 / 49_896.0,
        -40_176_129_013.0 / 7_664_025_600.0,
    ],
    &[
        34_729.0 / 80_640.0,
        -3_418_889.0 / 1_995_840.0,
        14_644_087.0 / 9_123_840.0,
        2_605_413_599.0 / 622_702_080.0,
    ],
    &[
        212_378_941.0 / 319_334_400.0,
        -30_705_481.0 / 10_378_368.0,
        175_214_326_799.0 / 58_118_860_800.0,
    ],
    &[
        1_522_256_789.0 / 1_383_782_400.0,
        -16_759_934_899.0 / 3_113_510_400.0,
    ],
    &[1_424_729_850_961.0 / 743_921_418_240.0],
];

/// The same from the plane to the conformal sphere: equation 36 there.
const BACKWARD: [&[f64]; ORDER] = [
    &[
        1.0 / 2.0,
        -2.0 / 3.0,
        37.0 / 96.0,
        -1.0 / 360.0,
        -81.0 / 512.0,
        96_199.0 / 604_800.0,
        -5_406_467.0 / 38_707_200.0,
        7_944_359.0 / 67_737_600.0,
    ],
    &[
        1.0 / 48.0,
        1.0 / 15.0,
        -437.0 / 1_440.0,
        46.0 / 105.0,
        -1_118_711.0 / 3_870_720.0,
        51_841.0 / 1_209_600.0,
        24_749_483.0 / 348_364_800.0,
    ],
    &[
        17.0 / 480.0,
        -37.0 / 840.0,
        -209.0 / 4_480.0,
        5_569.0 / 90_720.0,
        9_261_899.0 / 58_060_800.0,
        -6_457_463.0 / 17_740_800.0,
    ],
    &[
        4_397.0 / 161_280.0,
        -11.0 / 504.0,
        -830_251.0 / 7_257_600.0,
        466_511.0 / 2_494_800.0,
        324_154_477.0 / 7_664_025_600.0,
    ],
    &[
        4_583.0 / 161_280.0,
        -108_847.0 / 3_991_680.0,
        -8_005_831.0 / 63_866_880.0,
        22_894_433.0 / 124_540_416.0,
    ],
    &[
        20_648_693.0 / 638_668_800.0,
        -16_363_163.0 / 518_918_400.0,
        -2_204_645_983.0 / 12_915_302_400.0,
    ],
    &[219_941_297.0 / 5_535_129_600.0, -497_323_811.0 / 12_454_041_600.0],
    &[191_773_887_257.0 / 3_719_607_091_200.0],
];

/// A place in the plane of a projection and how the plane lies there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Plane {
    /// East of the central meridian (or the pole) in metres.
    pub(super) east_m: f64,
    /// North of the equator (or the pole) in metres.
    pub(super) north_m: f64,
    /// Direction of the plane's north, clockwise from true north, in degrees.
    pub(super) convergence_deg: f64,
}

/// Tangent of the conformal latitude from that of the geodetic one (Karney 2011, equations 7 to 9).
pub(super) fn conformal(tau: f64, e2: f64) -> f64 {
    let e = e2.sqrt();
    let secant = tau.hypot(1.0);
    let sigma = (e * (e * tau / secant).atanh()).sinh();
    sigma.hypot(1.0) * tau - sigma * secant
}

/// The way back, by Newton's method (equations 19 to 21 there); three steps reach the last bit, the others are in reserve.
pub(super) fn geodetic(conformal_tau: f64, e2: f64) -> f64 {
    let mut tau = if conformal_tau.abs() > 70.0 {
        conformal_tau * (e2.sqrt() * e2.sqrt().atanh()).exp()
    } else {
        conformal_tau / (1.0 - e2)
    };
    for _ in 0..5 {
        let there = conformal(tau, e2);
        let step = (conformal_tau - there) / there.hypot(1.0) * (1.0 + (1.0 - e2) * tau * tau)
            / ((1.0 - e2) * tau.hypot(1.0));
        if !step.is_finite() {
            break;
        }
        tau += step;
    }
    tau
}

/// Sine and cosine of a latitude or longitude in degrees, exact at multiples of 90.
pub(super) fn sin_cos_deg(deg: f64) -> (f64, f64) {
    let quarter = (deg / 90.0).round();
    let (s, c) = (deg - 90.0 * quarter).to_radians().sin_cos();
    #[expect(clippy::cast_possible_truncation, reason = "rounded, and angles are small")]
    match (quarter as i64).rem_euclid(4) {
        0 => (s, c),
        1 => (c, -s),
        2 => (-s, -c),
        _ => (-c, s),
    }
}

/// The projection of one ellipsoid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TransverseMercator {
    e2: f64,
    /// Radius of the rectifying sphere in metres: the length of a meridian over 2 pi.
    radius_m: f64,
    forward: [f64; ORDER],
    backward: [f64; ORDER],
}

impl TransverseMercator {
    pub(super) fn of(ellipsoid: Ellipsoid) -> Self {
        let n = ellipsoid.n;
        let series = |rows: [&[f64]; ORDER]| {
            array::from_fn(|i| {
                let sum = rows[i].iter().rev().fold(0.0, |sum, c| sum * n + c);
                (0..=i).fold(sum, |value, _| value * n)
            })
        };
        let n2 = n * n;
        Self {
            e2: ellipsoid.e2,
            radius_m: ellipsoid.a_m / (1.0 + n) * (1.0 + n2 / 4.0 + n2 * n2 / 64.0 + n2 * n2 * n2 / 256.0),
            forward: series(FORWARD),
            backward: series(BACKWARD),
        }
    }

    /// Projects a place `from_meridian_deg` east of the central meridian; `scale` is that on the meridian.
    ///
    /// Holds to better than a micrometre within 3,900 km of the central meridian.
    pub(super) fn project(&self, lat_deg: f64, from_meridian_deg: f64, scale: f64) -> Plane {
        let (sin_lat, cos_lat) = sin_cos_deg(lat_deg);
        let (sin_lon, cos_lon) = sin_cos_deg(from_meridian_deg);
        // At a pole the tangent is as good as infinite.
        let tau = conformal(sin_lat / cos_lat.max(1e-150), self.e2);
        let (xi, eta) = (tau.atan2(cos_lon), (sin_lon / tau.hypot(cos_lon)).asinh());
        let (mut x, mut y, mut p, mut q) = (eta, xi, 1.0, 0.0);
        for (j, a) in (1_u32..).zip(self.forward) {
            let twice = 2.0 * f64::from(j);
            let ((s, c), (sh, ch)) = (
                (twice * xi).sin_cos(),
                ((twice * eta).sinh(), (twice * eta).cosh()),
            );
            y += a * s * ch;
            x += a * c * sh;
            p += twice * a * c * ch;
            q += twice * a * s * sh;
        }
        let on_sphere = (tau * sin_lon).atan2(tau.hypot(1.0) * cos_lon);
        Plane {
            east_m: scale * self.radius_m * x,
            north_m: scale * self.radius_m * y,
            convergence_deg: (on_sphere + q.atan2(p)).to_degrees(),
        }
    }

    /// Latitude and longitude from the central meridian, both in degrees, of a place in the plane.
    pub(super) fn unproject(&self, east_m: f64, north_m: f64, scale: f64) -> (f64, f64) {
        let (xi, eta) = (
            north_m / (scale * self.radius_m),
            east_m / (scale * self.radius_m),
        );
        let (mut x, mut y) = (eta, xi);
        for (j, b) in (1_u32..).zip(self.backward) {
            let twice = 2.0 * f64::from(j);
            let (s, c) = (twice * xi).sin_cos();
            y -= b * s * (twice * eta).cosh();
            x -= b * c * (twice * eta).sinh();
        }
        let (sin, cos) = y.sin_cos();
        let sinh = x.sinh();
        let tau = geodetic(sin / sinh.hypot(cos), self.e2);
        (tau.atan().to_degrees(), sinh.atan2(cos).to_degrees())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Snyder, Map Projections - A Working Manual, USGS Professional Paper 1395 (1987), numerical example of the transverse
    // Mercator on the ellipsoid (appendix A; figures from memory, confirmed with PROJ 9.5): Clarke 1866, 40 30 N 73 30 W,
    // central meridian 75 W, scale 0.9996: x 127,106.5 m, y 4,484,124.4 m. Tolerance: half the last digit printed.
    #[test]
    fn snyders_transverse_mercator_example_comes_out() {
        let (a, b) = (6_378_206.4, 6_356_583.8);
        let projection = TransverseMercator::of(Ellipsoid::new(a, 1.0 - b / a));
        let plane = projection.project(40.5, 1.5, 0.9996);
        assert!((plane.east_m - 127_106.5).abs() < 0.05, "{plane:?}");
        assert!((plane.north_m - 4_484_124.4).abs() < 0.05, "{plane:?}");
        let (lat_deg, lon_deg) = projection.unproject(plane.east_m, plane.north_m, 0.9996);
        assert!((lat_deg - 40.5).abs() < 1e-12 && (lon_deg - 1.5).abs() < 1e-12);
    }

    #[test]
    fn sines_are_exact_at_right_angles() {
        for (deg, wanted) in [
            (0.0, (0.0, 1.0)),
            (90.0, (1.0, 0.0)),
            (180.0, (0.0, -1.0)),
            (-90.0, (-1.0, 0.0)),
            (270.0, (-1.0, 0.0)),
        ] {
            let (s, c) = sin_cos_deg(deg);
            assert!((s - wanted.0).abs() < f64::MIN_POSITIVE && (c - wanted.1).abs() < f64::MIN_POSITIVE);
        }
    }
}
