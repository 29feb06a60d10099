//! The formats, read back by other parsers and held against their standards.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

mod common;

use std::collections::BTreeSet;
use std::io::Cursor;

use common::{arc, bearing, bearings, bursts, every_statement, found, place, readings, ring};
use geojson::{FeatureCollection, GeoJson, GeometryValue};
use lobewright_export::{
    GeoOptions, ReadError, Report, StationPictures, bearing_table, bearings_csv, bearings_jsonl, bursts_csv,
    bursts_jsonl, fix_csv, fix_geojson, fix_json, fix_kml, human_bearing_line, human_fix,
    read_bearings_jsonl, readings_csv, readings_jsonl, report_html,
};
use lobewright_types::{BearingOutcome, FixOutcome, PolygonDeg, Position};
use proptest::prelude::*;

const SCHEMA: &str = include_str!("../../../docs/schema.md");

fn target() -> Position {
    place(-41.29, 174.78)
}

fn read(text: &str) -> Result<Vec<BearingOutcome>, ReadError> {
    read_bearings_jsonl(Cursor::new(text), "hunt.jsonl")
}

// ---- JSON Lines

/// Everything but the density, which is normalised again when it is read, must come back to the last bit.
fn assert_same(a: &BearingOutcome, b: &BearingOutcome) {
    match (a, b) {
        (BearingOutcome::Bearing(a), BearingOutcome::Bearing(b)) => {
            let mut same_density = b.clone();
            same_density.density = a.density.clone();
            assert_eq!(*a, same_density);
            assert_eq!(a.density.azimuths_deg(), b.density.azimuths_deg());
            for (p, q) in a.density.ln_per_deg().iter().zip(b.density.ln_per_deg()) {
                // Mass is summed over some hundred segments: a few rounding errors of 1e-16 each.
                assert!((p - q).abs() < 1e-12, "{p} {q}");
            }
        }
        _ => assert_eq!(a, b),
    }
}

#[test]
fn bearings_come_back_from_json_lines() {
    let written = bearings(target());
    let text = bearings_jsonl(&written);
    assert_eq!(text.lines().count(), 3);
    let back = read(&text).unwrap();
    assert_eq!(back.len(), 3);
    for (a, b) in written.iter().zip(&back) {
        assert_same(a, b);
    }
    let spaced = format!("\u{feff}{}", text.replace('\n', "\r\n\r\n"));
    assert_eq!(read(&spaced).unwrap(), back);
    assert!(read("").unwrap().is_empty());
}

#[test]
fn wrong_lines_are_named() {
    let good = bearings_jsonl(&bearings(target()));
    let broken = format!("{good}{{\"outcome\":\"bearing\",\n");
    let error = read(&broken).unwrap_err().to_string();
    assert!(error.starts_with("hunt.jsonl, line 4, column "), "{error}");
    assert!(error.contains("EOF"), "{error}");
    let first = good.lines().next().unwrap();
    let missing = first.replace("\"sigma_deg\":1.8,\"heading", "\"heading");
    assert_ne!(missing, first);
    let error = read(&missing).unwrap_err().to_string();
    assert!(
        error.contains("line 1") && error.contains("missing field `sigma_deg`"),
        "{error}"
    );
    let twice = format!("{first}\n\n{first}\n");
    assert_eq!(
        read(&twice).unwrap_err().to_string(),
        "hunt.jsonl, line 3: the id `b1` was used in line 1 already; give each bearing its own"
    );
}

#[test]
fn values_out_of_range_are_named() {
    let check = |change: &dyn Fn(&mut lobewright_types::Bearing), expected: &str| {
        let mut one = bearing("b1", "Hill", target(), 10.0);
        change(&mut one);
        let text = bearings_jsonl(&[BearingOutcome::Bearing(Box::new(one))]);
        assert_eq!(
            read(&text).unwrap_err().to_string(),
            format!("hunt.jsonl, line 1: {expected}")
        );
    };
    check(
        &|b| b.position.lat_deg = 174.78,
        "`position.lat_deg` is 174.78; it must be from -90 to 90, north positive",
    );
    check(
        &|b| b.position.lon_deg = -200.0,
        "`position.lon_deg` is -200; it must be from -180 to 180, east positive",
    );
    check(
        &|b| b.sigma_deg = 0.0,
        "`sigma_deg` is 0; it must be a finite number above 0",
    );
    check(
        &|b| b.heading_sigma_deg = -1.0,
        "`heading_sigma_deg` is -1; it must be a finite number, 0 or more",
    );
    check(
        &|b| b.modes[0].probability = 1.5,
        "`modes.probability` is 1.5; it must be from 0 to 1",
    );
    check(
        &|b| b.arcs95 = vec![arc(0.0, 400.0)],
        "`width_deg` is 400; it must be from 0 to 360",
    );
}

#[test]
fn input_that_cannot_be_read_is_named() {
    let error = read_bearings_jsonl(Cursor::new(&b"\xff\xfe\n"[..]), "odd.jsonl").unwrap_err();
    assert_eq!(error.to_string(), "odd.jsonl, line 1: the input cannot be read");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_bytes_are_read_without_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let _ = read_bearings_jsonl(Cursor::new(bytes), "x");
    }

    #[test]
    fn any_numbers_and_names_come_back(
        id in "\\PC{1,12}",
        lat_deg in -90.0..=90.0_f64,
        lon_deg in -180.0..=180.0_f64,
        azimuth_deg in 0.0..360.0_f64,
        snr_db in proptest::option::of(-20.0..60.0_f64),
    ) {
        let mut one = bearing(&id, &id, place(lat_deg, lon_deg), azimuth_deg);
        one.snr_db = snr_db;
        let outcome = BearingOutcome::Bearing(Box::new(one));
        let back = read(&bearings_jsonl(std::slice::from_ref(&outcome))).unwrap();
        assert_same(&outcome, &back[0]);
    }
}

// ---- CSV

fn rows(text: &str) -> Vec<Vec<String>> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(text.as_bytes());
    reader
        .records()
        .map(|record| record.unwrap().iter().map(str::to_owned).collect())
        .collect()
}

fn cell<'a>(rows: &'a [Vec<String>], row: usize, column: &str) -> &'a str {
    let index = rows[0].iter().position(|name| name == column).unwrap();
    &rows[row][index]
}

#[test]
fn tables_have_a_heading_and_all_their_cells() {
    let table = rows(&bearings_csv(&bearings(target())));
    assert_eq!(table.len(), 4);
    assert_eq!(cell(&table, 1, "station"), "Hill, top");
    assert_eq!(cell(&table, 1, "azimuth_true_deg"), "280");
    assert_eq!(cell(&table, 1, "time_utc"), "2026-02-14T03:25:00.5Z");
    assert_eq!(cell(&table, 1, "flags"), "clipped partial_circle");
    assert_eq!(cell(&table, 1, "level_dbfs"), "-31.25");
    assert_eq!(cell(&table, 2, "station"), "Quay <east> & \"west\"");
    assert_eq!(cell(&table, 2, "snr_db"), "");
    assert_eq!(cell(&table, 3, "outcome"), "no_bearing");
    assert_eq!(cell(&table, 3, "reason"), "no_burst");
    let (from, to) = cell(&table, 1, "arcs95_true_deg").split_once("..").unwrap();
    // 1.96 sigma to each side of 280 degrees.
    assert!((from.parse::<f64>().unwrap() - (280.0 - 1.96 * 1.8)).abs() < 0.05);
    assert!((to.parse::<f64>().unwrap() - (280.0 + 1.96 * 1.8)).abs() < 0.05);

    let table = rows(&bursts_csv(&bursts()));
    assert_eq!(cell(&table, 1, "start"), "19200000");
    assert_eq!(cell(&table, 1, "carrier_offset_sigma_hz"), "");
    assert_eq!(cell(&table, 1, "flags"), "began_before clipped");

    let table = rows(&readings_csv(&readings()));
    assert_eq!(cell(&table, 1, "azimuth_mount_deg"), "31.5");
    assert_eq!(cell(&table, 1, "port"), "");
    assert_eq!(cell(&table, 2, "port"), "3");
    assert_eq!(cell(&table, 2, "turn_deg"), "");

    let table = rows(&fix_csv(&found(target())));
    assert_eq!(cell(&table, 1, "lat_deg"), "-41.29");
    assert_eq!(cell(&table, 1, "reflected_ids"), "b2");
    let table = rows(&fix_csv(&FixOutcome::NoFix {
        statements: every_statement(),
    }));
    assert_eq!(cell(&table, 1, "outcome"), "no_fix");
    assert_eq!(cell(&table, 1, "lat_deg"), "");
    assert!(cell(&table, 1, "statements").contains("the bearings hardly cross"));
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

// ---- words and report

#[test]
fn words_say_what_was_found() {
    let all = bearings(target());
    assert_eq!(
        human_bearing_line(&all[0]),
        "Hill, top: 280.0° ± 1.8° (1σ, true), class B, S/N 21 dB, 3 bursts, clipped, part of the circle only"
    );
    assert_eq!(
        human_bearing_line(&all[2]),
        "Cellar: no bearing, because no burst was found in the channel"
    );
    let table = bearing_table(&all);
    assert_eq!(table.lines().count(), 4);
    let starts: BTreeSet<Option<usize>> = table
        .lines()
        .take(3)
        .map(|line| line.find("280.0").or(line.find("bearing")).or(line.find("61.0")))
        .collect();
    assert_eq!(starts.len(), 1, "columns are aligned:\n{table}");
    let lines = human_fix(&found(target()));
    assert_eq!(lines[0], "Most probable position: 41.2900° S, 174.7800° E.");
    assert!(lines[1].contains("1.1 km by 640 m"), "{}", lines[1]);
    assert!(
        lines
            .iter()
            .any(|l| l.contains("Bearing b2 was judged a reflection or a mistake (97 %)"))
    );
    let none = FixOutcome::NoFix {
        statements: every_statement(),
    };
    assert_eq!(human_fix(&none).len(), 1 + every_statement().len());
}

fn report() -> Report {
    let picture =
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"10\" height=\"10\"><title>p</title></svg>\n";
    Report {
        title: "Hunt <script>alert(1)</script>".to_owned(),
        made_utc: Some("2026-02-14T04:00:00Z".parse().unwrap()),
        version: "lobewright 0.1.0".to_owned(),
        fix: Some(found(target())),
        map_svg: Some(picture.to_owned()),
        bearings: bearings(target()),
        stations: vec![StationPictures {
            station: "Hill & dale".to_owned(),
            polar_svg: Some(picture.to_owned()),
            spectrogram_svg: Some("<svg><script>x</script></svg>".to_owned()),
            notes: vec!["four readings were clipped".to_owned()],
        }],
        settings: vec![("gain_db".to_owned(), "20 <auto>".to_owned())],
        notes: vec!["the clock of the recorder is not known".to_owned()],
    }
}

#[test]
fn the_report_stands_alone() {
    let html = report_html(&report());
    for part in [
        "Most probable position: 41.2900° S, 174.7800° E.",
        "280.0° ± 1.8° (1σ, true)",
        "reflection 97 %",
        "no bearing, because no burst was found",
        "Hill &amp; dale",
        "20 &lt;auto&gt;",
        "Masts and power lines",
        "Lightning",
        "Driving",
        "exposure",
        "Private land",
        "Local law",
        "only receives",
        "lobewright 0.1.0",
        "2026-02-14T04:00:00Z",
    ] {
        assert!(html.contains(part), "{part} is missing");
    }
    assert!(
        html.contains("Spectrogram: left out"),
        "an active picture is refused"
    );
    assert!(!html.to_lowercase().contains("<script"));
    // Nothing is loaded: the only addresses are the names of XML namespaces.
    for word in ["src=", "href=", "url(", "@import"] {
        assert!(!html.contains(word), "{word}");
    }
    assert_eq!(
        html.matches("http").count(),
        html.matches("http://www.w3.org/2000/svg").count() + 1
    );
    assert_eq!(report_html(&report()), html);
    assert!(report_html(&Report::default()).contains("Cautions"));
}

// ---- the documented schema

fn keys(value: &serde_json::Value, found: &mut BTreeSet<String>) {
    match value {
        serde_json::Value::Object(object) => {
            for (key, inside) in object {
                found.insert(key.clone());
                keys(inside, found);
            }
        }
        serde_json::Value::Array(list) => list.iter().for_each(|inside| keys(inside, found)),
        _ => {}
    }
}

#[test]
fn every_field_is_in_the_documented_schema() {
    let none = FixOutcome::NoFix {
        statements: every_statement(),
    };
    let options = GeoOptions {
        title: "Hunt".to_owned(),
        truth: Some(target()),
        ..GeoOptions::default()
    };
    let json = [
        bearings_jsonl(&bearings(target())),
        bursts_jsonl(&bursts()),
        readings_jsonl(&readings()),
        fix_json(&found(target())),
        fix_json(&none),
    ]
    .concat();
    let mut names = BTreeSet::new();
    for line in json.lines() {
        keys(&serde_json::from_str(line).unwrap(), &mut names);
    }
    let map: serde_json::Value =
        serde_json::from_str(&fix_geojson(&found(target()), &bearings(target()), &options)).unwrap();
    for feature in map["features"].as_array().unwrap() {
        keys(&feature["properties"], &mut names);
    }
    names.extend(map.as_object().unwrap().keys().cloned());
    for standard in ["type", "features"] {
        names.remove(standard);
    }
    for table in [
        bearings_csv(&[]),
        bursts_csv(&[]),
        readings_csv(&[]),
        fix_csv(&none).lines().next().unwrap().to_owned(),
    ] {
        names.extend(table.trim().split(',').map(str::to_owned));
    }
    assert!(names.len() > 80, "{} names", names.len());
    let missing: Vec<&String> = names
        .iter()
        .filter(|name| *name != "name" && !SCHEMA.contains(&format!("`{name}`")))
        .collect();
    assert!(missing.is_empty(), "not in docs/schema.md: {missing:?}");
}

#[test]
fn every_word_of_a_list_is_in_the_documented_schema() {
    use lobewright_types::{BearingFlag as B, BearingKind as K, BurstFlag as U, NoBearingReason as N};
    let name = |value: serde_json::Value| value.as_str().unwrap().to_owned();
    let flags = [
        B::Clipped,
        B::FewReadings,
        B::PartialCircle,
        B::BadFit,
        B::Reflection,
        B::Ambiguous,
        B::SameSectorEachBurst,
        B::TrackEndedEarly,
        B::Weak,
    ];
    let mut words: Vec<String> = flags.iter().map(|f| name(serde_json::json!(f))).collect();
    let bursts = [U::BeganBefore, U::EndedAfter, U::Clipped, U::Suspect];
    words.extend(bursts.iter().map(|f| name(serde_json::json!(f))));
    words.extend(
        [K::Automatic, K::Hand, K::Remote]
            .iter()
            .map(|k| name(serde_json::json!(k))),
    );
    let reasons = [
        N::NoBurst,
        N::NoPointing,
        N::TooFewReadings,
        N::PatternHasNoDirection,
        N::AllClipped,
    ];
    words.extend(reasons.iter().map(|r| name(serde_json::json!(r))));
    words.extend(
        every_statement()
            .iter()
            .map(|s| name(serde_json::json!(s)["kind"].clone())),
    );
    for word in words {
        assert!(
            SCHEMA.contains(&format!("`{word}`")),
            "{word} is not in docs/schema.md"
        );
    }
}
