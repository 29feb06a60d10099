//! Files of all kinds in one list, several transmitters on one frequency, and one that moves: through the program.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

mod common;

use std::fmt::Write as _;
use std::path::Path;

use common::outcome;
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::Position;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;

const ORIGIN: Position = Position {
    lat_deg: -41.3,
    lon_deg: 174.1,
};
const SIGMA_DEG: f64 = 2.0;

fn place(east_m: f64, north_m: f64) -> Position {
    LocalFrame::at(ORIGIN).from_local(east_m, north_m)
}

fn stations() -> Vec<Position> {
    (0..5)
        .map(|k| {
            let (sin, cos) = (f64::from(k) * 72.0_f64).to_radians().sin_cos();
            place(3200.0 * sin, 3200.0 * cos)
        })
        .collect()
}

/// A hand table with a bearing to each target from each station at the times given, errors drawn.
fn table(seed: u64, rows: &[(usize, Position, String)]) -> String {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let stations = stations();
    let mut text = String::from("place,lat_deg,lon_deg,bearing_deg,north,date,sigma_deg\n");
    for (k, target, time) in rows {
        let from = stations[*k];
        let error: f64 = StandardNormal.sample(&mut rng);
        let read = inverse(from, *target).azimuth.turned(SIGMA_DEG * error);
        let _ = writeln!(
            text,
            "st{k},{:.7},{:.7},{:.2},true,{time},{SIGMA_DEG}",
            from.lat_deg,
            from.lon_deg,
            read.degrees()
        );
    }
    text
}

fn write(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

fn run(args: &[&str]) -> (String, String) {
    let (code, stdout, stderr) = outcome(args);
    assert_eq!(code, 0, "{args:?}: {stdout}{stderr}");
    (stdout, stderr)
}

fn position(fix: &Value) -> Position {
    serde_json::from_value(fix["position"].clone()).expect("a position")
}

/// Three transmitters that take turns of 100 seconds.
#[test]
fn slots_tell_transmitters_apart_by_the_clock() {
    let folder = tempfile::tempdir().unwrap();
    let targets = [place(0.0, 600.0), place(-1400.0, -700.0), place(1500.0, 300.0)];
    let mut rows = Vec::new();
    for k in 0..5 {
        for (slot, target) in targets.iter().enumerate() {
            let second = 300 * k + 100 * slot + 35;
            let time = format!("2026-02-14T03:{:02}:{:02}Z", second / 60, second % 60);
            rows.push((k, *target, time));
        }
    }
    rows.push((2, targets[0], "2026-02-14T03:05:01Z".to_owned()));
    rows.push((2, targets[0], "2026-02-14".to_owned()));
    let hand = write(folder.path(), "hand.csv", &table(4, &rows));
    let (stdout, stderr) = run(&["fix", &hand, "--slots", "300,3", "--format", "json"]);
    let fixes: Vec<Value> = stdout.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(fixes.len(), 3);
    for (i, (fix, target)) in fixes.iter().zip(&targets).enumerate() {
        assert_eq!(fix["transmitter"], format!("slot {}", i + 1));
        assert_eq!(fix["verdicts"].as_array().unwrap().len(), 5);
        let off_m = inverse(position(fix), *target).distance_m;
        // Five bearings of 2 degrees at some 3 km: 70 m and less, one sigma.
        assert!(off_m < 250.0, "slot {}: {off_m:.0} m off", i + 1);
    }
    assert!(
        stderr.contains("too near to the edge between it and slot 3"),
        "{stderr}"
    );
    assert!(stderr.contains("noon to the second"), "{stderr}");

    let map = folder.path().join("map.png");
    let (geojson, _) = run(&[
        "fix",
        &hand,
        "--slots",
        "300,3",
        "--format",
        "geojson",
        "--picture",
        map.to_str().unwrap(),
        "--quiet",
    ]);
    let collection: Value = serde_json::from_str(&geojson).unwrap();
    for label in ["slot 1", "slot 2", "slot 3"] {
        let of = |kind: &str| {
            let features = collection["features"].as_array().unwrap();
            features
                .iter()
                .filter(|f| f["properties"]["transmitter"] == label && f["properties"]["kind"] == kind)
                .count()
        };
        assert_eq!((of("fix"), of("bearing"), of("region")), (1, 5, 2), "{label}");
    }
    assert!(std::fs::metadata(&map).unwrap().len() > 10_000);
    let (csv, _) = run(&["fix", &hand, "--slots", "300,3", "--format", "csv", "--quiet"]);
    assert!(csv.starts_with("transmitter,outcome,lat_deg"));
    assert_eq!(csv.lines().count(), 4);
    let (kml, _) = run(&["fix", &hand, "--slots", "300,3", "--format", "kml", "--quiet"]);
    assert_eq!(kml.matches("<Document>").count(), 1);
    assert_eq!(kml.matches("id=\"t2-fix\"").count(), 1);
    let (one, _) = run(&[
        "fix",
        &hand,
        "--slots",
        "300,3",
        "--transmitter",
        "slot 2",
        "--format",
        "json",
        "--quiet",
    ]);
    assert_eq!(one.lines().next(), stdout.lines().nth(1));
    let (code, _, stderr) = outcome(&["fix", &hand, "--slots", "300,3", "--transmitter", "slot 9"]);
    assert_eq!(code, 3);
    assert!(
        stderr.contains("labels there are: slot 1, slot 2, slot 3"),
        "{stderr}"
    );
}

/// A log with labels, a hand table without: each its own, and said in words.
#[test]
fn files_of_all_kinds_in_one_list_and_unlabelled_beside_labelled() {
    let folder = tempfile::tempdir().unwrap();
    let (larch, other) = (place(-900.0, 400.0), place(1200.0, -800.0));
    let log = folder.path().join("hunt.jsonl");
    let log = log.to_str().unwrap();
    for (k, station) in stations().iter().enumerate().take(3) {
        run(&[
            "note",
            log,
            "--transmitter",
            "larch",
            "--north",
            "true",
            "--sure",
            "2",
            "--place",
            &format!("{:.7}, {:.7}", station.lat_deg, station.lon_deg),
            "--bearing",
            &format!("{:.2}", inverse(*station, larch).azimuth.degrees()),
            "--time",
            &format!("2026-02-14T03:{:02}:00Z", 10 + k),
        ]);
    }
    let rows: Vec<_> = (0..4).map(|k| (k, other, String::new())).collect();
    let hand = write(folder.path(), "hand.csv", &table(6, &rows));
    let (stdout, stderr) = run(&["fix", log, &hand, "--format", "json"]);
    let fixes: Vec<Value> = stdout.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(fixes.len(), 2);
    assert_eq!(fixes[0]["transmitter"], "larch");
    assert!(inverse(position(&fixes[0]), larch).distance_m < 50.0);
    assert_eq!(fixes[1]["transmitter"], Value::Null);
    assert!(inverse(position(&fixes[1]), other).distance_m < 250.0);
    assert!(
        stderr.contains("4 bearings, 0 levels and 0 reports of silence have no transmitter's label"),
        "{stderr}"
    );
    let (course, _) = run(&["fix", log, &hand, "--course", "--format", "csv", "--quiet"]);
    assert_eq!(course.matches("larch,").count(), 3, "{course}");
    let (code, _, stderr) = outcome(&["fix", log, &hand, "--at", "2026-02-14T03:11:30Z"]);
    assert_eq!(code, 0);
    assert!(stderr.contains("4 entries have no time"), "{stderr}");
}

/// What a run writes as CSV is read back as the same bearings.
#[test]
fn a_table_of_a_run_gives_the_position_that_its_lines_give() {
    let folder = tempfile::tempdir().unwrap();
    let target = place(300.0, 200.0);
    let rows: Vec<_> = (0..4)
        .map(|k| (k, target, format!("2026-02-14T03:{k:02}:30Z")))
        .collect();
    let hand = write(folder.path(), "hand.csv", &table(7, &rows));
    let (bearings, _) =
        lobewright_fix::read_hand_bearings(std::fs::read(&hand).unwrap().as_slice(), "hand.csv").unwrap();
    let outcomes: Vec<_> = bearings
        .into_iter()
        .map(|b| lobewright_types::BearingOutcome::Bearing(Box::new(b)))
        .collect();
    let csv = write(
        folder.path(),
        "bearings.csv",
        &lobewright_export::bearings_csv(&outcomes),
    );
    let jsonl = write(
        folder.path(),
        "bearings.jsonl",
        &lobewright_export::bearings_jsonl(&outcomes),
    );
    let of =
        |path: &str| -> Value { serde_json::from_str(&run(&["fix", path, "--format", "json"]).0).unwrap() };
    let (from_csv, from_jsonl) = (of(&csv), of(&jsonl));
    // The table has no sigma for each mode; it is taken from the density, which is written to half a percent.
    assert!(inverse(position(&from_csv), position(&from_jsonl)).distance_m < 1.0);
    let area = |fix: &Value| fix["region95"]["area_km2"].as_f64().unwrap();
    assert!((area(&from_csv) / area(&from_jsonl) - 1.0).abs() < 0.01);
    assert_eq!(from_csv["verdicts"].as_array().unwrap().len(), 4);
    let broken = std::fs::read_to_string(&csv)
        .unwrap()
        .replace(",hand,", ",elbow,");
    let broken = write(folder.path(), "broken.csv", &broken);
    let (code, _, stderr) = outcome(&["fix", &broken]);
    assert_eq!(code, 3);
    assert!(
        stderr.contains("line 2") && stderr.contains("`kind` is `elbow`"),
        "{stderr}"
    );
    let (_, stderr) = run(&["fix", &csv, &jsonl]);
    assert_eq!(stderr.matches("it counts twice").count(), 4, "{stderr}");
}

#[test]
fn a_transmitter_that_moves_is_followed() {
    let folder = tempfile::tempdir().unwrap();
    // It goes north-east at 60 m a minute for half an hour.
    let truth = |k: usize| place(42.0 * k as f64 - 600.0, 42.0 * k as f64 - 600.0);
    let rows: Vec<_> = (0..30)
        .map(|k| ((2 * k) % 5, truth(k), format!("2026-02-14T03:{:02}:30Z", 10 + k)))
        .collect();
    let hand = write(folder.path(), "hand.csv", &table(8, &rows));
    let picture = folder.path().join("moving.svg");
    let (stdout, _) = run(&[
        "fix",
        &hand,
        "--moving",
        "80",
        "--format",
        "json",
        "--picture",
        picture.to_str().unwrap(),
    ]);
    let steps: Vec<Value> = stdout.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(steps.len(), 30);
    for k in [15, 22, 29] {
        let off_m = inverse(position(&steps[k]["filtered"]), truth(k)).distance_m;
        // 2 degrees at 3 km are 100 m; a walk of 80 m a minute lets five bearings or so count.
        assert!(off_m < 350.0, "{off_m:.0} m off at step {k}");
    }
    // Standing still it cannot have been: the middle of the track is far from its end.
    let (code, still, _) = outcome(&["fix", &hand, "--format", "json"]);
    assert!(code == 0 || code == 1);
    let still: Value = serde_json::from_str(&still).unwrap();
    if still["outcome"] == "fix" {
        assert!(inverse(position(&still), truth(29)).distance_m > 350.0);
    }
    let gpx = folder.path().join("track.gpx");
    run(&["fix", &hand, "--moving", "80", "--out", gpx.to_str().unwrap()]);
    let gpx = std::fs::read_to_string(gpx).unwrap();
    assert_eq!(gpx.matches("<trk>").count(), 2);
    assert!(gpx.matches("<trkpt ").count() > 50);
    let (geojson, _) = run(&["fix", &hand, "--moving", "80", "--format", "geojson"]);
    let collection: Value = serde_json::from_str(&geojson).unwrap();
    let kinds = |kind: &str| {
        let features = collection["features"].as_array().unwrap();
        features
            .iter()
            .filter(|f| f["properties"]["kind"] == kind)
            .count()
    };
    assert_eq!(kinds("track"), 2);
    assert!(kinds("region") > 100);
    assert!(
        std::fs::read_to_string(picture)
            .unwrap()
            .contains("time of the bearings")
    );
}
