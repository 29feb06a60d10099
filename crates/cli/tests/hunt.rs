//! From simulated samples to bearings and the position, through the program itself, against the scene's truth.

mod common;

use std::fmt::Write as _;
use std::path::Path;

use common::outcome;
use serde_json::Value;

/// Stations on rings around one transmitter: as many independent bearings, with fading and random starts of the turn.
fn ring_scene(stations: usize) -> String {
    let mut scene = String::from(
        "[scene]\nname = \"ring\"\nseed = 77\nstart_utc = \"2026-02-13T21:30:00Z\"\n\
         [receiver]\nrate_hz = 48_000\ncenter_hz = 145_300_000\nformat = \"ci16_le\"\nnoise_figure_db = 6\n\
         gain_db = 40\nfull_scale_dbm = -30\n\
         [antenna]\npattern = \"yagi-3\"\n[rotator.continuous]\nrate_deg_per_s = 36\n\
         [path_loss]\nexponent = 3\nreference_distance_m = 500\nexcess_loss_db = 22\n\
         [fading]\nrician_k_db = 12\ndoppler_hz = 0.4\n\
         [[transmitter]]\nname = \"larch\"\nlat_deg = -41.3\nlon_deg = 174.1\nfrequency_hz = 145_300_000\n\
         eirp_dbm = 17\n[transmitter.emission.fm_voice]\ndeviation_hz = 2_500\n\
         [[transmitter.cycle]]\nperiod_s = 60\non_s = 11\nfirst_start_s = 1.5\n",
    );
    for i in 0..stations {
        let turn = i as f64 * 137.5_f64.to_radians();
        let reach_deg = 0.015 + 0.0006 * i as f64;
        let (lat, lon) = (
            -41.3 + reach_deg * turn.cos(),
            174.1 + reach_deg * turn.sin() / 0.751,
        );
        let heading = (71.0 * i as f64) % 360.0;
        let _ = write!(
            scene,
            "[[station]]\nname = \"place {i}\"\nlat_deg = {lat:.5}\nlon_deg = {lon:.5}\n\
             heading_true_deg = {heading}\nstart_s = 0\nduration_s = 14\n"
        );
    }
    scene
}

fn jsonl(path: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(path).expect("the program writes what its schema says");
    text.lines()
        .map(|line| serde_json::from_str(line).expect("the program writes what its schema says"))
        .collect()
}

fn json(path: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).expect("the program writes what its schema says"))
        .expect("the program writes what its schema says")
}

fn off_deg(a: f64, b: f64) -> f64 {
    lobewright_types::wrap_signed_degrees(a - b)
}

fn in_arcs(bearing: &Value, truth_deg: f64) -> bool {
    bearing["arcs95"]
        .as_array()
        .expect("the program writes what its schema says")
        .iter()
        .any(|arc| {
            let from = arc["from_true_deg"]
                .as_f64()
                .expect("the program writes what its schema says");
            lobewright_types::wrap_degrees(truth_deg - from)
                <= arc["width_deg"]
                    .as_f64()
                    .expect("the program writes what its schema says")
        })
}

/// The headings are given exactly, so what is left is noise, fading and the estimator.
#[test]
fn forty_places_hold_the_truth_as_often_as_they_say() {
    const PLACES: usize = 40;
    let folder = tempfile::tempdir().unwrap();
    let scene = folder.path().join("ring.toml");
    std::fs::write(&scene, ring_scene(PLACES)).unwrap();
    let out = folder.path().join("hunt");
    let (code, _, stderr) = outcome(&[
        "simulate",
        scene.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--quiet",
    ]);
    assert_eq!(code, 0, "{stderr}");
    let pipeline = out.join("pipeline.toml");
    let text = std::fs::read_to_string(&pipeline).unwrap();
    std::fs::write(
        &pipeline,
        text.replace("heading_sigma_deg = 2.0", "heading_sigma_deg = 0.0"),
    )
    .unwrap();

    let mut printed = Vec::new();
    for threads in ["1", "2"] {
        let results = folder.path().join(format!("results-{threads}"));
        let (code, stdout, stderr) = outcome(&[
            "run",
            pipeline.to_str().unwrap(),
            "--out",
            results.to_str().unwrap(),
            "--threads",
            threads,
            "--no-pictures",
            "--format",
            "json",
            "--quiet",
        ]);
        assert_eq!(code, 0, "{stderr}");
        printed.push(stdout);
    }
    assert!(
        printed[0] == printed[1],
        "the result depends on the number of threads"
    );

    let truth = json(&out.join("truth.json"));
    let bearings = jsonl(&folder.path().join("results-1/bearings.jsonl"));
    assert_eq!(bearings.len(), PLACES);
    let (mut held, mut sum_squares) = (0, 0.0);
    for (i, bearing) in bearings.iter().enumerate() {
        assert_eq!(bearing["outcome"], "bearing", "{bearing}");
        let true_deg = truth["stations"][i]["transmitters"][0]["bearing_true_deg"]
            .as_f64()
            .unwrap();
        let off = off_deg(bearing["azimuth_true_deg"].as_f64().unwrap(), true_deg);
        sum_squares += (off / bearing["sigma_deg"].as_f64().unwrap()).powi(2);
        held += usize::from(in_arcs(bearing, true_deg));
    }
    // Binomial(40, 0.95): 33 or fewer come up once in 1,000 runs (exact tail 0.0034 for 34, 0.0009 for 33).
    assert!(held >= 34, "{held} of {PLACES} arcs of 95 % hold the truth");
    // Chi-square on 40 degrees of freedom, 0.1 % to 99.9 %: 17.9 to 73.4 (any table).
    assert!(
        (17.9..73.4).contains(&sum_squares),
        "normalised squares sum to {sum_squares:.1}"
    );

    let fix = json(&folder.path().join("results-1/fix.json"));
    let position = lobewright_types::Position {
        lat_deg: fix["position"]["lat_deg"].as_f64().unwrap(),
        lon_deg: fix["position"]["lon_deg"].as_f64().unwrap(),
    };
    let target = lobewright_types::Position {
        lat_deg: -41.3,
        lon_deg: 174.1,
    };
    let off_m = lobewright_geodesy::inverse(position, target).distance_m;
    assert!(
        off_m < 60.0,
        "{off_m:.0} m from the transmitter with {PLACES} bearings"
    );
}

#[test]
fn the_demo_finds_its_transmitter_and_names_the_reflection() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("demo");
    let (code, stdout, stderr) = outcome(&["demo", "--out", out.to_str().unwrap(), "--quiet"]);
    assert_eq!(code, 0, "{stderr}");
    assert!(stdout.contains("inside the 95 % region"), "{stdout}");
    let fix = json(&out.join("fix.json"));
    let verdicts = fix["verdicts"].as_array().unwrap();
    assert_eq!(verdicts.len(), 5);
    for (i, verdict) in verdicts.iter().enumerate() {
        let reflected = verdict["reflected_probability"].as_f64().unwrap();
        // The last place of the scene looks at a rock face.
        assert!(if i == 4 { reflected > 0.9 } else { reflected < 0.1 }, "{stdout}");
    }
    for file in [
        "map.png",
        "map.svg",
        "report.html",
        "bearings.csv",
        "fix.geojson",
        "fix.kml",
        "fix.gpx",
        "run.json",
    ] {
        assert!(std::fs::metadata(out.join(file)).unwrap().len() > 500, "{file}");
    }
    let stray: Vec<_> = std::fs::read_dir(&out)
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|n| n.contains("tmp"))
        .collect();
    assert!(stray.is_empty(), "{stray:?}");
}
