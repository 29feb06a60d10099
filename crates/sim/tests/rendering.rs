//! Rendered samples against the truth that goes with them.

use lobewright_antenna::Pattern;
use lobewright_sim::{Renderer, Scene};
use lobewright_types::{Azimuth, Position, Sample};
use num_complex::Complex;
use proptest::prelude::*;

/// A scene of one carrier and one station, put together from its parts.
fn scene_text(transmitter: &str, station: &str, receiver: &str, rest: &str) -> String {
    format!(
        r#"
[scene]
name = "test"
seed = 1
snr_bandwidth_hz = 12_500
[[transmitter]]
name = "t"
lat_deg = -41.30
lon_deg = 174.10
frequency_hz = 145_302_000
{transmitter}
[[station]]
name = "s"
lat_deg = -41.33
lon_deg = 174.07
{station}
[receiver]
rate_hz = 50_000
center_hz = 145_300_000
format = "cf32_le"
{receiver}
[antenna]
pattern = "yagi-3"
{rest}
"#
    )
}

fn scene(transmitter: &str, station: &str, receiver: &str, rest: &str) -> Scene {
    let text = scene_text(transmitter, station, receiver, rest);
    Scene::from_toml(&text, "test.toml").unwrap_or_else(|error| panic!("{error}"))
}

fn bytes(mut renderer: Renderer) -> Vec<u8> {
    let mut all = Vec::new();
    let mut expected = 0;
    while let Some(block) = renderer.next_block() {
        assert_eq!(block.start.0, expected);
        expected += (block.bytes.len() / renderer.format().bytes_per_sample()) as u64;
        all.extend(block.bytes);
    }
    assert_eq!(expected, renderer.length_samples());
    all
}

fn samples(scene: &Scene) -> Vec<Sample> {
    let renderer = scene.renderer(0).expect("there is a station");
    let format = renderer.format();
    let mut out = Vec::new();
    format.decode(&bytes(renderer), 0, 1, &mut out);
    out
}

fn mean_power(samples: &[Sample]) -> f64 {
    samples.iter().map(|x| f64::from(x.norm_sqr())).sum::<f64>() / samples.len() as f64
}

fn index(sample: u64) -> usize {
    usize::try_from(sample).expect("short recordings")
}

const POINTED: &str = "[rotator.fixed]\nazimuth_mount_deg = 0";

#[test]
fn measured_signal_to_noise_is_that_of_the_truth() {
    let cycle = "eirp_dbm = -30\n[[transmitter.cycle]]\nperiod_s = 8\non_s = 4\nfirst_start_s = 2";
    let place = |heading: f64| format!("duration_s = 8\nheading_true_deg = {heading}");
    let bearing = scene(cycle, &place(0.0), "", POINTED)
        .station_truth(0)
        .unwrap()
        .transmitters[0]
        .bearing
        .degrees();
    for receiver in [
        "gain_db = 60",
        "gain_db = 60\nnoise_figure_db = 12\nexternal_noise_db = 15",
    ] {
        let scene = scene(cycle, &place(bearing), receiver, POINTED);
        let truth = scene.station_truth(0).unwrap();
        let received = &truth.transmitters[0];
        let burst = received.bursts[0];
        let samples = samples(&scene);
        // A margin of 5 ms keeps the ramps out.
        let (start, stop) = (index(burst.start_sample), index(burst.stop_sample));
        let noise = mean_power(&samples[..start]);
        let signal = mean_power(&samples[start + 250..stop - 250]) - noise;
        let noise_dbfs = 10.0 * noise.log10();
        let level_dbfs = 10.0 * signal.log10();
        let snr_db = level_dbfs - noise_dbfs + 10.0 * (50_000.0_f64 / 12_500.0).log10();
        // 100000 noise samples: 0.014 dB; 200000 of signal and noise at 5 dB and more: 0.02 dB. Four sigma.
        assert!((noise_dbfs - truth.noise_dbfs.0).abs() < 0.06, "{noise_dbfs}");
        assert!((level_dbfs - received.level_dbfs.0).abs() < 0.08, "{level_dbfs}");
        assert!(
            (snr_db - received.snr_db.0).abs() < 0.1,
            "{snr_db} {}",
            received.snr_db.0
        );
    }
}

#[test]
fn bursts_begin_and_end_at_the_sample_that_the_truth_names() {
    let cycle = "eirp_dbm = 80\nramp_s = 0\n[[transmitter.cycle]]\nperiod_s = 0.5\non_s = 0.2\nfirst_start_s = 0.1\njitter_s = 0.01";
    let scene = scene(cycle, "duration_s = 4", "noise_figure_db = 0", POINTED);
    let truth = scene.station_truth(0).unwrap();
    let received = &truth.transmitters[0];
    let samples = samples(&scene);
    let mut on = vec![false; samples.len()];
    for burst in &received.bursts {
        on[index(burst.start_sample)..index(burst.stop_sample)].fill(true);
        assert!(burst.start_sample as f64 / 50_000.0 >= burst.start_s);
        assert!((burst.start_sample as f64 - 1.0) / 50_000.0 < burst.start_s);
    }
    assert_eq!(received.bursts.len(), 8);
    // Noise lies over 100 dB lower than the signal.
    let limit = 1e-6 * mean_power(&samples);
    for (n, x) in samples.iter().enumerate() {
        assert_eq!(f64::from(x.norm_sqr()) > limit, on[n], "sample {n}");
    }
}

#[test]
fn direct_path_takes_the_time_that_light_takes() {
    let scene = scene("eirp_dbm = 0", "duration_s = 1", "", POINTED);
    let received = &scene.station_truth(0).unwrap().transmitters[0];
    assert!((received.delay_s * 299_792_458.0 - received.distance_m).abs() < 1e-6);
    assert!(
        (received.distance_m - 4_173.0).abs() < 10.0,
        "{}",
        received.distance_m
    );
}

#[test]
fn level_follows_the_pattern_as_the_antenna_turns() {
    let station = "duration_s = 10\nheading_true_deg = 77";
    let turning = "[rotator.continuous]\nstart_azimuth_mount_deg = 200\nrate_deg_per_s = -36";
    let scene = scene("eirp_dbm = 30", station, "noise_figure_db = 0", turning);
    let truth = scene.station_truth(0).unwrap();
    let received = &truth.transmitters[0];
    let pattern = Pattern::builtin("yagi-3").unwrap();
    let samples = samples(&scene);
    for (n, piece) in samples.chunks(500).enumerate() {
        let time_s = (n as f64 + 0.5) * 0.01;
        let boresight = Azimuth::from_degrees(200.0 - 36.0 * time_s + 77.0);
        let off_deg = boresight.turn_to(received.bearing);
        let expected = received.level_dbfs.0 + pattern.gain_dbi(off_deg) - pattern.peak_gain_dbi();
        let level = 10.0 * mean_power(piece).log10();
        // In a null the level bends within the 10 ms of a piece.
        assert!((level - expected).abs() < 0.1, "{off_deg}: {level} {expected}");
    }
}

#[test]
fn reflection_comes_from_its_own_direction_at_its_own_level() {
    let station = "duration_s = 10\nexcess_loss_db = 60\n[[station.reflection]]\nazimuth_true_deg = 300\nrelative_level_db = 30\ndelay_us = 12";
    let turning = "[rotator.continuous]\nrate_deg_per_s = 36";
    let scene = scene("eirp_dbm = 30", station, "noise_figure_db = 0", turning);
    let truth = scene.station_truth(0).unwrap();
    let reflection = truth.transmitters[0].reflections[0];
    assert!((reflection.level_dbfs.0 - truth.transmitters[0].level_dbfs.0 - 30.0).abs() < 1e-9);
    let samples = samples(&scene);
    let powers: Vec<f64> = samples.chunks(500).map(mean_power).collect();
    let best = (0..powers.len())
        .max_by(|a, b| powers[*a].total_cmp(&powers[*b]))
        .unwrap();
    let azimuth = Azimuth::from_degrees((best as f64 + 0.5) * 0.36);
    // The direct wave, 30 dB lower, may lift a neighbour by up to 0.27 dB on the lobe's round top.
    assert!(azimuth.turn_to(reflection.azimuth).abs() < 15.0, "{azimuth}");
    let level = 10.0 * powers[best].log10();
    assert!((level - reflection.level_dbfs.0).abs() < 0.3, "{level}");
}

#[test]
fn carrier_lies_where_the_truth_says_and_drifts() {
    let transmitter = "eirp_dbm = 40\ndrift_hz_per_s = 3";
    let receiver = "frequency_error_ppm = 2\nfrequency_drift_ppm_per_s = 0.01";
    let scene = scene(transmitter, "start_s = 100\nduration_s = 20", receiver, POINTED);
    let truth = scene.station_truth(0).unwrap();
    let received = &truth.transmitters[0];
    // 2000 Hz and 300 Hz of drift, less 2 ppm of 145.3 MHz.
    assert!((received.carrier_offset_hz - (2_000.0 + 300.0 - 290.6)).abs() < 1e-6);
    assert!((received.carrier_drift_hz_per_s - (3.0 - 1.453)).abs() < 1e-9);
    let samples = samples(&scene);
    for second in [0_u32, 9, 19] {
        let from = second as usize * 50_000;
        // Added up in double precision: 50000 terms in single would be off by more than a hertz.
        let turn: Complex<f64> = samples[from..from + 50_000]
            .windows(2)
            .map(|w| w[1] * w[0].conj())
            .map(|t| Complex::new(f64::from(t.re), f64::from(t.im)))
            .sum();
        let measured = turn.arg() / std::f64::consts::TAU * 50_000.0;
        let expected =
            received.carrier_offset_hz + received.carrier_drift_hz_per_s * (f64::from(second) + 0.5);
        assert!((measured - expected).abs() < 0.2, "{measured} {expected}");
    }
}

// Azimuths and distances computed with geographiclib 2.1 (Karney 2013), in the data file.
#[test]
fn bearing_truth_is_the_geodesic_azimuth() {
    let table = include_str!("../../../testdata/references/geodesic_bearing_sets.csv");
    let mut lines = table.lines().filter(|l| !l.starts_with('#'));
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let column = |name: &str| header.iter().position(|h| *h == name).unwrap();
    let columns = [
        "station_lat_deg",
        "station_lon_deg",
        "target_lat_deg",
        "target_lon_deg",
        "azimuth_deg",
        "distance_m",
    ]
    .map(column);
    let mut checked = 0;
    for line in lines {
        let fields: Vec<&str> = line.split(',').collect();
        let [lat, lon, target_lat, target_lon, azimuth, range] =
            columns.map(|c| fields[c].parse::<f64>().unwrap());
        let place = Position::from_lat_lon(lat, lon).unwrap();
        let text = scene_text("eirp_dbm = 0", "duration_s = 1", "", POINTED)
            .replacen("lat_deg = -41.30", &format!("lat_deg = {target_lat}"), 1)
            .replacen("lon_deg = 174.10", &format!("lon_deg = {target_lon}"), 1)
            .replacen("lat_deg = -41.33", &format!("lat_deg = {}", place.lat_deg), 1)
            .replacen("lon_deg = 174.07", &format!("lon_deg = {}", place.lon_deg), 1);
        let truth = Scene::from_toml(&text, "t").unwrap().station_truth(0).unwrap();
        let received = &truth.transmitters[0];
        assert!(
            received.bearing.turn_to(Azimuth::from_degrees(azimuth)).abs() < 1e-6,
            "{line}"
        );
        assert!((received.distance_m - range).abs() < 0.01, "{line}");
        checked += 1;
    }
    assert!(checked >= 15);
}

// ITU-R P.525 up to the reference distance, a power law behind it: ten times the exponent in dB for ten times the way.
#[test]
fn path_loss_is_free_space_and_then_a_power_law() {
    let loss = |rest: &str| {
        let rest = format!("{POINTED}\n{rest}");
        let scene = scene("eirp_dbm = 0", "duration_s = 1", "", &rest);
        scene.station_truth(0).unwrap().transmitters[0].clone()
    };
    let free = loss("");
    let printed = 32.4478 + 20.0 * 145.302_f64.log10() + 20.0 * (free.distance_m / 1e3).log10();
    assert!((free.path_loss_db.0 - printed).abs() < 1e-3);
    let steep = loss("[path_loss]\nexponent = 4\nreference_distance_m = 1000\nexcess_loss_db = 5");
    let more = steep.path_loss_db.0 - free.path_loss_db.0;
    assert!((more - 5.0 - 20.0 * (free.distance_m / 1e3).log10()).abs() < 1e-9);
}

#[test]
fn strong_signals_fill_the_converter_and_clip() {
    let mut text = scene_text("eirp_dbm = 100", "duration_s = 0.1", "", POINTED);
    text = text.replace("cf32_le", "cu8");
    let rendered = bytes(Scene::from_toml(&text, "t").unwrap().renderer(0).unwrap());
    let ends = rendered.iter().filter(|b| **b == 0 || **b == 255).count();
    assert!(ends > rendered.len() / 2, "{ends} of {}", rendered.len());
}

/// Everything at once, short.
const BUSY_TRANSMITTER: &str = r#"eirp_dbm = -20
[transmitter.emission.fm_voice]
deviation_hz = 2_500
[transmitter.identification]
text = "E"
wpm = 30
gap_s = 0.05
[[transmitter.cycle]]
period_s = 0.5
on_s = 0.3
first_start_s = 0.05
jitter_s = 0.02"#;
const BUSY_STATION: &str = r"duration_s = 0.9
[[station.reflection]]
azimuth_true_deg = 100
relative_level_db = 3
delay_us = 33.3
fading = { rician_k_db = -40, doppler_hz = 20 }";
const BUSY_RECEIVER: &str = r"gain_db = 70
frequency_error_ppm = 1
frequency_drift_ppm_per_s = 0.1
dc_dbfs = -40
iq_gain_db = 0.3
iq_phase_deg = 1
interferer = [{ frequency_hz = 145_290_000, level_dbm = -100 }]
impulses = { per_second = 50, peak_dbfs = -10, decay_s = 0.0001 }";
const BUSY_REST: &str = r"[rotator.hand]
rate_deg_per_s = 90
wander_deg = 10
wander_rate_hz = 2
[fading]
rician_k_db = 6
doppler_hz = 10
shadowing_sigma_db = 3";

fn busy() -> Scene {
    scene(BUSY_TRANSMITTER, BUSY_STATION, BUSY_RECEIVER, BUSY_REST)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]
    #[test]
    fn bytes_do_not_depend_on_the_block_size(block in 1_usize..70_000) {
        let scene = busy();
        let whole = bytes(scene.renderer(0).unwrap());
        let cut = bytes(scene.renderer(0).unwrap().with_block_samples(block));
        prop_assert!(whole == cut, "blocks of {} samples", block);
    }
}

#[test]
fn same_seed_same_bytes_and_another_seed_others() {
    let first = bytes(busy().renderer(0).unwrap());
    assert!(first == bytes(busy().renderer(0).unwrap()));
    assert!(first != bytes(busy().with_seed(2).renderer(0).unwrap()));
}

#[test]
fn an_added_element_leaves_the_draws_of_the_others_alone() {
    let first = bytes(busy().renderer(0).unwrap());
    // Too weak and too far from everything to move a bit: only its draws could.
    let more = r#"
[[transmitter]]
name = "other"
lat_deg = -41.5
lon_deg = 174.1
frequency_hz = 145_305_000
eirp_dbm = -200
[transmitter.emission.noise]
bandwidth_hz = 1_000
[[station]]
name = "other"
lat_deg = -41.4
lon_deg = 174.1
duration_s = 0.1
"#;
    let text = scene_text(BUSY_TRANSMITTER, BUSY_STATION, BUSY_RECEIVER, BUSY_REST).replace("cf32_le", "cu8");
    let alone = bytes(Scene::from_toml(&text, "t").unwrap().renderer(0).unwrap());
    let joined = bytes(
        Scene::from_toml(&(text + more), "t")
            .unwrap()
            .renderer(0)
            .unwrap(),
    );
    assert!(alone == joined);
    assert_eq!(first.len(), 4 * alone.len());
}
