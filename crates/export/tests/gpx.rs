//! GPX 1.1, read back by another parser and held against the order and ranges of its schema.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

#[allow(dead_code, reason = "each test file uses some of it")]
mod common;

use common::{bearings, every_statement, found, place, ring};
use lobewright_export::{GeoOptions, fix_gpx, fixes_gpx};
use lobewright_types::{FixOutcome, PolygonDeg};
use proptest::prelude::*;

/// The children that the schema allows, in its order (GPX 1.1 schema, topografix.com, types `gpxType`, `metadataType`, `wptType`,
/// `trkType` and `trksegType`; from memory).
fn schema(element: &str) -> &'static [&'static str] {
    match element {
        "gpx" => &["metadata", "wpt", "rte", "trk", "extensions"],
        "metadata" => &[
            "name",
            "desc",
            "author",
            "copyright",
            "link",
            "time",
            "keywords",
            "bounds",
            "extensions",
        ],
        "wpt" | "trkpt" => &[
            "ele",
            "time",
            "magvar",
            "geoidheight",
            "name",
            "cmt",
            "desc",
            "src",
            "link",
            "sym",
            "type",
            "fix",
            "sat",
            "hdop",
            "vdop",
            "pdop",
            "ageofdgpsdata",
            "dgpsid",
            "extensions",
        ],
        "trk" => &[
            "name",
            "cmt",
            "desc",
            "src",
            "link",
            "number",
            "type",
            "extensions",
            "trkseg",
        ],
        "trkseg" => &["trkpt", "extensions"],
        _ => &[],
    }
}

/// Elements once, or as often as wanted.
const MANY: [&str; 5] = ["wpt", "trk", "trkseg", "trkpt", "link"];

/// Checks that every element stands where its parent's type has it.
fn check_order(text: &str) {
    let mut open: Vec<(String, usize)> = Vec::new();
    for part in text.split('<').skip(1) {
        let tag = part.split('>').next().unwrap();
        if tag.starts_with('?') {
            continue;
        }
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop().unwrap().0, name);
            continue;
        }
        let name = tag.split([' ', '/']).next().unwrap();
        if let Some((parent, last)) = open.last_mut() {
            let rank = schema(parent)
                .iter()
                .position(|n| *n == name)
                .unwrap_or_else(|| panic!("{name} in {parent}"));
            // Counted from 1, so that the first element may follow nothing.
            let least = if MANY.contains(&name) { *last } else { *last + 1 };
            assert!(
                rank + 1 >= least,
                "{name} in {parent} is out of order or there twice"
            );
            *last = rank + 1;
        }
        if !tag.ends_with('/') {
            open.push((name.to_owned(), 0));
        }
    }
    assert!(open.is_empty());
}

fn read(text: &str) -> gpx::Gpx {
    check_order(text);
    let parsed = gpx::read(text.as_bytes()).unwrap_or_else(|e| panic!("{e}: {text}"));
    let points = parsed.waypoints.iter().chain(
        parsed
            .tracks
            .iter()
            .flat_map(|t| t.segments.iter().flat_map(|s| &s.points)),
    );
    for point in points {
        // `latitudeType` and `longitudeType` of the schema: 180 itself is not a longitude.
        assert!((-90.0..=90.0).contains(&point.point().y()));
        assert!((-180.0..180.0).contains(&point.point().x()));
    }
    parsed
}

#[test]
fn a_handheld_gets_waypoints_and_tracks() {
    let target = place(-41.29, 174.78);
    let options = GeoOptions {
        title: "Hunt <1> & more".to_owned(),
        truth: Some(target),
        ..GeoOptions::default()
    };
    let parsed = read(&fix_gpx(&found(target), &bearings(target), &options));
    assert_eq!(parsed.version, gpx::GpxVersion::Gpx11);
    let metadata = parsed.metadata.unwrap();
    assert_eq!(metadata.name.as_deref(), Some("Hunt <1> & more"));
    assert!(metadata.description.unwrap().contains("Most probable position"));
    let names: Vec<&str> = parsed
        .waypoints
        .iter()
        .map(|w| w.name.as_deref().unwrap())
        .collect();
    assert_eq!(
        names,
        [
            "Fix",
            "Fix 2 20%",
            "Transmitter",
            "Hill, top",
            "Quay <east> & \"west\""
        ]
    );
    let fix = parsed.waypoints[0].point();
    assert!((fix.x() - 174.78).abs() < 1e-6 && (fix.y() + 41.29).abs() < 1e-6);
    let tracks: Vec<(&str, &str, usize)> = parsed
        .tracks
        .iter()
        .map(|t| {
            (
                t.name.as_deref().unwrap(),
                t.type_.as_deref().unwrap(),
                t.segments.len(),
            )
        })
        .collect();
    assert_eq!(
        tracks,
        [
            ("50% region", "region", 2),
            ("95% region", "region", 2),
            ("95% ellipse", "ellipse", 1),
            ("Hill, top 280° true", "bearing", 1),
            ("Quay <east> & \"west\" 61° true", "reflected", 1),
        ]
    );
    for segment in parsed.tracks[..3].iter().flat_map(|t| &t.segments) {
        assert_eq!(
            segment.points.first().unwrap().point(),
            segment.points.last().unwrap().point()
        );
    }
}

#[test]
fn several_transmitters_share_a_file_and_say_whose_a_point_is() {
    let (first, second) = (place(-41.29, 174.78), place(-41.35, 174.70));
    let (fixes, heard) = ([found(first), found(second)], bearings(first));
    let text = fixes_gpx(
        &[("fox", &fixes[0], &heard), ("hare <2>", &fixes[1], &heard)],
        &GeoOptions::default(),
    );
    let parsed = read(&text);
    let names: Vec<&str> = parsed
        .waypoints
        .iter()
        .map(|w| w.name.as_deref().unwrap())
        .collect();
    // The places of the bearings stand once.
    assert_eq!(
        names,
        [
            "fox: Fix",
            "fox: Fix 2 20%",
            "hare <2>: Fix",
            "hare <2>: Fix 2 20%",
            "Hill, top",
            "Quay <east> & \"west\""
        ]
    );
    assert_eq!(parsed.tracks.len(), 10);
    assert_eq!(parsed.tracks[5].name.as_deref(), Some("hare <2>: 50% region"));
}

#[test]
fn without_a_position_the_bearings_are_still_there() {
    let target = place(-41.29, 174.78);
    let none = FixOutcome::NoFix {
        statements: every_statement(),
    };
    let parsed = read(&fix_gpx(&none, &bearings(target), &GeoOptions::default()));
    assert_eq!((parsed.waypoints.len(), parsed.tracks.len()), (2, 2));
    assert!(
        parsed
            .metadata
            .unwrap()
            .description
            .unwrap()
            .contains("No position")
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn the_schema_holds_anywhere(
        lat_deg in -89.9..89.9_f64,
        lon_deg in prop_oneof![-180.0..180.0_f64, Just(180.0), Just(-180.0), Just(179.999_999_99)],
        radius_m in 10.0..400_000.0_f64,
    ) {
        let centre = place(lat_deg, lon_deg);
        let mut fix = common::fix(centre);
        fix.region95.polygons = vec![PolygonDeg {
            outer: ring(centre, radius_m, false),
            holes: vec![ring(centre, radius_m / 2.0, true)],
        }];
        let outcome = FixOutcome::Fix(Box::new(fix));
        let parsed = read(&fix_gpx(&outcome, &bearings(centre), &GeoOptions::default()));
        for segment in parsed.tracks.iter().flat_map(|t| &t.segments) {
            let jump = |w: &[gpx::Waypoint]| (w[0].point().x() - w[1].point().x()).abs();
            prop_assert!(lat_deg.abs() > 80.0 || segment.points.windows(2).all(|w| jump(w) < 180.0));
        }
    }
}
