//! Arrays with phases, switched or coherent, from simulated samples to bearings, against the scene's truth.

mod common;

use common::{bearings, errors, pipeline, record, scene, work};
use lobewright_station::{AntennaModel, PlaceInput, PlaceSettings, SpectrogramOf, process_recording};
use lobewright_testkit::coverage_limits;

const VOICE: &str = "fm_voice]\ndeviation_hz = 2_500";
const FADING: &str = "[fading]\nrician_k_db = 12\ndoppler_hz = 0.4";
const RING: &str = "[antenna.array.ring]\nelements = 4\nradius_m = 0.36\nfirst_azimuth_mount_deg = 45\n";
const SWITCH: &str = "[antenna.switch]\norder = [1, 2, 3, 4]\ndwell_s = 0.001\nsettle_s = 0.00005\nstart_s = 0.0004\n\
    clock_error_ppm = 30\njitter_s = 0.000001\n";
/// A filter with a memory much shorter than a dwell.
const WIDE: &str = "pass_half_width_hz = 9000.0\nstop_half_width_hz = 20000.0\nstopband_db = 50.0";
const IDEAL: &str = "ideal_ring = { elements = 4, radius_m = 0.36, first_azimuth_mount_deg = 45.0 }\n";

#[test]
fn a_switched_ring_finds_the_direction_and_its_own_clock() {
    let folder = tempfile::tempdir().unwrap();
    let errors_of_ports = "[antenna]\nport_error = [{}, { gain_db = -0.2, phase_deg = 3 }, \
        { gain_db = 0.1, phase_deg = -2 }, { phase_deg = 4 }]\n";
    let antenna = format!("{errors_of_ports}{RING}{SWITCH}{FADING}");
    let truth = record(&scene(8, 17, &antenna, "", VOICE), folder.path());
    let result = work(
        &pipeline(8, WIDE, &told("[1, 2, 3, 4]", "start_s = 0.0004")),
        folder.path(),
        0,
    );
    let (off, inside) = errors(&result, &truth);
    assert!(
        coverage_limits(0.95, 8, 0.001).contains(inside),
        "{inside} of 8, {off:?}"
    );
    // Ports differ by a few degrees from what the station is told: some degrees of bearing at 0.175 wavelengths.
    assert!(off.iter().all(|d| d.abs() < 15.0), "{off:?}");
    assert!(bearings(&result).iter().all(|b| b.modes.len() == 1));

    // Begun at another element, an even cycle of equal elements fits as well: the directions a quarter turn apart.
    let result = work(&pipeline(8, WIDE, &told("[1, 2, 3, 4]", "")), folder.path(), 0);
    let (off, inside) = errors(&result, &truth);
    assert!(
        coverage_limits(0.95, 8, 0.001).contains(inside),
        "{inside} of 8, {off:?}"
    );
    let quarters = |d: &f64| (d / 90.0).round();
    assert!(
        off.iter().all(|d| (d - 90.0 * quarters(d)).abs() < 15.0),
        "{off:?}"
    );
    assert!(bearings(&result).iter().all(|b| b.modes.len() == 4));
}

/// A ring as a station is told of it.
fn told(order: &str, start: &str) -> String {
    format!(
        "[antenna]\nkind = \"ring\"\nheading_sigma_deg = 1.0\n{IDEAL}[antenna.switch]\norder = {order}\n\
         dwell_s = 0.001\nsettle_s = 0.00005\nclock_sigma_ppm = 50.0\n{start}\n"
    )
}

#[test]
fn a_cycle_with_a_step_without_a_port_is_worked_from_its_start() {
    let folder = tempfile::tempdir().unwrap();
    let switch = SWITCH
        .replace("[1, 2, 3, 4]", "[1, 2, 3, 4, 0]")
        .replace("clock_error_ppm = 30", "clock_error_ppm = 0");
    let truth = record(
        &scene(6, 19, &format!("{RING}{switch}{FADING}"), "", VOICE),
        folder.path(),
    );
    let result = work(
        &pipeline(
            6,
            WIDE,
            &told("[1, 2, 3, 4, 0]", "start_s = 0.0004").replace("clock_sigma_ppm = 50.0", ""),
        ),
        folder.path(),
        0,
    );
    let (off, inside) = errors(&result, &truth);
    assert!(
        coverage_limits(0.95, 6, 0.001).contains(inside),
        "{inside} of 6, {off:?}"
    );
    // Nobody knows what speech does to the phase during a millisecond: some of these bearings are wide.
    assert!(inside >= 5, "{inside} of 6, {off:?}");
}

#[test]
fn coherent_channels_find_the_direction_with_and_without_a_calibration() {
    let folder = tempfile::tempdir().unwrap();
    let channels = "channel_error = [{}, { gain_db = 0.3, phase_deg = 28 }, { gain_db = -0.2, phase_deg = -35 }, \
        { phase_deg = 13 }]";
    let truth = record(
        &scene(8, 23, &format!("{RING}{FADING}"), channels, VOICE),
        folder.path(),
    );
    let calibration: String = [(0.0, 0.0), (0.3, 28.0), (-0.2, -35.0), (0.0, 13.0)]
        .map(|(gain_db, phase_deg): (f64, f64)| {
            format!(
                "[[channels]]\ngain_db = {gain_db:?}\nphase_deg = {phase_deg:?}\ngain_sigma_db = 0.1\n\
                 phase_sigma_deg = 1.0\n"
            )
        })
        .concat();
    std::fs::write(folder.path().join("channels.toml"), calibration).unwrap();
    let told = format!("[antenna]\nkind = \"coherent\"\nheading_sigma_deg = 1.0\n{IDEAL}");
    let with = told.clone() + "calibration = \"channels.toml\"\n";
    // Not told of errors this large, the array has to expect them.
    let without = told + "phase_error_deg = 25.0\n";
    for (antenna, limit_deg) in [(with, 8.0), (without, 60.0)] {
        let result = work(&pipeline(8, "", &antenna), folder.path(), 0);
        let (off, inside) = errors(&result, &truth);
        assert!(
            coverage_limits(0.95, 8, 0.001).contains(inside),
            "{inside} of 8, {off:?}, {antenna}"
        );
        assert!(off.iter().all(|d| d.abs() < limit_deg), "{off:?}, {antenna}");
        assert!(
            bearings(&result)
                .iter()
                .all(|b| b.snr_db.is_some_and(|s| s > 10.0))
        );
    }
}

#[test]
fn arrays_depend_neither_on_threads_nor_on_blocks() {
    let told = [
        (
            format!("{RING}{SWITCH}"),
            WIDE,
            format!(
                "[antenna]\nkind = \"ring\"\n{IDEAL}[antenna.switch]\norder = [1, 2, 3, 4]\ndwell_s = 0.001\n\
                 settle_s = 0.00005\nstart_s = 0.0004\n"
            ),
        ),
        (
            RING.to_owned(),
            "",
            format!("[antenna]\nkind = \"coherent\"\n{IDEAL}"),
        ),
    ];
    for (array, channel, antenna) in told {
        let folder = tempfile::tempdir().unwrap();
        record(&scene(2, 4, &array, "", VOICE), folder.path());
        let config = pipeline(2, channel, &antenna);
        let one = work(&config, folder.path(), 1);
        assert_eq!(one.outcomes(), work(&config, folder.path(), 2).outcomes());
        let settings = PlaceSettings {
            config: &config,
            antenna: Some(AntennaModel::load(config.antenna.as_ref().unwrap(), folder.path()).unwrap()),
            base: folder.path(),
            spectrogram: SpectrogramOf::Nothing,
        };
        for block_samples in [5_003, 60_000] {
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
            assert_eq!(
                place.outcomes, one.places[0].outcomes,
                "{block_samples}: {antenna}"
            );
        }
    }
}

#[test]
fn a_recording_with_other_channels_than_the_array_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    record(&scene(1, 4, RING, "", VOICE), folder.path());
    let antenna = "[antenna]\nkind = \"coherent\"\nideal_ring = { elements = 3, radius_m = 0.3 }\n";
    let options = lobewright_station::RunOptions {
        base: folder.path().to_owned(),
        threads: 1,
        spectrograms: false,
    };
    let error = lobewright_station::run(&pipeline(1, "", antenna), &options, &|_| {}).err();
    assert_eq!(
        error.expect("four channels for three ports").to_string(),
        "place `place 0`: its recording has 4 channels, but the array has 3 ports and should have a channel for each"
    );
}
