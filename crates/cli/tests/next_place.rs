//! `fix --next` through the program itself.

mod common;

use common::outcome;
use serde_json::Value;

/// Two places side by side and a transmitter 6 km north of them: the bearings are exact to a tenth of a degree.
const TWO: &str = "place,lat_deg,lon_deg,bearing_deg,north,sigma_deg\n\
    west,-41.3540,174.0881,9.5,true,4\neast,-41.3540,174.1119,350.5,true,4\n";

struct Folder(tempfile::TempDir);

impl Folder {
    fn with(files: &[(&str, &str)]) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        for (name, text) in files {
            std::fs::write(folder.path().join(name), text).expect("a file");
        }
        Self(folder)
    }

    fn path(&self, name: &str) -> String {
        self.0.path().join(name).display().to_string()
    }

    fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.0.path().join(name)).expect("the program wrote it")
    }
}

#[test]
fn the_table_names_places_reasons_and_the_caution() {
    let folder = Folder::with(&[("two.csv", TWO)]);
    let (code, text, stderr) = outcome(&[
        "fix",
        &folder.path("two.csv"),
        "--next",
        "--from",
        "-41.3540,174.1119",
        "--picture",
        &folder.path("map.svg"),
        "--next-csv",
        &folder.path("next.csv"),
    ]);
    assert_eq!(code, 0, "{stderr}");
    for words in [
        "bits",
        "95 % area",
        "crosses the long axis at",
        "places were compared",
        "never while driving",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert!(folder.read("map.svg").contains("next bearing from"));
    let csv = folder.read("next.csv");
    let mut rows = csv::Reader::from_reader(csv.as_bytes());
    let bits: Vec<f64> = rows
        .records()
        .map(|r| r.expect("a row")[4].parse().expect("a number"))
        .collect();
    assert!(
        bits.len() > 50 && bits.windows(2).all(|w| w[0] >= w[1]),
        "{}",
        bits.len()
    );
}

// Of three places the one across the lines is best; the one behind the stations, on their own line, is worst; the lake's is left out.
#[test]
fn own_places_are_ordered_and_unreachable_ones_left_out() {
    let places = "place,lat_deg,lon_deg\nbehind,-41.41,174.1\nacross,-41.30,174.17\nlake,-41.30,174.03\n";
    let lake = r#"{"type":"Polygon","coordinates":[[[174.02,-41.31],[174.04,-41.31],[174.04,-41.29],[174.02,-41.29],[174.02,-41.31]]]}"#;
    let folder = Folder::with(&[("two.csv", TWO), ("spots.csv", places), ("lake.geojson", lake)]);
    let (code, text, stderr) = outcome(&[
        "fix",
        &folder.path("two.csv"),
        "--next",
        "--places",
        &folder.path("spots.csv"),
        "--unreachable",
        &folder.path("lake.geojson"),
        "--format",
        "json",
    ]);
    assert_eq!(code, 0, "{stderr}");
    let lines: Vec<Value> = text
        .lines()
        .map(|l| serde_json::from_str(l).expect("JSON"))
        .collect();
    assert_eq!(lines.len(), 2);
    assert_eq!(lines[1]["compared"], 2);
    assert_eq!(lines[1]["next_places"][0]["place"], "across");
    assert!(
        lines[1]["next_places"][0]["information_bit"].as_f64()
            > lines[1]["next_places"][1]["information_bit"].as_f64()
    );
    assert!(
        lines[1]["caution"]
            .as_str()
            .expect("words")
            .contains("public roads")
    );
}

#[test]
fn roads_give_places_and_geojson_holds_them() {
    let road = r#"{"type":"LineString","coordinates":[[174.17,-41.33],[174.17,-41.28]]}"#;
    let folder = Folder::with(&[("two.csv", TWO), ("road.geojson", road)]);
    let (code, text, stderr) = outcome(&[
        "fix",
        &folder.path("two.csv"),
        "--next",
        "--roads",
        &folder.path("road.geojson"),
        "--road-step-m",
        "250",
        "--format",
        "geojson",
    ]);
    assert_eq!(code, 0, "{stderr}");
    let all: Value = serde_json::from_str(&text).expect("JSON");
    let next: Vec<&Value> = all["features"]
        .as_array()
        .expect("a list")
        .iter()
        .filter(|f| f["properties"]["kind"] == "next_place")
        .collect();
    assert!(!next.is_empty());
    for feature in next {
        let lon_deg = feature["geometry"]["coordinates"][0].as_f64().expect("a number");
        assert!((lon_deg - 174.17).abs() < 1e-3, "{lon_deg}");
        assert!(
            feature["properties"]["place"]
                .as_str()
                .expect("words")
                .starts_with("road 1, ")
        );
    }
}

#[test]
fn one_bearing_is_enough_for_advice_and_wrong_use_is_said() {
    let one = TWO.lines().take(2).collect::<Vec<_>>().join("\n");
    let folder = Folder::with(&[("one.csv", &one), ("two.csv", TWO)]);
    let (code, text, _) = outcome(&["fix", &folder.path("one.csv"), "--next"]);
    assert_eq!(code, 1);
    assert!(text.contains("sideways of the lines"), "{text}");
    let (code, _, stderr) = outcome(&["fix", &folder.path("two.csv"), "--next", "--best-by", "hour"]);
    assert_eq!(code, 3);
    assert!(stderr.contains("--from LAT,LON"), "{stderr}");
    let (code, _, stderr) = outcome(&["fix", &folder.path("two.csv"), "--next", "--meter-db", "-110,-60"]);
    assert_eq!(code, 3);
    assert!(stderr.contains("needs levels from two places"), "{stderr}");
    let (code, _, stderr) = outcome(&["fix", &folder.path("two.csv"), "--next", "--from", "95,0"]);
    assert_eq!(code, 2);
    assert!(stderr.contains("latitude 95"), "{stderr}");
}
