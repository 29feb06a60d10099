//! Levels, silence and areas through the program.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

mod common;

use std::fmt::Write as _;
use std::path::Path;

use common::outcome;
use serde_json::Value;

/// Levels of a transmitter at 47.2 north, 8.5 east: -60 dB at 1 km, exponent 3, read at 20 places around it.
fn levels(folder: &Path) -> String {
    let mut table = "place,lat_deg,lon_deg,bearing_deg,north,sigma_deg,meter_db,attenuation_db\n".to_owned();
    for k in 0..20 {
        let (sin, cos) = (2.4 * f64::from(k)).sin_cos();
        let range_km = 0.15 * f64::from(k) + 0.1;
        // A degree of latitude has 111.2 km, one of longitude 75.6 there.
        let (lat, lon) = (47.2 + range_km * cos / 111.2, 8.5 + range_km * sin / 75.6);
        let level = -60.0 - 30.0 * range_km.log10();
        writeln!(table, "p{k},{lat:.6},{lon:.6},,,,{:.1},20", level - 20.0).unwrap();
    }
    written(folder, "levels.csv", &table)
}

fn written(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

fn fix(arguments: &[&str]) -> (i32, Value) {
    let whole: Vec<&str> = ["fix", "--format", "json", "--quiet"]
        .iter()
        .chain(arguments)
        .copied()
        .collect();
    let (code, text, error) = outcome(&whole);
    assert!(code < 2, "{error}");
    (code, serde_json::from_str(&text).unwrap())
}

#[test]
fn levels_of_a_table_make_a_position_and_can_be_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let table = levels(folder.path());
    let (code, found) = fix(&[&table]);
    assert_eq!(code, 0, "{found}");
    let position = &found["position"];
    assert!(
        (position["lat_deg"].as_f64().unwrap() - 47.2).abs() < 0.002,
        "{position}"
    );
    assert!(
        (position["lon_deg"].as_f64().unwrap() - 8.5).abs() < 0.003,
        "{position}"
    );
    assert_eq!(found["path_loss"][0]["scale"], table);
    let (code, none) = fix(&[&table, "--no-levels"]);
    assert_eq!((code, &none["outcome"]), (1, &Value::from("no_fix")));
}

#[test]
fn an_area_closes_what_one_bearing_leaves_open() {
    let folder = tempfile::tempdir().unwrap();
    let table = written(
        folder.path(),
        "one.csv",
        "place,lat_deg,lon_deg,bearing_deg,north,sigma_deg\nhill,47.2,8.4,90,true,3\n",
    );
    let areas = written(
        folder.path(),
        "park.geojson",
        r#"{"type":"Feature","properties":{"rule":"inside","name":"park"},"geometry":{"type":"Polygon",
            "coordinates":[[[8.49,47.19],[8.51,47.19],[8.51,47.21],[8.49,47.21],[8.49,47.19]]]}}"#,
    );
    assert_eq!(fix(&[&table]).0, 1);
    let (code, found) = fix(&[&table, "--areas", &areas]);
    assert_eq!(code, 0, "{found}");
    let lon_deg = found["position"]["lon_deg"].as_f64().unwrap();
    assert!((8.49..8.51).contains(&lon_deg), "{lon_deg}");
    let bad = written(
        folder.path(),
        "bad.geojson",
        r#"{"type":"Feature","properties":{},"geometry":null}"#,
    );
    let (code, _, error) = outcome(&["fix", &table, "--areas", &bad]);
    assert_eq!(code, 3);
    assert!(error.contains("`rule` is missing"), "{error}");
}
