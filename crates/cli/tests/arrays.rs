//! Scenes with arrays, simulated by the program and read back.

mod common;

use common::outcome;
use lobewright_antenna::{Manifold, SwitchSchedule};
use serde_json::Value;

/// A ready scene, cut to two seconds a place so that it is quick.
fn simulate(scene: &str, folder: &std::path::Path) -> std::path::PathBuf {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../pipelines/scenes");
    let text = std::fs::read_to_string(format!("{path}/{scene}.toml"))
        .expect("the scene is there")
        .replace("duration_s = 20", "duration_s = 4");
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
    // What the program writes it can work: bursts are found in the first channel.
    let results = folder.path().join("results");
    let (code, stdout, stderr) = outcome(&[
        "run",
        out.join("pipeline.toml").to_str().unwrap(),
        "--out",
        results.to_str().unwrap(),
        "--no-pictures",
        "--quiet",
    ]);
    assert_eq!(code, 0, "{stderr}");
    assert!(stdout.contains("North Gate"), "{stdout}");
}
