//! Simulated places around a transmitter, as recordings in a folder.

use std::fmt::Write as _;
use std::path::Path;

use lobewright_sim::{Scene, SceneTruth};
use lobewright_source::{Capture, SigmfWriter, WriteInfo};
use lobewright_station::{PipelineConfig, RunOptions, RunResult, run};
use lobewright_types::{Bearing, BearingOutcome, SampleIndex};

/// Where each place's mounting points, in degrees from true north.
pub(crate) fn heading_deg(place: usize) -> f64 {
    (71.0 * place as f64) % 360.0
}

/// A scene of places around one transmitter; `antenna` is TOML, `signal` its emission.
pub(crate) fn scene(places: usize, seed: u64, antenna: &str, receiver: &str, signal: &str) -> Scene {
    let mut text = format!(
        "[scene]\nname = \"around\"\nseed = {seed}\n\
         [receiver]\nrate_hz = 48_000\ncenter_hz = 145_300_000\nformat = \"ci16_le\"\nnoise_figure_db = 6\n\
         gain_db = 40\nfull_scale_dbm = -30\n{receiver}\n\
         [path_loss]\nexponent = 3\nreference_distance_m = 500\nexcess_loss_db = 15\n\
         [[transmitter]]\nname = \"larch\"\nlat_deg = -41.3\nlon_deg = 174.1\nfrequency_hz = 145_300_000\n\
         eirp_dbm = 17\n[transmitter.emission.{signal}\n\
         [[transmitter.cycle]]\nperiod_s = 60\non_s = 2\nfirst_start_s = 0.7\n{antenna}\n"
    );
    for i in 0..places {
        let turn = i as f64 * 137.5_f64.to_radians();
        let reach_deg = 0.015 + 0.001 * i as f64;
        let _ = write!(
            text,
            "[[station]]\nname = \"place {i}\"\nlat_deg = {:.5}\nlon_deg = {:.5}\nheading_true_deg = {}\n\
             start_s = 0\nduration_s = 3.5\n",
            -41.3 + reach_deg * turn.cos(),
            174.1 + reach_deg * turn.sin() / 0.751,
            heading_deg(i)
        );
    }
    Scene::from_toml(&text, "scene.toml").expect("a valid scene")
}

/// Writes a scene's recordings and gives what is true of them.
pub(crate) fn record(scene: &Scene, folder: &Path) -> SceneTruth {
    for index in 0..scene.stations().len() {
        let mut renderer = scene.renderer(index).expect("a station of the scene");
        let truth = renderer.truth().clone();
        let info = WriteInfo {
            position: Some(truth.position),
            channels: renderer.channels(),
            ..WriteInfo::new(renderer.format(), renderer.rate_hz())
        };
        let mut writer =
            SigmfWriter::create(&folder.join(format!("{index}")), &info).expect("a writable folder");
        writer.add_capture(Capture {
            start: SampleIndex(0),
            center_hz: Some(renderer.center_hz()),
            ..Capture::default()
        });
        while let Some(block) = renderer.next_block() {
            writer.write_bytes(&block.bytes).expect("a writable folder");
        }
        writer.finish().expect("a writable folder");
    }
    scene.truth().expect("a valid scene")
}

/// The pipeline over the recordings of `places`; `antenna` is what stands from `[antenna]` on.
pub(crate) fn pipeline(places: usize, channel: &str, antenna: &str) -> PipelineConfig {
    let mut text = format!("[channel]\ncenter_hz = 145300000.0\n{channel}\n{antenna}\n");
    for i in 0..places {
        let _ = write!(
            text,
            "[[place]]\nname = \"place {i}\"\nrecording = \"{i}.sigmf-meta\"\nheading_true_deg = {}\n",
            heading_deg(i)
        );
    }
    PipelineConfig::from_toml(&text, "pipeline.toml").expect("a valid pipeline")
}

/// Runs a pipeline in a folder.
pub(crate) fn work(config: &PipelineConfig, folder: &Path, threads: usize) -> RunResult {
    let options = RunOptions {
        base: folder.to_owned(),
        threads,
        spectrograms: false,
    };
    run(config, &options, &|_| {}).expect("recordings that can be worked")
}

/// The bearing of each place, in order.
pub(crate) fn bearings(result: &RunResult) -> Vec<&Bearing> {
    let places = result.places.iter();
    places
        .map(|p| match p.outcomes.as_slice() {
            [BearingOutcome::Bearing(b)] => &**b,
            other => panic!("{}: {other:?}", p.name),
        })
        .collect()
}

/// Signed errors in degrees, and how many 95 % arcs hold the truth.
pub(crate) fn errors(result: &RunResult, truth: &SceneTruth) -> (Vec<f64>, usize) {
    let mut inside = 0;
    let off = bearings(result)
        .iter()
        .zip(&truth.stations)
        .map(|(bearing, station)| {
            let right = station.transmitters[0].bearing;
            inside += usize::from(bearing.arcs95.iter().any(|arc| arc.contains(right)));
            right.turn_to(bearing.azimuth)
        })
        .collect();
    (off, inside)
}
