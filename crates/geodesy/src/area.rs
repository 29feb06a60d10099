//! Areas on the ellipsoid.

use geographiclib_rs::{PolygonArea, Winding};
use lobewright_types::Position;

use crate::LocalFrame;
use crate::geodesic::WGS84;

/// Rings that reach no further than this from their first corner are measured in the local plane: off by 2 parts in
/// 100 million.
const PLANE_LIMIT_M: f64 = 2_000.0;

/// The area inside a closed ring of geodesics, whichever way round it runs.
///
/// # Inputs
/// `ring`: corners in order, the first not repeated at the end (a repeat does no harm); fewer than three give 0. The inside is the smaller part of
/// the earth. Rings across 180 degrees and around a pole are no special case. A region with holes is its outer ring less its
/// holes.
///
/// # Result
/// Square kilometres, never negative.
///
/// # Method
/// Karney, 'Algorithms for geodesics', *Journal of Geodesy* 87 (2013), section 6.
pub fn ring_area_km2(ring: &[Position]) -> f64 {
    signed_ring_area_km2(ring).abs()
}

/// As [`ring_area_km2`], positive for a counter-clockwise ring (seen from above) and negative for a clockwise one.
pub fn signed_ring_area_km2(ring: &[Position]) -> f64 {
    if ring.len() < 3 {
        return 0.0;
    }
    small_ring_m2(ring).unwrap_or_else(|| large_ring_m2(ring)) / 1e6
}

fn large_ring_m2(ring: &[Position]) -> f64 {
    let mut sum = PolygonArea::new(&WGS84, Winding::CounterClockwise);
    for corner in ring {
        sum.add_point(corner.lat_deg, corner.lon_deg);
    }
    let (_perimeter_m, area_m2, _corners) = sum.compute(true);
    area_m2
}

/// Where the ring fits the local plane; the sum along the equator loses about a square metre near a pole.
fn small_ring_m2(ring: &[Position]) -> Option<f64> {
    let frame = LocalFrame::at(ring[0]);
    let mut corners = Vec::with_capacity(ring.len());
    for &corner in ring {
        let (east_m, north_m) = frame.to_local(corner);
        let reach_m = east_m.hypot(north_m);
        if reach_m.is_nan() || reach_m > PLANE_LIMIT_M {
            return None;
        }
        corners.push((east_m, north_m));
    }
    let next = corners.iter().cycle().skip(1);
    let twice: f64 = corners.iter().zip(next).map(|(a, b)| a.0 * b.1 - b.0 * a.1).sum();
    Some(twice / 2.0)
}
