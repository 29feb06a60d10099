//! Words, the report, and whether the documented schema names every field.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

#[allow(dead_code, reason = "each test file uses some of it")]
mod common;

use std::collections::BTreeSet;

use common::{bearings, bursts, every_statement, found, place, readings};
use lobewright_export::{
    GeoOptions, Report, StationPictures, bearing_table, bearings_csv, bearings_jsonl, bursts_csv,
    bursts_jsonl, fix_csv, fix_geojson, fix_json, human_bearing_line, human_fix, readings_csv,
    readings_jsonl, report_html,
};
use lobewright_types::{FixOutcome, Position};

const SCHEMA: &str = include_str!("../../../docs/schema.md");

fn target() -> Position {
    place(-41.29, 174.78)
}

// ---- words and report

#[test]
fn words_say_what_was_found() {
    let all = bearings(target());
    assert_eq!(
        human_bearing_line(&all[0]),
        "Hill, top: 280.0° ± 1.8° (1σ, true), 95 % from 276.5° to 283.5°, class B, S/N 21 dB, 3 bursts, clipped, part of the circle only"
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
    let bursts = [U::BeganBefore, U::EndedAfter, U::Clipped, U::Suspect, U::WeakEdge];
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
