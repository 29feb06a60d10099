//! Every seed of every fuzz target through its parser, on the stable compiler.

use std::fs;
use std::path::{Path, PathBuf};

#[expect(unreachable_pub, reason = "public where the fuzz targets use it")]
#[path = "../../../fuzz/src/parsers.rs"]
mod parsers;

type Target = fn(&[u8]);

/// Every fuzz target; the name is that of its folder of seeds and of its file.
const TARGETS: [(&str, Target); 16] = [
    ("sigmf_meta", parsers::sigmf_meta),
    ("pattern_csv", parsers::pattern_csv),
    ("track_csv", parsers::track_csv),
    ("manifold_csv", parsers::manifold_csv),
    ("schedule_csv", parsers::schedule_csv),
    ("pipeline_toml", parsers::pipeline_toml),
    ("scene_toml", parsers::scene_toml),
    ("hand_bearings_csv", parsers::hand_bearings_csv),
    ("areas_geojson", parsers::areas_geojson),
    ("coordinates", parsers::coordinates),
    ("aprs_reports", parsers::aprs_reports),
    ("bearings_jsonl", parsers::bearings_jsonl),
    ("compact_density", parsers::compact_density),
    ("places_csv", parsers::places_csv),
    ("map_geojson", parsers::map_geojson),
    ("hunt_log", parsers::hunt_log),
];

fn fuzz_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fuzz")
}

fn listing(folder: &Path) -> Vec<PathBuf> {
    let mut paths: Vec<PathBuf> = fs::read_dir(folder)
        .expect("the folder is there")
        .map(|entry| entry.expect("the folder can be read").path())
        .collect();
    paths.sort();
    paths
}

fn replay(name: &str) {
    let (_, target) = TARGETS.iter().find(|(n, _)| *n == name).expect("a known target");
    let seeds = listing(&fuzz_folder().join("corpus").join(name));
    assert!(
        seeds.len() >= 3,
        "{name} has {} seeds: too few to mean anything",
        seeds.len()
    );
    for seed in seeds {
        let bytes = fs::read(&seed).expect("a seed can be read");
        target(&bytes);
        // What a cut file or a flipped byte does is the first thing that happens to real files.
        for cut in 1..16 {
            target(&bytes[..bytes.len() * cut / 16]);
        }
        for place in 0..16 {
            let mut bent = bytes.clone();
            if let Some(byte) = bent.get_mut(bytes.len() * place / 16) {
                *byte ^= 0x55;
                target(&bent);
            }
        }
    }
}

#[test]
fn sigmf_metadata() {
    replay("sigmf_meta");
}

#[test]
fn antenna_patterns() {
    replay("pattern_csv");
}

#[test]
fn azimuth_tracks() {
    replay("track_csv");
}

#[test]
fn array_responses() {
    replay("manifold_csv");
}

#[test]
fn switch_schedules() {
    replay("schedule_csv");
}

#[test]
fn pipelines() {
    replay("pipeline_toml");
}

#[test]
fn scenes() {
    replay("scene_toml");
}

#[test]
fn tables_of_places() {
    replay("places_csv");
}

#[test]
fn lines_and_areas_of_maps() {
    replay("map_geojson");
}

#[test]
fn hand_bearings() {
    replay("hand_bearings_csv");
}

#[test]
fn areas() {
    replay("areas_geojson");
}

#[test]
fn coordinates() {
    replay("coordinates");
}

#[test]
fn aprs_reports() {
    replay("aprs_reports");
}

#[test]
fn bearings_of_other_stations() {
    replay("bearings_jsonl");
}

#[test]
fn hunt_log_seeds() {
    replay("hunt_log");
}

#[test]
fn compact_densities() {
    replay("compact_density");
}

#[test]
fn every_fuzz_target_is_replayed() {
    let stems = |folder: &str| -> Vec<String> {
        listing(&fuzz_folder().join(folder))
            .iter()
            .filter_map(|path| Some(path.file_stem()?.to_string_lossy().into_owned()))
            .collect()
    };
    let mut replayed: Vec<String> = TARGETS.iter().map(|(name, _)| (*name).to_owned()).collect();
    replayed.sort();
    assert_eq!(stems("fuzz_targets"), replayed);
    assert_eq!(stems("corpus"), replayed);
}
