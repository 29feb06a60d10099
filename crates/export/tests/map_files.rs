//! GeoJSON and KML, read back by other parsers and held against their standards.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

#[allow(dead_code, reason = "each test file uses some of it")]
mod common;

use common::{bearings, every_statement, found, place, ring};
use geojson::{FeatureCollection, GeoJson, GeometryValue};
use lobewright_export::{GeoOptions, fix_geojson, fix_kml};
use lobewright_types::{FixOutcome, PolygonDeg, Position};
use proptest::prelude::*;

fn target() -> Position {
    place(-41.29, 174.78)
}

// ---- GeoJSON

fn doubled_area(ring: &[geojson::Position]) -> f64 {
    ring.windows(2)
        .map(|p| p[0][0] * p[1][1] - p[1][0] * p[0][1])
        .sum()
}

/// RFC 7946: closed rings of four positions or more (3.1.6), right-hand rule (3.1.6), longitudes in range.
fn check_rings(polygons: &[Vec<Vec<geojson::Position>>]) {
    for polygon in polygons {
        for (index, ring) in polygon.iter().enumerate() {
            assert!(ring.len() >= 4);
            assert_eq!(ring.first(), ring.last());
            assert_eq!(doubled_area(ring) > 0.0, index == 0, "ring {index}");
            assert!(ring.iter().all(|p| p[0].abs() <= 180.0 && p[1].abs() <= 90.0));
            // No edge jumps across the map.
            assert!(ring.windows(2).all(|p| (p[0][0] - p[1][0]).abs() < 180.0));
        }
    }
}

fn collection(text: &str) -> FeatureCollection {
    match text.parse::<GeoJson>().unwrap() {
        GeoJson::FeatureCollection(collection) => collection,
        other => panic!("not a collection: {other}"),
    }
}

fn kinds(collection: &FeatureCollection) -> Vec<String> {
    collection
        .features
        .iter()
        .map(|f| f.property("kind").unwrap().as_str().unwrap().to_owned())
        .collect()
}

#[test]
fn geojson_holds_everything_in_the_standards_form() {
    let options = GeoOptions {
        truth: Some(target()),
        ..GeoOptions::default()
    };
    let text = fix_geojson(&found(target()), &bearings(target()), &options);
    let collection = collection(&text);
    assert_eq!(
        kinds(&collection),
        [
            "region", "region", "ellipse", "fix", "mode", "truth", "station", "station", "bearing", "bearing"
        ]
    );
    for feature in &collection.features {
        match &feature.geometry.as_ref().unwrap().value {
            GeometryValue::MultiPolygon { coordinates } => check_rings(coordinates),
            GeometryValue::Point { coordinates } => assert!(coordinates[0] > 174.0 && coordinates[1] < -41.0),
            GeometryValue::LineString { coordinates } => assert!(coordinates.len() >= 2),
            other => panic!("unexpected geometry {other:?}"),
        }
    }
    let regions = |feature: usize| match &collection.features[feature].geometry.as_ref().unwrap().value {
        GeometryValue::MultiPolygon { coordinates } => coordinates.clone(),
        _ => panic!("no region"),
    };
    assert_eq!(regions(0)[0].len(), 2, "the hole is kept");
    let bearing = &collection.features[9];
    assert_eq!(
        bearing.property("reflected_probability").unwrap().as_f64(),
        Some(0.97)
    );
    let members = collection.foreign_members.unwrap();
    assert!(members["no_bearings"][0].as_str().unwrap().contains("no burst"));
    assert!(
        members["statements"][0]
            .as_str()
            .unwrap()
            .contains("separate positions")
    );
}

#[test]
fn a_bearing_line_has_its_length_and_direction() {
    let options = GeoOptions {
        line_length_m: Some(30_000.0),
        ..GeoOptions::default()
    };
    let none = FixOutcome::NoFix {
        statements: every_statement(),
    };
    let collection = collection(&fix_geojson(&none, &bearings(target()), &options));
    assert_eq!(kinds(&collection), ["station", "station", "bearing", "bearing"]);
    let GeometryValue::LineString { coordinates } = &collection.features[2].geometry.as_ref().unwrap().value
    else {
        panic!("no line");
    };
    let ends = [&coordinates[0], &coordinates[coordinates.len() - 1]].map(|p| place(p[1], p[0]));
    let line = lobewright_geodesy::inverse(ends[0], ends[1]);
    // Coordinates are rounded to a centimetre.
    assert!((line.distance_m - 30_000.0).abs() < 0.05);
    assert!((line.azimuth.degrees() - 280.0).abs() < 1e-4);
}

#[test]
fn nothing_crosses_the_antimeridian() {
    for lon_deg in [179.999, -179.999, 180.0] {
        let target = place(-17.0, lon_deg);
        let text = fix_geojson(&found(target), &bearings(target), &GeoOptions::default());
        let collection = collection(&text);
        let mut parts = 0;
        for feature in &collection.features {
            match &feature.geometry.as_ref().unwrap().value {
                GeometryValue::MultiPolygon { coordinates } => {
                    check_rings(coordinates);
                    assert!(coordinates.len() >= 2);
                    parts += coordinates.len();
                }
                GeometryValue::MultiLineString { coordinates } => {
                    for line in coordinates {
                        assert!(line.windows(2).all(|p| (p[0][0] - p[1][0]).abs() < 1.0));
                    }
                }
                _ => {}
            }
        }
        assert_eq!(parts, 6);
        let lines = collection
            .features
            .iter()
            .filter(|f| {
                matches!(
                    f.geometry.as_ref().unwrap().value,
                    GeometryValue::MultiLineString { .. }
                )
            })
            .count();
        // One place lies east of the meridian and looks west, the other lies west of it and looks east.
        assert_eq!(lines, 2);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn rings_hold_the_standards_rules_anywhere(
        lat_deg in -89.9..89.9_f64,
        lon_deg in -180.0..180.0_f64,
        radius_m in 10.0..400_000.0_f64,
        turned in any::<bool>(),
    ) {
        let centre = place(lat_deg, lon_deg);
        let mut fix = common::fix(centre);
        fix.region95.polygons = vec![PolygonDeg {
            outer: ring(centre, radius_m, turned),
            holes: vec![ring(centre, radius_m / 2.0, !turned)],
        }];
        let outcome = FixOutcome::Fix(Box::new(fix));
        let text = fix_geojson(&outcome, &[], &GeoOptions::default());
        for feature in &collection(&text).features {
            if let GeometryValue::MultiPolygon { coordinates } = &feature.geometry.as_ref().unwrap().value {
                for polygon in coordinates {
                    for (index, ring) in polygon.iter().enumerate() {
                        prop_assert!(ring.len() >= 4);
                        prop_assert_eq!(ring.first(), ring.last());
                        prop_assert_eq!(doubled_area(ring) > 0.0, index == 0);
                        prop_assert!(ring.iter().all(|p| p[0].abs() <= 180.0));
                    }
                }
            }
        }
    }
}

// ---- KML

/// The order of the elements that the file uses, from the schema of OGC 07-147r2 (`AbstractFeatureType` and its kin).
const FEATURE_ORDER: [&str; 10] = [
    "name",
    "open",
    "description",
    "TimeStamp",
    "styleUrl",
    "Style",
    "Folder",
    "Placemark",
    "geometry",
    "",
];

fn kml_text(target: Position) -> String {
    fix_kml(
        &found(target),
        &bearings(target),
        &GeoOptions {
            title: "Hunt <1> & more".to_owned(),
            ..GeoOptions::default()
        },
    )
}

/// Elements of XML text in order, as (depth, name): enough of a parser for a file without comments.
fn elements(text: &str) -> Vec<(usize, String)> {
    let mut depth = 0;
    let mut found = Vec::new();
    for part in text.split('<').skip(1) {
        let tag = part.split('>').next().unwrap();
        if tag.starts_with('?') {
            continue;
        }
        if tag.starts_with('/') {
            depth -= 1;
        } else {
            found.push((depth, tag.split([' ', '/']).next().unwrap().to_owned()));
            if !tag.ends_with('/') {
                depth += 1;
            }
        }
    }
    assert_eq!(depth, 0, "every element is closed");
    found
}

#[test]
fn kml_elements_stand_in_the_order_of_the_schema() {
    let rank = |name: &str| {
        let known = match name {
            "Point" | "MultiGeometry" | "LineString" | "Polygon" => "geometry",
            other => other,
        };
        FEATURE_ORDER.iter().position(|n| *n == known)
    };
    let all = elements(&kml_text(target()));
    for (index, (depth, name)) in all.iter().enumerate() {
        if !["Document", "Folder", "Placemark"].contains(&name.as_str()) {
            continue;
        }
        let children = all[index + 1..]
            .iter()
            .take_while(|(d, _)| d > depth)
            .filter(|(d, _)| *d == depth + 1);
        let ranks: Vec<usize> = children
            .map(|(_, child)| rank(child).unwrap_or_else(|| panic!("{child} in {name}")))
            .collect();
        assert!(ranks.is_sorted(), "{name}: {ranks:?}");
    }
    let names: Vec<&str> = all.iter().map(|(_, name)| name.as_str()).collect();
    assert_eq!(names.iter().filter(|n| **n == "Folder").count(), 3);
    assert_eq!(names.iter().filter(|n| **n == "Placemark").count(), 9);
}

#[test]
fn kml_is_read_by_another_parser_with_longitude_first() {
    let text = kml_text(target());
    let parsed: kml::Kml = text.parse().unwrap();
    let mut points = Vec::new();
    let mut rings = Vec::new();
    collect(&parsed, &mut points, &mut rings);
    // Position, other position, two stations.
    assert_eq!(points.len(), 4);
    assert!((points[0].0 - 174.78).abs() < 1e-6 && (points[0].1 + 41.29).abs() < 1e-6);
    assert!(!rings.is_empty());
    for ring in &rings {
        assert_eq!(ring.first(), ring.last());
    }
    assert!(text.contains("Hunt &lt;1&gt; &amp; more"));
}

fn collect(kml: &kml::Kml, points: &mut Vec<(f64, f64)>, rings: &mut Vec<Vec<(f64, f64)>>) {
    match kml {
        kml::Kml::KmlDocument(document) => document.elements.iter().for_each(|e| collect(e, points, rings)),
        kml::Kml::Document { elements, .. } => elements.iter().for_each(|e| collect(e, points, rings)),
        kml::Kml::Folder(folder) => folder.elements.iter().for_each(|e| collect(e, points, rings)),
        kml::Kml::Placemark(placemark) => shape(placemark.geometry.as_ref().unwrap(), points, rings),
        _ => {}
    }
}

fn shape(geometry: &kml::types::Geometry, points: &mut Vec<(f64, f64)>, rings: &mut Vec<Vec<(f64, f64)>>) {
    match geometry {
        kml::types::Geometry::Point(point) => points.push((point.coord.x, point.coord.y)),
        kml::types::Geometry::Polygon(polygon) => {
            for ring in std::iter::once(&polygon.outer).chain(&polygon.inner) {
                rings.push(ring.coords.iter().map(|c| (c.x, c.y)).collect());
            }
        }
        kml::types::Geometry::MultiGeometry(multi) => {
            multi.geometries.iter().for_each(|g| shape(g, points, rings));
        }
        _ => {}
    }
}
