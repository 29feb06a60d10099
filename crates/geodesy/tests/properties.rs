//! The fast forms against the exact ones, round trips, areas.

use lobewright_geodesy::{
    EarthPoint, FastAzimuth, LocalFrame, direct, inverse, ring_area_km2, signed_ring_area_km2,
};
use lobewright_types::{Azimuth, Position, wrap_signed_degrees};
use proptest::prelude::*;

fn at(lat_deg: f64, lon_deg: f64) -> Position {
    Position { lat_deg, lon_deg }
}

#[test]
fn fast_azimuth_keeps_its_limits_everywhere_up_to_300_km() {
    let (mut worst_deg, mut worst_rel): (f64, f64) = (0.0, 0.0);
    for lat in [
        -90.0, -89.99, -78.0, -45.0, -41.3, 0.0, 0.1, 30.0, 60.0, 85.0, 89.5, 89.999, 90.0,
    ] {
        for lon in [-180.0, -0.5, 0.0, 174.1, 179.99] {
            let station = at(lat, lon);
            let fast = FastAzimuth::at(station);
            for range_m in [10.0, 500.0, 20_000.0, 100_000.0, 299_999.0] {
                for step in 0..48 {
                    let target = direct(station, Azimuth::from_degrees(7.5 * f64::from(step)), range_m);
                    // The exact form of the target's own coordinates: they are rounded.
                    let exact = inverse(station, target);
                    let (azimuth_deg, fast_range_m) = fast.azimuth_and_range(&EarthPoint::from(target));
                    let turn = wrap_signed_degrees(azimuth_deg - exact.azimuth.degrees()).abs();
                    // Coordinates around 6e6 m carry a nanometre: 1e-8 degrees at 10 m.
                    worst_deg = worst_deg.max(turn);
                    worst_rel = worst_rel.max((fast_range_m / exact.distance_m - 1.0).abs());
                }
            }
        }
    }
    println!("worst azimuth {worst_deg:.2e} degrees, worst range {worst_rel:.2e}");
    assert!(worst_deg < 1e-5, "{worst_deg}");
    assert!(worst_rel < 2e-6, "{worst_rel}");
}

// The area of a spherical cap is 2 pi R^2 (1 - cos(r / R)); the ellipsoid's differs by its flattening, under 0.7 %. Tighter: the areas of
// two parts must add up to the whole.
#[test]
fn areas_of_circles_hold_across_180_and_at_the_poles() {
    for centre in [
        at(-41.3, 174.1),
        at(0.0, 180.0),
        at(-17.7, -179.99),
        at(89.9, 12.0),
        at(-90.0, 0.0),
    ] {
        let frame = LocalFrame::at(centre);
        let ring: Vec<Position> = (0..720)
            .map(|k| {
                let angle = f64::from(k).to_radians() / 2.0;
                frame.from_local(20_000.0 * angle.cos(), 20_000.0 * angle.sin())
            })
            .collect();
        let area = ring_area_km2(&ring);
        let flat = std::f64::consts::PI * 400.0;
        assert!(
            (area / flat - 1.0).abs() < 1e-4,
            "{centre:?}: {area} against {flat}"
        );
        assert!(signed_ring_area_km2(&ring) > 0.0, "counter-clockwise is positive");
        let back: Vec<Position> = ring.iter().rev().copied().collect();
        assert!((signed_ring_area_km2(&back) + area).abs() < 1e-9 * area);
        let parts = ring_area_km2(&ring[..=360]) + ring_area_km2(&[&ring[360..], &ring[..1]].concat());
        assert!(
            (parts / area - 1.0).abs() < 5e-9,
            "{centre:?} {}",
            parts / area - 1.0
        );
    }
}

// The plane's area of a square of 20 m, and the larger form's agreement where both hold (1.9 and 2.1 km).
#[test]
fn small_rings_are_right_at_the_pole_too() {
    for centre in [at(90.0, 0.0), at(-41.3, 174.1), at(5.0, 180.0)] {
        let frame = LocalFrame::at(centre);
        for half_m in [10.0, 600.0, 760.0] {
            let ring: Vec<Position> = [(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)]
                .map(|(e, n): (f64, f64)| frame.from_local(half_m * e, half_m * n))
                .to_vec();
            let flat_km2 = 4e-6 * half_m * half_m;
            let off = (signed_ring_area_km2(&ring) / flat_km2 - 1.0).abs();
            assert!(off < 1e-6, "{centre:?} {half_m}: {off}");
        }
    }
}

#[test]
fn fewer_than_three_corners_have_no_area() {
    assert!(ring_area_km2(&[at(0.0, 0.0), at(1.0, 1.0)]).abs() < 1e-12);
    assert!(ring_area_km2(&[]).abs() < 1e-12);
}

// A known whole: the area of WGS 84 is 510,065,621.724 km2 (GeographicLib documentation, class Geodesic; from memory to 1e-3), and an octant of it an
// eighth.
#[test]
fn an_octant_is_an_eighth_of_the_ellipsoid() {
    let octant = ring_area_km2(&[at(0.0, 0.0), at(0.0, 90.0), at(90.0, 0.0)]);
    assert!((octant * 8.0 - 510_065_621.724).abs() < 1.0, "{}", octant * 8.0);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn local_frame_goes_there_and_back(
        lat in -90.0..=90.0_f64, lon in -180.0..180.0_f64, east_m in -3e5..3e5_f64, north_m in -3e5..3e5_f64
    ) {
        let frame = LocalFrame::at(at(lat, lon));
        let place = frame.from_local(east_m, north_m);
        prop_assert!((-90.0..=90.0).contains(&place.lat_deg));
        prop_assert!((-180.0..=180.0).contains(&place.lon_deg));
        let (e, n) = frame.to_local(place);
        // Longitudes carry 180 * 2^-53 degrees: 2e-9 m; geodesics themselves some nanometres.
        prop_assert!((e - east_m).abs() < 1e-6 && (n - north_m).abs() < 1e-6, "{e} {n}");
    }
}
