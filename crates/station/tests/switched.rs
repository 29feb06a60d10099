//! Switched antennas from simulated samples to bearings, against the scene's truth.

mod common;

use common::{bearings, errors, heading_deg, pipeline, record, scene, work};
use lobewright_station::{PipelineConfig, PlaceInput, PlaceSettings, SpectrogramOf, process_recording};
use lobewright_testkit::coverage_limits;
use lobewright_types::Azimuth;

const VOICE: &str = "fm_voice]\ndeviation_hz = 2_500";
const FADING: &str = "[fading]\nrician_k_db = 12\ndoppler_hz = 0.4";

fn sector_array(dwell_s: f64) -> String {
    let port = |deg: f64| format!("{{ pattern = \"yagi-3\", boresight_mount_deg = {deg} }}, ");
    let ports: String = [0.0, 60.0, 120.0, 180.0, 240.0, 300.0].map(port).concat();
    format!(
        "[antenna.array.sectors]\nport = [{ports}]\n[antenna.switch]\norder = [1, 2, 3, 4, 5, 6]\ndwell_s = {dwell_s}\n\
         settle_s = 0.0005\nstart_s = 0.0013\n{FADING}"
    )
}

fn sector_pipeline(places: usize, dwell_s: f64) -> PipelineConfig {
    let port = |deg: f64| format!("[[antenna.port]]\npattern = \"yagi-3\"\nboresight_mount_deg = {deg:?}\n");
    let ports: String = [0.0, 60.0, 120.0, 180.0, 240.0, 300.0].map(port).concat();
    let antenna = format!(
        "[antenna]\nkind = \"sectors\"\nheading_sigma_deg = 1.0\n{ports}[antenna.switch]\norder = [1, 2, 3, 4, 5, 6]\n\
         dwell_s = {dwell_s:?}\nsettle_s = 0.0005\nstart_s = 0.0013\n"
    );
    pipeline(places, "", &antenna)
}

#[test]
fn sectors_find_the_direction_with_slow_and_fast_switches() {
    for dwell_s in [0.11, 0.008] {
        let folder = tempfile::tempdir().unwrap();
        let truth = record(&scene(16, 31, &sector_array(dwell_s), "", VOICE), folder.path());
        let result = work(&sector_pipeline(16, dwell_s), folder.path(), 0);
        let (off, inside) = errors(&result, &truth);
        let limits = coverage_limits(0.95, 16, 0.001);
        assert!(
            limits.contains(inside),
            "dwell {dwell_s}: {inside} of 16, {off:?}"
        );
        // Six sectors 60 degrees apart, strong signals: fading of a decibel turns a bearing by a few degrees.
        let rms = (off.iter().map(|d| d * d).sum::<f64>() / 16.0).sqrt();
        assert!(rms < 8.0, "dwell {dwell_s}: {rms}, {off:?}");
    }
}

#[test]
fn a_homing_pair_says_left_and_right() {
    let folder = tempfile::tempdir().unwrap();
    let array = format!(
        "[antenna.array.sectors]\nport = [{{ pattern = \"cardioid\", boresight_mount_deg = 90 }}, \
         {{ pattern = \"cardioid\", boresight_mount_deg = 270 }}]\n[antenna.switch]\norder = [1, 2]\ndwell_s = 0.02\n\
         settle_s = 0.0005\n{FADING}"
    );
    let truth = record(&scene(12, 5, &array, "", VOICE), folder.path());
    let antenna = "[antenna]\nkind = \"sectors\"\n\
         [[antenna.port]]\nname = \"right\"\npattern = \"cardioid\"\nboresight_mount_deg = 90.0\n\
         [[antenna.port]]\nname = \"left\"\npattern = \"cardioid\"\nboresight_mount_deg = 270.0\n\
         [antenna.switch]\norder = [1, 2]\ndwell_s = 0.02\nsettle_s = 0.0005\nstart_s = 0.0\n";
    let result = work(&pipeline(12, "", antenna), folder.path(), 0);
    let (off, inside) = errors(&result, &truth);
    assert!(
        coverage_limits(0.95, 12, 0.001).contains(inside),
        "{inside} of 12, {off:?}"
    );
    let mut named = 0;
    for (i, sides) in result.sides().into_iter().enumerate() {
        let sides = sides.expect("a pair homes");
        let truth_deg =
            Azimuth::from_degrees(heading_deg(i)).turn_to(truth.stations[i].transmitters[0].bearing);
        // From 30 to 150 degrees off the zero mark two cardioids differ by 5 dB and more, far beyond the fading.
        if truth_deg.sin_deg().abs() > 0.5 {
            named += 1;
            assert_eq!(
                sides.word(),
                if truth_deg > 0.0 { "right" } else { "left" },
                "place {i}: {truth_deg}"
            );
        }
        assert!((sides.left_probability + sides.right_probability - 1.0).abs() < 1e-12);
    }
    assert!(named >= 4, "{named}");
    // The two sides of the pair are told apart, front and back are not: each bearing has two modes.
    assert!(
        bearings(&result)
            .iter()
            .all(|b| b.arcs95.iter().map(|a| a.width_deg).sum::<f64>() > 5.0)
    );
}

trait SinDeg {
    fn sin_deg(self) -> f64;
}

impl SinDeg for f64 {
    fn sin_deg(self) -> f64 {
        self.to_radians().sin()
    }
}

#[test]
fn a_schedule_of_its_own_replaces_the_cycle() {
    let folder = tempfile::tempdir().unwrap();
    let scene = scene(2, 8, &sector_array(0.05), "", VOICE);
    record(&scene, folder.path());
    let cycle = sector_pipeline(2, 0.05);
    let mut list = cycle.clone();
    for (i, place) in list.places.iter_mut().enumerate() {
        let file = format!("{i}.switch.csv");
        std::fs::write(folder.path().join(&file), scene.schedule_csv(i).unwrap()).unwrap();
        place.switch_schedule = Some(file.into());
    }
    let (a, b) = (work(&cycle, folder.path(), 1), work(&list, folder.path(), 1));
    for (a, b) in bearings(&a).iter().zip(bearings(&b)) {
        // The list's instants are rounded to nanoseconds.
        assert!(a.azimuth.turn_to(b.azimuth).abs() < 1e-3);
    }
}

#[test]
fn results_depend_neither_on_threads_nor_on_blocks() {
    let folder = tempfile::tempdir().unwrap();
    record(&scene(3, 9, &sector_array(0.008), "", VOICE), folder.path());
    let config = sector_pipeline(3, 0.008);
    let (one, four) = (work(&config, folder.path(), 1), work(&config, folder.path(), 4));
    assert_eq!(one.outcomes(), four.outcomes());
    let settings = PlaceSettings {
        config: &config,
        antenna: Some(
            lobewright_station::AntennaModel::load(config.antenna.as_ref().unwrap(), folder.path()).unwrap(),
        ),
        base: folder.path(),
        spectrogram: SpectrogramOf::Nothing,
    };
    for block_samples in [7_001, 48_000] {
        let options = lobewright_source::OpenOptions {
            block_samples,
            ..Default::default()
        };
        let recording = lobewright_source::open(&folder.path().join("0.sigmf-meta"), &options).unwrap();
        let input = PlaceInput {
            index: 0,
            section: &config.places[0],
        };
        let place = process_recording(&settings, input, recording, &mut |_, _| {}).unwrap();
        assert_eq!(place.outcomes, one.places[0].outcomes, "{block_samples}");
    }
}

#[test]
fn a_switch_that_the_channel_filter_cannot_follow_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    record(&scene(1, 3, &sector_array(0.008), "", VOICE), folder.path());
    let config = sector_pipeline(1, 0.000_6);
    let options = lobewright_station::RunOptions {
        base: folder.path().to_owned(),
        threads: 1,
        spectrograms: false,
    };
    let error = lobewright_station::run(&config, &options, &|_| {}).err();
    let text = error
        .expect("0.1 ms of settled time is less than any filter remembers")
        .to_string();
    assert!(
        text.starts_with("place `place 0`: the channel filter remembers")
            && text.contains("switch more slowly"),
        "{text}"
    );
}
