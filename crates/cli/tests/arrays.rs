//! Scenes with arrays, simulated by the program and read back, worked to bearings and used for calibrations.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

mod common;

use common::outcome;
use lobewright_antenna::{Manifold, SwitchSchedule};
use serde_json::Value;

/// A ready scene, cut to two seconds a place so that it is quick.
fn simulate(scene: &str, folder: &std::path::Path) -> std::path::PathBuf {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../pipelines/scenes");
    let text = std::fs::read_to_string(format!("{path}/{scene}.toml"))
        .expect("the scene is there")
        .replace("duration_s = 20", "duration_s = 4")
        .replace(
            "../../testdata",
            concat!(env!("CARGO_MANIFEST_DIR"), "/../../testdata"),
        );
    let short = folder.join("scene.toml");
    std::fs::write(&short, text).expect("the folder takes files");
    let out = folder.join(scene);
    let (code, _, stderr) = outcome(&[
        "simulate",
        short.to_str().expect("plain names"),
        "--out",
        out.to_str().expect("plain names"),
        "--quiet",
    ]);
    assert_eq!(code, 0, "{stderr}");
    out
}

fn json(path: &std::path::Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).expect("the file is there")).expect("it is JSON")
}

fn recordings(out: &std::path::Path, ending: &str) -> Vec<std::path::PathBuf> {
    let mut found: Vec<_> = std::fs::read_dir(out.join("recordings"))
        .expect("the folder is there")
        .map(|entry| entry.expect("it can be read").path())
        .filter(|path| path.to_string_lossy().ends_with(ending))
        .collect();
    found.sort();
    found
}

#[test]
fn a_switched_ring_comes_with_its_schedule_and_its_manifold() {
    let folder = tempfile::tempdir().unwrap();
    let out = simulate("switched_ring", folder.path());
    assert_eq!(recordings(&out, ".sigmf-meta").len(), 3);
    for path in recordings(&out, ".switch.csv") {
        let schedule = SwitchSchedule::from_csv(std::fs::File::open(path).unwrap(), 5e-5).unwrap();
        assert_eq!(schedule.ports(), 4);
        assert_eq!(schedule.port_at(0.0005), Some(0));
        assert_eq!(schedule.port_at(3.0015), Some(1));
    }
    for path in recordings(&out, ".manifold.csv") {
        let manifold = Manifold::from_csv(std::fs::File::open(path).unwrap(), "ring").unwrap();
        assert!(manifold.ports() == 4 && manifold.is_directional());
    }
    let truth = json(&out.join("truth.json"));
    assert_eq!(truth["stations"][0]["array"]["switch"]["clock_error_ppm"], 30.0);
}

#[test]
fn coherent_channels_are_one_recording_of_as_many_channels() {
    let folder = tempfile::tempdir().unwrap();
    let out = simulate("coherent_ring", folder.path());
    assert!(recordings(&out, ".switch.csv").is_empty());
    for path in recordings(&out, ".sigmf-meta") {
        let meta = json(&path);
        assert_eq!(meta["global"]["core:num_channels"], 4);
        let data = path.with_extension("sigmf-data");
        assert_eq!(std::fs::metadata(data).unwrap().len(), 4 * 48_000 * 4 * 4);
    }
}

fn off_deg(a: f64, b: f64) -> f64 {
    lobewright_types::wrap_signed_degrees(a - b)
}

/// Works a pipeline and gives its bearings beside the true directions.
fn work(pipeline: &std::path::Path, out: &std::path::Path) -> Vec<(Value, f64)> {
    let results = out.join("results");
    let (code, stdout, stderr) = outcome(&[
        "run",
        pipeline.to_str().unwrap(),
        "--out",
        results.to_str().unwrap(),
        "--quiet",
    ]);
    assert_eq!(code, 0, "{stderr}");
    assert!(stdout.contains("North Gate"), "{stdout}");
    let truth = json(&out.join("truth.json"));
    let text = std::fs::read_to_string(results.join("bearings.jsonl")).unwrap();
    text.lines()
        .enumerate()
        .map(|(i, line)| {
            let right = truth["stations"][i]["transmitters"][0]["bearing_true_deg"]
                .as_f64()
                .unwrap();
            (serde_json::from_str(line).expect("one object a line"), right)
        })
        .collect()
}

/// The scenes' arrays differ by some degrees from what a station is told; fading is that of slow movement.
fn close_to_the_truth(bearings: &[(Value, f64)], count: usize) {
    assert_eq!(bearings.len(), count);
    for (bearing, right_deg) in bearings {
        let off = off_deg(bearing["azimuth_true_deg"].as_f64().unwrap(), *right_deg);
        assert!(off.abs() < 12.0, "{off}: {bearing}");
        let inside = bearing["arcs95"].as_array().unwrap().iter().any(|arc| {
            let from = arc["from_true_deg"].as_f64().unwrap();
            off_deg(*right_deg, from).rem_euclid(360.0) <= arc["width_deg"].as_f64().unwrap()
        });
        assert!(inside, "{right_deg}: {bearing}");
    }
}

#[test]
fn the_pipeline_of_a_simulated_array_works_its_recordings() {
    for scene in ["switched_ring", "coherent_ring", "four_sectors"] {
        let folder = tempfile::tempdir().unwrap();
        let out = simulate(scene, folder.path());
        close_to_the_truth(&work(&out.join("pipeline.toml"), &out), 3);
        assert!(out.join("results/polar-north-gate.png").exists());
        assert!(out.join("results/report.html").exists());
    }
}

#[test]
fn the_ready_pipelines_work_the_recordings_of_the_ready_scenes() {
    for (scene, pipeline) in [
        ("switched_ring", "ring"),
        ("coherent_ring", "coherent"),
        ("four_sectors", "sectors"),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let out = simulate(scene, folder.path());
        let root = concat!(env!("CARGO_MANIFEST_DIR"), "/../..");
        let text = std::fs::read_to_string(format!("{root}/pipelines/{pipeline}.toml")).unwrap();
        assert!(
            text.contains(&format!("pipelines/scenes/{scene}.toml")),
            "it says what it works"
        );
        let here = text
            .replace(&format!("../{}/", scene.replace('_', "-")), "")
            .replace("../testdata", &format!("{root}/testdata"));
        let path = out.join("ready.toml");
        std::fs::write(&path, here).unwrap();
        close_to_the_truth(&work(&path, &out), 3);
    }
}

#[test]
fn a_homing_pair_says_left_or_right_in_table_and_json() {
    let folder = tempfile::tempdir().unwrap();
    let out = simulate("homing_pair", folder.path());
    let bearings = work(&out.join("pipeline.toml"), &out);
    let truth = json(&out.join("truth.json"));
    assert_eq!(bearings.len(), 2);
    for (i, (bearing, right_deg)) in bearings.iter().enumerate() {
        let heading = truth["stations"][i]["heading_true_deg"].as_f64().unwrap();
        let side = if off_deg(*right_deg, heading) > 0.0 {
            "right"
        } else {
            "left"
        };
        assert_eq!(bearing["homing"]["side"], side, "{bearing}");
        let p = |name: &str| bearing["homing"][name].as_f64().unwrap();
        assert!((p("left_probability") + p("right_probability") - 1.0).abs() < 1e-9);
        assert!(p(&format!("{side}_probability")) > 0.8);
    }
    // The same for one recording, with the pipeline's antenna.
    let recording = out.join("recordings/north-gate.sigmf-meta");
    let (code, stdout, stderr) = outcome(&[
        "bearing",
        recording.to_str().unwrap(),
        "--pipeline",
        out.join("pipeline.toml").to_str().unwrap(),
        "--switch-start-s",
        "0",
        "--quiet",
    ]);
    assert_eq!(code, 0, "{stderr}");
    let side = bearings[0].0["homing"]["side"].as_str().unwrap();
    assert!(stdout.contains(&format!("{side} (left ")), "{stdout}");
}

#[test]
fn a_calibration_from_a_known_transmitter_makes_the_bearings_better() {
    let folder = tempfile::tempdir().unwrap();
    let out = simulate("coherent_ring", folder.path());
    let pipeline = out.join("pipeline.toml");
    let channels = out.join("channels.toml");
    let (code, _, stderr) = outcome(&[
        "calibrate",
        pipeline.to_str().unwrap(),
        "--lat-deg=-41.3",
        "--lon-deg",
        "174.1",
        "--out",
        channels.to_str().unwrap(),
    ]);
    assert_eq!(code, 0, "{stderr}");
    assert!(stderr.contains("North Gate: 1 bursts from"), "{stderr}");
    // The scene's channel errors: phases 0, 8, -5, 3 degrees and gains 0, 0.3, -0.2, 0 dB, each less the mean.
    let found: toml::Table = std::fs::read_to_string(&channels).unwrap().parse().unwrap();
    let right = [(-0.025, -1.5), (0.275, 6.5), (-0.225, -6.5), (-0.025, 1.5)];
    for (channel, (gain_db, phase_deg)) in found["channels"].as_array().unwrap().iter().zip(right) {
        let number = |key: &str| channel[key].as_float().unwrap();
        // Headings are off by a degree, which turns phases by up to 1.1 degrees at 0.175 wavelengths.
        assert!((number("phase_deg") - phase_deg).abs() < 2.5, "{found}");
        assert!((number("gain_db") - gain_db).abs() < 0.2, "{found}");
    }
    let text = std::fs::read_to_string(&pipeline).unwrap();
    let calibrated = text.replace(
        "kind = \"coherent\"",
        "kind = \"coherent\"\ncalibration = \"channels.toml\"",
    );
    assert_ne!(text, calibrated);
    let path = out.join("calibrated.toml");
    std::fs::write(&path, calibrated).unwrap();
    for (bearing, right_deg) in work(&path, &out) {
        let off = off_deg(bearing["azimuth_true_deg"].as_f64().unwrap(), right_deg);
        assert!(off.abs() < 4.0, "{off}: {bearing}");
    }
}

#[test]
fn ready_pipelines_name_files_that_exist() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../pipelines");
    for name in ["sectors", "ring", "coherent"] {
        let text = std::fs::read_to_string(folder.join(format!("{name}.toml"))).unwrap();
        let table: toml::Table = text.parse().unwrap();
        let antenna = table["antenna"].as_table().unwrap();
        assert_eq!(antenna["kind"].as_str(), Some(name));
        for port in antenna
            .get("port")
            .and_then(toml::Value::as_array)
            .into_iter()
            .flatten()
        {
            let pattern = folder.join(port["pattern"].as_str().unwrap());
            assert!(pattern.exists(), "{}", pattern.display());
        }
    }
}
